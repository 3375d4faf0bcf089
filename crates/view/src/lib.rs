//! The map page, served from the program itself: no outside tiles, fonts or scripts.
