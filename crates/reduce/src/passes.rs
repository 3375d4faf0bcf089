//! Legs to passes: one boat's soundings in time order, each once.

mod bundle;
mod sets;

pub(crate) use bundle::{BundleSeen, bundles};
pub(crate) use sets::SetTable;

use crate::LegInput;
use crate::copies::{self, Leg, Settled, Strand};
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

/// A pass's soundings in canonical order, each with the number of its device set.
#[derive(Debug)]
pub(crate) struct Joined {
    pub(crate) legs: Vec<LegId>,
    pub(crate) soundings: Vec<(Sounding, u16)>,
    /// Soundings that were there already.
    pub(crate) copies: u64,
}

/// All passes in their final order.
#[derive(Debug)]
pub(crate) struct Grouped {
    pub(crate) groups: Vec<Group>,
    /// The device sets the legs refer to.
    pub(crate) sets: SetTable,
    pub(crate) ledger: Ledger,
}

/// What was given, and what of it was held against what.
#[derive(Debug, Default)]
pub(crate) struct Ledger {
    /// By boat, then time.
    pub(crate) bundles: Vec<BundleSeen>,
    /// What was recorded twice. Strands are counted through the bundles.
    pub(crate) copies: Settled,
}

impl Ledger {
    /// Ids of all legs, each once.
    pub(crate) fn ids(&self) -> Vec<LegId> {
        let mut ids: Vec<LegId> = self.bundles.iter().flat_map(|b| b.legs.iter().copied()).collect();
        ids.sort_unstable();
        ids.dedup();
        ids
    }

    /// Soundings given, copies included.
    pub(crate) fn given(&self) -> u64 {
        self.bundles.iter().map(|b| b.given).sum()
    }

    /// Soundings that do not count, but for those that are equal to others of their pass.
    pub(crate) fn dropped(&self) -> u64 {
        self.copies.dropped + self.bundles.iter().map(|b| b.seams).sum::<u64>()
    }
}

/// Takes out copies, then joins what is left.
pub(crate) fn group(legs: Vec<LegInput>, verdicts: &[Verdict]) -> Grouped {
    let mut sets = SetTable::new(legs.iter().map(|l| l.devices).collect());
    let mut seen = Vec::new();
    let mut strands = Vec::new();
    for bundle in bundles(legs, &sets) {
        let (bundle, its) = bundle.strands();
        seen.push(bundle);
        strands.extend(its);
    }
    let copies = copies::settle(&mut strands, verdicts, &mut sets);
    let mut ledger = Ledger { bundles: seen, copies };
    ledger.mark_paired();
    Grouped { groups: groups(strands, &sets), sets, ledger }
}

impl Ledger {
    fn mark_paired(&mut self) {
        let mut paired: Vec<usize> = self.copies.pairs.iter().flat_map(|p| [p.0, p.1]).collect();
        paired.sort_unstable();
        let mut from = 0;
        for bundle in &mut self.bundles {
            let to = from + bundle.strands;
            bundle.paired = paired.partition_point(|n| *n < from) < paired.partition_point(|n| *n < to);
            from = to;
        }
    }
}

/// What is left of `strands`: legs of one boat less than [`PASS_GAP`] apart belong together. Passes are ordered by
/// first sounding, then boat.
pub(crate) fn groups(strands: Vec<Strand>, sets: &SetTable) -> Vec<Group> {
    let mut by_boat: BTreeMap<Text, Vec<(Leg, Vec<Text>)>> = BTreeMap::new();
    for Strand { boat, legs, further, .. } in strands {
        let legs = legs.into_iter().filter(|l| !l.soundings.is_empty()).map(|l| (l, further.clone()));
        by_boat.entry(boat).or_default().extend(legs);
    }
    let mut groups: Vec<(i64, Group)> = Vec::new();
    for (boat, mut legs) in by_boat {
        legs.sort_by(|a, b| bundle::compare(&a.0, &b.0, sets));
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
