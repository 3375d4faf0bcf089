//! What goes into a backup: everything a device holds that the backups before it do not.

use super::chain::Content;
use super::head::{BackupSurvey, Private};
use crate::store::{Keeping, Kept};
use crate::{Error, Home, Store};
use leadline_logbook::{Domain, Entry, LegClaim, Op, StripRef};
use leadline_model::{Digest, EntryId, StripDigest, SurveyId, Text, TileId, UtcMillis};
use leadline_sync::ParcelHolds;
use std::collections::{BTreeMap, BTreeSet};

/// What goes into a backup.
pub(super) struct Plan {
    pub(super) stores: Vec<StorePlan>,
    /// The section of what only this device holds.
    pub(super) private: Vec<u8>,
}

/// One survey's part of it.
pub(super) struct StorePlan {
    pub(super) store: Store,
    pub(super) chosen: Chosen,
}

/// What is new of one survey.
pub(super) struct Chosen {
    pub(super) entries: BTreeSet<EntryId>,
    pub(super) strips: BTreeSet<StripDigest>,
    pub(super) holds: ParcelHolds,
    pub(super) name: Text,
    pub(super) survey: BackupSurvey,
}

impl Plan {
    pub(super) fn of(home: &Home, surveys: &[SurveyId], held: &Content) -> Result<Self, Error> {
        let (mut kept, mut stores) = (BTreeMap::new(), Vec::new());
        let none = (BTreeSet::new(), BTreeSet::new());
        for id in surveys {
            let store = home.store(id)?;
            let held = held.0.get(id).unwrap_or(&none);
            let (chosen, private) = store.snapshot(|s| {
                let private = s.kept()?;
                Ok((choose(s, held, &private)?, private))
            })?;
            kept.insert(id.to_string(), private);
            stores.push(StorePlan { store, chosen });
        }
        Ok(Self { stores, private: Private::of(home, kept)?.bytes()? })
    }

    pub(super) fn is_empty(&self) -> bool {
        self.stores.iter().all(|s| s.chosen.entries.is_empty() && s.chosen.strips.is_empty())
    }
}

/// Entries and strips of one survey.
pub(super) type Held = (BTreeSet<EntryId>, BTreeSet<StripDigest>);

fn choose(store: &Store, held: &Held, private: &Kept) -> Result<Chosen, Error> {
    let (survey, limits) = (store.survey(), *store.limits());
    let (mut in_force, mut all, mut devices) = (BTreeSet::new(), BTreeSet::new(), BTreeSet::new());
    let (mut claimed, mut damaged) = (BTreeMap::new(), 0u64);
    store.each_kept_entry(|bytes, keeping| {
        // What the disk has damaged would be refused on the way back.
        let Ok(entry) = Entry::open(&bytes, &survey, |_| true, &limits) else {
            damaged += 1;
            return Ok(());
        };
        all.insert(entry.id());
        devices.insert(entry.envelope().device);
        if keeping == Keeping::InForce {
            in_force.insert(entry.id());
        }
        for claim in entry.ops().iter().filter_map(leg) {
            claimed.extend(claim.strips.iter().map(|s| (s.digest, strip_of(claim, s))));
        }
        Ok(())
    })?;
    let (mut strips_in_force, mut strips) = (BTreeSet::new(), BTreeSet::new());
    for (digest, keeping) in store.kept_strips()? {
        strips.insert(digest);
        if keeping == Keeping::InForce {
            strips_in_force.insert(digest);
        }
    }
    let in_all = (all.union(&held.0).count() as u64, strips.union(&held.1).count() as u64);
    let new_strips: BTreeSet<StripDigest> = strips.difference(&held.1).copied().collect();
    let new_entries: BTreeSet<EntryId> = all.difference(&held.0).copied().collect();
    let (holds, name) = (holds(&new_entries, &new_strips, &claimed), name(store)?);
    let survey = BackupSurvey {
        id: survey.to_string(),
        name: Some(name.as_str().to_owned()),
        guest: store.is_guest()?,
        entries: holds.entries,
        strips: holds.strips,
        soundings: holds.soundings,
        from: holds.span.map(|s| s.0.0),
        to: holds.span.map(|s| s.1.0),
        entries_in_all: in_all.0,
        strips_in_all: in_all.1,
        devices: devices.iter().map(ToString::to_string).collect(),
        digest: holdings(&in_force, &strips_in_force).to_string(),
        marks: private.marks() as u64,
        damaged,
    };
    Ok(Chosen { entries: new_entries, strips: new_strips, holds, name, survey })
}

/// The digest of what is in force, as [`Store::holdings_digest`] makes it.
fn holdings(entries: &BTreeSet<EntryId>, strips: &BTreeSet<StripDigest>) -> Digest {
    let mut h = Domain::Holdings.hasher();
    h.update(b"entries");
    entries.iter().for_each(|e| h.update(&e.0));
    h.update(b"strips");
    strips.iter().for_each(|s| h.update(&s.0));
    h.finish()
}

/// Where, how many, from when to when.
type StripSaid = (TileId, u32, (UtcMillis, UtcMillis));

fn strip_of(claim: &LegClaim, s: &StripRef) -> StripSaid {
    let start = claim.window.start().0;
    let at = |ms: u32| UtcMillis(start.saturating_add(i64::from(ms)));
    (s.tile, s.count, (at(s.first_ms), at(s.last_ms)))
}

fn holds(
    entries: &BTreeSet<EntryId>,
    strips: &BTreeSet<StripDigest>,
    claimed: &BTreeMap<StripDigest, StripSaid>,
) -> ParcelHolds {
    let said: Vec<&StripSaid> = strips.iter().filter_map(|s| claimed.get(s)).collect();
    let tiles: BTreeSet<TileId> = said.iter().map(|s| s.0).collect();
    let span = said.iter().map(|s| s.2).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)));
    ParcelHolds {
        entries: entries.len() as u64,
        strips: strips.len() as u64,
        soundings: said.iter().map(|s| u64::from(s.1)).sum(),
        tiles: tiles.into_iter().collect(),
        span,
    }
}

fn name(store: &Store) -> Result<Text, Error> {
    match store.name()? {
        Some((name, _)) => Ok(name),
        // Joined and not met yet: as the invite called it.
        None => crate::home::text("name", &store.told_name()?.unwrap_or_else(|| "no name yet".to_owned())),
    }
}

fn leg(op: &Op) -> Option<&LegClaim> {
    match op {
        Op::Leg(claim) => Some(claim),
        _ => None,
    }
}
