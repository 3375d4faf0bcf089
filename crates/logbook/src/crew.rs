//! The crew: which devices a survey admits, as its entries say.

use crate::entry::Entry;
use crate::{Invite, Op, Role};
use leadline_model::{DeviceId, SurveyId, Text, UtcMillis};
use std::collections::BTreeMap;

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

/// The devices of a survey and the invites that are out. Grows with every accepted entry; the order in which
/// entries come does not change what it ends as, except that an admission counts once its author is a keeper.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Crew {
    survey: SurveyId,
    own: DeviceId,
    members: BTreeMap<DeviceId, CrewMember>,
    invites: BTreeMap<[u8; 32], Invite>,
    used: BTreeMap<[u8; 32], DeviceId>,
    founded: bool,
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

    /// Takes in an accepted entry. True if it changed who is admitted.
    pub fn note(&mut self, entry: &Entry) -> bool {
        let author = entry.envelope().device;
        let mut changed = false;
        for op in entry.ops() {
            changed |= match op {
                Op::Found(f) if f.survey_id(&author) == self.survey => {
                    self.founded = true;
                    let me = CrewMember { name: f.device_name.clone(), role: Role::Keeper, by: author };
                    self.members.insert(author, me).is_none()
                }
                Op::Member(m) if self.is_keeper(&author) => {
                    if let Some(key) = m.invite {
                        self.used.entry(key).or_insert(m.device);
                    }
                    let member = CrewMember { name: m.name.clone(), role: m.role, by: author };
                    // Of two admissions of one device the first known stays: same membership, whichever it is.
                    !self.members.contains_key(&m.device) && self.members.insert(m.device, member).is_none()
                }
                Op::Invite(i) if self.is_keeper(&author) => {
                    self.invites.insert(i.key, i.clone());
                    false
                }
                _ => false,
            };
        }
        changed
    }

    /// The invite with this public key, if `device` may be admitted by it now.
    pub fn redeemable(
        &self,
        key: &[u8; 32],
        device: &DeviceId,
        now: UtcMillis,
    ) -> Result<&Invite, InviteRefusal> {
        let invite = self.invites.get(key).ok_or(InviteRefusal::Unknown)?;
        match self.used.get(key) {
            Some(by) if by != device => Err(InviteRefusal::Used),
            _ if now > invite.expires => Err(InviteRefusal::Expired),
            _ => Ok(invite),
        }
    }

    /// Whether `device` may admit others.
    pub fn is_keeper(&self, device: &DeviceId) -> bool {
        self.members.get(device).is_some_and(|m| m.role == Role::Keeper)
    }
}
