//! Taking in entries and strips from a peer or a parcel.

use super::append::{insert_entry, insert_strip};
use super::documents::{put_in_force, want_strips};
use super::{Store, log_row};
use crate::Error;
use leadline_logbook::{Crew, Entry, Held, Limits, Place, Refusal, Taken, take_in, unpack_strip};
use leadline_model::{EntryId, StripDigest};
use rusqlite::{Connection, OptionalExtension, Transaction};
use std::path::Path;

/// What became of what a peer or a parcel brought.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Accepted {
    /// Entries new and in force.
    pub entries: usize,
    /// Entries held before.
    pub known: usize,
    /// Entries that wait for their device's admission.
    pub waiting: usize,
    /// Strips new.
    pub strips: usize,
    /// Refused entries and strips, with reasons.
    pub refused: Vec<String>,
    /// This device's own entries came back: a backup was restored, a new epoch begun.
    pub own_returned: bool,
}

/// An entry kept aside.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Quarantined {
    /// Its id, if it has one.
    pub id: Option<String>,
    /// Why.
    pub reason: String,
}

struct HeldIn<'a>(&'a Connection);

impl Held for HeldIn<'_> {
    fn holds(&self, id: &EntryId) -> bool {
        let find = |db: &Connection| {
            db.prepare_cached("SELECT 1 FROM entry WHERE id = ?1")?.query_row([id.0], |_| Ok(())).optional()
        };
        matches!(find(self.0), Ok(Some(())))
    }

    fn siblings(&self, place: &Place) -> usize {
        let count = |db: &Connection| {
            let q = "SELECT count(*) FROM entry JOIN log ON log.n = entry.log WHERE device = ?1 AND epoch = ?2 AND seq = ?3";
            db.prepare_cached(q)?
                .query_row((place.device.0, place.epoch.0, place.seq as i64), |r| r.get::<_, i64>(0))
        };
        count(self.0).map_or(usize::MAX, |n| n as usize)
    }
}

impl Store {
    /// Checks and keeps entries and packed strips from outside, in one durable transaction. Bad ones are put
    /// aside with their reason and never keep a good one out.
    pub fn accept(&mut self, entries: Vec<Vec<u8>>, strips: Vec<Vec<u8>>) -> Result<Accepted, Error> {
        let mut crew = self.crew()?;
        let (survey, limits, path, me) = (self.survey, self.limits, self.path.clone(), self.key.id());
        self.transact(|tx| {
            let sqlite = |source| Error::Sqlite { path: path.clone(), source };
            let mut out = Accepted::default();
            let taken = take_in_with_waiting(tx, entries, survey, &mut crew, &limits).map_err(sqlite)?;
            out.known = taken.known;
            out.own_returned = taken.accepted.iter().any(|e| e.envelope().device == me);
            out.entries = keep(tx, taken.accepted, &limits, &path, &mut out)?;
            out.waiting = keep_waiting(tx, &taken.waiting, &limits).map_err(sqlite)?;
            for (id, reason, bytes) in &taken.refused {
                quarantine(tx, *id, reason, bytes, &limits).map_err(sqlite)?;
                out.refused.push(reason.to_string());
            }
            for packed in &strips {
                match keep_strip(tx, packed, &limits).map_err(sqlite)? {
                    Ok(new) => out.strips += usize::from(new),
                    Err(reason) => out.refused.push(reason),
                }
            }
            if out.own_returned {
                let epoch: [u8; 8] = crate::home::random();
                tx.execute("UPDATE meta SET value = ?1 WHERE key = 'epoch'", [epoch]).map_err(sqlite)?;
            }
            Ok(out)
        })
    }

    /// The crew as the entries in force say.
    pub fn crew(&self) -> Result<Crew, Error> {
        let mut crew = Crew::new(self.survey, self.key.id());
        let crew_entries = self.crew_entries()?;
        // Admissions may stand in any order in the store: repeat until nobody new is admitted.
        loop {
            let mut grew = false;
            for entry in &crew_entries {
                grew |= crew.note(entry);
            }
            if !grew {
                break;
            }
        }
        Ok(crew)
    }
}

fn take_in_with_waiting(
    tx: &Transaction<'_>,
    entries: Vec<Vec<u8>>,
    survey: leadline_model::SurveyId,
    crew: &mut Crew,
    limits: &Limits,
) -> rusqlite::Result<Taken> {
    let before = crew.members().len();
    let mut taken = take_in(entries, &survey, crew, &HeldIn(tx), limits);
    if crew.members().len() > before {
        let kept: Vec<Vec<u8>> = tx
            .prepare("SELECT bytes FROM waiting ORDER BY id")?
            .query_map([], |r| r.get(0))?
            .collect::<Result<_, _>>()?;
        tx.execute("DELETE FROM waiting", [])?;
        let accepted: std::collections::BTreeSet<_> = taken.accepted.iter().map(Entry::id).collect();
        let again = take_in(kept, &survey, crew, &HeldIn(tx), limits);
        taken.accepted.extend(again.accepted.into_iter().filter(|e| !accepted.contains(&e.id())));
        taken.waiting.extend(again.waiting);
        taken.refused.extend(again.refused);
    }
    Ok(taken)
}

/// Keeps accepted entries; those that no document takes go to quarantine. Returns how many are in force.
fn keep(
    tx: &Transaction<'_>,
    accepted: Vec<Entry>,
    limits: &Limits,
    path: &Path,
    out: &mut Accepted,
) -> Result<usize, Error> {
    let sqlite = |source| Error::Sqlite { path: path.to_owned(), source };
    let failed = put_in_force(tx, &accepted, limits, path)?;
    let mut kept = Vec::with_capacity(accepted.len());
    for (i, entry) in accepted.into_iter().enumerate() {
        if failed.contains(&i) {
            quarantine(tx, Some(entry.id()), &Refusal::Document, entry.bytes(), limits).map_err(sqlite)?;
            out.refused.push(Refusal::Document.to_string());
            continue;
        }
        let e = entry.envelope();
        let log = log_row(tx, &e.device.0, &e.epoch.0).map_err(sqlite)?;
        insert_entry(tx, log, i64::try_from(e.seq).unwrap_or(i64::MAX), &entry).map_err(sqlite)?;
        kept.push(entry);
    }
    want_strips(tx, &kept).map_err(sqlite)?;
    Ok(kept.len())
}

/// Entries of devices not admitted wait, up to a bound a device; the rest will be offered again.
fn keep_waiting(
    tx: &Transaction<'_>,
    waiting: &[(leadline_model::DeviceId, Vec<u8>)],
    limits: &Limits,
) -> rusqlite::Result<usize> {
    let mut kept = 0;
    for (device, bytes) in waiting {
        let Some(id) = leadline_logbook::entry_id(bytes) else { continue };
        let used: i64 = tx
            .prepare_cached("SELECT coalesce(sum(length(bytes)), 0) FROM waiting")?
            .query_row([], |r| r.get(0))?;
        if used as usize + bytes.len() > limits.waiting {
            break;
        }
        kept += tx
            .prepare_cached("INSERT OR IGNORE INTO waiting (id, device, bytes) VALUES (?1, ?2, ?3)")?
            .execute((id.0, device.0, bytes))?;
    }
    Ok(kept)
}

fn quarantine(
    tx: &Transaction<'_>,
    id: Option<EntryId>,
    reason: &Refusal,
    bytes: &[u8],
    limits: &Limits,
) -> rusqlite::Result<()> {
    let used: i64 = tx
        .prepare_cached("SELECT coalesce(sum(length(bytes)), 0) FROM quarantine")?
        .query_row([], |r| r.get(0))?;
    let twin = tx
        .prepare_cached("SELECT 1 FROM quarantine WHERE id = ?1 AND bytes = ?2")?
        .query_row((id.map(|i| i.0), bytes), |_| Ok(()))
        .optional()?;
    if twin.is_none() && used as usize + bytes.len() <= limits.waiting {
        tx.execute(
            "INSERT INTO quarantine (id, reason, bytes) VALUES (?1, ?2, ?3)",
            (id.map(|i| i.0), reason.to_string(), bytes),
        )?;
    }
    Ok(())
}

/// `Ok(Ok(true))` = kept, `Ok(Ok(false))` = held before, `Ok(Err(reason))` = refused.
fn keep_strip(
    tx: &Transaction<'_>,
    packed: &[u8],
    limits: &Limits,
) -> rusqlite::Result<Result<bool, String>> {
    let digest = match leadline_logbook::strip_digest(packed, limits) {
        Ok(d) => d,
        Err(e) => return Ok(Err(e.to_string())),
    };
    if !is_wanted(tx, &digest)? {
        let held = tx
            .prepare_cached("SELECT 1 FROM strip WHERE digest = ?1")?
            .query_row([digest.0], |_| Ok(()))
            .optional()?;
        return Ok(held.map(|()| false).ok_or_else(|| "a strip came that no entry names".to_owned()));
    }
    // The digest covers tile and time, so one false claim of a strip must not keep it from the honest ones;
    // every claim is held against the content on reading.
    match unpack_strip(packed, &digest, limits) {
        Ok(_) => insert_strip(tx, &digest.0, packed).map(Ok),
        Err(e) => Ok(Err(e.to_string())),
    }
}

fn is_wanted(tx: &Transaction<'_>, digest: &StripDigest) -> rusqlite::Result<bool> {
    let row = tx
        .prepare_cached("SELECT 1 FROM wanted WHERE digest = ?1")?
        .query_row([digest.0], |_| Ok(()))
        .optional()?;
    Ok(row.is_some())
}
