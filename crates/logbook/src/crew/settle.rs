//! From statements to the crew: which of them count, and what follows.

use super::{CrewMember, Cuts, Dismissed, Spoken, Statement};
use crate::{Cut, Role, Standing, WriteRef};
use leadline_model::{DeviceId, Digest, EntryId, Text};
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

type All = BTreeMap<WriteRef, Spoken>;
type Pairs = BTreeSet<(EntryId, EntryId)>;
/// What decides how a device's entries count: its role by admission, and the keepers' words on it.
type Part = (Option<Role>, Vec<WriteRef>);
/// A keeper's word on a device, and the keeper.
pub(super) type Word<'a> = (WriteRef, &'a Standing, DeviceId);
/// A name that a device gave itself, and what it takes the place of.
type Naming<'a> = (WriteRef, &'a Text, &'a [WriteRef]);
/// Of two admissions the smaller one holds: founding, then the higher role, then the smaller key.
type Rank = (bool, Reverse<Role>, WriteRef);

/// Rounds after which what still goes back and forth counts. Honest crews need three or four.
const ROUNDS: usize = 64;

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Settled {
    pub(super) founder: Option<DeviceId>,
    pub(super) members: BTreeMap<DeviceId, CrewMember>,
    pub(super) dismissed: BTreeMap<DeviceId, Dismissed>,
    pub(super) standings: BTreeMap<DeviceId, Vec<WriteRef>>,
    pub(super) names: BTreeMap<DeviceId, (Text, Vec<WriteRef>)>,
    /// The write of each invite.
    pub(super) invites: BTreeMap<[u8; 32], WriteRef>,
    pub(super) used: BTreeMap<[u8; 32], BTreeSet<DeviceId>>,
    /// Changes of the secret, the greatest number first.
    pub(super) secrets: BTreeSet<(Reverse<u32>, Digest)>,
    /// Entries with statements that count and need a keeper.
    pub(super) speaking: BTreeSet<EntryId>,
    /// Devices whose entries are kept and whose statements are weighed.
    pub(super) known: BTreeSet<DeviceId>,
    parts: BTreeMap<DeviceId, Part>,
}

impl Settled {
    pub(super) fn parts(&self) -> &BTreeMap<DeviceId, Part> {
        &self.parts
    }

    pub(super) fn standings_on<'a>(&self, device: &DeviceId, said: &'a All) -> Vec<Word<'a>> {
        self.standings.get(device).map(|refs| words(refs, said)).unwrap_or_default()
    }
}

fn words<'a>(refs: &[WriteRef], said: &'a All) -> Vec<Word<'a>> {
    let word = |n: &WriteRef| match said.get(n) {
        Some(Spoken { place, statement: Statement::Stands(s) }) => Some((*n, s, place.device)),
        _ => None,
    };
    refs.iter().filter_map(word).collect()
}

/// Pairs of a cut's entry and an entry with a statement that it reaches.
pub(super) fn within(said: &All, cuts: &dyn Cuts) -> Pairs {
    let mut by_device: BTreeMap<DeviceId, BTreeSet<EntryId>> = BTreeMap::new();
    let mut places = BTreeMap::new();
    for s in said.values() {
        by_device.entry(s.place.device).or_default().insert(s.place.id);
        places.insert(s.place.id, s.place);
    }
    let mut pairs = Pairs::new();
    for spoken in said.values() {
        let Statement::Stands(standing) = &spoken.statement else { continue };
        for place in by_device.get(&standing.device).into_iter().flatten().filter_map(|id| places.get(id)) {
            let reached = standing.cuts.iter().find(|c| cuts.reaches(c, place));
            pairs.extend(reached.map(|c| (c.id, place.id)));
        }
    }
    pairs
}

/// The words that no other of them takes the place of.
pub(super) fn live<'a>(words: &[Word<'a>]) -> Vec<Word<'a>> {
    let replaced: BTreeSet<_> = words.iter().flat_map(|(_, s, _)| &s.replaces).collect();
    words.iter().filter(|(n, ..)| !replaced.contains(n)).copied().collect()
}

/// The role under which an entry counts: `reaches` tells whether it lies behind a cut. The words in force are looked
/// at first; if one of them has the entry behind its cut, those that they took the place of, and so on; at last the
/// role of the admission.
pub(super) fn role_at(
    words: &[Word<'_>],
    base: Option<Role>,
    reaches: &dyn Fn(&Cut) -> bool,
) -> Option<Role> {
    let mut rest = words.to_vec();
    while !rest.is_empty() {
        let live = live(&rest);
        let beyond = |s: &Standing| !s.cuts.iter().any(reaches);
        // Nothing in it stands unreplaced: a circle, which no honest program can write.
        if live.is_empty() {
            break;
        }
        if live.iter().all(|(_, s, _)| beyond(s)) {
            return live.iter().map(|(_, s, _)| s.role).min().flatten();
        }
        rest.retain(|(n, ..)| !live.iter().any(|(m, ..)| m == n));
    }
    base
}

pub(super) fn settle(said: &All, within: &Pairs) -> Settled {
    Settled { known: known(said), ..conclude(said, &counting(said, within)) }
}

/// Devices that ever were let in, if nobody's word put anybody out: their statements are weighed. It grows with what is
/// said and never shrinks, so that what is weighed does not depend on the order in which it came.
fn known(said: &All) -> BTreeSet<DeviceId> {
    let mut by_author: BTreeMap<DeviceId, Vec<(DeviceId, Option<Role>)>> = BTreeMap::new();
    let mut to_hear = Vec::new();
    for s in said.values() {
        let lets_in = match &s.statement {
            Statement::Founds(_) => {
                to_hear.push(s.place.device);
                continue;
            }
            Statement::Admits(m) => (m.device, Some(m.role)),
            Statement::Stands(w) => (w.device, w.role),
            _ => continue,
        };
        by_author.entry(s.place.device).or_default().push(lets_in);
    }
    let mut known: BTreeSet<DeviceId> = to_hear.iter().copied().collect();
    let mut keepers = known.clone();
    while let Some(keeper) = to_hear.pop() {
        for (device, role) in by_author.remove(&keeper).into_iter().flatten() {
            known.insert(device);
            if role == Some(Role::Keeper) && keepers.insert(device) {
                to_hear.push(device);
            }
        }
    }
    known
}

/// The statements that count. Round by round those are found that follow from what the founder and the keepers said,
/// where the words on devices are taken from the round before. Where two or more put each other out, the rounds go in
/// a circle; then all of the circle count.
fn counting(said: &All, within: &Pairs) -> BTreeSet<WriteRef> {
    let mut rounds: Vec<BTreeSet<WriteRef>> = vec![BTreeSet::new()];
    let mut last = 0;
    while last < ROUNDS {
        let next = round(said, within, &rounds[last]);
        if let Some(at) = rounds.iter().position(|r| *r == next) {
            return rounds[at..].iter().flatten().copied().collect();
        }
        rounds.push(next);
        last += 1;
    }
    rounds[last - 1..].iter().flatten().copied().collect()
}

/// What follows if the words on devices are those of `believed`.
fn round(said: &All, within: &Pairs, believed: &BTreeSet<WriteRef>) -> BTreeSet<WriteRef> {
    let mut by_author: BTreeMap<DeviceId, Vec<WriteRef>> = BTreeMap::new();
    let mut on: BTreeMap<DeviceId, Vec<WriteRef>> = BTreeMap::new();
    let mut base: BTreeMap<DeviceId, Role> = BTreeMap::new();
    for (n, s) in said {
        by_author.entry(s.place.device).or_default().push(*n);
        match &s.statement {
            Statement::Founds(_) => drop(base.insert(s.place.device, Role::Keeper)),
            Statement::Stands(w) if believed.contains(n) => on.entry(w.device).or_default().push(*n),
            _ => {}
        }
    }
    let mut follows = BTreeSet::new();
    let mut struck: BTreeSet<(DeviceId, Struck)> = BTreeSet::new();
    let mut to_hear: BTreeSet<DeviceId> = base.keys().chain(on.keys()).copied().collect();
    while let Some(device) = to_hear.pop_first() {
        let words = on.get(&device).map(|refs| words(refs, said)).unwrap_or_default();
        let role = base.get(&device).copied();
        for n in by_author.get(&device).into_iter().flatten() {
            let Some(spoken) = said.get(n) else { continue };
            if follows.contains(n) {
                continue;
            }
            let heard = is_heard(spoken, &words, role, within)
                || strikes_back(spoken, &words, role, within).is_some_and(|at| struck.insert((device, at)));
            if !heard {
                continue;
            }
            follows.insert(*n);
            if let Statement::Admits(m) = &spoken.statement
                && base.get(&m.device).is_none_or(|held| *held < m.role)
            {
                base.insert(m.device, m.role);
                to_hear.insert(m.device);
            }
        }
    }
    follows
}

/// Whether a device's statement counts, given the words on the device and its role by admission.
fn is_heard(spoken: &Spoken, words: &[Word<'_>], base: Option<Role>, within: &Pairs) -> bool {
    let role = role_at(words, base, &|cut| within_cut(within, cut, spoken));
    match &spoken.statement {
        Statement::Founds(_) => true,
        Statement::Named { .. } => role.is_some(),
        _ => role == Some(Role::Keeper),
    }
}

/// What is said of a keeper by a device that this keeper put out: about whom, and whether it admits.
type Struck = (DeviceId, bool);

/// Of what a device says of a keeper who put it out, one admission and one word count all the same: otherwise whoever is
/// quicker, or lies about the time, would silence the other. One each, so that nobody can go on for ever.
fn strikes_back(spoken: &Spoken, words: &[Word<'_>], base: Option<Role>, within: &Pairs) -> Option<Struck> {
    let (about, admits) = match &spoken.statement {
        Statement::Admits(m) => (m.device, true),
        Statement::Stands(s) => (s.device, false),
        _ => return None,
    };
    let others: Vec<_> = words.iter().filter(|(_, _, by)| *by != about).copied().collect();
    (others.len() < words.len() && is_heard(spoken, &others, base, within)).then_some((about, admits))
}

fn within_cut(within: &Pairs, cut: &Cut, spoken: &Spoken) -> bool {
    let p = &spoken.place;
    cut.epoch == p.epoch && p.seq <= cut.seq && within.contains(&(cut.id, p.id))
}

/// What the statements that count come to.
fn conclude(said: &All, counts: &BTreeSet<WriteRef>) -> Settled {
    let mut out = Settled::default();
    let mut admitted: BTreeMap<DeviceId, (Rank, Text, DeviceId)> = BTreeMap::new();
    let mut names: BTreeMap<DeviceId, Vec<Naming<'_>>> = BTreeMap::new();
    let mut place_in = |device: DeviceId, rank: Rank, name: &Text, by: DeviceId| {
        if admitted.get(&device).is_none_or(|(held, ..)| rank < *held) {
            admitted.insert(device, (rank, name.clone(), by));
        }
    };
    for (n, Spoken { place, statement }) in counts.iter().filter_map(|n| Some((*n, said.get(n)?))) {
        let author = place.device;
        if !matches!(statement, Statement::Named { .. }) {
            out.speaking.insert(place.id);
        }
        match statement {
            Statement::Founds(f) => {
                out.founder = Some(author);
                place_in(author, (false, Reverse(Role::Keeper), n), &f.device_name, author);
            }
            Statement::Admits(m) => {
                place_in(m.device, (true, Reverse(m.role), n), &m.name, author);
                if let Some(key) = m.invite {
                    out.used.entry(key).or_default().insert(m.device);
                }
            }
            Statement::Invites(i) => drop(out.invites.entry(i.key).or_insert(n)),
            Statement::Stands(s) => out.standings.entry(s.device).or_default().push(n),
            Statement::Secret { generation, digest } => {
                out.secrets.insert((Reverse(*generation), *digest));
            }
            Statement::Named { name, replaces } => {
                names.entry(author).or_default().push((n, name, replaces));
            }
        }
    }
    out.names = names.into_iter().filter_map(|(d, said)| Some((d, live_name(&said)?))).collect();
    let devices: BTreeSet<DeviceId> = admitted.keys().chain(out.standings.keys()).copied().collect();
    for device in devices {
        place_device(&mut out, said, device, admitted.get(&device));
    }
    out
}

/// Of several names that stand the one with the smallest key.
fn live_name(said: &[Naming<'_>]) -> Option<(Text, Vec<WriteRef>)> {
    let replaced: BTreeSet<_> = said.iter().flat_map(|(_, _, r)| *r).collect();
    let live: Vec<_> = said.iter().filter(|(n, ..)| !replaced.contains(n)).collect();
    live.first().map(|(_, name, _)| ((*name).clone(), live.iter().map(|(n, ..)| *n).collect()))
}

fn place_device(out: &mut Settled, said: &All, device: DeviceId, admitted: Option<&(Rank, Text, DeviceId)>) {
    let words = out.standings_on(&device, said);
    let base = admitted.map(|((_, Reverse(role), _), ..)| *role);
    let own_name = out.names.get(&device).map(|(name, _)| name.clone());
    let name = own_name
        .or_else(|| admitted.map(|(_, name, _)| name.clone()))
        .or_else(|| Text::new(&format!("device-{}", device.short())).ok());
    let Some(name) = name else { return };
    let live = live(&words);
    let word_of = live.iter().find(|(_, s, _)| s.role.is_none()).or(live.first());
    let refs = words.iter().map(|(n, ..)| *n).collect();
    match role_at(&words, base, &|_| false) {
        Some(role) => {
            let by = admitted.map(|(_, _, by)| *by).or(word_of.map(|(_, _, by)| *by)).unwrap_or(device);
            out.members.insert(device, CrewMember { name, role, by });
        }
        None => {
            // Without a word on it a device is here because it was admitted, and has a role.
            let Some((_, word, by)) = word_of else { return };
            let standings = live.iter().map(|(n, ..)| *n).collect();
            let dismissed = Dismissed { name, by: *by, why: word.why.clone(), standings };
            out.dismissed.insert(device, dismissed);
        }
    }
    out.parts.insert(device, (base, refs));
}
