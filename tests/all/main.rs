//! All tests that need more than one crate, as one binary.

mod house;
