//! Taking in entries and strips from a peer or a parcel.

use super::append::insert_entry;
use super::documents::is_of_crew;
use super::settle::{Context, LogCuts, forget, keep_masked, load_crew, place_of, put_counting, resettle};
use super::strips::named;
use super::{Store, log_row};
use crate::Error;
use leadline_logbook::{Crew, Domain, Entry, Held, Limits, Place, Refusal, Taken, take_in};
use leadline_model::{DeviceId, Digest, EntryId, StripDigest};
use rusqlite::{Connection, OptionalExtension, Transaction};
use std::collections::{BTreeMap, BTreeSet, btree_map};

/// What became of what a peer or a parcel brought.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Accepted {
    /// Entries new and in force.
    pub entries: usize,
    /// Entries held before.
    pub known: usize,
    /// Entries that wait for their device's admission.
    pub waiting: usize,
    /// Entries that do not count, as a keeper's word on their device says; kept aside.
    pub masked: usize,
    /// Strips new.
    pub strips: usize,
    /// Refused entries and strips, with reasons.
    pub refused: Vec<String>,
    /// This device's own entries came back: a backup was restored, a new epoch begun.
    pub own_returned: bool,
}

impl Accepted {
    /// Counts what a later part brought as well.
    pub(crate) fn add(&mut self, more: Self) {
        self.entries += more.entries;
        self.known += more.known;
        self.waiting += more.waiting;
        self.masked += more.masked;
        self.strips += more.strips;
        self.refused.extend(more.refused);
        self.own_returned |= more.own_returned;
    }
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
            let query = "SELECT 1 FROM entry WHERE id = ?1 UNION ALL SELECT 1 FROM masked WHERE id = ?1";
            db.prepare_cached(query)?.query_row([id.0], |_| Ok(())).optional()
        };
        matches!(find(self.0), Ok(Some(())))
    }

    fn siblings(&self, place: &Place) -> usize {
        let count = |db: &Connection| {
            let query = "SELECT (SELECT count(*) FROM entry JOIN log ON log.n = entry.log
                                 WHERE device = ?1 AND epoch = ?2 AND seq = ?3)
                              + (SELECT count(*) FROM masked WHERE device = ?1 AND epoch = ?2 AND seq = ?3)";
            db.prepare_cached(query)?
                .query_row((place.device.0, place.epoch.0, place.seq as i64), |r| r.get::<_, i64>(0))
        };
        count(self.0).map_or(usize::MAX, |n| n as usize)
    }

    fn place(&self, id: &EntryId) -> Option<Place> {
        let find = |db: &Connection| {
            let query = "SELECT device, epoch, seq, id, substr(entry.bytes, 82, 32)
                             FROM entry JOIN log ON log.n = entry.log WHERE id = ?1
                         UNION ALL SELECT device, epoch, seq, id, substr(bytes, 82, 32) FROM masked WHERE id = ?1";
            db.prepare_cached(query)?.query_row([id.0], place_of).optional()
        };
        find(self.0).ok().flatten()
    }
}

impl Store {
    /// Checks and keeps entries and packed strips from outside, in one durable transaction. Bad ones are put
    /// aside with their reason and never keep a good one out.
    pub fn accept(&mut self, entries: Vec<Vec<u8>>, strips: Vec<Vec<u8>>) -> Result<Accepted, Error> {
        self.accept_from(None, entries, strips)
    }

    /// The same for what a peer brings: what is put aside counts towards that peer's bound.
    pub fn accept_from(
        &mut self,
        from: Option<DeviceId>,
        entries: Vec<Vec<u8>>,
        strips: Vec<Vec<u8>>,
    ) -> Result<Accepted, Error> {
        let (survey, limits, path, own) = (self.survey, self.limits, self.path.clone(), self.key.id());
        let cx = Context { survey, own, limits: &limits, path: &path };
        let names = named(&strips, &limits);
        self.transact(|tx| {
            let crew = load_crew(tx, &cx).map_err(|e| cx.sqlite(e))?;
            let mut out = take_entries(tx, &cx, from, entries, crew, false)?;
            for (name, packed) in names.into_iter().zip(&strips) {
                let kept = name.map(|digest| keep_strip(tx, &digest, packed).map_err(|e| cx.sqlite(e)));
                match kept.map_err(|e| e.to_string()).and_then(|k| k.transpose().ok_or_else(unnamed)) {
                    Ok(new) => out.strips += usize::from(new?),
                    Err(reason) => out.refused.push(reason),
                }
            }
            if out.own_returned {
                let epoch: [u8; 8] = crate::home::random();
                tx.execute("UPDATE meta SET value = ?1 WHERE key = 'epoch'", [epoch])
                    .map_err(|e| cx.sqlite(e))?;
            }
            Ok(out)
        })
    }
}

/// Takes in entries by `crew`, and with `drain`, or if the crew grows by them, those that waited.
pub(super) fn take_entries(
    tx: &Transaction<'_>,
    cx: &Context<'_>,
    from: Option<DeviceId>,
    entries: Vec<Vec<u8>>,
    crew: Crew,
    drain: bool,
) -> Result<Accepted, Error> {
    let sql = |e| cx.sqlite(e);
    let before = crew.clone();
    let (taken, mut crew, brought) = with_waiting(tx, cx, entries, crew, drain).map_err(sql)?;
    let own = |e: &Entry| e.envelope().device == cx.own;
    let mut out = Accepted {
        known: taken.known,
        own_returned: taken.accepted.iter().chain(&taken.masked).any(own),
        ..Accepted::default()
    };
    let watched = |e: &Entry| is_of_crew(e) || crew.has_standing(&e.envelope().device);
    let restless = taken.crew_changed || taken.accepted.iter().chain(&taken.masked).any(watched);
    out.masked = keep_masked(tx, cx, &crew, &taken.masked).map_err(sql)?;
    out.entries = keep(tx, cx, &crew, taken.accepted, from, &mut out)?;
    if restless {
        resettle(tx, cx, &before, &mut crew)?;
    }
    let from_of = |copy: &Digest| brought.get(copy).copied().unwrap_or_else(|| peer(from));
    out.waiting = keep_waiting(tx, &taken.waiting, &from_of, cx.limits).map_err(sql)?;
    for (id, reason, bytes) in &taken.refused {
        quarantine(tx, from, *id, reason, bytes, cx.limits).map_err(sql)?;
        out.refused.push(reason.to_string());
    }
    Ok(out)
}

/// Zeros stand for a file.
fn peer(from: Option<DeviceId>) -> [u8; 32] {
    from.map_or([0; 32], |d| d.0)
}

/// Who brought each entry that waited, by the digest of all its bytes.
type Brought = BTreeMap<Digest, [u8; 32]>;

fn with_waiting(
    tx: &Transaction<'_>,
    cx: &Context<'_>,
    entries: Vec<Vec<u8>>,
    mut crew: Crew,
    drain: bool,
) -> rusqlite::Result<(Taken, Crew, Brought)> {
    let before = crew.clone();
    let taken = take_in(entries.clone(), &cx.survey, &mut crew, &HeldIn(tx), cx.limits);
    if !taken.crew_changed && !drain {
        return Ok((taken, crew, Brought::new()));
    }
    let mut brought = Brought::new();
    let mut batch: BTreeSet<Vec<u8>> = BTreeSet::new();
    let mut q = tx.prepare("SELECT peer, bytes FROM waiting")?;
    let mut rows = q.query([])?;
    while let Some(r) = rows.next()? {
        let bytes: Vec<u8> = r.get(1)?;
        brought.insert(copy_of(&bytes), r.get(0)?);
        batch.insert(bytes);
    }
    if batch.is_empty() {
        return Ok((taken, crew, brought));
    }
    tx.execute("DELETE FROM waiting", [])?;
    // Once more from the start, so that what is new and what waited are judged together.
    let mut crew = before;
    let fresh: BTreeSet<&Vec<u8>> = entries.iter().collect();
    let all = entries.iter().cloned().chain(batch.iter().filter(|b| !fresh.contains(b)).cloned()).collect();
    let taken = take_in(all, &cx.survey, &mut crew, &HeldIn(tx), cx.limits);
    Ok((taken, crew, brought))
}

/// Keeps accepted entries; those that no document takes go to quarantine. Returns how many are in force.
fn keep(
    tx: &Transaction<'_>,
    cx: &Context<'_>,
    crew: &Crew,
    accepted: Vec<Entry>,
    from: Option<DeviceId>,
    out: &mut Accepted,
) -> Result<usize, Error> {
    let sql = |e| cx.sqlite(e);
    for entry in &accepted {
        let e = entry.envelope();
        let log = log_row(tx, &e.device.0, &e.epoch.0).map_err(sql)?;
        insert_entry(tx, log, i64::try_from(e.seq).unwrap_or(i64::MAX), entry).map_err(sql)?;
    }
    let failed = put_counting(tx, cx, crew, &LogCuts::new(tx), &accepted)?;
    for entry in failed.iter().filter_map(|i| accepted.get(*i)) {
        forget(tx, &entry.id()).map_err(sql)?;
        quarantine(tx, from, Some(entry.id()), &Refusal::Document, entry.bytes(), cx.limits).map_err(sql)?;
        out.refused.push(Refusal::Document.to_string());
    }
    Ok(accepted.len() - failed.len())
}

/// What waits is kept by the digest of all its bytes: its signature cannot be judged before its device is admitted, and
/// the id, which does not cover the signature, is the same of a spoiled copy. So that one keeps the genuine entry out
/// of nothing.
fn copy_of(bytes: &[u8]) -> Digest {
    Domain::Waiting.digest(&[bytes])
}

/// Entries of devices not admitted wait: up to a bound for each peer that brings them, and for each device; the rest
/// will be offered again.
fn keep_waiting(
    tx: &Transaction<'_>,
    waiting: &[(DeviceId, Vec<u8>)],
    from_of: &dyn Fn(&Digest) -> [u8; 32],
    limits: &Limits,
) -> rusqlite::Result<usize> {
    let mut used: BTreeMap<(&str, [u8; 32]), usize> = BTreeMap::new();
    let mut kept = 0;
    for (device, bytes) in waiting {
        let copy = copy_of(bytes);
        let peer = from_of(&copy);
        let keys = [("peer", peer), ("device", device.0)];
        for key in keys {
            if let btree_map::Entry::Vacant(v) = used.entry(key) {
                v.insert(bytes_waiting(tx, key)?);
            }
        }
        let full = |key| used.get(key).is_some_and(|n| n + bytes.len() > limits.waiting);
        if keys.iter().any(full) {
            continue;
        }
        let new = tx
            .prepare_cached(
                "INSERT OR IGNORE INTO waiting (id, device, bytes, peer) VALUES (?1, ?2, ?3, ?4)",
            )?
            .execute((copy.0, device.0, bytes, peer))?;
        kept += new;
        if new > 0 {
            keys.iter().for_each(|key| *used.entry(*key).or_default() += bytes.len());
        }
    }
    Ok(kept)
}

fn bytes_waiting(tx: &Transaction<'_>, (column, key): (&str, [u8; 32])) -> rusqlite::Result<usize> {
    let query = format!("SELECT coalesce(sum(length(bytes)), 0) FROM waiting WHERE {column} = ?1");
    let n: i64 = tx.prepare_cached(&query)?.query_row([key], |r| r.get(0))?;
    Ok(usize::try_from(n).unwrap_or(usize::MAX))
}

fn quarantine(
    tx: &Transaction<'_>,
    from: Option<DeviceId>,
    id: Option<EntryId>,
    reason: &Refusal,
    bytes: &[u8],
    limits: &Limits,
) -> rusqlite::Result<()> {
    let used: i64 = tx
        .prepare_cached("SELECT coalesce(sum(length(bytes)), 0) FROM quarantine WHERE peer = ?1")?
        .query_row([peer(from)], |r| r.get(0))?;
    let twin = tx
        .prepare_cached("SELECT 1 FROM quarantine WHERE id = ?1 AND bytes = ?2")?
        .query_row((id.map(|i| i.0), bytes), |_| Ok(()))
        .optional()?;
    if twin.is_none() && used as usize + bytes.len() <= limits.waiting {
        tx.execute(
            "INSERT INTO quarantine (id, reason, bytes, peer) VALUES (?1, ?2, ?3, ?4)",
            (id.map(|i| i.0), reason.to_string(), bytes, peer(from)),
        )?;
    }
    Ok(())
}

fn unnamed() -> String {
    "a strip came that no entry names".to_owned()
}

/// Whether it is new; `None` if no entry names it.
fn keep_strip(tx: &Transaction<'_>, digest: &StripDigest, packed: &[u8]) -> rusqlite::Result<Option<bool>> {
    // The digest covers tile and time, so one false claim of a strip must not keep it from the honest ones;
    // every claim is held against the content on reading.
    if tx.prepare_cached("DELETE FROM wanted WHERE digest = ?1")?.execute([digest.0])? > 0 {
        let new = tx
            .prepare_cached("INSERT OR IGNORE INTO strip (digest, bytes) VALUES (?1, ?2)")?
            .execute((digest.0, packed))?;
        return Ok(Some(new > 0));
    }
    let held = tx
        .prepare_cached("SELECT 1 FROM strip WHERE digest = ?1")?
        .query_row([digest.0], |_| Ok(()))
        .optional()?;
    Ok(held.map(|()| false))
}
