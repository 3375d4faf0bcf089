//! Counts that add up to the input, and what was used for each pass.

use crate::{DraftUsed, SoundUsed, StageUsed};
use leadline_model::{Grade, Pass, ReducedSounding, Text, VoidReason};
use std::collections::BTreeMap;

/// Soundings by grade and, where void, by reason.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// All.
    pub soundings: u64,
    /// By grade, in the order of [`Grade::ALL`].
    pub grades: [u64; Grade::ALL.len()],
    /// Void ones by reason, in the order of [`VoidReason::ALL`].
    pub reasons: [u64; VoidReason::ALL.len()],
}

/// One boat's counts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BoatTally {
    /// The boat.
    pub boat: Text,
    /// Its soundings.
    pub counts: Counts,
}

/// Counts of everything given: `given` = `copies` + `total.soundings`.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Soundings in the input.
    pub given: u64,
    /// Those that were there already: the same sounding of the same boat in another leg.
    pub copies: u64,
    /// All others.
    pub total: Counts,
    /// The same by boat, by name.
    pub boats: Vec<BoatTally>,
    /// The same by pass, in the order of the passes.
    pub passes: Vec<Counts>,
}

/// What was used for one pass, as of its first and its last sounding.
#[derive(Clone, Debug, PartialEq)]
pub struct Conditions {
    /// Stage at the first and at the last sounding.
    pub stage: [StageUsed; 2],
    /// Soundings whose stage is unknown.
    pub stage_unknown: u32,
    /// Draft of the first sounding.
    pub draft: DraftUsed,
    /// Sound speed of the first sounding.
    pub sound: SoundUsed,
    /// Lag applied to the first sounding, ms, where somebody typed one.
    pub lag_ms: Option<i32>,
}

impl Counts {
    /// Soundings of `grade`.
    pub fn of(&self, grade: Grade) -> u64 {
        Grade::ALL.iter().zip(self.grades).find(|(g, _)| **g == grade).map_or(0, |(_, n)| n)
    }

    /// Void soundings of `reason`.
    pub fn void(&self, reason: VoidReason) -> u64 {
        VoidReason::ALL.iter().zip(self.reasons).find(|(r, _)| **r == reason).map_or(0, |(_, n)| n)
    }

    pub(crate) fn count(&mut self, s: &ReducedSounding) {
        self.bump(s, |n| *n += 1);
    }

    /// Takes back what [`Self::count`] did.
    pub(crate) fn uncount(&mut self, s: &ReducedSounding) {
        self.bump(s, |n| *n = n.saturating_sub(1));
    }

    fn bump(&mut self, s: &ReducedSounding, f: fn(&mut u64)) {
        f(&mut self.soundings);
        bump(&Grade::ALL, &mut self.grades, s.grade, f);
        if let Some(reason) = s.void {
            bump(&VoidReason::ALL, &mut self.reasons, reason, f);
        }
    }

    fn add(&mut self, other: &Self) {
        self.soundings += other.soundings;
        self.grades.iter_mut().zip(other.grades).for_each(|(a, b)| *a += b);
        self.reasons.iter_mut().zip(other.reasons).for_each(|(a, b)| *a += b);
    }
}

impl Tally {
    /// From the counts of each of `passes`.
    pub(crate) fn of(by_pass: Vec<Counts>, passes: &[Pass], given: u64, copies: u64) -> Self {
        let mut by_boat: BTreeMap<&Text, Counts> = BTreeMap::new();
        let mut total = Counts::default();
        for (pass, counts) in passes.iter().zip(&by_pass) {
            by_boat.entry(&pass.boat).or_default().add(counts);
            total.add(counts);
        }
        let boats = by_boat.into_iter().map(|(b, counts)| BoatTally { boat: b.clone(), counts }).collect();
        Self { given, copies, total, boats, passes: by_pass }
    }
}

fn bump<T: PartialEq, const N: usize>(all: &[T; N], counts: &mut [u64; N], one: T, f: fn(&mut u64)) {
    if let Some((_, n)) = all.iter().zip(counts).find(|(x, _)| **x == one) {
        f(n);
    }
}
