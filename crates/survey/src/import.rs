//! Import: log files to legs, entries and strips. One log is one transaction: all of it or nothing.

mod archive;
mod live;
mod original;

pub use live::{ClosedLeg, LiveLog, import_journal};

use crate::ground::Ground;
use crate::home::text;
use crate::store::{ClaimHead, claim};
use crate::trim::Trims;
use crate::{Error, Home, Store};
use archive::Container;
use leadline_ingest::{Importer, Leg, Options, Report};
use leadline_logbook::{Domain, Hasher, Limits, Op, PackedLeg};
use leadline_model::{Digest, LegWindow, Setup, Text, UtcMillis};
use leadline_reduce::Land;
use original::Original;
use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::mpsc;

/// Bytes read at a time.
const CHUNK: usize = 1 << 20;

/// What the person says about the logs.
#[derive(Clone, Debug)]
pub struct ImportRequest {
    /// The hull that measured.
    pub boat: Text,
    /// Transducer depth below the water line, mm.
    pub draft_mm: Option<i32>,
    /// Sound speed the sounder assumed, mm/s.
    pub sound_speed_mm_s: Option<i32>,
    /// Water temperature, hundredths of °C.
    pub temp_centi: Option<i16>,
    /// Start of logs that carry no date.
    pub date: Option<UtcMillis>,
    /// The device's claim of the time.
    pub now: UtcMillis,
}

/// What became of one file.
#[derive(Debug)]
pub struct Imported {
    /// The file.
    pub path: PathBuf,
    /// Lines, soundings, problems.
    pub report: Report,
    /// Legs found in it.
    pub legs: usize,
    /// Of these, legs that were claimed here before.
    pub known: usize,
    /// Soundings near home that were cut off (`leadline trim`); they are in no leg.
    pub trimmed: u64,
    /// Soundings beyond the drawn shore: kept, marked, not charted.
    pub on_land: u64,
}

/// The log files that `paths` mean: folders are searched, in name order; hidden files are skipped.
pub fn files_of(paths: &[PathBuf]) -> Result<Vec<PathBuf>, Error> {
    let mut out = Vec::new();
    for p in paths {
        collect(p, &mut out, 0)?;
    }
    Ok(out)
}

fn collect(path: &Path, out: &mut Vec<PathBuf>, depth: u32) -> Result<(), Error> {
    let unreadable = |source| Error::Unreadable { path: path.to_owned(), source };
    if !std::fs::metadata(path).map_err(unreadable)?.is_dir() {
        out.push(path.to_owned());
        return Ok(());
    }
    let mut inside: Vec<_> = std::fs::read_dir(path)
        .map_err(unreadable)?
        .map(|e| e.map(|e| e.path()))
        .collect::<Result<_, _>>()
        .map_err(unreadable)?;
    inside.sort();
    // Sixteen levels: deeper is a loop of links.
    for p in inside.iter().filter(|p| depth < 16 && !is_hidden(p)) {
        collect(p, out, depth + 1)?;
    }
    Ok(())
}

fn is_hidden(p: &Path) -> bool {
    p.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'))
}

/// Hands `take` the logs of one file, as [`import_logs`] finds them, with their names. Nothing is imported.
pub fn look_into(
    path: &Path,
    take: &mut dyn FnMut(&Path, &mut dyn Read) -> std::io::Result<()>,
) -> Result<(), Error> {
    let unreadable = |source| Error::Unreadable { path: path.to_owned(), source };
    match archive::open(path)?.0 {
        Container::Plain(mut file) => take(path, &mut file).map_err(unreadable),
        Container::Gzip(mut log) => take(path, &mut *log).map_err(unreadable),
        Container::Zip(mut zip) => {
            let mut any = false;
            for n in 0..zip.len() {
                let looked = zip.member(n, |name, log| {
                    take(&name, log).map_err(|source| Error::Unreadable { path: name, source })
                })?;
                any |= looked.is_some();
            }
            let none =
                "there is no log in this ZIP archive (folders, links and hidden files are passed over)";
            if any { Ok(()) } else { Err(Error::Request(format!("{}: {none}", path.display()))) }
        }
    }
}

/// Imports the logs of one file: a log as it is or gzipped, or those in a ZIP archive. `progress` is told bytes as they
/// are read of the file.
pub fn import_logs(
    home: &Home,
    store: &mut Store,
    path: &Path,
    request: &ImportRequest,
    progress: &mut dyn FnMut(u64),
) -> Result<Vec<Imported>, Error> {
    let (container, read) = archive::open(path)?;
    let mut told = 0;
    let mut tell = || {
        progress(read.get() - told);
        told = read.get();
    };
    let mut one = |name: &Path, from: &mut dyn Read, failed: &dyn Fn(std::io::Error) -> Error| {
        import_log(home, store, name, request, &mut Incoming { from, failed, tell: &mut tell, keep: false })
    };
    let unreadable = |source| Error::Unreadable { path: path.to_owned(), source };
    let broken = |name: &Path, e: &std::io::Error| archive::cannot_unpack(name, e);
    match container {
        Container::Plain(mut file) => Ok(vec![one(path, &mut file, &unreadable)?]),
        Container::Gzip(mut log) => Ok(vec![one(path, &mut *log, &|e| broken(path, &e))?]),
        Container::Zip(mut zip) => {
            let mut done = Vec::new();
            for n in 0..zip.len() {
                done.extend(zip.member(n, |name, log| one(&name, log, &|e| broken(&name, &e)))?);
            }
            if done.is_empty() {
                return Err(Error::Request(format!(
                    "{}: there is no log in this ZIP archive (folders, links and hidden files are passed over)",
                    path.display()
                )));
            }
            Ok(done)
        }
    }
}

/// Imports a file that is one log, as it is. `progress` is told bytes as they are read.
pub fn import_file(
    home: &Home,
    store: &mut Store,
    path: &Path,
    request: &ImportRequest,
    progress: &mut dyn FnMut(u64),
) -> Result<Imported, Error> {
    let unreadable = |source| Error::Unreadable { path: path.to_owned(), source };
    let mut file = File::open(path).map_err(unreadable)?;
    let mut told = Counting { inner: &mut file, progress };
    let mut log = Incoming { from: &mut told, failed: &unreadable, tell: &mut || {}, keep: false };
    import_log(home, store, path, request, &mut log)
}

/// A log's bytes, what to say when they fail, and whom to tell of each piece.
struct Incoming<'a> {
    from: &'a mut dyn Read,
    failed: &'a dyn Fn(std::io::Error) -> Error,
    tell: &'a mut dyn FnMut(),
    /// Whether the raw bytes are kept though no leg is new.
    keep: bool,
}

struct Counting<'a> {
    inner: &'a mut File,
    progress: &'a mut dyn FnMut(u64),
}

impl Read for Counting<'_> {
    fn read(&mut self, buf: &mut [u8]) -> std::io::Result<usize> {
        let n = self.inner.read(buf)?;
        (self.progress)(n as u64);
        Ok(n)
    }
}

fn import_log(
    home: &Home,
    store: &mut Store,
    path: &Path,
    request: &ImportRequest,
    incoming: &mut Incoming<'_>,
) -> Result<Imported, Error> {
    store.may_measure()?;
    let trims = Trims::of(&home.trims()?);
    let keeps = incoming.keep;
    let (read, original) = Original::made_while(&home.originals(), |each| {
        read_log(incoming, request.date, (store.limits(), &trims), each)
    })?;
    let known = known_legs(store, &request.boat)?;
    let on_land = on_land(store, &read.legs)?;
    let fresh: Vec<&PackedLeg> = read.legs.iter().filter(|l| !known.contains(&l.id)).collect();
    let mut groups: Vec<Vec<Op>> =
        setup_ops(store, request, &read.legs)?.into_iter().map(|op| vec![op]).collect();
    for leg in &fresh {
        let notes = read.notes.get(&leg.window);
        groups.push(vec![claim(leg, &head(request, read.source, notes)?)]);
    }
    if keeps || !groups.is_empty() {
        original.keep_as(read.source)?;
    }
    if !groups.is_empty() {
        let packed: Vec<PackedLeg> = fresh.into_iter().cloned().collect();
        store.append(groups, &packed, request.now)?;
    }
    store.fill_lacking(&read.legs)?;
    let known = read.legs.iter().filter(|l| known.contains(&l.id)).count();
    let (legs, trimmed) = (read.legs.len(), read.trimmed);
    Ok(Imported { path: path.to_owned(), report: read.report, legs, known, trimmed, on_land })
}

/// How many soundings lie beyond the drawn shore, wherever the water stood.
fn on_land(store: &Store, legs: &[PackedLeg]) -> Result<u64, Error> {
    let land = Land::of(Ground::of(&store.survey_writes()?).shore.as_ref());
    if !land.is_drawn() {
        return Ok(0);
    }
    let mut n = 0;
    for strip in legs.iter().flat_map(|l| &l.strips) {
        let (_, soundings) = leadline_logbook::unpack_strip(&strip.packed, &strip.digest, store.limits())?;
        n += soundings.iter().filter(|s| land.holds(s.at, None)).count() as u64;
    }
    Ok(n)
}

/// The legs that a log gives when it is read again, the digest of its bytes, and how many soundings near home are in it.
/// Nothing is written.
pub(crate) fn legs_of(
    home: &Home,
    path: &Path,
    from: &mut dyn Read,
) -> Result<(Digest, Vec<PackedLeg>, u64), Error> {
    let failed = |source| Error::Unreadable { path: path.to_owned(), source };
    let mut log = Incoming { from, failed: &failed, tell: &mut || {}, keep: false };
    let trims = Trims::of(&home.trims()?);
    let read = read_log(&mut log, None, (&Limits::default(), &trims), &mut drop)?;
    Ok((read.source, read.legs, read.trimmed))
}

/// What a leg's claim says of the readings that did not become soundings.
struct Notes {
    instrument: String,
    counts: BTreeMap<&'static str, u32>,
}

struct ReadLog {
    report: Report,
    legs: Vec<PackedLeg>,
    notes: BTreeMap<LegWindow, Notes>,
    source: Digest,
    trimmed: u64,
}

/// Parses on this thread and packs legs on another; `each` gets the bytes as they were read.
fn read_log(
    incoming: &mut Incoming<'_>,
    date: Option<UtcMillis>,
    (limits, trims): (&Limits, &Trims),
    each: &mut dyn FnMut(Vec<u8>),
) -> Result<ReadLog, Error> {
    std::thread::scope(|scope| {
        let (to_pack, legs) = mpsc::sync_channel::<Leg>(16);
        let packer = scope.spawn(move || pack_all(legs, limits, trims));
        let mut importer = Importer::new(Options { assumed_date: date });
        let mut hasher: Hasher = Domain::Source.hasher();
        let mut found = Vec::new();
        loop {
            let mut chunk = vec![0; CHUNK];
            let n = match incoming.from.read(&mut chunk) {
                Err(e) if e.kind() == std::io::ErrorKind::Interrupted => continue,
                other => other.map_err(incoming.failed)?,
            };
            if n == 0 {
                break;
            }
            chunk.truncate(n);
            hasher.update(&chunk);
            importer.push(&chunk, &mut found);
            (incoming.tell)();
            // A closed channel means that the other side failed; its error is taken at the end.
            found.drain(..).for_each(|leg| drop(to_pack.send(leg)));
            each(chunk);
        }
        let report = importer.finish(&mut found);
        found.drain(..).for_each(|leg| drop(to_pack.send(leg)));
        drop(to_pack);
        let (legs, notes, trimmed) = packer.join().expect("the thread does not panic")?;
        Ok(ReadLog { report, legs, notes, source: hasher.finish(), trimmed })
    })
}

/// Legs, what is said of them, and how many soundings near home were cut off.
type Packed = (Vec<PackedLeg>, BTreeMap<LegWindow, Notes>, u64);

/// Packs legs as they come. A log whose time returns to a window gives that window's soundings in several pieces:
/// they are joined, so that two logs laid end to end give the legs of the whole.
fn pack_all(legs: mpsc::Receiver<Leg>, limits: &Limits, trims: &Trims) -> Result<Packed, Error> {
    let mut trimmed = 0;
    let mut packed: BTreeMap<LegWindow, Vec<PackedLeg>> = BTreeMap::new();
    let mut notes: BTreeMap<LegWindow, Notes> = BTreeMap::new();
    for leg in legs {
        let note = notes
            .entry(leg.window)
            .or_insert_with(|| Notes { instrument: leg.instrument.clone(), counts: BTreeMap::new() });
        for (problem, n) in &leg.counts {
            let sum = note.counts.entry(problem.code()).or_default();
            *sum = sum.saturating_add(*n);
        }
        let mut soundings = leg.soundings;
        trimmed += trims.cut(&mut soundings);
        for earlier in packed.remove(&leg.window).unwrap_or_default() {
            for s in &earlier.strips {
                soundings.extend(leadline_logbook::unpack_strip(&s.packed, &s.digest, limits)?.1);
            }
        }
        if !soundings.is_empty() {
            packed.insert(leg.window, PackedLeg::of(leg.window, soundings, limits)?);
        }
    }
    Ok((packed.into_values().flatten().collect(), notes, trimmed))
}

fn known_legs(store: &Store, boat: &Text) -> Result<BTreeSet<leadline_model::LegId>, Error> {
    let me = store.device();
    let claims = store.survey_writes()?.claims;
    Ok(claims
        .into_iter()
        .filter(|(_, c)| c.iter().any(|c| c.device == me && c.what.boat == *boat))
        .map(|(leg, _)| leg)
        .collect())
}

fn head(request: &ImportRequest, source: Digest, notes: Option<&Notes>) -> Result<ClaimHead, Error> {
    let instrument = notes.map_or("", |n| n.instrument.as_str());
    let counts = notes.into_iter().flat_map(|n| &n.counts);
    Ok(ClaimHead {
        boat: request.boat.clone(),
        instrument: text("instrument", if instrument.is_empty() { "log" } else { instrument })?,
        source,
        counts: counts
            .take(64)
            .map(|(code, n)| Ok((text("problem", code)?, *n)))
            .collect::<Result<_, Error>>()?,
    })
}

/// The setup that the request states, unless the same is in force already at the first leg.
fn setup_ops(store: &Store, request: &ImportRequest, legs: &[PackedLeg]) -> Result<Option<Op>, Error> {
    let says_nothing =
        request.draft_mm.is_none() && request.sound_speed_mm_s.is_none() && request.temp_centi.is_none();
    let Some(first) = legs.first().filter(|_| !says_nothing) else { return Ok(None) };
    let setup = Setup {
        boat: request.boat.clone(),
        from: first.window.start(),
        draft_mm: request.draft_mm,
        sound_speed_mm_s: request.sound_speed_mm_s,
        temp_centi: request.temp_centi,
        lag_ms: None,
    };
    Ok(Ground::of(&store.survey_writes()?).setup_op(setup))
}
