//! The crew: which devices a survey admits, as its entries say.

use crate::entry::Entry;
use crate::{Invite, Member, Op, Role, WriteRef};
use leadline_model::{DeviceId, SurveyId, Text, UtcMillis};
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

/// One admitted device.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CrewMember {
    /// Its name.
    pub name: Text,
    /// What it may do.
    pub role: Role,
    /// Who admitted it; the founder admitted itself.
    pub by: DeviceId,
}

/// The devices of a survey and the invites that are out. Grows with every accepted entry; what it ends as depends on
/// which entries were noted, not on their order or number: an admission counts as soon as its author is a keeper,
/// whether that was known before or comes to be known later; of several admissions of one device the highest role
/// holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Crew {
    survey: SurveyId,
    own: DeviceId,
    members: BTreeMap<DeviceId, CrewMember>,
    /// Which admission each member stands on.
    stands_on: BTreeMap<DeviceId, Standing>,
    invites: BTreeMap<[u8; 32], (WriteRef, Invite)>,
    used: BTreeMap<[u8; 32], BTreeSet<DeviceId>>,
    founded: bool,
    /// Of devices that are no keepers, or not yet.
    idle: BTreeMap<DeviceId, BTreeMap<WriteRef, Statement>>,
}

/// Of two admissions the smaller one holds: founding, then the higher role, then the smaller key.
type Standing = (bool, Reverse<Role>, WriteRef);

#[derive(Clone, Debug, PartialEq, Eq)]
enum Statement {
    Admits(Member),
    Invites(Invite),
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
}

impl Crew {
    /// An empty crew as seen from `own`.
    pub fn new(survey: SurveyId, own: DeviceId) -> Self {
        Self {
            survey,
            own,
            members: BTreeMap::new(),
            stands_on: BTreeMap::new(),
            idle: BTreeMap::new(),
            invites: BTreeMap::new(),
            used: BTreeMap::new(),
            founded: false,
        }
    }

    /// Whether entries of `device` are taken: members, and this device itself.
    pub fn admits(&self, device: &DeviceId) -> bool {
        *device == self.own || self.members.contains_key(device)
    }

    /// Whether the entry that began the survey is known.
    pub fn is_founded(&self) -> bool {
        self.founded
    }

    /// Admitted devices by id.
    pub fn members(&self) -> &BTreeMap<DeviceId, CrewMember> {
        &self.members
    }

    /// Takes in an accepted entry. True if it changed who is admitted, or as what.
    pub fn note(&mut self, entry: &Entry) -> bool {
        let author = entry.envelope().device;
        let mut changed = false;
        for (n, op) in entry.writes() {
            changed |= match op {
                Op::Found(f) if f.survey_id(&author) == self.survey => {
                    self.founded = true;
                    let me = CrewMember { name: f.device_name.clone(), role: Role::Keeper, by: author };
                    let changed = self.place(author, me, (false, Reverse(Role::Keeper), n));
                    let roused = self.roused(author);
                    self.heed(roused) | changed
                }
                Op::Member(m) => self.hear(author, n, Statement::Admits(m.clone())),
                Op::Invite(i) => self.hear(author, n, Statement::Invites(i.clone())),
                _ => false,
            };
        }
        changed
    }

    fn hear(&mut self, author: DeviceId, n: WriteRef, said: Statement) -> bool {
        if self.is_keeper(&author) {
            return self.heed(vec![(author, n, said)]);
        }
        self.idle.entry(author).or_default().insert(n, said);
        false
    }

    /// Brings into force what keepers say. A list and no recursion: admissions can form a long chain.
    fn heed(&mut self, mut said: Vec<(DeviceId, WriteRef, Statement)>) -> bool {
        let mut changed = false;
        while let Some((keeper, n, statement)) = said.pop() {
            match statement {
                Statement::Admits(m) => {
                    if let Some(key) = m.invite {
                        self.used.entry(key).or_default().insert(m.device);
                    }
                    let member = CrewMember { name: m.name, role: m.role, by: keeper };
                    changed |= self.place(m.device, member, (true, Reverse(m.role), n));
                    said.extend(self.roused(m.device));
                }
                Statement::Invites(i) => {
                    if self.invites.get(&i.key).is_none_or(|(held, _)| n < *held) {
                        self.invites.insert(i.key, (n, i));
                    }
                }
            }
        }
        changed
    }

    fn place(&mut self, device: DeviceId, member: CrewMember, standing: Standing) -> bool {
        if self.stands_on.get(&device).is_some_and(|held| *held <= standing) {
            return false;
        }
        let role = member.role;
        self.stands_on.insert(device, standing);
        self.members.insert(device, member).map(|m| m.role) != Some(role)
    }

    /// What a device said before it was known as a keeper, once it is one.
    fn roused(&mut self, device: DeviceId) -> Vec<(DeviceId, WriteRef, Statement)> {
        if !self.is_keeper(&device) {
            return Vec::new();
        }
        let idle = self.idle.remove(&device).unwrap_or_default();
        idle.into_iter().map(|(n, said)| (device, n, said)).collect()
    }

    /// The invite with this public key, if `device` may be admitted by it now.
    pub fn redeemable(
        &self,
        key: &[u8; 32],
        device: &DeviceId,
        now: UtcMillis,
    ) -> Result<&Invite, InviteRefusal> {
        let (_, invite) = self.invites.get(key).ok_or(InviteRefusal::Unknown)?;
        match self.used.get(key) {
            Some(by) if !by.contains(device) => Err(InviteRefusal::Used),
            _ if now > invite.expires => Err(InviteRefusal::Expired),
            _ => Ok(invite),
        }
    }

    /// Whether `device` may admit others.
    pub fn is_keeper(&self, device: &DeviceId) -> bool {
        self.members.get(device).is_some_and(|m| m.role == Role::Keeper)
    }
}
