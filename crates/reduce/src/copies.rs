//! The same measurements recorded twice: found recording against recording, counted once.
//!
//! Bytes that are equal are known by their ids; here are the copies whose bytes differ: another format, rounding,
//! unit or reference, a clock that is off by a constant, another boat name. What it is not: two sounders on one hull
//! and two boats side by side measure twice, and both count. Where the readings are too coarse or the bed too even
//! to tell, both count as well. `docs/method.md`, "Copies", has the rules and their reasons.

mod evidence;
mod judge;
mod matching;
mod pair;
mod seam;
mod settle;
mod shift;
mod step;
mod strand;
mod visits;

pub(crate) use pair::{Looked, is_copy};
pub(crate) use seam::same_place;
pub(crate) use settle::{Settled, settle};
pub(crate) use strand::{Leg, Strand, strands};

use leadline_model::{Text, UtcMillis};

/// One side of a copy: a stretch of a boat's recording, on the clock of that recording.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Recording {
    /// The boat it goes by.
    pub boat: Text,
    /// First sounding of the shared span.
    pub first: UtcMillis,
    /// Last sounding of the shared span.
    pub last: UtcMillis,
}

/// Two recordings of the same measurements.
#[derive(Clone, Debug, PartialEq)]
pub struct CopyFound {
    /// The one that counts.
    pub standing: Recording,
    /// The one whose soundings in the shared span do not.
    pub copy: Recording,
    /// Soundings that do not count for this reason.
    pub soundings: u64,
    /// The copy's clock less that of the standing one, ms.
    pub shift_ms: i64,
    /// The copy's depths less those of the standing one, metres.
    pub depth_difference_m: f64,
}
