//! The model beside it: plain sets, and the rules of who belongs read off the entries until nothing changes.

use leadline_logbook::{Chains, Crew, Entry, Invite, LegClaim, Op, Place, Role, WriteRef};
use leadline_model::{DeviceId, EntryId, LegId, StripDigest, SurveyId, TileId, UtcMillis};
use std::collections::{BTreeMap, BTreeSet};

/// What a set of entries means by the logbook's rules, all of them at once and from the start: whoever took them in one
/// by one, in whatever order and with whatever interruptions, must have come to the same.
pub(super) struct Scratch {
    pub(super) crew: Crew,
    pub(super) counting: BTreeMap<EntryId, Role>,
}

impl Scratch {
    pub(super) fn of(entries: &[Entry], survey: SurveyId, own: DeviceId) -> Self {
        let places: BTreeMap<EntryId, Place> = entries.iter().map(|e| (e.id(), e.place())).collect();
        let chains = Chains::new(|id: &EntryId| places.get(id).copied());
        let mut crew = Crew::new(survey, own);
        entries.iter().for_each(|e| _ = crew.note(e));
        crew.settle(&chains);
        let counting = places.values().filter_map(|p| Some((p.id, crew.counts_as(p, &chains)?)));
        let counting = counting.collect();
        Self { crew, counting }
    }

    /// Whether `me` may speak to `peer`.
    pub(super) fn may_speak(
        &self,
        me: &DeviceId,
        peer: &DeviceId,
        invite: Option<[u8; 32]>,
        now: UtcMillis,
    ) -> bool {
        let crew = &self.crew;
        let invited = invite.is_some_and(|key| {
            let again = crew.dismissed().contains_key(peer) && crew.has_used(&key, peer);
            crew.is_keeper(me) && !again && crew.redeemable(&key, peer, now).is_ok()
        });
        !crew.is_founded() || crew.members().contains_key(peer) || invited
    }
}

/// Whether a keeper's word on a device is among the entries.
pub(super) fn has_words(entries: &[Entry]) -> bool {
    entries.iter().flat_map(Entry::ops).any(|op| matches!(op, Op::Standing(_)))
}

/// Who belongs, as a set of entries without keepers' words says.
#[derive(Debug, Default)]
pub(super) struct Crowd {
    pub(super) members: BTreeMap<DeviceId, Role>,
    invites: BTreeMap<[u8; 32], Invite>,
    used: BTreeMap<[u8; 32], BTreeSet<DeviceId>>,
}

impl Crowd {
    pub(super) fn of(entries: &[Entry], survey: SurveyId) -> Self {
        let mut crowd = Self::default();
        loop {
            let before = (crowd.members.clone(), crowd.invites.len());
            for (author, op) in
                entries.iter().flat_map(|e| e.ops().iter().map(|op| (e.envelope().device, op)))
            {
                crowd.hear(author, op, survey);
            }
            if before == (crowd.members.clone(), crowd.invites.len()) {
                return crowd;
            }
        }
    }

    fn hear(&mut self, author: DeviceId, op: &Op, survey: SurveyId) {
        match op {
            Op::Found(f) if f.survey_id(&author) == survey => _ = self.members.insert(author, Role::Keeper),
            Op::Member(m) if self.is_keeper(&author) => {
                let role = self.members.get(&m.device).map_or(m.role, |held| m.role.max(*held));
                self.members.insert(m.device, role);
                self.used.entry(m.invite.unwrap_or_default()).or_default().insert(m.device);
            }
            Op::Invite(i) if self.is_keeper(&author) => _ = self.invites.insert(i.key, i.clone()),
            _ => {}
        }
    }

    fn is_keeper(&self, device: &DeviceId) -> bool {
        self.members.get(device) == Some(&Role::Keeper)
    }

    /// Whether `me`, who holds these entries, may speak to `peer`.
    pub(super) fn may_speak(
        &self,
        me: &DeviceId,
        peer: &DeviceId,
        invite: Option<[u8; 32]>,
        now: UtcMillis,
    ) -> bool {
        let invited = invite.and_then(|key| self.invites.get(&key)).is_some_and(|i| {
            let others = self.used.get(&i.key).is_some_and(|by| !by.contains(peer));
            now <= i.expires && !others && self.is_keeper(me)
        });
        // Whoever has just joined knows nobody yet.
        self.members.is_empty() || self.members.contains_key(peer) || invited
    }
}

/// What everybody must read who holds these entries.
#[derive(Debug, Default, PartialEq)]
pub(super) struct Plain {
    pub(super) ids: BTreeSet<EntryId>,
    pub(super) said: BTreeMap<WriteRef, Op>,
    pub(super) claims: BTreeMap<LegId, Vec<LegClaim>>,
    pub(super) tiles: BTreeMap<TileId, BTreeMap<LegId, StripDigest>>,
}

impl Plain {
    pub(super) fn of<'a>(entries: impl IntoIterator<Item = (&'a Entry, Role)>) -> Self {
        let mut plain = Self::default();
        for (entry, role) in entries {
            plain.ids.insert(entry.id());
            let heard = |op: &Op| role >= Role::Contributor || role.may_say(op);
            for (n, op) in entry.writes().filter(|(_, op)| heard(op)) {
                let Op::Leg(claim) = op else {
                    plain.said.insert(n, op.clone());
                    continue;
                };
                plain.claims.entry(claim.leg()).or_default().push(claim.clone());
                for s in &claim.strips {
                    plain.tiles.entry(s.tile).or_default().insert(claim.leg(), s.digest);
                }
            }
        }
        plain.claims.values_mut().for_each(|c| c.sort_by_key(|c| (c.source, c.boat.clone())));
        plain
    }

    /// The same out of what a device reads in its documents.
    pub(super) fn of_reading(ids: BTreeSet<EntryId>, reading: &super::site::Reading) -> Self {
        let claims = reading.survey.claims.iter().map(|(leg, said)| {
            let mut claims: Vec<_> = said.iter().map(|s| s.what.clone()).collect();
            claims.sort_by_key(|c| (c.source, c.boat.clone()));
            (*leg, claims)
        });
        let tiles = reading.tiles.iter().map(|(tile, legs)| {
            (*tile, legs.iter().map(|(leg, s)| (*leg, s.digest)).collect::<BTreeMap<_, _>>())
        });
        Self {
            ids,
            said: reading.survey.said.iter().map(|(n, s)| (*n, s.what.clone())).collect(),
            claims: claims.collect(),
            tiles: tiles.collect(),
        }
    }
}
