//! A device's store as far as the logbook is concerned: everything in maps.

use leadline_logbook::{
    Crew, DocKey, Entry, Have, Held, Limits, Place, Refusal, StripRef, SurveyWrites, apply, changes_of,
    read_survey, read_tile, take_in,
};
use leadline_model::{DeviceId, EntryId, Epoch, LegId, SurveyId, TileId};
use std::collections::{BTreeMap, BTreeSet};

#[derive(Clone)]
pub(crate) struct Replica {
    survey: SurveyId,
    limits: Limits,
    crew: Crew,
    held: BTreeMap<EntryId, Entry>,
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
}

impl Replica {
    pub(crate) fn new(survey: SurveyId) -> Self {
        Self {
            survey,
            limits: Limits::default(),
            // A stranger to all of them: whom a device admits must not depend on who it is.
            crew: Crew::new(survey, DeviceId([0xee; 32])),
            held: BTreeMap::new(),
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

    /// As the survey's store does: new entries, then those that waited if the crew grew.
    pub(crate) fn offer(&mut self, batch: &[Vec<u8>]) -> Outcome {
        let mut outcome = Outcome::default();
        let mut batch = batch.to_vec();
        loop {
            let crew_before = self.crew.members().clone();
            let taken =
                take_in(batch, &self.survey, &mut self.crew, &In(&self.held, &self.numbers), &self.limits);
            outcome.known += taken.known;
            outcome.refused.extend(taken.refused.iter().map(|(_, reason, _)| *reason));
            outcome.accepted.extend(taken.accepted.iter().map(Entry::id));
            self.waiting.extend(taken.waiting.into_iter().map(|(_, bytes)| bytes));
            self.put(taken.accepted);
            if *self.crew.members() == crew_before {
                outcome.waiting = self.waiting.len();
                return outcome;
            }
            batch = std::mem::take(&mut self.waiting).into_iter().collect();
        }
    }

    fn put(&mut self, accepted: Vec<Entry>) {
        let mut by_doc: BTreeMap<DocKey, Vec<_>> = BTreeMap::new();
        for (doc, change) in accepted.iter().flat_map(|e| changes_of(e, &self.limits)) {
            by_doc.entry(doc).or_default().push(change);
        }
        for (doc, changes) in by_doc {
            let applied =
                apply(self.docs.get(&doc).map(Vec::as_slice), &changes).expect("own documents load");
            assert_eq!(applied.failed, Vec::<usize>::new(), "what intake accepts a document takes");
            self.docs.insert(doc, applied.saved);
        }
        for p in accepted.iter().map(Entry::place) {
            *self.numbers.entry((p.device, p.epoch, p.seq)).or_default() += 1;
        }
        self.held.extend(accepted.into_iter().map(|e| (e.id(), e)));
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
        self.held.values().map(Entry::place).collect()
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
                DocKey::Survey => survey = read_survey(saved, &self.limits).expect("reads"),
                DocKey::Tile(t) => drop(tiles.insert(*t, read_tile(saved, &self.limits).expect("reads"))),
            }
        }
        Reading {
            in_force: self.held.keys().copied().collect(),
            waiting: self.waiting.clone(),
            have: Have::of(&self.places()),
            crew: self.crew.clone(),
            survey,
            tiles,
        }
    }
}
