//! A device's store as far as the logbook is concerned: everything in maps.

use leadline_logbook::{
    Chains, Crew, DocKey, Entry, Have, Held, Limits, Place, Refusal, StripRef, SurveyWrites, apply,
    changes_as, read_survey, read_tile, take_in,
};
use leadline_model::{DeviceId, EntryId, Epoch, LegId, SurveyId, TileId};
use std::collections::{BTreeMap, BTreeSet};

#[derive(Clone)]
pub(crate) struct Replica {
    survey: SurveyId,
    limits: Limits,
    crew: Crew,
    /// All that is kept of devices of the crew, masked entries too.
    held: BTreeMap<EntryId, Entry>,
    in_force: BTreeSet<EntryId>,
    numbers: Numbers,
    waiting: BTreeSet<Vec<u8>>,
    docs: BTreeMap<DocKey, Vec<u8>>,
}

/// How many entries stand at one place of a logbook.
type Numbers = BTreeMap<(DeviceId, Epoch, u64), usize>;

/// All that two replicas must agree on.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Reading {
    pub(crate) in_force: BTreeSet<EntryId>,
    pub(crate) waiting: BTreeSet<Vec<u8>>,
    pub(crate) have: Have,
    pub(crate) crew: Crew,
    pub(crate) survey: SurveyWrites,
    pub(crate) tiles: BTreeMap<TileId, BTreeMap<LegId, StripRef>>,
}

/// What one offer led to.
#[derive(Debug, Default, PartialEq)]
pub(crate) struct Outcome {
    pub(crate) accepted: Vec<EntryId>,
    pub(crate) known: usize,
    pub(crate) waiting: usize,
    pub(crate) refused: Vec<Refusal>,
}

struct In<'a>(&'a BTreeMap<EntryId, Entry>, &'a Numbers);

impl Held for In<'_> {
    fn holds(&self, id: &EntryId) -> bool {
        self.0.contains_key(id)
    }

    fn siblings(&self, p: &Place) -> usize {
        self.1.get(&(p.device, p.epoch, p.seq)).copied().unwrap_or(0)
    }

    fn place(&self, id: &EntryId) -> Option<Place> {
        self.0.get(id).map(Entry::place)
    }
}

impl Replica {
    pub(crate) fn new(survey: SurveyId) -> Self {
        Self {
            survey,
            limits: Limits::default(),
            // A stranger to all of them: whom a device admits must not depend on who it is.
            crew: Crew::new(survey, DeviceId([0xee; 32])),
            held: BTreeMap::new(),
            in_force: BTreeSet::new(),
            numbers: Numbers::new(),
            waiting: BTreeSet::new(),
            docs: BTreeMap::new(),
        }
    }

    pub(crate) fn with(survey: SurveyId, entries: &[Vec<u8>]) -> Self {
        let mut r = Self::new(survey);
        r.offer(entries);
        r
    }

    /// As the survey's store does: new entries, those that waited if the crew changed; then all are placed anew.
    pub(crate) fn offer(&mut self, batch: &[Vec<u8>]) -> Outcome {
        let mut outcome = Outcome::default();
        let mut batch = batch.to_vec();
        loop {
            let taken =
                take_in(batch, &self.survey, &mut self.crew, &In(&self.held, &self.numbers), &self.limits);
            outcome.known += taken.known;
            outcome.refused.extend(taken.refused.iter().map(|(_, reason, _)| *reason));
            outcome.accepted.extend(taken.accepted.iter().map(Entry::id));
            self.waiting.extend(taken.waiting.into_iter().map(|(_, bytes)| bytes));
            for e in taken.accepted.into_iter().chain(taken.masked) {
                let p = e.place();
                *self.numbers.entry((p.device, p.epoch, p.seq)).or_default() += 1;
                self.held.insert(e.id(), e);
            }
            if !taken.crew_changed {
                break;
            }
            batch = std::mem::take(&mut self.waiting).into_iter().collect();
        }
        self.place_all();
        outcome.waiting = self.waiting.len();
        outcome
    }

    fn place_all(&mut self) {
        let chains = Chains::new(|id: &EntryId| self.held.get(id).map(Entry::place));
        self.crew.settle(&chains);
        let mut by_doc: BTreeMap<DocKey, Vec<_>> = BTreeMap::new();
        self.in_force.clear();
        for e in self.held.values() {
            let Some(role) = self.crew.counts_as(&e.place(), &chains) else { continue };
            self.in_force.insert(e.id());
            for (doc, change) in changes_as(e, role, &self.limits) {
                by_doc.entry(doc).or_default().push(change);
            }
        }
        self.docs.clear();
        for (doc, changes) in by_doc {
            let applied = apply(None, &changes).expect("own documents load");
            assert_eq!(applied.failed, Vec::<usize>::new(), "what intake accepts a document takes");
            self.docs.insert(doc, applied.saved);
        }
    }

    /// Drops what waits, as a full table would.
    pub(crate) fn forget_waiting(&mut self) {
        self.waiting.clear();
    }

    /// Everything it could hand on.
    pub(crate) fn all_bytes(&self) -> Vec<Vec<u8>> {
        self.held.values().map(|e| e.bytes().to_vec()).chain(self.waiting.iter().cloned()).collect()
    }

    pub(crate) fn places(&self) -> Vec<Place> {
        self.in_force.iter().filter_map(|id| self.held.get(id)).map(Entry::place).collect()
    }

    pub(crate) fn entry(&self, id: &EntryId) -> Option<&Entry> {
        self.held.get(id)
    }

    pub(crate) fn merged(&self, other: &Self) -> Self {
        let mut r = self.clone();
        r.offer(&other.all_bytes());
        r
    }

    pub(crate) fn reading(&self) -> Reading {
        let mut tiles = BTreeMap::new();
        let mut survey = SurveyWrites::default();
        for (key, saved) in &self.docs {
            match key {
                DocKey::Survey => survey = read_survey(&[saved], &self.limits).expect("reads"),
                DocKey::Tile(t) => drop(tiles.insert(*t, read_tile(saved, &self.limits).expect("reads"))),
            }
        }
        Reading {
            in_force: self.in_force.clone(),
            waiting: self.waiting.clone(),
            have: Have::of(&self.places()),
            crew: self.crew.clone(),
            survey,
            tiles,
        }
    }
}
