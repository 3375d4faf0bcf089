//! Legs of one boat that hang together in time, before copies are taken out: what has to be looked at as a whole.

use super::SetTable;
use crate::LegInput;
use crate::copies::{self, Leg, Strand};
use leadline_model::{LegId, PASS_GAP, Text};
use std::cmp::Ordering;
use std::collections::BTreeMap;

/// Legs of one boat less than [`PASS_GAP`] apart, in canonical order. Mostly one pass; several where copies leave
/// gaps.
#[derive(Debug)]
pub(crate) struct Bundle {
    pub(crate) boat: Text,
    pub(crate) legs: Vec<Leg>,
}

/// What stays known of a bundle.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct BundleSeen {
    pub(crate) boat: Text,
    /// First and last sounding, ms.
    pub(crate) first: i64,
    pub(crate) last: i64,
    /// Each id once for every leg.
    pub(crate) legs: Vec<LegId>,
    /// Number of its strands.
    pub(crate) strands: usize,
    /// Soundings given.
    pub(crate) given: u64,
    /// Of these, those taken out at seams.
    pub(crate) seams: u64,
    /// One of its strands was found to be a copy, or to have one.
    pub(crate) paired: bool,
}

/// All bundles that `legs` make, by boat, then time; those without soundings make none.
pub(crate) fn bundles(legs: Vec<LegInput>, sets: &SetTable) -> Vec<Bundle> {
    let mut all = Vec::new();
    for (boat, mut legs) in by_boat(legs, sets) {
        legs.sort_by(|a, b| compare(a, b, sets));
        let mut end = i64::MIN;
        let mut open = Vec::new();
        for leg in legs {
            if leg.first().saturating_sub(end) >= PASS_GAP && !open.is_empty() {
                all.push(Bundle { boat: boat.clone(), legs: std::mem::take(&mut open) });
            }
            end = end.max(leg.last());
            open.push(leg);
        }
        all.push(Bundle { boat, legs: open });
    }
    all
}

/// By first sounding, then id. Sets count by what they hold, not by their number.
pub(super) fn compare(a: &Leg, b: &Leg, sets: &SetTable) -> Ordering {
    let plain = (a.first(), a.id).cmp(&(b.first(), b.id));
    plain.then_with(|| (sets.of(a.set), &a.soundings).cmp(&(sets.of(b.set), &b.soundings)))
}

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

impl Bundle {
    /// What stays known of it, and its strands.
    pub(crate) fn strands(self) -> (BundleSeen, Vec<Strand>) {
        let Self { boat, legs } = self;
        let mut seen = BundleSeen {
            first: legs.iter().map(Leg::first).min().unwrap_or(i64::MAX),
            last: legs.iter().map(Leg::last).max().unwrap_or(i64::MIN),
            legs: legs.iter().map(|l| l.id).collect(),
            strands: 0,
            given: legs.iter().map(|l| l.soundings.len() as u64).sum(),
            seams: 0,
            paired: false,
            boat: boat.clone(),
        };
        let strands = copies::strands(&boat, legs);
        seen.strands = strands.len();
        seen.seams = strands.iter().map(|s| s.seams).sum();
        (seen, strands)
    }
}

impl BundleSeen {
    /// Whether legs from `first` to `last` of the same boat would belong to it.
    pub(crate) fn joins(&self, first: i64, last: i64) -> bool {
        first.saturating_sub(self.last) < PASS_GAP && self.first.saturating_sub(last) < PASS_GAP
    }

    /// Whether it holds a sounding or leg of `boat` from `first` to `last`.
    pub(crate) fn holds(&self, boat: &Text, first: i64, last: i64) -> bool {
        self.boat == *boat && self.first <= first && last <= self.last
    }
}
