//! How a recording stands, once a second.

use crate::watch::{Alive, Vital};
use leadline_ingest::Pulse;
use std::time::Duration;

/// How a recording stands.
#[derive(Clone, Debug)]
pub struct Status {
    /// What was heard of depth, fix and time.
    pub pulse: Pulse,
    /// Whether each is alive, and how long ago it last moved.
    pub vitals: [(Vital, Alive, Option<Duration>); 3],
    /// Bytes that came.
    pub bytes: u64,
    /// Soundings so far, those of the growing leg included.
    pub soundings: u64,
    /// Legs kept so far.
    pub legs: usize,
    /// The sources.
    pub sources: Vec<SourceState>,
    /// Bytes left on the disk, if the system tells.
    pub free: Option<u64>,
}

/// How a source stands.
#[derive(Clone, Debug, Default)]
pub struct SourceState {
    /// As typed.
    pub name: String,
    /// Whether it is there.
    pub up: bool,
    /// Whether it came to its end, or can never be opened.
    pub ended: bool,
    /// Bytes that came from it.
    pub bytes: u64,
    /// What was last said of it.
    pub words: String,
}
