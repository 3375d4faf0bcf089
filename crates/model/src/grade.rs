//! Grades of soundings and cells, and why a sounding is void.

use serde::{Deserialize, Serialize};
use std::fmt;

/// How good a depth is; the better grade is the smaller value.
///
/// Source of the limits: IHO S-44 Ed 6.1.0 Table 1 (Order 1b, Order 2). "Within the limits of", never "meets".
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Grade {
    /// Within S-44's Order 1b limits, vertical and horizontal, at that depth.
    Sure,
    /// Within its Order 2 limits.
    Fair,
    /// Measured, but worse.
    Loose,
    /// Kept, never charted.
    Void,
}

impl Grade {
    /// All grades, best first.
    pub const ALL: [Self; 4] = [Self::Sure, Self::Fair, Self::Loose, Self::Void];

    /// The word people read.
    pub fn word(self) -> &'static str {
        match self {
            Self::Sure => "sure",
            Self::Fair => "fair",
            Self::Loose => "loose",
            Self::Void => "void",
        }
    }
}

impl fmt::Display for Grade {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// Why a sounding is void.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum VoidReason {
    /// The receiver had no fix, or a kind that is no measurement (dead reckoning, typed, simulated).
    NoFix,
    /// The fix is too poor to place a depth.
    PoorFix,
    /// Faster than the survey's speed ceiling.
    TooFast,
    /// Zero, negative or beyond the survey's depth range.
    OutOfRange,
    /// A lone jump along the track.
    Spike,
    /// About twice the depth of what lies before and behind: the sound went down and up twice.
    SecondEcho,
    /// Far shoaler than the track around it and near the transducer: bubbles, fish, the surface itself.
    Clutter,
    /// The same depth to the last digit for too long: the sounder is frozen or has lost the bottom.
    Frozen,
    /// The position jumped farther than a boat can go.
    PositionJump,
    /// A person left it out.
    LeftOut,
    /// Beyond the drawn shore: a trailer, or a berth on land.
    OnLand,
}

impl VoidReason {
    /// All reasons.
    pub const ALL: [Self; 11] = [
        Self::NoFix,
        Self::PoorFix,
        Self::TooFast,
        Self::OutOfRange,
        Self::Spike,
        Self::SecondEcho,
        Self::Clutter,
        Self::Frozen,
        Self::PositionJump,
        Self::LeftOut,
        Self::OnLand,
    ];

    /// What people read.
    pub fn words(self) -> &'static str {
        match self {
            Self::NoFix => "no position fix",
            Self::PoorFix => "position fix too poor",
            Self::TooFast => "boat too fast",
            Self::OutOfRange => "no depth, or outside the range",
            Self::Spike => "spike",
            Self::SecondEcho => "second echo",
            Self::Clutter => "surface clutter",
            Self::Frozen => "depth frozen",
            Self::PositionJump => "position jumped",
            Self::LeftOut => "left out by a person",
            Self::OnLand => "on land, beyond the drawn shore",
        }
    }
}
