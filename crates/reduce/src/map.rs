//! A map that stays up to date: legs can be added without doing everything again.

mod incoming;
mod merge;

use crate::cells::{self, Change, Footing, Mapper};
use crate::passes::{self, Grouped, Ledger, SetTable, groups};
use crate::prepare::{Prepared, prepare};
use crate::statements::Statements;
use crate::{Counts, Input, LegInput, Reduced, Tally};
use incoming::Incoming;
use leadline_model::LegId;
use merge::Merged;

/// A part of the map is only made again on its own if not more than one in so many soundings is new.
const ONE_IN: u64 = 2;

/// Everything that [`reduce`](crate::reduce) finds out, kept so that legs can be added.
///
/// What it keeps beside [`Reduced`]: for each sounding the reduced one before the slope of the bed was known (72
/// bytes), for each cell its rough depth and slope (44 bytes), for each square of 14 m that a boat entered 24 bytes.
/// With two or three soundings a cell that is about 90 bytes a sounding more than `Reduced` itself, which has about
/// 80. Soundings as the instruments gave them are not kept: [`Map::add`] asks for those it needs again.
///
/// ```
/// use leadline_reduce::{Input, Map};
/// let mut map = Map::new(Input::default());
/// assert!(map.add(Vec::new(), |_| Vec::new()).tiles == 0);
/// assert_eq!(map.reduced().tally.given, 0);
/// ```
#[derive(Debug)]
pub struct Map {
    statements: Statements,
    known: Known,
}

/// What follows from the statements and the legs.
#[derive(Debug, Default)]
struct Known {
    reduced: Reduced,
    footing: Footing,
    ledger: Ledger,
    sets: SetTable,
    /// Soundings of each pass that were there already.
    again: Vec<u64>,
}

/// What adding legs did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Refreshed {
    /// Tiles in which something changed; all where everything was done again.
    pub tiles: usize,
    /// Everything was done again: copies were found or may be undone, or the new legs are many.
    pub whole: bool,
}

impl Map {
    /// The map of `input`.
    pub fn new(input: Input) -> Self {
        let (statements, legs) = Statements::of(input);
        let known = Known::of(&statements, legs);
        Self { statements, known }
    }

    /// What is known.
    pub fn reduced(&self) -> &Reduced {
        &self.known.reduced
    }

    /// What is known, without what is needed to add to it.
    pub fn into_reduced(self) -> Reduced {
        self.known.reduced
    }

    /// Adds `legs`. Afterwards [`Map::reduced`] is, to the last bit, what [`reduce`](crate::reduce) makes of all legs
    /// together.
    ///
    /// `fetch` is asked for legs that were given before and are needed again, because their passes grow, or may be
    /// copies of the new ones; it has to give all that were given by these ids, as they were given, and may be asked
    /// several times. What it does not give is taken as if it had never been.
    pub fn add(
        &mut self,
        legs: Vec<LegInput>,
        mut fetch: impl FnMut(&[LegId]) -> Vec<LegInput>,
    ) -> Refreshed {
        let legs: Vec<LegInput> = legs.into_iter().filter(|l| !l.soundings.is_empty()).collect();
        if legs.is_empty() {
            return Refreshed { tiles: 0, whole: false };
        }
        let new: u64 = legs.iter().map(|l| l.soundings.len() as u64).sum();
        if new.saturating_mul(ONE_IN) <= self.known.ledger.given()
            && let Some(tiles) = self.known.add(&self.statements, &legs, &mut fetch)
        {
            return Refreshed { tiles, whole: false };
        }
        let ids = self.known.ledger.ids();
        // Gives its room back before everything is read again.
        self.known = Known::default();
        let mut all = if ids.is_empty() { Vec::new() } else { fetch(&ids) };
        all.extend(legs);
        self.known = Known::of(&self.statements, all);
        Refreshed { tiles: self.known.reduced.tiles(), whole: true }
    }
}

impl Known {
    fn of(statements: &Statements, legs: Vec<LegInput>) -> Self {
        let Grouped { groups, sets, ledger } = passes::group(legs, &statements.verdicts);
        let Prepared { passes, work, conditions, again, sets, .. } = prepare(statements, groups, sets);
        let mut reduced =
            Reduced { passes, conditions, copies: ledger.copies.found.clone(), ..Reduced::default() };
        let mapper = Mapper::new(&reduced.passes, &sets, &statements.settings.defaults);
        let footing = cells::map(work, &mut reduced, &mapper);
        let mut counts = vec![Counts::default(); reduced.passes.len()];
        for s in &reduced.soundings {
            if let Some(c) = counts.get_mut(s.pass as usize) {
                c.count(s);
            }
        }
        let mut known = Self { reduced, footing, ledger, sets, again };
        known.tally(counts);
        known
    }

    /// Adds `legs` if that can be done in part: the number of tiles that changed. What cannot be done is seen before
    /// anything but the ledger changes.
    fn add(
        &mut self,
        statements: &Statements,
        legs: &[LegInput],
        fetch: &mut dyn FnMut(&[LegId]) -> Vec<LegInput>,
    ) -> Option<usize> {
        legs.iter().for_each(|l| self.sets.learn(l.devices));
        let incoming = Incoming::of(&self.ledger.bundles, legs, &self.sets, fetch);
        let gone = incoming.passes_gone(&self.ledger.bundles, &self.reduced.passes);
        let strands = incoming.enter(&mut self.ledger, &self.sets, fetch)?;
        let groups = groups(strands, &self.sets);
        let fresh = prepare(statements, groups, std::mem::take(&mut self.sets));
        self.sets = fresh.sets;
        if self.sets.is_full() {
            return None;
        }
        let d = &statements.settings.defaults;
        let before = Mapper::new(&self.reduced.passes, &self.sets, d);
        let merged = Merged::of(&self.reduced.passes, &gone, &fresh.passes);
        let mut work = fresh.work;
        work.iter_mut().for_each(|w| w.pass = merged.fresh_number(w.pass));
        merged.merge(&mut self.reduced.passes, fresh.passes);
        merged.merge(&mut self.reduced.conditions, fresh.conditions);
        merged.merge(&mut self.again, fresh.again);
        let after = Mapper::new(&self.reduced.passes, &self.sets, d);
        let mut counts = std::mem::take(&mut self.reduced.tally.passes);
        let passes = self.reduced.passes.len();
        let change = Change { numbers: &merged.numbers, fresh: work, counts: &mut counts, passes };
        let tiles = cells::refresh(&mut self.reduced, &mut self.footing, (&before, &after), change);
        self.tally(counts);
        Some(tiles)
    }

    fn tally(&mut self, counts: Vec<Counts>) {
        let copies = self.ledger.dropped() + self.again.iter().sum::<u64>();
        self.reduced.tally = Tally::of(counts, &self.reduced.passes, self.ledger.given(), copies);
    }
}
