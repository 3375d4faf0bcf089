//! The crew: which devices belong to a survey, what each may do, and which entries of theirs count, as the entries say.
//!
//! Everything here depends on which entries were noted, not on their order or number. The rules stand in
//! docs/protocol.md, "Who belongs, and what counts".

mod cuts;
mod settle;

pub use cuts::{Chains, Cuts};

use crate::entry::Entry;
use crate::{Cut, Founding, Invite, Limits, Member, Op, Place, Role, Standing, WriteRef};
use leadline_model::{DeviceId, Digest, EntryId, SurveyId, Text, UtcMillis};
use settle::Settled;
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

/// One admitted device.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CrewMember {
    /// Its name: as it says itself, else as it was admitted.
    pub name: Text,
    /// What it may do now.
    pub role: Role,
    /// Who admitted it; the founder admitted itself.
    pub by: DeviceId,
}

/// One device that belonged to the crew and does not any more.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Dismissed {
    /// Its name.
    pub name: Text,
    /// Who dismissed it.
    pub by: DeviceId,
    /// The reason, in that keeper's words.
    pub why: Text,
    /// The dismissals in force: what an admission must take the place of.
    pub standings: Vec<WriteRef>,
}

/// The devices of a survey and the invites that are out. [`Self::note`] takes entries in, [`Self::settle`] draws the
/// conclusions; before that the answers are those of the last settling.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Crew {
    survey: SurveyId,
    own: DeviceId,
    said: BTreeMap<WriteRef, Spoken>,
    /// Pairs of a cut's entry and an entry with a statement that it reaches.
    within: BTreeSet<(EntryId, EntryId)>,
    settled: Settled,
}

#[derive(Clone, Debug, PartialEq, Eq)]
struct Spoken {
    place: Place,
    statement: Statement,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Statement {
    Founds(Founding),
    Admits(Member),
    Invites(Invite),
    Stands(Standing),
    Secret { generation: u32, digest: Digest },
    Named { name: Text, replaces: Vec<WriteRef> },
}

/// Why an invite is not honoured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum InviteRefusal {
    /// No member wrote it, as far as this device knows.
    #[error("this invite is unknown here: ask the device that made it, or meet that device first")]
    Unknown,
    /// Past its time.
    #[error("this invite has expired: ask for a new one")]
    Expired,
    /// Another device has used it.
    #[error("this invite has been used by another device: ask for a new one")]
    Used,
    /// The survey has as many devices as it can have.
    #[error("this survey's crew is full (256 devices, dismissed ones included): begin a new survey")]
    Full,
}

impl Crew {
    /// An empty crew as seen from `own`.
    pub fn new(survey: SurveyId, own: DeviceId) -> Self {
        Self { survey, own, said: BTreeMap::new(), within: BTreeSet::new(), settled: Settled::default() }
    }

    /// Takes in a checked entry. True if it says something new of the crew: then [`Self::settle`] must follow.
    pub fn note(&mut self, entry: &Entry) -> bool {
        let place = entry.place();
        let before = self.said.len();
        for (n, op) in entry.writes() {
            let statement = match op {
                Op::Found(f) if f.survey_id(&place.device) == self.survey => Statement::Founds(f.clone()),
                Op::Member(m) => Statement::Admits(m.clone()),
                Op::Invite(i) => Statement::Invites(i.clone()),
                Op::Standing(s) => Statement::Stands(s.clone()),
                Op::Secret { generation, digest } => {
                    Statement::Secret { generation: *generation, digest: *digest }
                }
                Op::DeviceName { name, replaces } => {
                    Statement::Named { name: name.clone(), replaces: replaces.clone() }
                }
                _ => continue,
            };
            self.said.entry(n).or_insert(Spoken { place, statement });
        }
        self.said.len() > before
    }

    /// Draws the conclusions from all that was noted. `cuts` must know every entry that is held. True if some device's
    /// part in the crew became another.
    pub fn settle(&mut self, cuts: &dyn Cuts) -> bool {
        self.within = settle::within(&self.said, cuts);
        let settled = settle::settle(&self.said, &self.within);
        let changed = settled.parts() != self.settled.parts() || settled.known != self.settled.known;
        self.settled = settled;
        changed
    }

    /// Which entries with statements lie within which cuts, as the last settling found: so that a crew can be settled
    /// again without walking the chains ([`Reached`]).
    pub fn within(&self) -> &BTreeSet<(EntryId, EntryId)> {
        &self.within
    }

    /// Whether entries of `device` are kept: a keeper let it in once, whatever became of either, or it is this device
    /// itself.
    pub fn admits(&self, device: &DeviceId) -> bool {
        *device == self.own || self.was_let_in(device)
    }

    /// Whether a keeper ever let `device` in, whatever became of either.
    pub fn was_let_in(&self, device: &DeviceId) -> bool {
        self.settled.known.contains(device)
    }

    /// Whether the entry that began the survey is known.
    pub fn is_founded(&self) -> bool {
        self.settled.founder.is_some()
    }

    /// Admitted devices by id.
    pub fn members(&self) -> &BTreeMap<DeviceId, CrewMember> {
        &self.settled.members
    }

    /// Devices that were dismissed, by id.
    pub fn dismissed(&self) -> &BTreeMap<DeviceId, Dismissed> {
        &self.settled.dismissed
    }

    /// Whether the crew can take one more device: dismissed ones count, as their entries stay.
    pub fn is_full(&self, limits: &Limits) -> bool {
        self.settled.known.len() >= limits.devices
    }

    /// Whether `device` may admit others.
    pub fn is_keeper(&self, device: &DeviceId) -> bool {
        self.role_of(device) == Some(Role::Keeper)
    }

    /// What `device` may do now; `None` = nothing, as it is no member (yet, or any more).
    pub fn role_of(&self, device: &DeviceId) -> Option<Role> {
        self.settled.members.get(device).map(|m| m.role)
    }

    /// As what the entry at `place` counts: `None` = it is masked. What it says beyond that role has no effect
    /// ([`Role::may_say`]). This device's own entries count before it is admitted.
    pub fn counts_as(&self, place: &Place, cuts: &dyn Cuts) -> Option<Role> {
        let device = &place.device;
        if *device == self.own && !self.was_let_in(device) {
            return Some(Role::Contributor);
        }
        let reaches = |cut: &Cut| cuts.reaches(cut, place);
        let role =
            settle::role_at(&self.settled.standings_on(device, &self.said), self.base(device), &reaches);
        // A statement that counts must reach everyone, so its entry stays in force.
        role.or_else(|| self.settled.speaking.contains(&place.id).then_some(Role::Reader))
    }

    /// Whether some keeper's word on the device is in force or was: then its entries must be looked at one by one.
    pub fn has_standing(&self, device: &DeviceId) -> bool {
        self.settled.standings.contains_key(device)
    }

    /// Whether the entry at `place`, masked now, may come to count by entries that are still to come: it may lie
    /// behind a cut.
    pub fn may_count_later(&self, place: &Place) -> bool {
        let behind = |s: &Standing| s.cuts.iter().any(|c| c.epoch == place.epoch && place.seq <= c.seq);
        self.settled.standings_on(&place.device, &self.said).iter().any(|(_, s, _)| behind(s))
    }

    /// What decides how the entries of `device` count. As long as it stays the same, they do.
    pub fn part_of(&self, device: &DeviceId) -> Option<(Option<Role>, Vec<WriteRef>)> {
        self.settled.parts().get(device).cloned()
    }

    /// All devices that are or were in the crew.
    pub fn devices(&self) -> impl Iterator<Item = &DeviceId> {
        self.settled.parts().keys()
    }

    /// Words of a keeper on `device` that are in force: what a new one takes the place of.
    pub fn live_standings(&self, device: &DeviceId) -> Vec<WriteRef> {
        settle::live(&self.settled.standings_on(device, &self.said)).iter().map(|(n, ..)| *n).collect()
    }

    /// The names `device` gave itself that no later one has replaced.
    pub fn live_names(&self, device: &DeviceId) -> Vec<WriteRef> {
        self.settled.names.get(device).map(|(_, live)| live.clone()).unwrap_or_default()
    }

    /// The name of a device of the crew, present or past.
    pub fn name_of(&self, device: &DeviceId) -> Option<&Text> {
        let s = &self.settled;
        s.members.get(device).map(|m| &m.name).or_else(|| s.dismissed.get(device).map(|d| &d.name))
    }

    /// The change of the survey's secret in force: its number and the new secret's digest.
    pub fn secret(&self) -> Option<(u32, Digest)> {
        self.settled.secrets.first().map(|(Reverse(generation), digest)| (*generation, *digest))
    }

    /// By which change a keeper has announced the secret with this digest, if one has; of several the latest.
    pub fn change_of(&self, digest: &Digest) -> Option<u32> {
        self.settled.secrets.iter().find(|(_, d)| d == digest).map(|(Reverse(generation), _)| *generation)
    }

    /// Whether a keeper has announced this secret.
    pub fn announces(&self, generation: u32, digest: &Digest) -> bool {
        self.settled.secrets.contains(&(Reverse(generation), *digest))
    }

    /// The invite with this public key, if `device` may be admitted by it now. An invite is worth nothing once its
    /// maker is no keeper any more.
    pub fn redeemable(
        &self,
        key: &[u8; 32],
        device: &DeviceId,
        now: UtcMillis,
    ) -> Result<&Invite, InviteRefusal> {
        let n = self.settled.invites.get(key).ok_or(InviteRefusal::Unknown)?;
        let Some(Spoken { place, statement: Statement::Invites(invite) }) = self.said.get(n) else {
            return Err(InviteRefusal::Unknown);
        };
        match self.settled.used.get(key) {
            _ if !self.is_keeper(&place.device) => Err(InviteRefusal::Unknown),
            Some(by) if !by.contains(device) => Err(InviteRefusal::Used),
            _ if now > invite.expires => Err(InviteRefusal::Expired),
            _ => Ok(invite),
        }
    }

    /// Whether `device` was admitted by this invite once.
    pub fn has_used(&self, key: &[u8; 32], device: &DeviceId) -> bool {
        self.settled.used.get(key).is_some_and(|by| by.contains(device))
    }

    fn base(&self, device: &DeviceId) -> Option<Role> {
        self.settled.parts().get(device).and_then(|(base, _)| *base)
    }
}

/// Cuts as an earlier settling found them ([`Crew::within`]); knows only entries that speak of the crew.
pub struct Reached(pub BTreeSet<(EntryId, EntryId)>);

impl Cuts for Reached {
    fn reaches(&self, cut: &Cut, place: &Place) -> bool {
        cut.epoch == place.epoch && place.seq <= cut.seq && self.0.contains(&(cut.id, place.id))
    }
}

impl Role {
    /// Whether what `op` says has effect when a device of this role says it.
    pub fn may_say(self, op: &Op) -> bool {
        match op {
            Op::DeviceName { .. } => true,
            Op::Found(_) | Op::Member(_) | Op::Invite(_) | Op::Standing(_) | Op::Secret { .. } => {
                self == Self::Keeper
            }
            _ => self >= Self::Contributor,
        }
    }
}
