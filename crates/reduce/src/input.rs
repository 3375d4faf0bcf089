//! What reduction is given.

use crate::Settings;
use leadline_model::{
    Gauge, GridPos, LegId, Levelling, Setup, Shoreline, Sounding, StageReading, Text, Verdict, WaterCast,
};
use std::collections::BTreeSet;

/// One leg: the union of its strips.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LegInput {
    /// Its id.
    pub id: LegId,
    /// The boat that measured.
    pub boat: Text,
    /// The devices that claim it.
    pub devices: DeviceSet,
    /// Its soundings, in any order.
    pub soundings: Vec<Sounding>,
}

/// Everything reduction needs; nothing else decides the result.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Input {
    /// All legs, in any order. A sounding of one boat that occurs in several legs counts once.
    pub legs: Vec<LegInput>,
    /// What people said about the boats.
    pub setups: Vec<Setup>,
    /// What people read off the gauges.
    pub stages: Vec<StageReading>,
    /// What people measured of the water's temperature and salt.
    pub casts: Vec<WaterCast>,
    /// Where gauges stand and where their zeros lie; a gauge that is not listed has its zero at the sounding datum.
    pub gauges: Vec<Gauge>,
    /// Centre line of flowing water, in either direction; empty = the water has no slope.
    pub river: Vec<GridPos>,
    /// What people decided, all verdicts in force.
    pub verdicts: Vec<Verdict>,
    /// The edge of the water, if it is drawn.
    pub shore: Option<Shoreline>,
    /// The levelling in force.
    pub levelling: Option<Levelling>,
    /// Thresholds and defaults of the survey.
    pub settings: Settings,
    /// Other surveys of the same water that are read together with this one.
    pub adopted: Vec<Adopted>,
}

/// What another survey of the same water says. Its depths count from a datum of its own, and how far that lies from
/// this survey's is not known until levelling finds it. Setups and verdicts on stretches of time of its boats stand
/// with the others: boats of different surveys must have different names.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Adopted {
    /// Its boats.
    pub boats: BTreeSet<Text>,
    /// Readings above its datum.
    pub stages: Vec<StageReading>,
    /// Casts that hold for its boats.
    pub casts: Vec<WaterCast>,
    /// Its gauges.
    pub gauges: Vec<Gauge>,
    /// Its centre line of flowing water.
    pub river: Vec<GridPos>,
    /// Its verdicts on areas and cells: they bind its own soundings only.
    pub verdicts: Vec<Verdict>,
}

/// A set of up to 256 devices (the survey's limit), each by the caller's number for it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DeviceSet([u64; 4]);

impl DeviceSet {
    /// The set of device number `n`.
    pub fn one(n: u8) -> Self {
        Self::default().with(n)
    }

    /// This set and device number `n`.
    #[must_use]
    pub fn with(mut self, n: u8) -> Self {
        if let Some(word) = self.0.get_mut(usize::from(n >> 6)) {
            *word |= 1 << (n & 63);
        }
        self
    }

    /// All devices of both sets.
    #[must_use]
    pub fn union(mut self, other: Self) -> Self {
        self.0.iter_mut().zip(other.0).for_each(|(a, b)| *a |= b);
        self
    }

    /// Number of devices.
    pub fn len(self) -> u32 {
        self.0.iter().map(|w| w.count_ones()).sum()
    }

    /// Whether there is none.
    pub fn is_empty(self) -> bool {
        self.len() == 0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sets_count_each_device_once() {
        let set = DeviceSet::one(0).with(63).with(64).with(255).with(64);
        assert_eq!(set.len(), 4);
        assert_eq!(set.union(DeviceSet::one(64).with(65)).len(), 5);
        assert!(DeviceSet::default().is_empty());
    }
}
