//! A levelling: one solved set of vertical offsets, as people apply it.

use crate::{Digest, Text};
use serde::{Deserialize, Serialize};

/// Most boat-days of one levelling: with boats and clusters they fit one entry of 64 KiB.
pub const MAX_BOAT_DAYS: usize = 2_000;

/// All offsets of one solution. It is one value: it holds as a whole or not at all.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Levelling {
    /// Digest of what it was solved from.
    pub inputs: Digest,
    /// Boats, by name.
    pub boats: Vec<BoatLevel>,
    /// Boat-days, by boat and day.
    pub days: Vec<DayLevel>,
    /// Boat-days that crossings tie together.
    pub clusters: Vec<ClusterLevel>,
}

/// What a levelling says of a boat.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct BoatLevel {
    /// The boat.
    pub boat: Text,
    /// Delay of the position behind the depth beyond the typed one, ms, where crossings show it.
    pub lag_ms: Option<i32>,
    /// Its uncertainty, 95 %, ms.
    pub lag95_ms: u32,
    /// Error of the depth below the transducer, millionths of it, taken off; where crossings show it.
    pub scale_ppm: Option<i32>,
    /// Its uncertainty, 95 %, millionths.
    pub scale95_ppm: u32,
    /// The noise that crossings show, per cent of what the budget states; 100 where they show nothing.
    pub noise_percent: u16,
    /// The same for the error of its positions, seen where the bed slopes.
    pub place_percent: u16,
}

/// The offset of one boat on one day (UTC).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct DayLevel {
    /// Index into [`Levelling::boats`].
    pub boat: u16,
    /// Days since 1970-01-01 (UTC).
    pub day: i32,
    /// Index into [`Levelling::clusters`].
    pub cluster: u16,
    /// Taken off every depth of that boat-day, mm.
    pub offset_mm: i32,
    /// Uncertainty against the other boat-days of its cluster, 95 %, mm.
    pub own95_mm: u32,
    /// Depth below the transducer at which the offset holds, mm: sound speed tilts around it.
    pub pivot_mm: i32,
    /// Speed at which the offset holds, mm/s: settlement changes with its square.
    pub speed_mm_s: u32,
}

/// One cluster.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct ClusterLevel {
    /// Uncertainty that all its boat-days share, 95 %, mm.
    pub common95_mm: u32,
    /// None of its boat-days has a known stage: it hangs on no datum.
    pub floating: bool,
}
