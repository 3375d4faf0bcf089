//! Legs to passes: one boat's soundings in time order, each once.

use crate::{DeviceSet, LegInput};
use leadline_model::{LegId, PASS_GAP, Sounding, Text};
use std::collections::BTreeMap;

/// The legs of one pass, not yet joined.
#[derive(Debug)]
pub(crate) struct Group {
    pub(crate) boat: Text,
    legs: Vec<(LegId, u16, Vec<Sounding>)>,
}

/// All passes in their final order, and the device sets the legs refer to.
#[derive(Debug)]
pub(crate) struct Grouped {
    pub(crate) groups: Vec<Group>,
    pub(crate) sets: Vec<DeviceSet>,
    /// Soundings given, copies included.
    pub(crate) given: u64,
}

/// A pass's soundings in canonical order, each with the number of its device set.
#[derive(Debug)]
pub(crate) struct Joined {
    pub(crate) legs: Vec<LegId>,
    pub(crate) soundings: Vec<(Sounding, u16)>,
    /// Soundings that were there already.
    pub(crate) copies: u64,
}

/// Legs of one boat less than [`PASS_GAP`] apart belong together. Passes are ordered by first sounding, then boat.
pub(crate) fn group(legs: Vec<LegInput>) -> Grouped {
    let given = legs.iter().map(|l| l.soundings.len() as u64).sum();
    let sets = distinct_sets(&legs);
    let mut by_boat: BTreeMap<Text, Vec<Timed>> = BTreeMap::new();
    for mut leg in legs {
        if !leg.soundings.is_sorted() {
            leg.soundings.sort_unstable();
        }
        let (Some(first), Some(last)) = (leg.soundings.first(), leg.soundings.last()) else { continue };
        let (first, last) = (first.time.0, last.time.0);
        let set = sets.binary_search(&leg.devices).unwrap_or_default() as u16;
        by_boat.entry(leg.boat).or_default().push(Timed { first, last, leg: (leg.id, set, leg.soundings) });
    }
    let mut groups: Vec<(i64, Group)> = Vec::new();
    for (boat, mut legs) in by_boat {
        legs.sort_by(|a, b| (a.first, &a.leg).cmp(&(b.first, &b.leg)));
        let mut end = None;
        for Timed { first, last, leg } in legs {
            match (groups.last_mut(), end) {
                (Some((_, g)), Some(e)) if first.saturating_sub(e) < PASS_GAP => g.legs.push(leg),
                _ => groups.push((first, Group { boat: boat.clone(), legs: vec![leg] })),
            }
            end = end.max(Some(last));
        }
    }
    groups.sort_by(|a, b| (a.0, &a.1.boat).cmp(&(b.0, &b.1.boat)));
    Grouped { groups: groups.into_iter().map(|g| g.1).collect(), sets, given }
}

struct Timed {
    first: i64,
    last: i64,
    leg: (LegId, u16, Vec<Sounding>),
}

/// Sorted, at most 65,535: with more different sets than that, the surplus counts as the first.
fn distinct_sets(legs: &[LegInput]) -> Vec<DeviceSet> {
    let mut sets: Vec<DeviceSet> = legs.iter().map(|l| l.devices).collect();
    sets.sort_unstable();
    sets.dedup();
    sets.truncate(usize::from(u16::MAX));
    sets
}

impl Group {
    /// One list in canonical order; of equal soundings one stays, with the devices of all.
    pub(crate) fn join(self, sets: &mut SetTable) -> Joined {
        let ids = self.legs.iter().map(|l| l.0).collect();
        let mut soundings: Vec<(Sounding, u16)> =
            Vec::with_capacity(self.legs.iter().map(|l| l.2.len()).sum());
        for (_, set, leg) in self.legs {
            soundings.extend(leg.into_iter().map(|s| (s, set)));
        }
        if !soundings.is_sorted() {
            soundings.sort_unstable();
        }
        let before = soundings.len();
        soundings.dedup_by(|again, kept| {
            let same = again.0 == kept.0;
            if same && again.1 != kept.1 {
                kept.1 = sets.union(kept.1, again.1);
            }
            same
        });
        let copies = (before - soundings.len()) as u64;
        Joined { legs: ids, soundings, copies }
    }
}

/// Device sets by number, growing with the unions that copies need.
#[derive(Debug)]
pub(crate) struct SetTable {
    sets: Vec<DeviceSet>,
    numbers: BTreeMap<DeviceSet, u16>,
}

impl SetTable {
    pub(crate) fn new(sets: Vec<DeviceSet>) -> Self {
        let numbers = sets.iter().enumerate().map(|(i, s)| (*s, i as u16)).collect();
        Self { sets, numbers }
    }

    pub(crate) fn of(&self, number: u16) -> DeviceSet {
        self.sets.get(usize::from(number)).copied().unwrap_or_default()
    }

    fn union(&mut self, a: u16, b: u16) -> u16 {
        let both = self.of(a).union(self.of(b));
        if let Some(n) = self.numbers.get(&both) {
            return *n;
        }
        // A full table keeps the first set: devices are then counted too low, never soundings.
        let Ok(n) = u16::try_from(self.sets.len()) else { return a };
        self.sets.push(both);
        self.numbers.insert(both, n);
        n
    }
}
