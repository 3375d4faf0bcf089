//! The ledger of devices: who belongs to the crew, when each was met, what each lacked then, and what is odd about it.

use crate::{Error, Store};
use leadline_logbook::{Have, Place, Role, decode, encode};
use leadline_model::{DeviceId, Digest, Text, UtcMillis};
use rusqlite::OptionalExtension;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// A have-list kept from a meeting; the same bound as for one that comes in a frame, with room.
const HAVE_MAX: usize = 16 << 20;

/// One device of the crew, present or past.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct LedgerRow {
    /// Its id.
    pub device: String,
    /// Its name.
    pub name: Text,
    /// What it may do; `None` = it was dismissed.
    pub role: Option<Role>,
    /// Whether it is this device.
    pub this: bool,
    /// Whether it began the survey.
    pub founder: bool,
    /// Who admitted it.
    pub admitted_by: Option<String>,
    /// That device's name.
    pub admitted_by_name: Text,
    /// Name of the keeper who dismissed it.
    pub dismissed_by: Option<Text>,
    /// That keeper's reason.
    pub why: Option<Text>,
    /// When this device last finished a meeting with it.
    pub met: Option<String>,
    /// Entries in force here that it did not hold when it was last met; `None` = that is not known.
    pub lacks: Option<u64>,
    /// Entries it held then that are not here now.
    pub ahead: u64,
    /// Its entries in force here.
    pub entries: u64,
    /// Its entries kept here that do not count.
    pub masked: u64,
    /// By how many seconds its clock was ahead of this device's at the last meeting. As sure as the meeting's first
    /// frame was quick: a few seconds.
    pub clock_s: Option<i64>,
    /// Places of its logbook with more than one content.
    pub forks: u64,
}

/// The whole ledger.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Ledger {
    /// Devices by id, members first.
    pub rows: Vec<LedgerRow>,
    /// Entries of devices that were never admitted.
    pub waiting: u64,
    /// Entries that do not count, of all devices.
    pub masked: u64,
}

/// What was noted of a peer.
struct Noted {
    met: UtcMillis,
    have: Option<Have>,
    clock_ms: Option<i64>,
}

impl Store {
    /// The ledger of devices.
    pub fn ledger(&self) -> Result<Ledger, Error> {
        let (crew, me, places) = (self.crew()?, self.device(), self.places()?);
        let masked = self.numbers("SELECT device, count(*) FROM masked GROUP BY device")?;
        let forks = self.numbers(
            "SELECT device, count(*) FROM (SELECT log FROM entry GROUP BY log, seq HAVING count(*) > 1) f
             JOIN log ON log.n = f.log GROUP BY device",
        )?;
        let mut entries: BTreeMap<DeviceId, u64> = BTreeMap::new();
        places.iter().for_each(|p| *entries.entry(p.device).or_default() += 1);
        let count = |of: &BTreeMap<DeviceId, u64>, d: &DeviceId| of.get(d).copied().unwrap_or(0);
        let mut rows = Vec::new();
        for d in crew.devices() {
            let Some(name) = crew.name_of(d) else { continue };
            let (member, dismissed) = (crew.members().get(d), crew.dismissed().get(d));
            let by = member.map(|m| m.by);
            let noted = self.noted(d)?;
            let have = noted.as_ref().and_then(|n| n.have.as_ref());
            rows.push(LedgerRow {
                device: d.to_string(),
                name: name.clone(),
                role: member.map(|m| m.role),
                this: *d == me,
                founder: by == Some(*d),
                admitted_by: by.map(|b| b.to_string()),
                admitted_by_name: by.and_then(|b| crew.name_of(&b)).unwrap_or(name).clone(),
                dismissed_by: dismissed.map(|x| crew.name_of(&x.by).unwrap_or(name).clone()),
                why: dismissed.map(|x| x.why.clone()),
                met: noted.as_ref().map(|n| n.met.to_string()),
                lacks: have.map(|h| h.missing_of(&places).len() as u64),
                ahead: have.map_or(0, |h| ahead(h, &places)),
                entries: count(&entries, d),
                masked: count(&masked, d),
                clock_s: noted.as_ref().and_then(|n| n.clock_ms).map(|ms| ms / 1000),
                forks: count(&forks, d),
            });
        }
        rows.sort_by_key(|r| r.role.is_none());
        let counts = self.counts()?;
        Ok(Ledger { rows, waiting: counts.waiting, masked: counts.masked })
    }

    /// What a device held at the last meeting after which both held the same.
    pub fn peer_have(&self, device: &DeviceId) -> Result<Option<Have>, Error> {
        Ok(self.noted(device)?.and_then(|n| n.have))
    }

    /// Notes a finished meeting: `digest` of the entries both held at its end, if they held the same; by how much the
    /// other's clock was ahead, ms.
    pub fn note_peer(
        &mut self,
        device: &DeviceId,
        name: &Text,
        met: UtcMillis,
        digest: Option<Digest>,
        clock_ms: Option<i64>,
    ) -> Result<(), Error> {
        // Entries made here since the meeting are not the other's: then what it had before still stands.
        let held = self.entries_digest()?;
        let have = if digest == Some(held) { encode(&self.have()?, HAVE_MAX).ok() } else { None };
        self.write(|tx| {
            tx.execute(
                "INSERT INTO peer (device, name, met, digest, have, clock) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
                 ON CONFLICT (device) DO UPDATE SET name = ?2, met = ?3, digest = ?4,
                     have = coalesce(?5, have), clock = coalesce(?6, clock)",
                (device.0, name.as_str(), met.0, held.0, have, clock_ms),
            )
            .map(drop)
        })
    }

    /// Notes that another device refused this one as dismissed: this device may not hold the dismissal itself.
    pub fn note_refused(&mut self, now: UtcMillis) -> Result<(), Error> {
        self.write(|tx| {
            tx.execute("INSERT OR REPLACE INTO meta VALUES ('refused', ?1)", [now.0.to_le_bytes()]).map(drop)
        })
    }

    /// When another device last refused this one as dismissed, if no meeting has succeeded since.
    pub fn refused_at(&self) -> Result<Option<UtcMillis>, Error> {
        let at: Option<[u8; 8]> = self.sql(|db| {
            db.query_row("SELECT value FROM meta WHERE key = 'refused'", [], |r| r.get(0)).optional()
        })?;
        let met: Option<i64> = self.sql(|db| db.query_row("SELECT max(met) FROM peer", [], |r| r.get(0)))?;
        let at = at.map(i64::from_le_bytes).filter(|at| met.is_none_or(|met| met < *at));
        Ok(at.map(UtcMillis))
    }

    fn noted(&self, device: &DeviceId) -> Result<Option<Noted>, Error> {
        self.sql(|db| {
            db.prepare_cached("SELECT met, have, clock FROM peer WHERE device = ?1")?
                .query_row([device.0], |r| {
                    let have: Option<Vec<u8>> = r.get(1)?;
                    Ok(Noted {
                        met: UtcMillis(r.get(0)?),
                        have: have.and_then(|bytes| decode(&bytes, HAVE_MAX).ok()),
                        clock_ms: r.get(2)?,
                    })
                })
                .optional()
        })
    }

    fn numbers(&self, query: &str) -> Result<BTreeMap<DeviceId, u64>, Error> {
        self.sql(|db| {
            db.prepare_cached(query)?
                .query_map([], |r| Ok((DeviceId(r.get(0)?), r.get::<_, i64>(1)? as u64)))?
                .collect()
        })
    }
}

/// Entries a have-list names, by chain or one by one, that are not among `places`.
fn ahead(have: &Have, places: &[Place]) -> u64 {
    let held: BTreeSet<_> = places.iter().map(|p| p.id).collect();
    let ours = Have::of(places);
    let top =
        |device, epoch| ours.0.iter().find(|l| (l.device, l.epoch) == (device, epoch)).map_or(0, |l| l.top);
    have.0
        .iter()
        .map(|log| {
            let chain = if held.contains(&log.top_id) {
                0
            } else {
                log.top.saturating_sub(top(log.device, log.epoch))
            };
            chain + log.extra.iter().filter(|id| !held.contains(id)).count() as u64
        })
        .sum()
}
