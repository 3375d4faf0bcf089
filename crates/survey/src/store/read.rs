//! Reading the store: entries, have-lists, strips, counts.

use super::Store;
use super::documents::is_of_crew;
use super::settle::place_of;
use crate::Error;
use leadline_logbook::{Domain, Entry, Have, Op, Place, StripRef, unpack_claimed, unpack_strip};
use leadline_model::{DeviceId, Digest, EntryId, LegWindow, Sounding, StripDigest, Text, UtcMillis};
use rusqlite::{Connection, OptionalExtension, Row};
use std::collections::BTreeSet;

/// How many of what the store holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Counts {
    /// Entries in force.
    pub entries: u64,
    /// Strips held.
    pub strips: u64,
    /// Strips named by entries but not held yet.
    pub wanted: u64,
    /// Entries waiting for an admission.
    pub waiting: u64,
    /// Entries that do not count, as a keeper's word on their device says.
    pub masked: u64,
    /// Entries kept aside as bad.
    pub quarantined: u64,
    /// Tiles with a document.
    pub tiles: u64,
}

/// What a check of the whole store found.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct StoreReport {
    /// Entries whose bytes, signature and id were checked.
    pub entries: u64,
    /// Strips that were unpacked and hashed.
    pub strips: u64,
    /// Strips named but not held.
    pub wanted: u64,
    /// What is wrong, in words.
    pub faults: Vec<String>,
    /// Whether cached documents were made again.
    pub rebuilt: bool,
    /// Cached documents were not compared with the entries, as that needs a disk that takes writes.
    pub uncompared: bool,
}

/// A device met before.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Peer {
    /// Its id.
    pub device: String,
    /// Its name.
    pub name: String,
    /// When this device last finished a meeting with it.
    pub met: String,
}

/// Byte offset (from 1) and length of `prev` in an entry: the envelope's layout is frozen.
const PREV: &str = "substr(entry.bytes, 82, 32)";

const ENTRY_IDS: (&str, &[u8]) = ("SELECT id FROM entry ORDER BY id", b"entries");
const STRIP_DIGESTS: (&str, &[u8]) = ("SELECT digest FROM strip ORDER BY digest", b"strips");

impl Store {
    /// The survey's name and datum, once its first entry is held.
    pub fn name(&self) -> Result<Option<(Text, Text)>, Error> {
        let survey = self.survey;
        let founding = |e: &Entry| {
            e.ops().iter().find_map(|op| match op {
                Op::Found(f) if f.survey_id(&e.envelope().device) == survey => {
                    Some((f.name.clone(), f.datum.clone()))
                }
                _ => None,
            })
        };
        Ok(self.crew_entries()?.iter().find_map(founding))
    }

    /// Entries in force that say something of the crew.
    pub(crate) fn crew_entries(&self) -> Result<Vec<Entry>, Error> {
        self.entries("SELECT bytes FROM entry JOIN crew_entry USING (n) ORDER BY n")
    }

    /// All entries in force, in the order in which they came.
    pub fn entries_in_force(&self) -> Result<Vec<Entry>, Error> {
        self.entries("SELECT bytes FROM entry ORDER BY n")
    }

    /// Entries are checked again on the way out: what the disk has damaged is skipped here and named by `verify`.
    fn entries(&self, query: &str) -> Result<Vec<Entry>, Error> {
        let (survey, limits) = (self.survey, self.limits);
        self.sql(|db| {
            let mut q = db.prepare_cached(query)?;
            let rows = q.query_map([], |r| r.get::<_, Vec<u8>>(0))?;
            rows.filter_map(|bytes| match bytes {
                Ok(b) => Entry::open(&b, &survey, |_| true, &limits).ok().map(Ok),
                Err(e) => Some(Err(e)),
            })
            .collect()
        })
    }

    /// The places of all entries in force.
    pub fn places(&self) -> Result<Vec<Place>, Error> {
        let query = format!("SELECT device, epoch, seq, id, {PREV} FROM entry JOIN log ON log.n = entry.log");
        self.sql(|db| db.prepare_cached(&query)?.query_map([], place_of)?.collect())
    }

    /// Ids of the entries in force that say who belongs to the crew.
    pub(crate) fn crew_ids(&self) -> Result<BTreeSet<EntryId>, Error> {
        let query = "SELECT id FROM entry JOIN crew_entry USING (n)";
        self.sql(|db| db.prepare_cached(query)?.query_map([], |r| r.get(0).map(EntryId))?.collect())
    }

    /// The places of the entries that are kept and do not count.
    pub fn masked_places(&self) -> Result<Vec<Place>, Error> {
        let query = "SELECT device, epoch, seq, id, substr(bytes, 82, 32) FROM masked";
        self.sql(|db| db.prepare_cached(query)?.query_map([], place_of)?.collect())
    }

    /// The places of masked entries that may lie behind a cut. They are given to others too: whoever lacks a part of that
    /// chain cannot tell how far the cut reaches, and would go on reading something else.
    fn places_behind_cuts(&self) -> Result<Vec<Place>, Error> {
        let mut masked = self.masked_places()?;
        if !masked.is_empty() {
            let crew = self.crew()?;
            masked.retain(|p| crew.may_count_later(p));
        }
        Ok(masked)
    }

    /// The places of the entries that are given to others: those in force, and what may lie behind a cut.
    pub(crate) fn given_places(&self) -> Result<Vec<Place>, Error> {
        Ok([self.places()?, self.places_behind_cuts()?].concat())
    }

    /// The masked entries that may lie behind a cut.
    pub(crate) fn masked_behind_cuts(&self) -> Result<Vec<Entry>, Error> {
        let behind: BTreeSet<EntryId> = self.places_behind_cuts()?.into_iter().map(|p| p.id).collect();
        if behind.is_empty() {
            return Ok(Vec::new());
        }
        let mut masked = self.entries("SELECT bytes FROM masked ORDER BY device, epoch, seq")?;
        masked.retain(|e| behind.contains(&e.id()));
        Ok(masked)
    }

    /// The have-list.
    pub fn have(&self) -> Result<Have, Error> {
        Ok(Have::of(&self.places()?))
    }

    /// The exact bytes of an entry in force.
    pub fn entry(&self, id: &EntryId) -> Result<Option<Vec<u8>>, Error> {
        self.sql(|db| one_blob(db, "SELECT bytes FROM entry WHERE id = ?1", &id.0))
    }

    /// The exact bytes of an entry that is kept, in force or not.
    pub(crate) fn kept_entry(&self, id: &EntryId) -> Result<Option<Vec<u8>>, Error> {
        let query = "SELECT bytes FROM entry WHERE id = ?1 UNION ALL SELECT bytes FROM masked WHERE id = ?1";
        self.sql(|db| one_blob(db, query, &id.0))
    }

    /// A packed strip.
    pub fn packed_strip(&self, digest: &StripDigest) -> Result<Option<Vec<u8>>, Error> {
        self.sql(|db| one_blob(db, "SELECT bytes FROM strip WHERE digest = ?1", &digest.0))
    }

    /// The soundings of a strip of a leg in `window`; `None` if it is not held, damaged, or not what its claim says.
    pub fn strip(&self, window: LegWindow, claimed: &StripRef) -> Result<Option<Vec<Sounding>>, Error> {
        let packed = self.packed_strip(&claimed.digest)?;
        Ok(packed.and_then(|p| unpack_claimed(&p, window, claimed, &self.limits).ok()))
    }

    /// Digests of all strips held, sorted.
    pub fn strip_digests(&self) -> Result<Vec<StripDigest>, Error> {
        self.sql(|db| {
            db.prepare_cached("SELECT digest FROM strip ORDER BY digest")?
                .query_map([], |r| r.get(0).map(StripDigest))?
                .collect()
        })
    }

    /// Digests of strips named by entries in force and not held, sorted, from `after` on, at most `max`.
    pub fn wanted_strips(&self, after: Option<&StripDigest>, max: usize) -> Result<Vec<StripDigest>, Error> {
        let after = after.map_or([0; 32], |d| d.0);
        self.sql(|db| {
            db.prepare_cached("SELECT digest FROM wanted WHERE digest > ?1 ORDER BY digest LIMIT ?2")?
                .query_map((after, max as i64), |r| r.get(0).map(StripDigest))?
                .collect()
        })
    }

    /// The packed strip whose digest begins with `prefix`, to be given away: if it is held, and not held back.
    pub fn strip_by_prefix(&self, prefix: &[u8; 16]) -> Result<Option<Vec<u8>>, Error> {
        let (mut low, mut high) = ([0u8; 32], [0xffu8; 32]);
        low[..16].copy_from_slice(prefix);
        high[..16].copy_from_slice(prefix);
        if self.holds_back(&low, &high)? {
            return Ok(None);
        }
        self.sql(|db| {
            db.prepare_cached("SELECT bytes FROM strip WHERE digest BETWEEN ?1 AND ?2 LIMIT 1")?
                .query_row((low, high), |r| r.get(0))
                .optional()
        })
    }

    /// Digest of the entries in force and the strips held: equal on two devices that hold the same.
    pub fn holdings_digest(&self) -> Result<Digest, Error> {
        self.digest_of(&[ENTRY_IDS, STRIP_DIGESTS])
    }

    /// Digest of the entries in force alone.
    pub fn entries_digest(&self) -> Result<Digest, Error> {
        self.digest_of(&[ENTRY_IDS])
    }

    fn digest_of(&self, lists: &[(&str, &[u8])]) -> Result<Digest, Error> {
        let mut h = Domain::Holdings.hasher();
        self.sql(|db| {
            for (query, tag) in lists {
                h.update(tag);
                let mut q = db.prepare_cached(query)?;
                let mut rows = q.query([])?;
                while let Some(r) = rows.next()? {
                    h.update(&r.get::<_, [u8; 32]>(0)?);
                }
            }
            Ok(h.finish())
        })
    }

    /// Counts of everything.
    pub fn counts(&self) -> Result<Counts, Error> {
        let query = "SELECT (SELECT count(*) FROM entry), (SELECT count(*) FROM strip), (SELECT count(*) FROM wanted),
                            (SELECT count(*) FROM waiting), (SELECT count(*) FROM quarantine),
                            (SELECT count(*) FROM doc WHERE key LIKE 'tile/%'), (SELECT count(*) FROM masked)";
        let n = |r: &Row<'_>, i| r.get::<_, i64>(i).map(|n| n as u64);
        self.sql(|db| {
            db.query_row(query, [], |r| {
                Ok(Counts {
                    entries: n(r, 0)?,
                    strips: n(r, 1)?,
                    wanted: n(r, 2)?,
                    waiting: n(r, 3)?,
                    quarantined: n(r, 4)?,
                    tiles: n(r, 5)?,
                    masked: n(r, 6)?,
                })
            })
        })
    }

    /// Entries kept aside, with reasons.
    pub fn quarantined(&self) -> Result<Vec<super::Quarantined>, Error> {
        self.sql(|db| {
            db.prepare("SELECT id, reason FROM quarantine ORDER BY n")?
                .query_map([], |r| {
                    let id: Option<[u8; 32]> = r.get(0)?;
                    Ok(super::Quarantined { id: id.map(|i| EntryId(i).to_string()), reason: r.get(1)? })
                })?
                .collect()
        })
    }

    /// Devices met before, by name.
    pub fn peers(&self) -> Result<Vec<Peer>, Error> {
        self.sql(|db| {
            db.prepare("SELECT device, name, met FROM peer ORDER BY name, device")?
                .query_map([], |r| {
                    let device: [u8; 32] = r.get(0)?;
                    let met: i64 = r.get(2)?;
                    Ok(Peer {
                        device: DeviceId(device).to_string(),
                        name: r.get(1)?,
                        met: UtcMillis(met).to_string(),
                    })
                })?
                .collect()
        })
    }

    /// Re-hashes every entry and strip, checks SQLite's own structure, and compares the documents with what the
    /// entries say; documents that differ are made again.
    pub fn check(&mut self) -> Result<StoreReport, Error> {
        let mut report = StoreReport::default();
        let integrity = self.sql(|db| {
            let mut q = db.prepare("PRAGMA integrity_check(20)")?;
            q.query_map([], |r| r.get(0))?.collect::<Result<Vec<String>, _>>()
        });
        match integrity {
            Ok(lines) if lines == ["ok"] => {}
            Ok(lines) => report.faults.extend(lines.iter().map(|l| format!("SQLite: {}", l.trim()))),
            Err(e) => report.faults.push(found(e)?),
        }
        // A part that cannot be read at all is a finding, and keeps no other part from being checked.
        let parts = [Self::check_entries, Self::check_strips, Self::check_places];
        for part in parts {
            if let Err(e) = part(self, &mut report) {
                report.faults.push(found(e)?);
            }
        }
        match self.check_marks() {
            Ok(fault) => report.faults.extend(fault),
            Err(e) => report.faults.push(found(e)?),
        }
        if let Err(e) = self.check_documents(&mut report) {
            report.faults.push(found(e)?);
        }
        Ok(report)
    }

    fn check_entries(&self, report: &mut StoreReport) -> Result<(), Error> {
        let (survey, limits) = (self.survey, self.limits);
        self.sql(|db| {
            let mut q = db.prepare("SELECT id, bytes FROM entry UNION ALL SELECT id, bytes FROM masked")?;
            let mut rows = q.query([])?;
            while let Some(r) = rows.next()? {
                let (id, bytes): ([u8; 32], Vec<u8>) = (r.get(0)?, r.get(1)?);
                report.entries += 1;
                match Entry::open(&bytes, &survey, |_| true, &limits) {
                    Ok(e) if e.id().0 == id => {}
                    Ok(_) => report
                        .faults
                        .push(format!("entry {} has other content than its id", EntryId(id).short())),
                    Err(e) => report.faults.push(format!("entry {}: {e}", EntryId(id).short())),
                }
            }
            Ok(())
        })
    }

    /// What is asked of others, and the survey that this store is of.
    fn check_places(&self, report: &mut StoreReport) -> Result<(), Error> {
        report.wanted = self.counts()?.wanted;
        let survey: Option<Vec<u8>> = self.sql(|db| {
            db.query_row("SELECT value FROM meta WHERE key = 'survey'", [], |r| r.get(0)).optional()
        })?;
        if survey.as_deref() != Some(&self.survey.0[..]) {
            report.faults.push("the store does not say that it is this survey's".to_owned());
        }
        let places: BTreeSet<Place> = self.places()?.into_iter().collect();
        let entries = self.entries_in_force()?;
        let differ = entries.iter().filter(|e| !places.contains(&e.place())).count();
        if differ > 0 {
            report.faults.push(format!("{differ} entries stand at another place than they say"));
        }
        let of_crew =
            |all: &[Entry]| -> BTreeSet<_> { all.iter().filter(|e| is_of_crew(e)).map(Entry::id).collect() };
        if of_crew(&entries) != of_crew(&self.crew_entries()?) {
            report.faults.push("the list of entries that tell of the crew is not whole".to_owned());
        }
        Ok(())
    }

    fn check_strips(&self, report: &mut StoreReport) -> Result<(), Error> {
        let limits = self.limits;
        self.sql(|db| {
            let mut q = db.prepare("SELECT digest, bytes FROM strip ORDER BY n")?;
            let mut rows = q.query([])?;
            while let Some(r) = rows.next()? {
                let (digest, bytes): ([u8; 32], Vec<u8>) = (r.get(0)?, r.get(1)?);
                report.strips += 1;
                if let Err(e) = unpack_strip(&bytes, &StripDigest(digest), &limits) {
                    report.faults.push(format!("strip {}: {e}", StripDigest(digest).short()));
                }
            }
            Ok(())
        })
    }

    fn check_documents(&mut self, report: &mut StoreReport) -> Result<(), Error> {
        let read = |s: &Self| -> Result<_, Error> {
            let tiles = s
                .tiles()?
                .into_iter()
                .map(|t| Ok((t, s.tile_strips(t)?)))
                .collect::<Result<Vec<_>, Error>>()?;
            Ok((s.survey_writes()?, tiles))
        };
        let before = read(self).ok();
        match self.rebuild_documents() {
            Err(e) if e.is_unwritable() => {
                report.uncompared = true;
                return Ok(());
            }
            other => other?,
        }
        let after = read(self)?;
        if before.is_none_or(|b| b != after) {
            report.rebuilt = true;
            report.faults.push("cached documents did not match the entries and were made again".to_owned());
        }
        Ok(())
    }
}

/// An error of SQLite's that means damage, in words; any other is none of the store's.
fn found(e: Error) -> Result<String, Error> {
    match e {
        Error::Sqlite { ref source, .. } if e.is_damage() => Ok(format!("SQLite: {source}")),
        Error::Document(why) => Ok(format!("documents: {why}")),
        Error::Entry(why) => Ok(format!("documents: {why}")),
        other => Err(other),
    }
}

pub(super) fn one_blob(db: &Connection, query: &str, key: &[u8; 32]) -> rusqlite::Result<Option<Vec<u8>>> {
    db.prepare_cached(query)?.query_row([key], |r| r.get(0)).optional()
}
