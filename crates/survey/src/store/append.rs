//! Writing entries of this device.

use super::accept::take_entries;
use super::documents;
use super::settle::{Context, LogCuts, load_crew, put_counting, resettle};
use super::{Store, log_row};
use crate::Error;
use leadline_logbook::{Crew, Entry, Envelope, LegClaim, Op, PackedLeg, Role, StripRef, WriteRef};
use leadline_model::{DeviceId, EntryId, LegWindow, Nonce, UtcMillis};
use rusqlite::{OptionalExtension, Transaction};
use std::collections::BTreeSet;

/// What a write left behind.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Written {
    /// The new entries, in their order.
    pub entries: Vec<EntryId>,
    /// The writes in them.
    pub writes: Vec<WriteRef>,
}

impl Store {
    /// Signs one entry for each group of writes and keeps them, with the strips of `legs`, in one transaction.
    /// `now` is the device's claim of the time.
    pub fn append(
        &mut self,
        groups: Vec<Vec<Op>>,
        legs: &[PackedLeg],
        now: UtcMillis,
    ) -> Result<Written, Error> {
        self.refuse_guest()?;
        let (survey, limits, path) = (self.survey, self.limits, self.path.clone());
        let key = leadline_logbook::DeviceKey::from_seed(&self.key.seed());
        let cx = Context { survey, own: key.id(), limits: &limits, path: &path };
        self.transact(|tx| {
            let sqlite = |source| cx.sqlite(source);
            let before = load_crew(tx, &cx).map_err(sqlite)?;
            may_write(&before, &cx.own, groups.iter().flatten())?;
            let (epoch, log, mut seq, mut prev) = last_place(tx, &key.id().0).map_err(sqlite)?;
            let mut entries = Vec::with_capacity(groups.len());
            for ops in groups {
                seq += 1;
                let nonce = Nonce(crate::home::random());
                let envelope = Envelope::new(survey, (key.id(), epoch, seq as u64), prev, nonce, now);
                let entry = Entry::sign(&key, envelope, ops, &limits)?;
                prev = entry.id();
                insert_entry(tx, log, seq, &entry).map_err(sqlite)?;
                entries.push(entry);
            }
            for strip in legs.iter().flat_map(|l| &l.strips) {
                insert_strip(tx, &strip.digest.0, &strip.packed).map_err(sqlite)?;
            }
            let mut crew = before.clone();
            let of_crew = entries.iter().fold(false, |any, e| crew.note(e) | any);
            let cuts = LogCuts::new(tx);
            if of_crew {
                crew.settle(&cuts);
            }
            if !put_counting(tx, &cx, &crew, &cuts, &entries)?.is_empty() {
                return Err(leadline_logbook::Refusal::Document.into());
            }
            if of_crew {
                resettle(tx, &cx, &before, &mut crew)?;
                // Whoever is admitted now may have entries that wait here.
                take_entries(tx, &cx, None, Vec::new(), crew, true)?;
            }
            let writes = entries.iter().flat_map(|e| e.writes().map(|(r, _)| r)).collect();
            Ok(Written { entries: entries.iter().map(Entry::id).collect(), writes })
        })
    }

    /// Puts in strips of these legs that are claimed and not here: a log read again brings back what was damaged.
    pub(crate) fn fill_lacking(&mut self, legs: &[PackedLeg]) -> Result<(), Error> {
        let strips = || legs.iter().flat_map(|l| &l.strips);
        let digests: Vec<_> = strips().map(|s| s.digest).collect();
        let lacking: BTreeSet<_> = self.still_wanted(&digests)?.into_iter().collect();
        if lacking.is_empty() {
            return Ok(());
        }
        let packed = strips().filter(|s| lacking.contains(&s.digest)).map(|s| s.packed.clone()).collect();
        self.accept(Vec::new(), packed).map(drop)
    }

    /// Whether this device may write what is not about the crew; else why not. For commands that would do much before
    /// they write.
    pub fn may_measure(&self) -> Result<(), Error> {
        self.refuse_guest()?;
        may_write(&self.crew()?, &self.key.id(), std::iter::once(&Op::Unlevel { replaces: Vec::new() }))
    }
}

/// Before it is admitted, a device may measure and state; it may not speak for the crew.
fn may_write<'a>(crew: &Crew, own: &DeviceId, mut ops: impl Iterator<Item = &'a Op>) -> Result<(), Error> {
    if let Some(d) = crew.dismissed().get(own) {
        let by = crew.name_of(&d.by).map_or_else(|| d.by.short(), ToString::to_string);
        return Err(Error::Dismissed { by, why: d.why.to_string() });
    }
    let role = match crew.role_of(own) {
        Some(role) => role,
        None if crew.was_let_in(own) => return Err(Error::Unadmitted),
        None => Role::Contributor,
    };
    let founds = |op: &Op| matches!(op, Op::Found(_)) && !crew.is_founded();
    match ops.find(|op| !role.may_say(op) && !founds(op)) {
        None => Ok(()),
        Some(Op::Member(_) | Op::Invite(_) | Op::Standing(_) | Op::Secret { .. }) => Err(Error::NotKeeper),
        Some(_) => Err(Error::Reader),
    }
}

/// This device's epoch, its log's row, and the number and id of its last entry in it.
fn last_place(
    tx: &Transaction<'_>,
    device: &[u8; 32],
) -> rusqlite::Result<(leadline_model::Epoch, i64, i64, EntryId)> {
    let epoch = Store::epoch(tx)?;
    let log = log_row(tx, device, &epoch.0)?;
    let last = tx
        .query_row("SELECT seq, id FROM entry WHERE log = ?1 ORDER BY seq DESC, id LIMIT 1", [log], |r| {
            Ok((r.get(0)?, EntryId(r.get(1)?)))
        })
        .optional()?;
    let (seq, prev) = last.unwrap_or((0, EntryId([0; 32])));
    Ok((epoch, log, seq, prev))
}

pub(super) fn insert_entry(tx: &Transaction<'_>, log: i64, seq: i64, entry: &Entry) -> rusqlite::Result<()> {
    tx.prepare_cached("INSERT INTO entry (id, log, seq, bytes) VALUES (?1, ?2, ?3, ?4)")?.execute((
        entry.id().0,
        log,
        seq,
        entry.bytes(),
    ))?;
    if documents::is_of_crew(entry) {
        tx.execute("INSERT INTO crew_entry (n) VALUES (?1)", [tx.last_insert_rowid()])?;
    }
    Ok(())
}

pub(super) fn insert_strip(tx: &Transaction<'_>, digest: &[u8; 32], packed: &[u8]) -> rusqlite::Result<bool> {
    let new = tx
        .prepare_cached("INSERT OR IGNORE INTO strip (digest, bytes) VALUES (?1, ?2)")?
        .execute((digest, packed))?;
    tx.prepare_cached("DELETE FROM wanted WHERE digest = ?1")?.execute([digest])?;
    Ok(new > 0)
}

/// The write that claims a packed leg.
pub(crate) fn claim(leg: &PackedLeg, head: &ClaimHead) -> Op {
    let strips = leg.strips.iter().map(|s| StripRef {
        tile: s.tile,
        digest: s.digest,
        count: s.count,
        first_ms: since(leg.window, s.first),
        last_ms: since(leg.window, s.last),
    });
    Op::Leg(LegClaim {
        boat: head.boat.clone(),
        instrument: head.instrument.clone(),
        source: head.source,
        window: leg.window,
        counts: head.counts.clone(),
        strips: strips.collect(),
    })
}

/// What a claim says besides its strips.
pub(crate) struct ClaimHead {
    pub(crate) boat: leadline_model::Text,
    pub(crate) instrument: leadline_model::Text,
    pub(crate) source: leadline_model::Digest,
    pub(crate) counts: Vec<(leadline_model::Text, u32)>,
}

fn since(window: LegWindow, t: UtcMillis) -> u32 {
    u32::try_from(t.0 - window.start().0).unwrap_or(u32::MAX)
}

impl Store {
    /// Keeps the one-time key of an invite this device has joined by, until it is admitted.
    pub(crate) fn keep_invite(
        &mut self,
        one_time: &[u8; 32],
        survey_name: &leadline_model::Text,
    ) -> Result<(), Error> {
        self.write(|tx| {
            tx.execute(
                "INSERT OR REPLACE INTO meta VALUES ('invite', ?1), ('name', CAST(?2 AS BLOB))",
                (one_time, survey_name.as_str()),
            )?;
            // Who joins is no guest any more.
            tx.execute("DELETE FROM meta WHERE key = 'guest'", []).map(drop)
        })
    }

    /// The one-time key of the invite this device joined by, if it joined by one.
    pub fn kept_invite(&self) -> Result<Option<[u8; 32]>, Error> {
        self.sql(|db| {
            db.query_row("SELECT value FROM meta WHERE key = 'invite'", [], |r| r.get(0)).optional()
        })
    }

    /// The survey's name as the invite gave it, for the time before the first meeting.
    pub fn told_name(&self) -> Result<Option<String>, Error> {
        let bytes: Option<Vec<u8>> = self.sql(|db| {
            db.query_row("SELECT value FROM meta WHERE key = 'name'", [], |r| r.get(0)).optional()
        })?;
        Ok(bytes.and_then(|b| String::from_utf8(b).ok()))
    }
}
