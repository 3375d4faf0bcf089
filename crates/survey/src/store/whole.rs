//! All that a store holds, for a backup: more than a parcel, which holds only what others may have.

use super::Store;
use super::read::one_blob;
use crate::Error;
use leadline_logbook::{Entry, Op};
use leadline_model::{DeviceId, GridPos, Mark, MarkKind, Nonce, StripDigest, Text};
use rusqlite::{Connection, OptionalExtension};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// Entries in the order in which they are best taken in: who belongs to the crew first.
const ENTRIES: [(&str, Keeping); 4] = [
    ("SELECT bytes FROM entry JOIN crew_entry USING (n) ORDER BY n", Keeping::InForce),
    ("SELECT bytes FROM entry WHERE n NOT IN (SELECT n FROM crew_entry) ORDER BY n", Keeping::InForce),
    ("SELECT bytes FROM masked ORDER BY crew DESC, n", Keeping::Aside),
    ("SELECT bytes FROM waiting ORDER BY id", Keeping::Aside),
];
const STRIPS: [(&str, Keeping); 2] = [
    ("SELECT digest FROM strip ORDER BY digest", Keeping::InForce),
    ("SELECT digest FROM strip_aside ORDER BY digest", Keeping::Aside),
];
/// Private marks taken from a backup at most.
const MARKS_MAX: usize = 100_000;
/// Former devices of one store at most.
const FORMER_MAX: usize = 64;
/// A have-list of a peer in a backup at most, bytes; a longer one is learned anew.
const HAVE_MAX: usize = 32 << 10;

/// How the store keeps something.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Keeping {
    /// It counts.
    InForce,
    /// It is kept and does not count: masked, or waiting for an admission.
    Aside,
}

/// What a store holds that is in no entry and no strip. Ids are hex.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(crate) struct Kept {
    marks: Vec<KeptMark>,
    held_back: Vec<String>,
    peers: Vec<KeptPeer>,
    vessels: Vec<(String, String)>,
    former: Vec<String>,
    /// The giver of a gift asked not to pass it on.
    keep_to_itself: bool,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct KeptMark {
    id: String,
    kind: MarkKind,
    x: u32,
    y: u32,
    depth_mm: Option<i32>,
    name: String,
    note: String,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct KeptPeer {
    device: String,
    name: String,
    met: i64,
    digest: String,
    have: Option<Vec<u8>>,
    clock: Option<i64>,
}

impl Kept {
    /// How many marks are in it.
    pub(crate) fn marks(&self) -> usize {
        self.marks.len()
    }
}

impl Store {
    /// Runs reads that all see the store as it is now, whoever writes meanwhile.
    pub(crate) fn snapshot<T>(&self, f: impl FnOnce(&Self) -> Result<T, Error>) -> Result<T, Error> {
        let sqlite = |source| Error::Sqlite { path: self.path.clone(), source };
        let reading = self.db.unchecked_transaction().map_err(sqlite)?;
        let done = f(self);
        drop(reading);
        done
    }

    /// Gives out the bytes of every entry kept, the crew's first.
    pub(crate) fn each_kept_entry(
        &self,
        mut take: impl FnMut(Vec<u8>, Keeping) -> Result<(), Error>,
    ) -> Result<(), Error> {
        let sqlite = |source| Error::Sqlite { path: self.path.clone(), source };
        for (query, keeping) in ENTRIES {
            let mut q = self.db.prepare_cached(query).map_err(sqlite)?;
            let mut rows = q.query([]).map_err(sqlite)?;
            while let Some(r) = rows.next().map_err(sqlite)? {
                take(r.get(0).map_err(sqlite)?, keeping)?;
            }
        }
        Ok(())
    }

    /// The digests of every strip kept.
    pub(crate) fn kept_strips(&self) -> Result<Vec<(StripDigest, Keeping)>, Error> {
        let mut all = Vec::new();
        for (query, keeping) in STRIPS {
            let found: Vec<StripDigest> = self.sql(|db| {
                db.prepare_cached(query)?.query_map([], |r| r.get(0).map(StripDigest))?.collect()
            })?;
            all.extend(found.into_iter().map(|d| (d, keeping)));
        }
        Ok(all)
    }

    /// A packed strip, wherever it is kept.
    pub(crate) fn kept_strip(&self, digest: &StripDigest) -> Result<Option<Vec<u8>>, Error> {
        match self.packed_strip(digest)? {
            Some(packed) => Ok(Some(packed)),
            None => self.sql(|db| one_blob(db, "SELECT bytes FROM strip_aside WHERE digest = ?1", &digest.0)),
        }
    }

    /// Whether an entry is kept, in force or not.
    pub(crate) fn keeps_entry(&self, id: &leadline_model::EntryId) -> Result<bool, Error> {
        let find = "SELECT EXISTS (SELECT 1 FROM entry WHERE id = ?1)
                        OR EXISTS (SELECT 1 FROM masked WHERE id = ?1)
                        OR EXISTS (SELECT 1 FROM waiting WHERE id = ?1)";
        self.sql(|db| db.prepare_cached(find)?.query_row([id.0], |r| r.get(0)))
    }

    /// Strips that only masked entries name: nobody asks for them, so they are kept by this alone. How many are new.
    pub(crate) fn keep_aside(&mut self, strips: &[(StripDigest, Vec<u8>)]) -> Result<usize, Error> {
        if strips.is_empty() {
            return Ok(0);
        }
        let named = self.named_aside()?;
        self.write(|tx| {
            let mut new = 0;
            for (digest, packed) in strips.iter().filter(|(d, _)| named.contains(d)) {
                let held = "SELECT 1 FROM strip WHERE digest = ?1";
                if tx.prepare_cached(held)?.query_row([digest.0], |_| Ok(())).optional()?.is_none() {
                    let put = "INSERT OR IGNORE INTO strip_aside (digest, bytes) VALUES (?1, ?2)";
                    new += tx.prepare_cached(put)?.execute((digest.0, packed))?;
                }
            }
            Ok(new)
        })
    }

    fn named_aside(&self) -> Result<BTreeSet<StripDigest>, Error> {
        let mut named = BTreeSet::new();
        self.each_kept_entry(|bytes, keeping| {
            if keeping == Keeping::Aside
                && let Ok(entry) = Entry::open(&bytes, &self.survey, |_| true, &self.limits)
            {
                for op in entry.ops() {
                    if let Op::Leg(claim) = op {
                        named.extend(claim.strips.iter().map(|s| s.digest));
                    }
                }
            }
            Ok(())
        })?;
        Ok(named)
    }

    /// This device, and those in whose place it is.
    pub(crate) fn own_devices(&self) -> Result<BTreeSet<DeviceId>, Error> {
        let former = self.sql(former)?;
        Ok(former.iter().filter_map(|d| d.parse().ok()).chain([self.device()]).collect())
    }

    /// Notes that this device is in the place of another.
    pub(crate) fn succeed(&mut self, device: &DeviceId) -> Result<(), Error> {
        let (me, key) = (self.device(), format!("former:{device}"));
        if *device == me || self.own_devices()?.len() > FORMER_MAX {
            return Ok(());
        }
        self.write(|tx| tx.execute("INSERT OR IGNORE INTO meta VALUES (?1, 1)", [key]).map(drop))
    }

    /// What is in no entry and no strip.
    pub(crate) fn kept(&self) -> Result<Kept, Error> {
        let mark = |(id, m): (Nonce, Mark)| KeptMark {
            id: id.to_string(),
            kind: m.kind,
            x: m.place.x(),
            y: m.place.y(),
            depth_mm: m.depth_mm,
            name: m.name.as_str().to_owned(),
            note: m.note.as_str().to_owned(),
        };
        Ok(Kept {
            marks: self.private_marks()?.into_iter().map(mark).collect(),
            held_back: self.held_back()?.iter().map(ToString::to_string).collect(),
            peers: self.sql(peers)?,
            vessels: self.sql(vessels)?,
            former: self.sql(former)?,
            keep_to_itself: !self.may_pass_on()?,
        })
    }

    /// Puts back what is in no entry and no strip, beside what is here. What is not as it should be is left out; how
    /// many marks came.
    pub(crate) fn take_kept(&mut self, kept: &Kept) -> Result<usize, Error> {
        let mut held = self.held_back()?;
        let before = held.len();
        held.extend(kept.held_back.iter().filter_map(|d| d.parse::<StripDigest>().ok()));
        if held.len() > before {
            self.hold_back(&held)?;
        }
        for device in kept.former.iter().filter_map(|d| d.parse().ok()) {
            self.succeed(&device)?;
        }
        if kept.keep_to_itself && self.is_guest()? {
            self.keep_to_itself()?;
        }
        self.take_peers(kept)?;
        self.take_vessels(kept)?;
        let marks: Vec<_> = kept.marks.iter().take(MARKS_MAX).filter_map(mark_of).collect();
        self.take_marks(&marks)
    }

    fn take_peers(&mut self, kept: &Kept) -> Result<(), Error> {
        let (me, most) = (self.device(), self.limits.devices);
        self.write(|tx| {
            for p in kept.peers.iter().take(most) {
                let (Ok(device), Ok(name)) = (p.device.parse::<DeviceId>(), Text::new(&p.name)) else {
                    continue;
                };
                let Ok(digest) = p.digest.parse::<leadline_model::Digest>() else { continue };
                if device != me {
                    // What is known here is newer.
                    tx.execute(
                        "INSERT OR IGNORE INTO peer (device, name, met, digest, have, clock)
                         VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                        (device.0, name.as_str(), p.met, digest.0, p.have.as_ref(), p.clock),
                    )?;
                }
            }
            Ok(())
        })
    }

    fn take_vessels(&mut self, kept: &Kept) -> Result<(), Error> {
        self.write(|tx| {
            for (boat, id) in kept.vessels.iter().take(1024) {
                if let (Ok(boat), Ok(id)) = (Text::new(boat), id.parse::<Nonce>()) {
                    let key = format!("vessel:{}", boat.as_str());
                    tx.execute("INSERT OR IGNORE INTO meta VALUES (?1, ?2)", (key, id.0))?;
                }
            }
            Ok(())
        })
    }
}

fn mark_of(m: &KeptMark) -> Option<(Nonce, Mark)> {
    let mark = Mark {
        kind: m.kind,
        place: GridPos::new(m.x, m.y)?,
        depth_mm: m.depth_mm,
        name: Text::new(&m.name).ok()?,
        note: Text::new(&m.note).ok()?,
    };
    Some((m.id.parse().ok()?, mark))
}

fn peers(db: &Connection) -> rusqlite::Result<Vec<KeptPeer>> {
    let query = "SELECT device, name, met, digest, have, clock FROM peer ORDER BY device";
    db.prepare_cached(query)?
        .query_map([], |r| {
            Ok(KeptPeer {
                device: DeviceId(r.get(0)?).to_string(),
                name: r.get(1)?,
                met: r.get(2)?,
                digest: leadline_model::Digest(r.get(3)?).to_string(),
                have: r.get::<_, Option<Vec<u8>>>(4)?.filter(|h| h.len() <= HAVE_MAX),
                clock: r.get(5)?,
            })
        })?
        .collect()
}

fn vessels(db: &Connection) -> rusqlite::Result<Vec<(String, String)>> {
    db.prepare_cached("SELECT substr(key, 8), value FROM meta WHERE key LIKE 'vessel:%' ORDER BY key")?
        .query_map([], |r| Ok((r.get(0)?, Nonce(r.get(1)?).to_string())))?
        .collect()
}

fn former(db: &Connection) -> rusqlite::Result<Vec<String>> {
    db.prepare_cached("SELECT substr(key, 8) FROM meta WHERE key LIKE 'former:%' ORDER BY key")?
        .query_map([], |r| r.get(0))?
        .collect()
}
