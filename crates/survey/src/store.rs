//! The store of one survey: an SQLite file with entries and strips (the truth) and documents (caches).
//!
//! WAL and synchronous = FULL: what a call has returned is on the disk. Whoever writes takes its number in its
//! logbook inside one `BEGIN IMMEDIATE`, so several processes may write at once.

mod accept;
mod append;
mod carve;
mod connect;
pub(crate) mod documents;
mod guest;
mod marks;
mod news;
mod parts;
mod read;
mod repair;
mod settle;
mod sift;
mod strips;
mod whole;

pub use accept::{Accepted, Quarantined};
pub use append::Written;
pub(crate) use append::{ClaimHead, claim};
pub use read::{Counts, Peer, StoreReport};
pub use repair::Repaired;
pub(crate) use whole::{Keeping, Kept};

use crate::Error;
use connect::connect;
use leadline_logbook::{DeviceKey, Limits};
use leadline_model::{Epoch, SurveyId};
use rusqlite::{Connection, OptionalExtension, TransactionBehavior};
use std::path::{Path, PathBuf};

/// Format of the SQLite file; a greater one is refused. It says which body versions the documents hold, and from 5 on
/// the survey's document may be in parts.
const FORMAT: i64 = 5;

/// 16 KiB pages hold several strips of about 3 KB without wasting half a page each.
const SCHEMA: &str = "
CREATE TABLE meta (key TEXT PRIMARY KEY, value BLOB NOT NULL) WITHOUT ROWID;
CREATE TABLE log (n INTEGER PRIMARY KEY, device BLOB NOT NULL, epoch BLOB NOT NULL, UNIQUE (device, epoch));
CREATE TABLE entry (n INTEGER PRIMARY KEY, id BLOB NOT NULL UNIQUE, log INTEGER NOT NULL REFERENCES log (n),
                    seq INTEGER NOT NULL, bytes BLOB NOT NULL);
CREATE INDEX entry_place ON entry (log, seq);
CREATE TABLE crew_entry (n INTEGER PRIMARY KEY REFERENCES entry (n));
CREATE TABLE strip (n INTEGER PRIMARY KEY, digest BLOB NOT NULL UNIQUE, bytes BLOB NOT NULL);
CREATE TABLE wanted (digest BLOB PRIMARY KEY) WITHOUT ROWID;
CREATE TABLE doc (key TEXT PRIMARY KEY, bytes BLOB NOT NULL) WITHOUT ROWID;
CREATE TABLE waiting (id BLOB PRIMARY KEY, device BLOB NOT NULL, bytes BLOB NOT NULL) WITHOUT ROWID;
CREATE TABLE quarantine (n INTEGER PRIMARY KEY, id BLOB, reason TEXT NOT NULL, bytes BLOB NOT NULL);
CREATE TABLE peer (device BLOB PRIMARY KEY, name TEXT NOT NULL, met INTEGER NOT NULL, digest BLOB NOT NULL) WITHOUT ROWID;
";

/// What stands around the crew; also added to stores made before it.
const CREW_SCHEMA: &str = "
CREATE TABLE masked (n INTEGER PRIMARY KEY, id BLOB NOT NULL UNIQUE, device BLOB NOT NULL, epoch BLOB NOT NULL,
                     seq INTEGER NOT NULL, crew INTEGER NOT NULL, beyond INTEGER NOT NULL, bytes BLOB NOT NULL);
CREATE INDEX masked_place ON masked (device, epoch, seq);
CREATE TABLE muted (n INTEGER PRIMARY KEY REFERENCES entry (n));
CREATE TABLE reached (cut BLOB NOT NULL, entry BLOB NOT NULL, PRIMARY KEY (cut, entry)) WITHOUT ROWID;
CREATE TABLE strip_aside (digest BLOB NOT NULL UNIQUE, bytes BLOB NOT NULL);
ALTER TABLE waiting ADD COLUMN peer BLOB NOT NULL DEFAULT x'0000000000000000000000000000000000000000000000000000000000000000';
ALTER TABLE quarantine ADD COLUMN peer BLOB NOT NULL DEFAULT x'0000000000000000000000000000000000000000000000000000000000000000';
ALTER TABLE peer ADD COLUMN have BLOB;
ALTER TABLE peer ADD COLUMN clock INTEGER;
";

/// One survey's store, open.
#[derive(Debug)]
pub struct Store {
    db: Connection,
    path: PathBuf,
    survey: SurveyId,
    key: DeviceKey,
    limits: Limits,
}

impl Store {
    pub(crate) fn open(path: &Path, survey: SurveyId, key: DeviceKey) -> Result<Self, Error> {
        let db = connect(path).map_err(|source| Error::Sqlite { path: path.to_owned(), source })?;
        let mut store = Self { db, path: path.to_owned(), survey, key, limits: Limits::default() };
        store.check_format()?;
        Ok(store)
    }

    /// The survey.
    pub fn survey(&self) -> SurveyId {
        self.survey
    }

    /// This device.
    pub fn device(&self) -> leadline_model::DeviceId {
        self.key.id()
    }

    /// The device's key.
    pub fn key(&self) -> &DeviceKey {
        &self.key
    }

    /// The bounds in force.
    pub fn limits(&self) -> &Limits {
        &self.limits
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    fn check_format(&mut self) -> Result<(), Error> {
        let found = self.sql(|db| db.query_row("PRAGMA user_version", [], |r| r.get::<_, i64>(0)))?;
        match found {
            FORMAT => self.add_crew_tables(),
            0 => self.create(),
            older @ 1..FORMAT => {
                self.add_crew_tables()?;
                self.read_anew(older, FORMAT)
            }
            _ => Err(Error::Newer { path: self.path.clone(), found, known: FORMAT }),
        }
    }

    fn add_crew_tables(&mut self) -> Result<(), Error> {
        let is_there = "SELECT EXISTS (SELECT 1 FROM sqlite_master WHERE name = 'masked')";
        if self.sql(|db| db.query_row(is_there, [], |r| r.get::<_, bool>(0)))? {
            return Ok(());
        }
        self.write(|tx| {
            // Another process may have added them while this one waited.
            if !tx.query_row(is_there, [], |r| r.get::<_, bool>(0))? {
                tx.execute_batch(CREW_SCHEMA)?;
            }
            Ok(())
        })
    }

    fn create(&mut self) -> Result<(), Error> {
        let epoch: [u8; 8] = crate::home::random();
        let survey = self.survey;
        self.write(|tx| {
            // Another process may have made the tables while this one waited.
            if tx.query_row("PRAGMA user_version", [], |r| r.get::<_, i64>(0))? == 0 {
                tx.execute_batch(SCHEMA)?;
                tx.execute_batch(CREW_SCHEMA)?;
                tx.execute("INSERT INTO meta VALUES ('epoch', ?1), ('survey', ?2)", (epoch, survey.0))?;
                tx.pragma_update(None, "user_version", FORMAT)?;
            }
            Ok(())
        })
    }

    /// Runs a read and puts the store's name on an error.
    pub(crate) fn sql<T>(&self, f: impl FnOnce(&Connection) -> rusqlite::Result<T>) -> Result<T, Error> {
        f(&self.db).map_err(|source| Error::Sqlite { path: self.path.clone(), source })
    }

    /// Runs a write in one immediate transaction.
    pub(crate) fn write<T>(
        &mut self,
        f: impl FnOnce(&rusqlite::Transaction<'_>) -> rusqlite::Result<T>,
    ) -> Result<T, Error> {
        let path = self.path.clone();
        self.transact(|tx| f(tx).map_err(|source| Error::Sqlite { path, source }))
    }

    /// Like [`Self::write`], for work that can also fail otherwise; any error rolls everything back.
    fn transact<T>(
        &mut self,
        f: impl FnOnce(&rusqlite::Transaction<'_>) -> Result<T, Error>,
    ) -> Result<T, Error> {
        let path = self.path.clone();
        let sqlite = |source| Error::Sqlite { path: path.clone(), source };
        let tx = self.db.transaction_with_behavior(TransactionBehavior::Immediate).map_err(sqlite)?;
        let done = f(&tx)?;
        tx.commit().map_err(sqlite)?;
        Ok(done)
    }

    fn epoch(db: &Connection) -> rusqlite::Result<Epoch> {
        db.query_row("SELECT value FROM meta WHERE key = 'epoch'", [], |r| r.get(0)).map(Epoch)
    }
}

/// The row number of a (device, epoch), made if it is new.
fn log_row(db: &Connection, device: &[u8; 32], epoch: &[u8; 8]) -> rusqlite::Result<i64> {
    let find = "SELECT n FROM log WHERE device = ?1 AND epoch = ?2";
    if let Some(n) = db.prepare_cached(find)?.query_row((device, epoch), |r| r.get(0)).optional()? {
        return Ok(n);
    }
    db.execute("INSERT INTO log (device, epoch) VALUES (?1, ?2)", (device, epoch))?;
    Ok(db.last_insert_rowid())
}
