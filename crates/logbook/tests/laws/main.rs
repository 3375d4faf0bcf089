//! The laws of the logbook, on a small replica in memory: which entries are in force and how the documents read
//! depends on what was seen, not on its order, grouping or number; and nothing forged, altered, cut or foreign
//! changes anything.

mod fork;
mod golden;
mod limits;
mod merge;
mod parts;
mod refusals;
mod replica;
mod second;
mod standing;
mod waiting;
mod world;
