//! What people decide about soundings: leave them out, take them back, call them no copies.

use crate::{CellId, GridPos, Text, UtcMillis};
use serde::{Deserialize, Serialize};

/// Most corners of a drawn area.
pub const MAX_AREA_CORNERS: usize = 1_000;

/// What a verdict speaks of.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Scope {
    /// A stretch of time of one boat.
    Stretch {
        /// The boat.
        boat: Text,
        /// First moment.
        from: UtcMillis,
        /// First moment behind it.
        to: UtcMillis,
    },
    /// Everything inside a drawn ring (3 to [`MAX_AREA_CORNERS`] corners, closed by itself).
    Area(Vec<GridPos>),
    /// One cell.
    Cell(CellId),
}

/// What is decided.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    /// The soundings are kept but never charted.
    LeaveOut,
    /// They count.
    Keep,
    /// They are no copies of another recording, whatever they look like.
    NotCopies,
}

/// A person's decision, with its reason.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Verdict {
    /// What it speaks of.
    pub scope: Scope,
    /// What is decided.
    pub decision: Decision,
    /// Binds soundings up to this moment only: what is measured later votes anew.
    pub until: UtcMillis,
    /// Binds only reduced depths shoaler than this, mm below the sounding datum.
    pub shoaler_than_mm: Option<i32>,
    /// Binds only reduced depths deeper than this, mm below the sounding datum.
    pub deeper_than_mm: Option<i32>,
    /// The reason in words.
    pub why: Text,
}
