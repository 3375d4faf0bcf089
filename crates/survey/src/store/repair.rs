//! Repair: what is whole in a damaged store goes into a fresh one; the damaged files are kept beside it. What is lost is
//! named, and shows as lacking, so that the next meeting or parcel brings it.

use super::carve::Image;
use super::marks::{PRIVATE, seal, sum};
use super::sift::{Aside, Named, entries_in, strips_in};
use super::{FORMAT, Store};
use crate::durable::sync_folder_of;
use crate::{Error, Home, Trim};
use leadline_logbook::{DeviceKey, Limits};
use leadline_model::{EntryId, StripDigest, SurveyId};
use rusqlite::config::DbConfig;
use rusqlite::{Connection, ErrorCode, OpenFlags};
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Entries taken in at once: the documents are made anew for each group.
const ENTRIES: usize = 4096;
/// Strips, bytes.
const STRIPS: usize = 8 << 20;

/// Damaged stores kept of one survey.
const MOST_KEPT: usize = 99;

/// What a repair found and did.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Repaired {
    /// Where the damaged store is kept.
    pub kept: PathBuf,
    /// Entries that were saved.
    pub entries: u64,
    /// Strips that were saved.
    pub strips: u64,
    /// Ids of entries that were damaged.
    pub damaged_entries: Vec<String>,
    /// Digests of strips that were damaged.
    pub damaged_strips: Vec<String>,
    /// Ids of which only an index tells, so that they may be of entries or of strips, or damaged themselves.
    pub uncertain: Vec<String>,
    /// Strips that entries name and that are not here, damaged ones too.
    pub lacking: u64,
    /// Private marks that were saved.
    pub marks: u64,
    /// They are not those that were kept: one was changed or lost, and nothing tells which.
    pub marks_changed: bool,
}

impl Home {
    /// Makes a fresh store of what is whole in the damaged one of a survey, and in those damaged before. The damaged
    /// files are kept beside it. Refused while another command has the store open.
    pub fn repair(&self, survey: &SurveyId) -> Result<Repaired, Error> {
        let path = self.root().join("surveys").join(format!("{survey}.sqlite"));
        refuse_newer(&path)?;
        let alone = alone(&path)?;
        let kept = keep(&path)?;
        let fresh = path.with_extension("fresh.sqlite");
        let made = self.fill(survey, &fresh, (&path, &kept));
        let mut repaired = made.inspect_err(|_| {
            remove(&fresh);
            remove(&kept);
        })?;
        // Closing it ends its log, which must not be found beside the fresh file.
        drop(alone);
        for ending in ["sqlite-wal", "sqlite-shm"] {
            drop(fs::remove_file(path.with_extension(ending)));
        }
        fs::rename(&fresh, &path).and_then(|()| sync_folder_of(&path)).map_err(Error::file(&path))?;
        repaired.kept = kept;
        Ok(repaired)
    }

    fn fill(
        &self,
        survey: &SurveyId,
        fresh: &Path,
        (damaged, kept): (&Path, &Path),
    ) -> Result<Repaired, Error> {
        remove(fresh);
        let mut store = Store::open(fresh, *survey, DeviceKey::from_seed(&self.key().seed()))?;
        let mut repaired = store.take_from(&kept_of(damaged))?;
        (repaired.marks, repaired.marks_changed) = store.take_aside(kept)?;
        // Which strips are near home is worked out again, before anybody can ask for them.
        store.hold_back_near(&self.trims()?)?;
        // Nothing could be saved: it is still a survey of this home, which a meeting or a parcel fills again.
        if store.is_blank()? {
            store.write(|tx| {
                tx.execute("INSERT INTO meta VALUES ('name', CAST('(damaged)' AS BLOB))", []).map(drop)
            })?;
        }
        Ok(repaired)
    }
}

impl Store {
    /// Takes in what is whole in damaged stores that a repair kept, for a store that is whole itself. `trims`: of its
    /// home.
    pub fn take_from_kept(&mut self, trims: &[Trim]) -> Result<Repaired, Error> {
        let sources = kept_of(&self.path);
        let repaired = self.take_from(&sources)?;
        if !trims.is_empty() {
            self.hold_back_too(trims)?;
        }
        let marks = self.private_marks()?.len() as u64;
        Ok(Repaired { kept: sources.into_iter().next_back().unwrap_or_default(), marks, ..repaired })
    }

    /// Whether a repair kept a damaged store.
    pub fn has_kept(&self) -> bool {
        !kept_of(&self.path).is_empty()
    }

    fn take_from(&mut self, sources: &[PathBuf]) -> Result<Repaired, Error> {
        // What waits for the crew's word is this device's own here, not a stranger's.
        let usual = std::mem::replace(&mut self.limits.waiting, usize::MAX / 2);
        let taken = self.take_all(sources);
        self.limits.waiting = usual;
        let named = taken?;
        self.report(&named)
    }

    fn take_all(&mut self, sources: &[PathBuf]) -> Result<Named, Error> {
        let (mut named, mut found) = (Named::default(), BTreeSet::new());
        for image in sources {
            self.take_entries_from(image, &mut named, &mut found)?;
        }
        // Strips are taken once all entries that may name them are there.
        for image in sources {
            self.take_strips_from(image)?;
        }
        Ok(named)
    }

    fn take_entries_from(
        &mut self,
        source: &Path,
        named: &mut Named,
        found: &mut BTreeSet<EntryId>,
    ) -> Result<(), Error> {
        let (survey, limits) = (self.survey, Limits::default());
        let mut batch = Vec::new();
        let mut failed = None;
        let is_good = |bytes: &[u8]| {
            leadline_logbook::Entry::open(bytes, &survey, |_| true, &limits).is_ok()
                || leadline_logbook::strip_digest(bytes, &limits).is_ok()
        };
        for mut image in images(source)? {
            image.rows(|row| {
                named.note(&row, is_good);
                let new = entries_in(&row, &survey, &limits).into_iter().filter(|(id, _)| found.insert(*id));
                batch.extend(new.map(|(_, bytes)| bytes));
                if batch.len() >= ENTRIES && failed.is_none() {
                    failed = self.accept(std::mem::take(&mut batch), Vec::new()).err();
                }
            });
        }
        failed.map_or(Ok(()), Err)?;
        self.accept(batch, Vec::new()).map(drop)
    }

    fn take_strips_from(&mut self, source: &Path) -> Result<(), Error> {
        let limits = Limits::default();
        let (mut batch, mut size, mut failed) = (Vec::new(), 0, None);
        for mut image in images(source)? {
            image.rows(|row| {
                for (digest, packed) in strips_in(&row, &limits) {
                    size += packed.len();
                    batch.push((digest, packed));
                }
                if size >= STRIPS && failed.is_none() {
                    size = 0;
                    failed = self.put_strips(std::mem::take(&mut batch)).err();
                }
            });
        }
        failed.map_or(Ok(()), Err)?;
        self.put_strips(batch)
    }

    /// Those that an entry in force names are taken as from a peer; the others stand aside until one does.
    fn put_strips(&mut self, strips: Vec<(StripDigest, Vec<u8>)>) -> Result<(), Error> {
        self.write(|tx| {
            let mut put = tx.prepare_cached(
                "INSERT INTO strip_aside (digest, bytes) SELECT ?1, ?2
                 WHERE NOT EXISTS (SELECT 1 FROM wanted WHERE digest = ?1)
                   AND NOT EXISTS (SELECT 1 FROM strip WHERE digest = ?1)
                   AND NOT EXISTS (SELECT 1 FROM strip_aside WHERE digest = ?1)",
            )?;
            strips.iter().try_for_each(|(digest, packed)| put.execute((digest.0, packed)).map(drop))
        })?;
        self.accept(Vec::new(), strips.into_iter().map(|(_, packed)| packed).collect()).map(drop)
    }

    /// How many private marks came along, and whether they are others than those that were kept.
    fn take_aside(&mut self, source: &Path) -> Result<(u64, bool), Error> {
        let mut all: Vec<Aside> = images(source)?.iter_mut().map(Aside::of).collect();
        let Some(best) = all.iter().rposition(|a| a.is_of(&self.survey)).or_else(|| all.len().checked_sub(1))
        else {
            return Ok((0, false));
        };
        let aside = all.swap_remove(best);
        let changed = self.write(|tx| {
            tx.execute_batch(PRIVATE)?;
            for (key, value) in &aside.notes {
                tx.execute("INSERT OR REPLACE INTO meta VALUES (?1, ?2)", (key, value))?;
            }
            for mark in aside.marks.values() {
                tx.execute(
                    "INSERT OR IGNORE INTO private_mark VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                    rusqlite::params_from_iter(mark),
                )?;
            }
            for peer in aside.peers.values() {
                tx.execute(
                    "INSERT OR IGNORE INTO peer (device, name, met, digest, have, clock) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                    rusqlite::params_from_iter(peer),
                )?;
            }
            seal(tx)?;
            let sum = sum(tx)?;
            Ok(aside.sealed.as_ref().is_some_and(|s| s[..] != sum))
        })?;
        Ok((self.private_marks()?.len() as u64, changed))
    }

    fn report(&self, named: &Named) -> Result<Repaired, Error> {
        let (places, masked, counts) = (self.places()?, self.masked_places()?, self.counts()?);
        let waiting: Vec<[u8; 32]> =
            self.sql(|db| db.prepare("SELECT id FROM waiting")?.query_map([], |r| r.get(0))?.collect())?;
        let all = || places.iter().chain(&masked);
        let held: BTreeSet<[u8; 32]> = all().map(|p| p.id.0).chain(waiting).collect();
        let strips: BTreeSet<[u8; 32]> = self.strips_kept()?;
        let wanted: BTreeSet<[u8; 32]> =
            self.wanted_strips(None, usize::MAX >> 1)?.iter().map(|d| d.0).collect();
        let before = all().map(|p| p.prev.0).filter(|id| *id != [0; 32]);
        let lost: BTreeSet<[u8; 32]> =
            named.entries.iter().copied().chain(before).filter(|id| !held.contains(id)).collect();
        let is_named = |d: &&[u8; 32]| named.strips.contains(*d) || named.either.contains(*d);
        let gone = named.strips.iter().filter(|d| !strips.contains(*d));
        let damaged: BTreeSet<&[u8; 32]> = wanted.iter().filter(is_named).chain(gone).collect();
        let known = |id: &[u8; 32]| {
            held.contains(id)
                || strips.contains(id)
                || wanted.contains(id)
                || lost.contains(id)
                || damaged.contains(id)
        };
        let words = |id: &[u8; 32]| EntryId(*id).to_string();
        Ok(Repaired {
            kept: PathBuf::new(),
            entries: counts.entries + counts.masked + counts.waiting,
            strips: strips.len() as u64,
            damaged_entries: lost.iter().map(words).collect(),
            damaged_strips: damaged.iter().map(|d| words(d)).collect(),
            uncertain: named.either.iter().filter(|id| !known(id)).map(words).collect(),
            lacking: counts.wanted,
            marks: 0,
            marks_changed: false,
        })
    }

    /// All strips, those aside too.
    fn strips_kept(&self) -> Result<BTreeSet<[u8; 32]>, Error> {
        let query = "SELECT digest FROM strip UNION SELECT digest FROM strip_aside";
        self.sql(|db| db.prepare(query)?.query_map([], |r| r.get(0))?.collect())
    }
}

/// The states of a store: its file, and that with its log over it.
fn images(source: &Path) -> Result<Vec<Image>, Error> {
    let log = source.with_extension("sqlite-wal");
    let plain = Image::open(source).map_err(Error::file(source))?;
    let newer = Image::with_log(source, &log).map_err(Error::file(&log))?;
    Ok(std::iter::once(plain).chain(newer).collect())
}

/// A newer program's store is not touched.
fn refuse_newer(path: &Path) -> Result<(), Error> {
    let found = Image::open(path).and_then(|mut i| i.user_version()).map_err(Error::file(path))?;
    match found {
        // A damaged number is no format; ours go up one by one.
        Some(found) if found > FORMAT && found < FORMAT + 1000 => {
            Err(Error::Newer { path: path.to_owned(), found, known: FORMAT })
        }
        _ => Ok(()),
    }
}

/// Keeps other commands out, as far as SQLite can still open the file.
fn alone(path: &Path) -> Result<Option<Connection>, Error> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let take = || -> rusqlite::Result<Connection> {
        let db = Connection::open_with_flags(path, flags)?;
        db.busy_timeout(Duration::from_secs(2))?;
        // Should the repair fail, the files stay as they are.
        db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)?;
        db.query_row("PRAGMA locking_mode = EXCLUSIVE", [], |r| r.get::<_, String>(0))?;
        db.query_row("SELECT count(*) FROM sqlite_master", [], |r| r.get::<_, i64>(0))?;
        Ok(db)
    };
    match take() {
        Ok(db) => Ok(Some(db)),
        Err(e)
            if matches!(e.sqlite_error_code(), Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked)) =>
        {
            Err(Error::Sqlite { path: path.to_owned(), source: e })
        }
        Err(_) => Ok(None),
    }
}

/// Copies a store and its log to a name of their own.
fn keep(path: &Path) -> Result<PathBuf, Error> {
    let free = names(path).find(|p| !p.exists());
    let kept = free.ok_or_else(|| {
        Error::Request(format!("{MOST_KEPT} damaged stores are kept beside {}: remove some", path.display()))
    })?;
    let copy = |from: &Path, to: &Path| -> std::io::Result<()> {
        fs::copy(from, to)?;
        fs::File::open(to)?.sync_all()
    };
    let log = path.with_extension("sqlite-wal");
    let copied = (|| {
        if log.exists() {
            copy(&log, &kept.with_extension("sqlite-wal"))?;
        }
        copy(path, &kept)?;
        sync_folder_of(&kept)
    })();
    copied.inspect_err(|_| remove(&kept)).map_err(Error::file(&kept))?;
    Ok(kept)
}

/// The damaged stores that were kept of this one.
fn kept_of(path: &Path) -> Vec<PathBuf> {
    names(path).filter(|p| p.exists()).collect()
}

fn names(path: &Path) -> impl Iterator<Item = PathBuf> {
    (1..=MOST_KEPT).map(|n| path.with_extension(format!("damaged-{n}.sqlite")))
}

fn remove(store: &Path) {
    for path in [store.to_owned(), store.with_extension("sqlite-wal"), store.with_extension("sqlite-shm")] {
        drop(fs::remove_file(path));
    }
}
