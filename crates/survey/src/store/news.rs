//! What a meeting asks of the store while it stays on: what is new, and which strips are lacking.

use super::Store;
use crate::Error;
use leadline_logbook::{Entry, Op, Refusal, entry_id, peek};
use leadline_model::{DeviceId, EntryId, Epoch, LegId, StripDigest};
use leadline_sync::StripKey;
use std::collections::BTreeSet;

/// Entries beside those in force that a have-list names, so that they are not given again and again.
const ASIDE: usize = 4096;
/// Lacking strips that are looked at in one query.
const ROWS: usize = 1024;

impl Store {
    /// A number that is another one whenever another connection has written to this store.
    pub fn data_version(&self) -> Result<u64, Error> {
        self.sql(|db| db.query_row("PRAGMA data_version", [], |r| r.get::<_, i64>(0))).map(|v| v as u64)
    }

    /// The number of the entry before the newest ones that came from other devices in one go: the last unbroken run of
    /// others' entries, in the order in which they came.
    pub fn before_last_come(&self) -> Result<u64, Error> {
        let own = self.device().0;
        self.sql(|db| {
            let newest = "SELECT coalesce(max(e.n), 0) FROM entry e JOIN log ON log.n = e.log WHERE device <> ?1";
            let newest: i64 = db.query_row(newest, [own], |r| r.get(0))?;
            let before = "SELECT coalesce(max(e.n), 0) FROM entry e JOIN log ON log.n = e.log WHERE device = ?1 AND e.n < ?2";
            db.query_row(before, (own, newest), |r| r.get::<_, i64>(0)).map(|n| n as u64)
        })
    }

    /// Legs that other devices' entries claim which came after the one numbered `after`.
    pub fn legs_come_after(&self, after: u64) -> Result<BTreeSet<LegId>, Error> {
        let (own, survey, limits) = (self.device().0, self.survey, self.limits);
        self.sql(|db| {
            let query =
                "SELECT bytes FROM entry JOIN log ON log.n = entry.log WHERE entry.n > ?1 AND device <> ?2";
            let mut q = db.prepare_cached(query)?;
            let mut rows = q.query((after as i64, own))?;
            let mut legs = BTreeSet::new();
            while let Some(r) = rows.next()? {
                // What the disk has damaged is named by `verify`.
                let Ok(entry) = Entry::open(r.get_ref(0)?.as_blob()?, &survey, |_| true, &limits) else {
                    continue;
                };
                legs.extend(entry.ops().iter().filter_map(|op| match op {
                    Op::Leg(claim) => Some(claim.leg()),
                    _ => None,
                }));
            }
            Ok(legs)
        })
    }

    /// Ids of at most `max` entries in force that came after the one numbered `after`, in the order in which they
    /// came, and the number of the last; with `max` 0 the number of the newest of all.
    pub fn news(&self, after: u64, max: usize) -> Result<(Vec<EntryId>, u64), Error> {
        self.sql(|db| {
            if max == 0 {
                let newest =
                    db.query_row("SELECT coalesce(max(n), 0) FROM entry", [], |r| r.get::<_, i64>(0))?;
                return Ok((Vec::new(), newest as u64));
            }
            let (mut ids, mut upto) = (Vec::new(), after);
            let mut q = db.prepare_cached("SELECT n, id FROM entry WHERE n > ?1 ORDER BY n LIMIT ?2")?;
            let mut rows = q.query((after as i64, max as i64))?;
            while let Some(r) = rows.next()? {
                upto = r.get::<_, i64>(0)? as u64;
                ids.push(EntryId(r.get(1)?));
            }
            Ok((ids, upto))
        })
    }

    /// Entries that are kept but not in force (waiting, masked, refused), at most [`ASIDE`]: device, epoch and id. Only
    /// those that their device has signed: the signature is no part of the id, and whoever spoils one must not keep
    /// others from giving the genuine entry.
    pub fn aside(&self) -> Result<Vec<(DeviceId, Epoch, EntryId)>, Error> {
        let query = "SELECT bytes, 1 FROM masked UNION ALL SELECT bytes, 0 FROM waiting
                     UNION ALL SELECT bytes, 0 FROM quarantine WHERE id IS NOT NULL";
        let (survey, limits) = (self.survey, self.limits);
        let is_signed = |bytes: &[u8]| {
            matches!(Entry::open(bytes, &survey, |_| true, &limits), Ok(_) | Err(Refusal::Unsound))
        };
        self.sql(|db| {
            let mut q = db.prepare_cached(query)?;
            let mut rows = q.query([])?;
            let mut out = Vec::new();
            while let Some(r) = rows.next()? {
                let bytes = r.get_ref(0)?.as_blob()?;
                if let (Ok(e), Some(id)) = (peek(bytes, &limits), entry_id(bytes))
                    && (r.get(1)? || is_signed(bytes))
                {
                    out.push((e.device, e.epoch, id));
                }
                if out.len() == ASIDE {
                    break;
                }
            }
            Ok(out)
        })
    }

    /// Digests of lacking strips that `keep` lets through, ascending from `after` on: at most `max`, fewer only if
    /// there are no more.
    pub fn wanted_where(
        &self,
        keep: impl Fn(&StripDigest) -> bool,
        after: Option<&StripDigest>,
        max: usize,
    ) -> Result<Vec<StripDigest>, Error> {
        let (mut found, mut after) = (Vec::new(), after.copied());
        loop {
            let rows = self.wanted_strips(after.as_ref(), ROWS)?;
            after = rows.last().copied();
            let is_last = rows.len() < ROWS;
            found.extend(rows.into_iter().filter(|d| keep(d)));
            if is_last || found.len() >= max {
                found.truncate(max);
                return Ok(found);
            }
        }
    }

    /// Which of these strips are lacking.
    pub fn still_wanted(&self, digests: &[StripDigest]) -> Result<Vec<StripDigest>, Error> {
        self.sql(|db| {
            let mut q = db.prepare_cached("SELECT 1 FROM wanted WHERE digest = ?1")?;
            let mut out = Vec::new();
            for d in digests {
                if q.exists([d.0])? {
                    out.push(*d);
                }
            }
            Ok(out)
        })
    }

    /// Which of these strips are held.
    pub fn held_strips(&self, keys: &[StripKey]) -> Result<Vec<StripKey>, Error> {
        self.sql(|db| {
            let mut q = db.prepare_cached("SELECT 1 FROM strip WHERE digest BETWEEN ?1 AND ?2 LIMIT 1")?;
            let mut out = Vec::new();
            for key in keys {
                let (low, high) = key.range();
                if q.exists((low.0, high.0))? {
                    out.push(*key);
                }
            }
            Ok(out)
        })
    }
}
