//! Marks: point notes of people.

use crate::{GridPos, Text};
use serde::{Deserialize, Serialize};

/// What a mark is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum MarkKind {
    /// Something a boat can hit; without a depth it counts as one at any stage.
    Hazard,
    /// Where a boat can be brought to land.
    Landing,
    /// A tree's foot or a pile.
    Stump,
    /// Any other place worth finding again.
    Waypoint,
}

/// A point note.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Mark {
    /// What it is of.
    pub kind: MarkKind,
    /// Where.
    pub place: GridPos,
    /// Depth below the sounding datum over it, mm (negative = dries); `None` = not known.
    pub depth_mm: Option<i32>,
    /// A short name.
    pub name: Text,
    /// More words; may be empty.
    pub note: Text,
}
