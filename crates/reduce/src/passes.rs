//! Legs to passes: one boat's soundings in time order, each once.

use crate::copies::{self, Leg, Settled, Strand};
use crate::{DeviceSet, LegInput};
use leadline_model::{LegId, PASS_GAP, Sounding, Text, Verdict};
use std::collections::{BTreeMap, BTreeSet};

/// The legs of one pass, not yet joined.
#[derive(Debug)]
pub(crate) struct Group {
    pub(crate) boat: Text,
    /// Boats that recorded the same measurements under other names.
    pub(crate) further: Vec<Text>,
    legs: Vec<Leg>,
}

/// All passes in their final order, and the device sets the legs refer to.
#[derive(Debug)]
pub(crate) struct Grouped {
    pub(crate) groups: Vec<Group>,
    pub(crate) sets: Vec<DeviceSet>,
    /// Soundings given, copies included.
    pub(crate) given: u64,
    /// What was recorded twice, and how many soundings do not count for it.
    pub(crate) copies: Settled,
}

/// A pass's soundings in canonical order, each with the number of its device set.
#[derive(Debug)]
pub(crate) struct Joined {
    pub(crate) legs: Vec<LegId>,
    pub(crate) soundings: Vec<(Sounding, u16)>,
    /// Soundings that were there already.
    pub(crate) copies: u64,
}

/// Takes out copies, then joins what is left: legs of one boat less than [`PASS_GAP`] apart belong together. Passes
/// are ordered by first sounding, then boat.
pub(crate) fn group(legs: Vec<LegInput>, verdicts: &[Verdict]) -> Grouped {
    let given = legs.iter().map(|l| l.soundings.len() as u64).sum();
    let mut sets = SetTable::new(distinct_sets(&legs));
    let mut strands = Vec::new();
    for (boat, mut legs) in by_boat(legs, &sets) {
        legs.sort_by(|a, b| (a.first(), a).cmp(&(b.first(), b)));
        strands.extend(copies::strands(&boat, legs));
    }
    let copies = copies::settle(&mut strands, verdicts, &mut sets);
    Grouped { groups: groups(strands), sets: sets.sets, given, copies }
}

/// Legs that have soundings, those in canonical order.
fn by_boat(legs: Vec<LegInput>, sets: &SetTable) -> BTreeMap<Text, Vec<Leg>> {
    let mut by_boat: BTreeMap<Text, Vec<Leg>> = BTreeMap::new();
    for LegInput { id, boat, devices, mut soundings } in legs {
        if !soundings.is_sorted() {
            soundings.sort_unstable();
        }
        if !soundings.is_empty() {
            let set = sets.number(&devices);
            by_boat.entry(boat).or_default().push(Leg { id, set, soundings });
        }
    }
    by_boat
}

fn groups(strands: Vec<Strand>) -> Vec<Group> {
    let mut by_boat: BTreeMap<Text, Vec<(Leg, Vec<Text>)>> = BTreeMap::new();
    for Strand { boat, legs, further } in strands {
        let legs = legs.into_iter().filter(|l| !l.soundings.is_empty()).map(|l| (l, further.clone()));
        by_boat.entry(boat).or_default().extend(legs);
    }
    let mut groups: Vec<(i64, Group)> = Vec::new();
    for (boat, mut legs) in by_boat {
        legs.sort_by(|a, b| (a.0.first(), &a.0).cmp(&(b.0.first(), &b.0)));
        let mut end = None;
        for (leg, further) in legs {
            let (first, last) = (leg.first(), leg.last());
            match (groups.last_mut(), end) {
                (Some((_, g)), Some(e)) if first.saturating_sub(e) < PASS_GAP => g.add(leg, further),
                _ => groups.push((first, Group { boat: boat.clone(), further, legs: vec![leg] })),
            }
            end = end.max(Some(last));
        }
    }
    groups.sort_by(|a, b| (a.0, &a.1.boat).cmp(&(b.0, &b.1.boat)));
    groups.into_iter().map(|g| g.1).collect()
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
    fn add(&mut self, leg: Leg, further: Vec<Text>) {
        self.legs.push(leg);
        for boat in further {
            if let Err(place) = self.further.binary_search(&boat) {
                self.further.insert(place, boat);
            }
        }
    }

    /// One list in canonical order; of equal soundings one stays, with the devices of all.
    pub(crate) fn join(self, sets: &mut SetTable) -> Joined {
        let mut seen = BTreeSet::new();
        let ids = self.legs.iter().map(|l| l.id).filter(|id| seen.insert(*id)).collect();
        let mut soundings: Vec<(Sounding, u16)> =
            Vec::with_capacity(self.legs.iter().map(|l| l.soundings.len()).sum());
        for leg in self.legs {
            soundings.extend(leg.soundings.into_iter().map(|s| (s, leg.set)));
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

    fn number(&self, set: &DeviceSet) -> u16 {
        self.numbers.get(set).copied().unwrap_or_default()
    }

    /// The number of the set that holds both; new if need be.
    pub(crate) fn union(&mut self, a: u16, b: u16) -> u16 {
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
