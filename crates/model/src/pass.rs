//! Passes: unbroken legs of one boat, derived from the legs, never stored.

use crate::{LegId, Text, UtcMillis};
use serde::Serialize;

/// Two legs of a boat whose soundings are less than this apart belong to one pass, ms.
pub const PASS_GAP: i64 = 30 * 60 * 1000;

/// Unbroken legs of one boat.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Pass {
    /// The boat that measured.
    pub boat: Text,
    /// First sounding.
    pub first: UtcMillis,
    /// Last sounding.
    pub last: UtcMillis,
    /// Soundings with a position, before screening.
    pub soundings: u32,
    /// Its legs in time order.
    #[serde(skip)]
    pub legs: Vec<LegId>,
}
