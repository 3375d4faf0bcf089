//! What keepers do with the crew: admit by invite, dismiss, change roles, change the secret; and what each device does
//! for itself: its name.

use crate::home::{random, text};
use crate::{Error, Home, Store};
use leadline_logbook::{Crew, Cut, Domain, Entry, InviteRefusal, MAX_CUTS, Member, Op, Role, Standing};
use leadline_model::{DeviceId, Digest, Text, UtcMillis};
use leadline_sync::{Admission, CREDENTIALS_MAX};
use std::cmp::Reverse;
use std::collections::BTreeSet;

/// What an entry says of a survey's secret instead of the secret itself.
pub(crate) fn secret_digest(secret: &[u8; 32]) -> Digest {
    Domain::Secret.digest(&[secret])
}

impl Store {
    /// The entries that admitted this device, and those that admitted their authors, the nearest first.
    pub(crate) fn credentials(&self) -> Result<Vec<Vec<u8>>, Error> {
        let entries = self.crew_entries()?;
        let (mut out, mut known, mut asked) =
            (Vec::new(), BTreeSet::from([self.device()]), vec![self.device()]);
        while let Some(device) = asked.pop() {
            for e in entries.iter().filter(|e| admits(e, &device)) {
                if out.len() < CREDENTIALS_MAX {
                    out.push(e.bytes().to_vec());
                }
                if known.insert(e.envelope().device) {
                    asked.push(e.envelope().device);
                }
            }
        }
        Ok(out)
    }

    /// Whether a device that has proven its key may meet this one; one that brings a good invite is admitted by it, by
    /// an entry that is durable before this returns. A dismissed device is taken again by such an invite: a keeper made
    /// it since.
    pub fn admit(
        &mut self,
        device: DeviceId,
        name: Text,
        invite: Option<[u8; 32]>,
        now: UtcMillis,
    ) -> Result<Admission, Error> {
        let crew = self.crew()?;
        // A device that has just joined knows nobody yet: whoever holds the survey's secret may bring it the crew.
        if crew.members().contains_key(&device) || !crew.is_founded() {
            return Ok(Admission::Member);
        }
        let dismissed = crew.dismissed().contains_key(&device);
        let Some(key) = invite else {
            return Ok(if dismissed { Admission::Dismissed } else { Admission::Stranger });
        };
        if !crew.is_keeper(&self.device()) {
            return Ok(if dismissed { Admission::Dismissed } else { Admission::InviteUnknown });
        }
        let role = match crew.redeemable(&key, &device, now) {
            Ok(invite) => invite.role,
            // The invite of its first admission, shown again.
            Err(_) if dismissed => return Ok(Admission::Dismissed),
            Err(InviteRefusal::Expired) => return Ok(Admission::InviteExpired),
            Err(InviteRefusal::Used) => return Ok(Admission::InviteUsed),
            Err(_) => return Ok(Admission::InviteUnknown),
        };
        if dismissed && crew.has_used(&key, &device) {
            return Ok(Admission::Dismissed);
        }
        if !dismissed && crew.is_full(self.limits()) {
            return Ok(Admission::Full);
        }
        let mut ops = vec![Op::Member(Member { device, name, role, invite: Some(key) })];
        if dismissed {
            ops.push(self.standing(
                &crew,
                device,
                Some(role),
                text("reason", "admitted again by an invite")?,
            )?);
        }
        self.append(vec![ops], &[], now)?;
        Ok(Admission::Joined)
    }

    /// The word that dismisses a device: what it writes from now on does not count, for all who learn of this.
    fn dismissal(&self, device: &DeviceId, why: Text) -> Result<Op, Error> {
        let crew = self.crew()?;
        self.must_keep(&crew)?;
        if !crew.members().contains_key(device) {
            return Err(Error::Request(format!(
                "{} is not in the crew now: nothing to do (`leadline crew list` shows who is)",
                name_of(&crew, device)
            )));
        }
        let others = crew.members().iter().any(|(d, m)| d != device && m.role == Role::Keeper);
        if *device == self.device() && !others {
            return Err(Error::Request(
                "this device is the only keeper: make another one keeper first (`leadline crew role DEVICE keeper`)"
                    .to_owned(),
            ));
        }
        self.standing(&crew, *device, None, why)
    }

    /// Dismisses a device and leaves the survey's secret as it is.
    pub fn dismiss(&mut self, device: &DeviceId, why: Text, now: UtcMillis) -> Result<(), Error> {
        let op = self.dismissal(device, why)?;
        self.append(vec![vec![op]], &[], now).map(drop)
    }

    /// Changes what a device may do from now on; a dismissed one is admitted again, and what it wrote meanwhile counts.
    /// False if it has that role already.
    pub fn change_role(&mut self, device: &DeviceId, role: Role, now: UtcMillis) -> Result<bool, Error> {
        let crew = self.crew()?;
        self.must_keep(&crew)?;
        if crew.role_of(device) == Some(role) {
            return Ok(false);
        }
        let last = crew.members().iter().all(|(d, m)| d == device || m.role != Role::Keeper);
        if crew.is_keeper(device) && last {
            return Err(Error::Request(
                "it is the only keeper: make another device keeper first (`leadline crew role DEVICE keeper`)"
                    .to_owned(),
            ));
        }
        let op = self.standing(&crew, *device, Some(role), text("reason", "given another role")?)?;
        self.append(vec![vec![op]], &[], now).map(|_| true)
    }

    /// Gives this device a name in the crew. False if it has it already.
    pub fn name_this_device(&mut self, name: &Text, now: UtcMillis) -> Result<bool, Error> {
        let (crew, me) = (self.crew()?, self.device());
        if crew.name_of(&me) == Some(name) {
            return Ok(false);
        }
        let op = Op::DeviceName { name: name.clone(), replaces: crew.live_names(&me) };
        self.append(vec![vec![op]], &[], now).map(|_| true)
    }

    /// The device of the crew that `text` means: its name, or the start of its id (4 digits at least).
    pub fn device_named(&self, text: &str) -> Result<DeviceId, Error> {
        let crew = self.crew()?;
        let known = || crew.devices().filter(|d| crew.name_of(d).is_some());
        let mut found: Vec<_> =
            known().filter(|d| crew.name_of(d).is_some_and(|n| n.as_str() == text)).collect();
        if found.is_empty() && text.len() >= 4 {
            found = known().filter(|d| d.to_string().starts_with(text)).collect();
        }
        match found.as_slice() {
            [one] => Ok(**one),
            [] => Err(Error::Request(format!(
                "no device of this crew is called {}; `leadline crew list` shows their names and ids",
                text.escape_debug()
            ))),
            several => Err(Error::Request(format!(
                "{} is the name of several devices: take the id of one ({})",
                text.escape_debug(),
                several.iter().map(|d| d.to_string()[..16].to_owned()).collect::<Vec<_>>().join(", ")
            ))),
        }
    }

    fn must_keep(&self, crew: &Crew) -> Result<(), Error> {
        if crew.is_keeper(&self.device()) { Ok(()) } else { Err(Error::NotKeeper) }
    }

    /// A word on `device` that lets all count that is in force now, in the place of all earlier words.
    fn standing(&self, crew: &Crew, device: DeviceId, role: Option<Role>, why: Text) -> Result<Op, Error> {
        let logs = self.have()?.0.into_iter().filter(|l| l.device == device && l.top > 0);
        let mut cuts: Vec<Cut> = logs.map(|l| Cut { epoch: l.epoch, seq: l.top, id: l.top_id }).collect();
        // More runs of the store than an entry can name: the longest ones.
        cuts.sort_by_key(|c| (Reverse(c.seq), c.epoch));
        cuts.truncate(MAX_CUTS);
        cuts.sort_by_key(|c| c.epoch);
        let replaces = crew.live_standings(&device);
        Ok(Op::Standing(Standing { device, role, cuts, why, replaces }))
    }
}

fn name_of(crew: &Crew, device: &DeviceId) -> String {
    crew.name_of(device).map_or_else(|| device.short(), ToString::to_string)
}

/// Changes the survey's secret: a new one by chance, kept here and announced to the crew, which is given it in meetings.
/// Returns which change it is.
pub fn rotate_secret(home: &Home, store: &mut Store, now: UtcMillis) -> Result<u32, Error> {
    announce_secret(home, store, Vec::new(), now)
}

/// Dismisses another device and changes the survey's secret, both or nothing. Returns which change it is.
pub fn dismiss_and_rotate(
    home: &Home,
    store: &mut Store,
    device: &DeviceId,
    why: Text,
    now: UtcMillis,
) -> Result<u32, Error> {
    let dismissal = store.dismissal(device, why)?;
    announce_secret(home, store, vec![vec![dismissal]], now)
}

fn announce_secret(
    home: &Home,
    store: &mut Store,
    mut groups: Vec<Vec<Op>>,
    now: UtcMillis,
) -> Result<u32, Error> {
    let crew = store.crew()?;
    store.must_keep(&crew)?;
    let secrets = home.secret_ring(&store.survey());
    let (newest, announced) = (secrets.newest()?, crew.secret().map_or(0, |(g, _)| g));
    let known = newest.generation.max(announced);
    let generation = known.checked_add(1).ok_or_else(|| {
        Error::Request("the secret was changed as often as it can be: begin a new survey".to_owned())
    })?;
    // One that was kept and never announced is left of a command that was cut off: this one finishes it.
    let (generation, secret) = match newest {
        left if left.generation > announced => (left.generation, left.secret),
        _ => (generation, random()),
    };
    // Kept before it is announced: nobody else has it.
    secrets.keep(generation, &secret)?;
    groups.push(vec![Op::Secret { generation, digest: secret_digest(&secret) }]);
    store.append(groups, &[], now).inspect_err(|_| secrets.forget(generation, &secret))?;
    Ok(generation)
}

/// Whether an entry lets a device in, or in again.
fn admits(entry: &Entry, device: &DeviceId) -> bool {
    entry.ops().iter().any(|op| match op {
        Op::Member(m) => m.device == *device,
        Op::Standing(s) => s.device == *device && s.role.is_some(),
        _ => false,
    })
}

#[cfg(test)]
mod meetings;
#[cfg(test)]
mod tests;
