//! Legs to passes: one boat's soundings in time order, each once.

use crate::copies::{self, Leg, Settled, Strand};
use crate::{DeviceSet, LegInput};
use leadline_model::{FixClass, Flags, LegId, PASS_GAP, Sounding, Text, Verdict};
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
    for Strand { boat, legs, further, .. } in strands {
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
        same_moment(&mut soundings, sets);
        let copies = (before - soundings.len()) as u64;
        Joined { legs: ids, soundings, copies }
    }
}

/// At the seam of a log that was cut or joined the last fix is held, or the evidence not yet complete: of two
/// soundings of one boat at one moment, at one place and with one depth, the one that says more stays.
fn same_moment(soundings: &mut Vec<(Sounding, u16)>, sets: &mut SetTable) {
    if !soundings.windows(2).any(|w| w.first().map(|s| s.0.time) == w.last().map(|s| s.0.time)) {
        return;
    }
    let mut kept: Vec<(Sounding, u16)> = Vec::with_capacity(soundings.len());
    for s in soundings.drain(..) {
        let now = kept.iter_mut().rev().take_while(|k| k.0.time == s.0.time).take(MOMENT);
        match now.into_iter().find(|k| same_measurement(&k.0, &s.0)) {
            Some(k) => {
                let both = sets.union(k.1, s.1);
                if says(&s.0) > says(&k.0) {
                    k.0 = s.0;
                }
                k.1 = both;
            }
            None => kept.push(s),
        }
    }
    // One that says more may lie farther on in the canonical order.
    if !kept.is_sorted() {
        kept.sort_unstable();
    }
    *soundings = kept;
}

/// Soundings of one moment that are compared with each other: more are not from one boat's sounders.
const MOMENT: usize = 16;

fn same_measurement(a: &Sounding, b: &Sounding) -> bool {
    let held = a.flags.has(Flags::HELD) != b.flags.has(Flags::HELD);
    a.depth_mm == b.depth_mm && a.from == b.from && (a.at == b.at || held && copies::same_place(a.at, b.at))
}

/// How much a sounding says: a fix that is not held, then the number of statements.
fn says(s: &Sounding) -> (bool, u32) {
    let statements = [
        s.offset_mm.is_some(),
        s.speed_mm_s.is_some(),
        s.hdop_centi.is_some(),
        s.fix != FixClass::Unstated,
        s.sats.is_some(),
        s.temp_centi.is_some(),
        !s.flags.has(Flags::UNCHECKED),
    ];
    (!s.flags.has(Flags::HELD), statements.iter().map(|x| u32::from(*x)).sum())
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
