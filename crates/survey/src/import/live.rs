//! A log that is still being written: its legs become entries as they close, in the same way as a file's.
//!
//! What is claimed while recording are the legs as they close, in arrival order. A file is read whole before anything
//! is claimed, so that time which returns to a window (a receiver's clock set back) is joined there; that is why a
//! recording ends with [`import_journal`], which adds what only the whole can tell and finds all else known.

use super::{
    ImportRequest, Imported, Incoming, Notes, Trims, claim, head, import_log, known_legs, setup_ops,
};
use crate::{Error, Home, Store};
use leadline_ingest::{Format, Importer, Leg, Options, Pulse, Report};
use leadline_logbook::{Domain, Hasher, Op, PackedLeg};
use leadline_model::{LegWindow, Sounding};
use std::fs::File;
use std::path::Path;

/// Closed legs that wait while the store refuses them; of more the oldest are left to the end, when the journal is
/// imported whole.
const MOST_WAITING: usize = 24;

/// Reads a growing log.
pub struct LiveLog {
    importer: Importer,
    hasher: Hasher,
    trims: Trims,
    found: Vec<Leg>,
    soundings: u64,
}

/// A leg that has closed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClosedLeg {
    /// Its ten minutes.
    pub window: LegWindow,
    /// Soundings in it.
    pub soundings: usize,
    /// Whether it was claimed here before.
    pub known: bool,
}

impl LiveLog {
    /// Begins a log.
    pub fn new(home: &Home, request: &ImportRequest) -> Result<Self, Error> {
        Ok(Self {
            importer: Importer::new(Options { assumed_date: request.date }),
            hasher: Domain::Source.hasher(),
            trims: Trims::of(&home.trims()?),
            found: Vec::new(),
            soundings: 0,
        })
    }

    /// Reads on. Legs that close wait for [`Self::keep`].
    pub fn push(&mut self, bytes: &[u8]) {
        self.hasher.update(bytes);
        self.importer.push(bytes, &mut self.found);
        let over = self.found.len().saturating_sub(MOST_WAITING);
        self.found.drain(..over);
    }

    /// Whether legs wait to be kept.
    pub fn has_closed(&self) -> bool {
        !self.found.is_empty()
    }

    /// Makes entries of the legs that have closed. On an error they wait on, and nothing of them is written.
    pub fn keep(&mut self, store: &mut Store, request: &ImportRequest) -> Result<Vec<ClosedLeg>, Error> {
        if self.found.is_empty() {
            return Ok(Vec::new());
        }
        store.may_measure()?;
        let known = known_legs(store, &request.boat)?;
        let (mut closed, mut fresh, mut claims) = (Vec::new(), Vec::new(), Vec::new());
        // Of the bytes so far: whoever holds the log can cut it there and find the same.
        let source = self.hasher.finish();
        for leg in &self.found {
            let mut soundings = leg.soundings.clone();
            self.trims.cut(&mut soundings);
            if soundings.is_empty() {
                continue;
            }
            let counts = leg.counts.iter().map(|(p, n)| (p.code(), *n)).collect();
            let notes = Notes { instrument: leg.instrument.clone(), counts };
            let packed = PackedLeg::of(leg.window, soundings, store.limits())?;
            closed.extend(packed.iter().map(|l| ClosedLeg {
                window: l.window,
                soundings: l.strips.iter().map(|s| s.count as usize).sum(),
                known: known.contains(&l.id),
            }));
            for leg in packed.into_iter().filter(|l| !known.contains(&l.id)) {
                claims.push(vec![claim(&leg, &head(request, source, Some(&notes))?)]);
                fresh.push(leg);
            }
        }
        let setup: Option<Op> = setup_ops(store, request, &fresh)?;
        let groups: Vec<Vec<Op>> = setup.into_iter().map(|op| vec![op]).chain(claims).collect();
        if !groups.is_empty() {
            store.append(groups, &fresh, request.now)?;
        }
        self.found.clear();
        self.soundings += closed.iter().map(|c| c.soundings as u64).sum::<u64>();
        Ok(closed)
    }

    /// What was heard of depth, fix and time.
    pub fn pulse(&self) -> Pulse {
        self.importer.pulse()
    }

    /// What the log was taken for, once enough of it has come.
    pub fn format(&self) -> Option<Format> {
        self.importer.format()
    }

    /// Soundings of the leg that is growing, those near home left out.
    pub fn open_soundings(&self) -> Vec<Sounding> {
        let mut open = self.importer.open_soundings().to_vec();
        self.trims.cut(&mut open);
        open
    }

    /// Soundings so far, those of the growing leg included.
    pub fn soundings(&self) -> u64 {
        self.soundings + self.importer.open_soundings().len() as u64
    }

    /// Ends reading without keeping more.
    pub fn report(self) -> Report {
        self.importer.finish(&mut Vec::new())
    }
}

/// Imports a journal whole, and keeps its raw bytes among the originals even if all its legs are known.
pub fn import_journal(
    home: &Home,
    store: &mut Store,
    path: &Path,
    request: &ImportRequest,
) -> Result<Imported, Error> {
    let unreadable = |source| Error::Unreadable { path: path.to_owned(), source };
    let mut file = File::open(path).map_err(unreadable)?;
    let mut log = Incoming { from: &mut file, failed: &unreadable, tell: &mut || {}, keep: true };
    import_log(home, store, path, request, &mut log)
}
