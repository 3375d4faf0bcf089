//! The crew in the store, and the entries that count by it: those in force stand in `entry`, masked ones in `masked`,
//! so that everything that reads entries, have-lists and digests sees only what counts.

use super::append::insert_entry;
use super::documents::{is_of_crew, put_in_force, want_strips};
use super::{Store, log_row};
use crate::Error;
use leadline_logbook::{Crew, Cut, Cuts, Entry, Limits, Op, Place, Reached, Role};
use leadline_model::{DeviceId, EntryId, Epoch, StripDigest};
use rusqlite::{Connection, Row, Transaction};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// What stands around a settling.
#[derive(Clone, Copy)]
pub(super) struct Context<'a> {
    pub(super) survey: leadline_model::SurveyId,
    pub(super) own: DeviceId,
    pub(super) limits: &'a Limits,
    pub(super) path: &'a Path,
}

impl Context<'_> {
    pub(super) fn sqlite(&self, source: rusqlite::Error) -> Error {
        Error::Sqlite { path: self.path.to_owned(), source }
    }
}

const STATEMENTS: &str = "SELECT bytes FROM entry JOIN crew_entry USING (n)
                          UNION ALL SELECT bytes FROM masked WHERE crew = 1";
const PLACES: &str =
    "SELECT device, epoch, seq, id, substr(entry.bytes, 82, 32) FROM entry JOIN log ON log.n = entry.log
                      WHERE device = ?1";
const MASKED_PLACES: &str =
    "SELECT device, epoch, seq, id, substr(bytes, 82, 32) FROM masked WHERE device = ?1";

pub(super) fn place_of(r: &Row<'_>) -> rusqlite::Result<Place> {
    Ok(Place {
        device: DeviceId(r.get(0)?),
        epoch: Epoch(r.get(1)?),
        seq: r.get::<_, i64>(2)? as u64,
        id: EntryId(r.get(3)?),
        prev: EntryId(r.get(4)?),
    })
}

/// The crew as all entries held say, masked ones too.
pub(super) fn load_crew(db: &Connection, cx: &Context<'_>) -> rusqlite::Result<Crew> {
    let mut crew = Crew::new(cx.survey, cx.own);
    let mut q = db.prepare_cached(STATEMENTS)?;
    let mut rows = q.query([])?;
    while let Some(r) = rows.next()? {
        // What the disk has damaged is skipped here and named by `verify`.
        if let Ok(entry) = Entry::open(r.get_ref(0)?.as_blob()?, &cx.survey, |_| true, cx.limits) {
            crew.note(&entry);
        }
    }
    let reached = db
        .prepare_cached("SELECT cut, entry FROM reached")?
        .query_map([], |r| Ok((EntryId(r.get(0)?), EntryId(r.get(1)?))))?
        .collect::<Result<BTreeSet<_>, _>>()?;
    crew.settle(&Reached(reached));
    Ok(crew)
}

/// Cuts held against the store's logs; each log is read once.
pub(super) struct LogCuts<'a> {
    db: &'a Connection,
    walked: RefCell<BTreeMap<(DeviceId, EntryId), BTreeSet<EntryId>>>,
}

impl<'a> LogCuts<'a> {
    pub(super) fn new(db: &'a Connection) -> Self {
        Self { db, walked: RefCell::new(BTreeMap::new()) }
    }

    /// The cut's entry and those before it, from the newest on, as far as the chain holds.
    fn walk(&self, device: &DeviceId, cut: &Cut) -> rusqlite::Result<BTreeSet<EntryId>> {
        let query = "SELECT seq, id, substr(entry.bytes, 82, 32) FROM entry JOIN log ON log.n = entry.log
                         WHERE device = ?1 AND epoch = ?2 AND seq <= ?3
                     UNION ALL SELECT seq, id, substr(bytes, 82, 32) FROM masked
                         WHERE device = ?1 AND epoch = ?2 AND seq <= ?3
                     ORDER BY seq DESC";
        let mut q = self.db.prepare_cached(query)?;
        let mut rows = q.query((device.0, cut.epoch.0, i64::try_from(cut.seq).unwrap_or(i64::MAX)))?;
        let (mut next, mut seq, mut chain) = (cut.id, cut.seq, BTreeSet::new());
        while let Some(r) = rows.next()? {
            let (at, id): (i64, [u8; 32]) = (r.get(0)?, r.get(1)?);
            if (at as u64) < seq {
                break;
            }
            if EntryId(id) == next {
                chain.insert(next);
                next = EntryId(r.get(2)?);
                seq -= 1;
            }
        }
        Ok(chain)
    }
}

impl Cuts for LogCuts<'_> {
    fn reaches(&self, cut: &Cut, place: &Place) -> bool {
        if cut.epoch != place.epoch || place.seq > cut.seq {
            return false;
        }
        let mut walked = self.walked.borrow_mut();
        let chain = walked.entry((place.device, cut.id)).or_insert_with(|| {
            // A store that cannot be read fails at the next statement; until then nothing is let through.
            self.walk(&place.device, cut).unwrap_or_default()
        });
        chain.contains(&place.id)
    }
}

/// Brings every entry to where it belongs after the crew, or a chain behind a cut, has become another. `before` is the
/// crew by which they were placed.
pub(super) fn resettle(
    tx: &Transaction<'_>,
    cx: &Context<'_>,
    before: &Crew,
    crew: &mut Crew,
) -> Result<(), Error> {
    let sql = |e| cx.sqlite(e);
    let cuts = LogCuts::new(tx);
    crew.settle(&cuts);
    keep_reached(tx, crew).map_err(sql)?;
    let devices: BTreeSet<DeviceId> =
        before.devices().chain(crew.devices()).copied().chain([cx.own]).collect();
    let moves =
        |d: &DeviceId| crew.has_standing(d) || before.has_standing(d) || before.part_of(d) != crew.part_of(d);
    let (mut out, mut back, mut altered) = (Vec::new(), Vec::new(), false);
    for device in devices.iter().filter(|d| moves(d)) {
        for place in places(tx, PLACES, device).map_err(sql)? {
            match crew.counts_as(&place, &cuts) {
                None => out.push(place),
                Some(role) => altered |= is_muted(tx, &place.id).map_err(sql)? != (role == Role::Reader),
            }
        }
        let masked = places(tx, MASKED_PLACES, device).map_err(sql)?;
        back.extend(masked.into_iter().filter(|p| crew.counts_as(p, &cuts).is_some()));
    }
    let returned = back.iter().map(|p| unmask(tx, cx, p)).collect::<Result<Vec<_>, _>>()?;
    if out.is_empty() && !altered {
        return put_by_role(tx, cx, crew, &cuts, returned.into_iter().flatten().collect());
    }
    let newest = newest(tx).map_err(sql)?;
    for place in &out {
        mask(tx, place).map_err(sql)?;
    }
    keep_numbers_rising(tx, newest).map_err(sql)?;
    rebuild(tx, cx, crew)
}

fn newest(tx: &Transaction<'_>) -> rusqlite::Result<i64> {
    tx.query_row("SELECT coalesce(max(n), 0) FROM entry", [], |r| r.get(0))
}

/// Whoever asks what is new since some number must not miss an entry that gets the number of one that was taken out: the
/// last one left takes a number beyond.
fn keep_numbers_rising(tx: &Transaction<'_>, newest_before: i64) -> rusqlite::Result<()> {
    let last = newest(tx)?;
    if last == 0 || last == newest_before {
        return Ok(());
    }
    let next = newest_before + 1;
    let is_of_crew = tx.execute("DELETE FROM crew_entry WHERE n = ?1", [last])? > 0;
    tx.execute("DELETE FROM muted WHERE n = ?1", [last])?;
    tx.execute("UPDATE entry SET n = ?2 WHERE n = ?1", (last, next))?;
    if is_of_crew {
        tx.execute("INSERT INTO crew_entry (n) VALUES (?1)", [next])?;
    }
    Ok(())
}

/// Puts entries that stand in `entry` into the documents as they count, and wants their strips. Those that no document
/// takes are returned as numbers in `entries` by [`put_in_force`]; here that cannot be mended and is an error.
fn put_by_role(
    tx: &Transaction<'_>,
    cx: &Context<'_>,
    crew: &Crew,
    cuts: &dyn Cuts,
    entries: Vec<Entry>,
) -> Result<(), Error> {
    let failed = put_counting(tx, cx, crew, cuts, &entries)?;
    if failed.is_empty() { Ok(()) } else { Err(leadline_logbook::Refusal::Document.into()) }
}

/// Puts entries that stand in `entry` into the documents as they count, and wants their strips. Returns the numbers of
/// those that no document takes.
pub(super) fn put_counting(
    tx: &Transaction<'_>,
    cx: &Context<'_>,
    crew: &Crew,
    cuts: &dyn Cuts,
    entries: &[Entry],
) -> Result<BTreeSet<usize>, Error> {
    let role = |e: &Entry| crew.counts_as(&e.place(), cuts).unwrap_or(Role::Reader);
    let failed = put_in_force(tx, entries, &role, cx.limits, cx.path)?;
    let (unheard, heard): (Vec<_>, Vec<_>) = entries.iter().partition(|e| role(e) == Role::Reader);
    unheard.iter().try_for_each(|e| mute(tx, &e.id())).map_err(|e| cx.sqlite(e))?;
    want_strips(tx, heard.into_iter()).map_err(|e| cx.sqlite(e))?;
    Ok(failed)
}

/// Makes documents, wanted strips and the strips that count again from the entries in force.
pub(super) fn rebuild(tx: &Transaction<'_>, cx: &Context<'_>, crew: &Crew) -> Result<(), Error> {
    let sql = |e| cx.sqlite(e);
    let entries = all_in_force(tx, cx).map_err(sql)?;
    tx.execute_batch("DELETE FROM doc; DELETE FROM muted; DELETE FROM wanted").map_err(sql)?;
    let cuts = LogCuts::new(tx);
    let mut named: BTreeSet<StripDigest> = BTreeSet::new();
    for e in &entries {
        if crew.counts_as(&e.place(), &cuts).is_some_and(|r| r >= Role::Contributor) {
            for op in e.ops() {
                if let Op::Leg(claim) = op {
                    named.extend(claim.strips.iter().map(|s| s.digest));
                }
            }
        }
    }
    set_strips_aside(tx, &named).map_err(sql)?;
    put_counting(tx, cx, crew, &cuts, &entries).map(drop)
}

fn all_in_force(tx: &Transaction<'_>, cx: &Context<'_>) -> rusqlite::Result<Vec<Entry>> {
    let mut q = tx.prepare("SELECT bytes FROM entry ORDER BY n")?;
    let mut rows = q.query([])?;
    let mut entries = Vec::new();
    while let Some(r) = rows.next()? {
        entries.extend(Entry::open(r.get_ref(0)?.as_blob()?, &cx.survey, |_| true, cx.limits).ok());
    }
    Ok(entries)
}

/// Strips that only masked entries name stand apart: they count neither in digests nor in maps, and are not asked for.
fn set_strips_aside(tx: &Transaction<'_>, named: &BTreeSet<StripDigest>) -> rusqlite::Result<()> {
    let held: Vec<[u8; 32]> =
        tx.prepare("SELECT digest FROM strip")?.query_map([], |r| r.get(0))?.collect::<Result<_, _>>()?;
    for digest in held.into_iter().filter(|d| !named.contains(&StripDigest(*d))) {
        tx.prepare_cached(
            "INSERT OR IGNORE INTO strip_aside SELECT digest, bytes FROM strip WHERE digest = ?1",
        )?
        .execute([digest])?;
        tx.prepare_cached("DELETE FROM strip WHERE digest = ?1")?.execute([digest])?;
    }
    Ok(())
}

fn keep_reached(tx: &Transaction<'_>, crew: &Crew) -> rusqlite::Result<()> {
    tx.execute("DELETE FROM reached", [])?;
    let mut put = tx.prepare_cached("INSERT INTO reached (cut, entry) VALUES (?1, ?2)")?;
    crew.within().iter().try_for_each(|(cut, entry)| put.execute((cut.0, entry.0)).map(drop))
}

fn places(tx: &Transaction<'_>, query: &str, device: &DeviceId) -> rusqlite::Result<Vec<Place>> {
    tx.prepare_cached(query)?.query_map([device.0], place_of)?.collect()
}

fn is_muted(tx: &Transaction<'_>, id: &EntryId) -> rusqlite::Result<bool> {
    tx.prepare_cached("SELECT EXISTS (SELECT 1 FROM entry JOIN muted USING (n) WHERE id = ?1)")?
        .query_row([id.0], |r| r.get(0))
}

fn mute(tx: &Transaction<'_>, id: &EntryId) -> rusqlite::Result<()> {
    tx.prepare_cached("INSERT OR IGNORE INTO muted SELECT n FROM entry WHERE id = ?1")?
        .execute([id.0])
        .map(drop)
}

/// From the entries in force to the masked ones.
fn mask(tx: &Transaction<'_>, place: &Place) -> rusqlite::Result<()> {
    let id = [place.id.0];
    tx.prepare_cached(
        "INSERT OR IGNORE INTO masked (id, device, epoch, seq, crew, beyond, bytes)
         SELECT id, device, epoch, seq, EXISTS (SELECT 1 FROM crew_entry c WHERE c.n = entry.n), 0, bytes
         FROM entry JOIN log ON log.n = entry.log WHERE id = ?1",
    )?
    .execute(id)?;
    forget(tx, &place.id)
}

/// Takes an entry out of the entries in force.
pub(super) fn forget(tx: &Transaction<'_>, id: &EntryId) -> rusqlite::Result<()> {
    for table in ["crew_entry", "muted"] {
        let query = format!("DELETE FROM {table} WHERE n = (SELECT n FROM entry WHERE id = ?1)");
        tx.prepare_cached(&query)?.execute([id.0])?;
    }
    tx.prepare_cached("DELETE FROM entry WHERE id = ?1")?.execute([id.0]).map(drop)
}

/// From the masked entries to those in force; not yet into the documents.
fn unmask(tx: &Transaction<'_>, cx: &Context<'_>, place: &Place) -> Result<Option<Entry>, Error> {
    let sql = |e| cx.sqlite(e);
    let bytes: Vec<u8> = tx
        .prepare_cached("SELECT bytes FROM masked WHERE id = ?1")
        .and_then(|mut q| q.query_row([place.id.0], |r| r.get(0)))
        .map_err(sql)?;
    let Ok(entry) = Entry::open(&bytes, &cx.survey, |_| true, cx.limits) else { return Ok(None) };
    tx.prepare_cached("DELETE FROM masked WHERE id = ?1")
        .and_then(|mut q| q.execute([place.id.0]))
        .map_err(sql)?;
    let log = log_row(tx, &place.device.0, &place.epoch.0).map_err(sql)?;
    insert_entry(tx, log, i64::try_from(place.seq).unwrap_or(i64::MAX), &entry).map_err(sql)?;
    Ok(Some(entry))
}

/// Keeps new entries that do not count, each device's within bounds as far as nothing can bring them into force but
/// a keeper's word. Returns how many were kept.
pub(super) fn keep_masked(
    tx: &Transaction<'_>,
    cx: &Context<'_>,
    crew: &Crew,
    masked: &[Entry],
) -> rusqlite::Result<usize> {
    let mut used: BTreeMap<DeviceId, usize> = BTreeMap::new();
    let mut kept = 0;
    for entry in masked {
        let place = entry.place();
        let beyond = !crew.may_count_later(&place);
        if beyond {
            let used = match used.entry(place.device) {
                std::collections::btree_map::Entry::Occupied(o) => o.into_mut(),
                std::collections::btree_map::Entry::Vacant(v) => v.insert(beyond_bytes(tx, &place.device)?),
            };
            *used += entry.bytes().len();
            if *used > cx.limits.waiting {
                continue;
            }
        }
        kept += tx
            .prepare_cached(
                "INSERT OR IGNORE INTO masked (id, device, epoch, seq, crew, beyond, bytes)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
            )?
            .execute((
                place.id.0,
                place.device.0,
                place.epoch.0,
                i64::try_from(place.seq).unwrap_or(i64::MAX),
                is_of_crew(entry),
                beyond,
                entry.bytes(),
            ))?;
    }
    Ok(kept)
}

fn beyond_bytes(tx: &Transaction<'_>, device: &DeviceId) -> rusqlite::Result<usize> {
    tx.prepare_cached("SELECT coalesce(sum(length(bytes)), 0) FROM masked WHERE device = ?1 AND beyond = 1")?
        .query_row([device.0], |r| r.get::<_, i64>(0))
        .map(|n| usize::try_from(n).unwrap_or(usize::MAX))
}

impl Store {
    pub(super) fn context(&self) -> Context<'_> {
        Context { survey: self.survey, own: self.key.id(), limits: &self.limits, path: &self.path }
    }

    /// The crew as the entries held say.
    pub fn crew(&self) -> Result<Crew, Error> {
        let cx = self.context();
        self.sql(|db| load_crew(db, &cx))
    }
}
