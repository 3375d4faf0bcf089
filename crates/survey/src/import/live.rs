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
use std::borrow::Cow;
use std::collections::VecDeque;
use std::fs::File;
use std::io::Read;
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
    holes: Holes,
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
            holes: Holes::default(),
        })
    }

    /// Reads on. Legs that close wait for [`Self::keep`].
    pub fn push(&mut self, bytes: &[u8]) {
        let bytes = self.holes.close(bytes);
        self.hasher.update(&bytes);
        self.importer.push(&bytes, &mut self.found);
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
    let from = File::open(path).map_err(unreadable)?;
    let mut file = WithoutHoles::new(from);
    let mut log = Incoming { from: &mut file, failed: &unreadable, tell: &mut || {}, keep: true };
    import_log(home, store, path, request, &mut log)
}

/// Zeros in a row that are a hole: disks write sectors of 512 bytes and more, of which a line may fill a part. Fewer are
/// noise of an instrument, and stay what they are.
const HOLE: usize = 32;

/// Closes holes. A cut of the power leaves zeros where a write had not reached the disk; no log has any, and taken for
/// content they would make the journal a file of another kind. Each hole becomes the end of a line.
#[derive(Default)]
struct Holes {
    zeros: usize,
}

impl Holes {
    /// The bytes so far but for zeros at their end, which come with the next ones.
    fn close<'a>(&mut self, bytes: &'a [u8]) -> Cow<'a, [u8]> {
        if self.zeros == 0 && !bytes.contains(&0) {
            return Cow::Borrowed(bytes);
        }
        let mut out = Vec::with_capacity(bytes.len() + HOLE);
        for b in bytes {
            if *b == 0 {
                self.zeros += 1;
            } else {
                self.end(&mut out);
                out.push(*b);
            }
        }
        Cow::Owned(out)
    }

    fn end(&mut self, out: &mut Vec<u8>) {
        match std::mem::take(&mut self.zeros) {
            HOLE.. => out.push(b'\n'),
            few => out.resize(out.len() + few, 0),
        }
    }
}

struct WithoutHoles<R> {
    from: R,
    holes: Holes,
    /// What does not fit into the buffer that was given.
    ready: VecDeque<u8>,
}

impl<R> WithoutHoles<R> {
    fn new(from: R) -> Self {
        Self { from, holes: Holes::default(), ready: VecDeque::new() }
    }
}

impl<R: Read> Read for WithoutHoles<R> {
    fn read(&mut self, buf: &mut [u8]) -> std::io::Result<usize> {
        while self.ready.is_empty() {
            let n = self.from.read(buf)?;
            if n == 0 {
                let mut rest = Vec::new();
                self.holes.end(&mut rest);
                self.ready.extend(rest);
                break;
            }
            match self.holes.close(&buf[..n]) {
                Cow::Borrowed(_) => return Ok(n),
                Cow::Owned(out) => self.ready.extend(out),
            }
        }
        self.ready.read(buf)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hole_is_the_end_of_a_line_however_it_is_cut() {
        let hole = [0; 3 * HOLE];
        let torn = [&b"# a\n"[..], &hole, b"$B,1\0\0\n$C", &hole, b"\n$D\0"].concat();
        for piece in 1..torn.len() {
            let mut whole = Vec::new();
            let from = torn
                .chunks(piece)
                .fold(Box::new(std::io::empty()) as Box<dyn Read>, |r, c| Box::new(r.chain(c)));
            WithoutHoles::new(from).read_to_end(&mut whole).expect("in memory");
            assert_eq!(whole, b"# a\n\n$B,1\0\0\n$C\n\n$D\0", "pieces of {piece}");
            let mut holes = Holes::default();
            let live: Vec<u8> = torn.chunks(piece).flat_map(|c| holes.close(c).into_owned()).collect();
            assert_eq!(live, whole[..whole.len() - 1], "pieces of {piece}");
        }
    }
}
