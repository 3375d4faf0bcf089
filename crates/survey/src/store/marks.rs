//! Marks that are private to this device, and strips that it holds back: tables of its own, in no entry.

use super::Store;
use crate::Error;
use leadline_logbook::{Domain, Hasher};
use leadline_model::{GridPos, Mark, MarkKind, Nonce, StripDigest, Text};
use rusqlite::types::ValueRef;
use rusqlite::{Connection, OptionalExtension, Row};
use std::collections::BTreeSet;

/// Made when first needed, so that the store's format stays as it is.
pub(super) const PRIVATE: &str = "
CREATE TABLE IF NOT EXISTS private_mark (id BLOB PRIMARY KEY, kind TEXT NOT NULL, x INTEGER NOT NULL, y INTEGER NOT NULL,
                           depth INTEGER, name TEXT NOT NULL, note TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS held_back (digest BLOB PRIMARY KEY) WITHOUT ROWID;
";

impl Store {
    /// Keeps a mark on this device. It is in no entry, so nothing sends it.
    pub fn keep_mark(&mut self, mark: &Mark) -> Result<Nonce, Error> {
        let id = Nonce(crate::home::random());
        let (kind, place) = (word(mark.kind), mark.place);
        self.write(|tx| {
            tx.execute_batch(PRIVATE)?;
            tx.execute(
                "INSERT INTO private_mark VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                (id.0, kind, place.x(), place.y(), mark.depth_mm, mark.name.as_str(), mark.note.as_str()),
            )?;
            seal(tx)
        })?;
        Ok(id)
    }

    /// Puts back marks that were on this device alone; how many are new.
    pub(super) fn take_marks(&mut self, marks: &[(Nonce, Mark)]) -> Result<usize, Error> {
        if marks.is_empty() {
            return Ok(0);
        }
        self.write(|tx| {
            tx.execute_batch(PRIVATE)?;
            let mut put =
                tx.prepare_cached("INSERT OR IGNORE INTO private_mark VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)")?;
            let mut new = 0;
            for (id, m) in marks {
                let (kind, place) = (word(m.kind), m.place);
                new += put.execute((
                    id.0,
                    kind,
                    place.x(),
                    place.y(),
                    m.depth_mm,
                    m.name.as_str(),
                    m.note.as_str(),
                ))?;
            }
            seal(tx)?;
            Ok(new)
        })
    }

    /// The marks that are on this device alone, by id.
    pub fn private_marks(&self) -> Result<Vec<(Nonce, Mark)>, Error> {
        if !self.has_private()? {
            return Ok(Vec::new());
        }
        let rows: Vec<Option<(Nonce, Mark)>> = self.sql(|db| {
            db.prepare("SELECT id, kind, x, y, depth, name, note FROM private_mark ORDER BY id")?
                .query_map([], |r| Ok(mark_of(r).ok()))?
                .collect()
        })?;
        Ok(rows.into_iter().flatten().collect())
    }

    /// Removes a mark that is on this device alone. False if there is none.
    pub fn drop_mark(&mut self, id: &Nonce) -> Result<bool, Error> {
        self.write(|tx| {
            tx.execute_batch(PRIVATE)?;
            let gone = tx.execute("DELETE FROM private_mark WHERE id = ?1", [id.0])? > 0;
            seal(tx)?;
            Ok(gone)
        })
    }

    /// Keeps strips from leaving this device, in place of those kept before.
    pub(crate) fn hold_back(&mut self, strips: &BTreeSet<StripDigest>) -> Result<(), Error> {
        self.write(|tx| {
            tx.execute_batch(PRIVATE)?;
            tx.execute("DELETE FROM held_back", [])?;
            for digest in strips {
                tx.execute("INSERT INTO held_back VALUES (?1)", [digest.0])?;
            }
            Ok(())
        })
    }

    /// The strips that do not leave this device.
    pub fn held_back(&self) -> Result<BTreeSet<StripDigest>, Error> {
        if !self.has_private()? {
            return Ok(BTreeSet::new());
        }
        self.sql(|db| {
            db.prepare_cached("SELECT digest FROM held_back")?
                .query_map([], |r| r.get(0).map(StripDigest))?
                .collect()
        })
    }

    /// Whether a strip between these digests does not leave this device.
    pub(super) fn holds_back(&self, low: &[u8; 32], high: &[u8; 32]) -> Result<bool, Error> {
        if !self.has_private()? {
            return Ok(false);
        }
        let find = "SELECT 1 FROM held_back WHERE digest BETWEEN ?1 AND ?2";
        let row = self.sql(|db| db.prepare_cached(find)?.query_row((low, high), |_| Ok(())).optional())?;
        Ok(row.is_some())
    }

    /// What is wrong with the private marks, in words. No signature covers them, so their digest is kept beside them.
    pub(super) fn check_marks(&self) -> Result<Option<String>, Error> {
        if !self.has_private()? {
            return Ok(None);
        }
        let (sealed, sum) = self.sql(|db| {
            let find = "SELECT value FROM meta WHERE key = 'marks'";
            let sealed: Option<Vec<u8>> = db.query_row(find, [], |r| r.get(0)).optional()?;
            Ok((sealed, sum(db)?))
        })?;
        // Kept by a program that did not count them yet.
        let is_other = sealed.is_some_and(|s| s != sum);
        Ok(is_other.then(|| {
            "a private mark was changed, added or lost: compare them with what you know (leadline mark list)".to_owned()
        }))
    }

    fn has_private(&self) -> Result<bool, Error> {
        let find = "SELECT 1 FROM sqlite_master WHERE name = 'held_back'";
        Ok(self.sql(|db| db.prepare_cached(find)?.query_row([], |_| Ok(())).optional())?.is_some())
    }
}

/// Keeps the digest of the private marks; after every change of them.
pub(super) fn seal(db: &Connection) -> rusqlite::Result<()> {
    db.execute("INSERT OR REPLACE INTO meta VALUES ('marks', ?1)", [sum(db)?]).map(drop)
}

/// The digest of all private marks.
pub(super) fn sum(db: &Connection) -> rusqlite::Result<[u8; 32]> {
    let mut all = Domain::Aside.hasher();
    let mut query = db.prepare("SELECT id, kind, x, y, depth, name, note FROM private_mark ORDER BY id")?;
    let mut rows = query.query([])?;
    while let Some(row) = rows.next()? {
        (0..7).try_for_each(|i| row.get_ref(i).map(|v| put(&mut all, v)))?;
    }
    Ok(all.finish().0)
}

/// A value with its kind and length, so that no two lists of values give the same bytes.
fn put(into: &mut Hasher, value: ValueRef<'_>) {
    let (kind, bytes) = match value {
        ValueRef::Null => (0, Vec::new()),
        ValueRef::Integer(n) => (1, n.to_le_bytes().to_vec()),
        ValueRef::Real(f) => (2, f.to_le_bytes().to_vec()),
        ValueRef::Text(t) => (3, t.to_vec()),
        ValueRef::Blob(b) => (4, b.to_vec()),
    };
    into.update(&[kind]);
    into.update(&(bytes.len() as u64).to_le_bytes());
    into.update(&bytes);
}

fn mark_of(r: &Row<'_>) -> rusqlite::Result<(Nonce, Mark)> {
    let unreadable = || rusqlite::Error::InvalidQuery;
    let text = |i: usize| Text::new(&r.get::<_, String>(i)?).map_err(|_| unreadable());
    let mark = Mark {
        kind: kind(&r.get::<_, String>(1)?).ok_or_else(unreadable)?,
        place: GridPos::new(r.get(2)?, r.get(3)?).ok_or_else(unreadable)?,
        depth_mm: r.get(4)?,
        name: text(5)?,
        note: text(6)?,
    };
    Ok((Nonce(r.get(0)?), mark))
}

fn word(kind: MarkKind) -> &'static str {
    match kind {
        MarkKind::Hazard => "hazard",
        MarkKind::Landing => "landing",
        MarkKind::Stump => "stump",
        MarkKind::Waypoint => "waypoint",
    }
}

fn kind(word_: &str) -> Option<MarkKind> {
    [MarkKind::Hazard, MarkKind::Landing, MarkKind::Stump, MarkKind::Waypoint]
        .into_iter()
        .find(|k| word(*k) == word_)
}
