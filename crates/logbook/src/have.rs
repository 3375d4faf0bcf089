//! Have-lists: what a device holds, in a few bytes per device and epoch.

use crate::Limits;
use leadline_model::{DeviceId, EntryId, Epoch};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// Where an entry stands in its device's logbook.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Place {
    /// The device that signed.
    pub device: DeviceId,
    /// Its run of the store.
    pub epoch: Epoch,
    /// Number within the epoch, from 1.
    pub seq: u64,
    /// The entry.
    pub id: EntryId,
    /// The entry before it in this epoch; all zeros for the first.
    pub prev: EntryId,
}

/// What is held of one device and epoch.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LogHave {
    /// The device that signed.
    pub device: DeviceId,
    /// Its run of the store.
    pub epoch: Epoch,
    /// Every entry of one unbroken chain from 1 to `top` is held; 0 = none.
    pub top: u64,
    /// The entry at `top`; all zeros when `top` is 0.
    pub top_id: EntryId,
    /// Held besides that chain: after a gap, or forked.
    pub extra: Vec<EntryId>,
}

/// A have-list: one [`LogHave`] per device and epoch, in that order.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Have(pub Vec<LogHave>);

impl Have {
    /// From all entries held, in any order.
    pub fn of(places: &[Place]) -> Self {
        Self(
            logs(places).into_iter().map(|((device, epoch), log)| have_of_log(device, epoch, &log)).collect(),
        )
    }

    /// Names entries that are kept and not in force, as after a gap: whoever has given them needs not give them again.
    /// Of devices of which nothing is in force at most `unknown` logs are named: anybody can make up devices, and those in
    /// force must not be crowded out.
    pub fn name_aside(
        &mut self,
        aside: impl IntoIterator<Item = (DeviceId, Epoch, EntryId)>,
        unknown: usize,
    ) {
        let mut named = 0;
        for (device, epoch, id) in aside {
            match self.0.binary_search_by_key(&(device, epoch), |l| (l.device, l.epoch)) {
                Ok(at) => self.0[at].extra.push(id),
                Err(_) if named >= unknown => {}
                Err(at) => {
                    named += 1;
                    let none = EntryId([0; 32]);
                    self.0.insert(at, LogHave { device, epoch, top: 0, top_id: none, extra: vec![id] });
                }
            }
        }
    }

    /// Entries of `held` that a peer with this have-list lacks, in (device, epoch, seq, id) order.
    pub fn missing_of(&self, held: &[Place]) -> Vec<EntryId> {
        self.missing_beside(held, &[])
    }

    /// The same for whoever also keeps entries `aside`, which are not in force here and not given. What they say of a
    /// log's chain counts: the peer may name one of them as the end of what it holds.
    pub fn missing_beside(&self, held: &[Place], aside: &[Place]) -> Vec<EntryId> {
        let theirs: BTreeMap<_, _> = self.0.iter().map(|l| ((l.device, l.epoch), l)).collect();
        let aside = logs(aside);
        let mut out = Vec::new();
        for (key, log) in logs(held) {
            match theirs.get(&key) {
                None => out.extend(log.iter().map(|p| p.id)),
                Some(t) => {
                    let known = log.iter().chain(aside.get(&key).into_iter().flatten()).copied().collect();
                    out.extend(log_missing(&log, &in_order(known), t));
                }
            }
        }
        out
    }

    /// Whether the list keeps to the limits: order, devices, and no more ids than a frame could carry.
    pub fn is_bounded(&self, limits: &Limits) -> bool {
        let sorted = self.0.windows(2).all(|w| (w[0].device, w[0].epoch) < (w[1].device, w[1].epoch));
        let devices: BTreeSet<_> = self.0.iter().map(|l| l.device).collect();
        let ids: usize = self.0.iter().map(|l| l.extra.len() + 1).sum();
        sorted && devices.len() <= limits.devices && ids * EntryId::LEN <= limits.frame
    }
}

type Log = Vec<Place>;

fn logs(places: &[Place]) -> BTreeMap<(DeviceId, Epoch), Log> {
    let mut map: BTreeMap<(DeviceId, Epoch), Log> = BTreeMap::new();
    for p in places {
        map.entry((p.device, p.epoch)).or_default().push(*p);
    }
    map.into_iter().map(|(key, log)| (key, in_order(log))).collect()
}

fn in_order(mut log: Log) -> Log {
    log.sort_by_key(|p| (p.seq, p.id));
    log.dedup();
    log
}

fn have_of_log(device: DeviceId, epoch: Epoch, log: &Log) -> LogHave {
    let chain = longest_chain(log);
    let (top, top_id) = chain.last().map_or((0, EntryId([0; 32])), |p| (p.seq, p.id));
    let on_chain: BTreeSet<_> = chain.iter().map(|p| p.id).collect();
    let extra = log.iter().map(|p| p.id).filter(|id| !on_chain.contains(id)).collect();
    LogHave { device, epoch, top, top_id, extra }
}

/// The chain from seq 1 that reaches farthest; of equals the one whose end has the smaller id.
fn longest_chain(log: &Log) -> Vec<Place> {
    let mut reached: BTreeMap<EntryId, Place> = BTreeMap::new();
    let mut best: Option<Place> = None;
    for p in log {
        let starts = p.seq == 1 && p.prev == EntryId([0; 32]);
        let follows = reached.get(&p.prev).is_some_and(|before| before.seq + 1 == p.seq);
        if starts || follows {
            reached.insert(p.id, *p);
            if best.is_none_or(|b| p.seq > b.seq) {
                best = Some(*p);
            }
        }
    }
    chain_to(best, &reached)
}

/// Back from `end`, each entry one number before the one after it. So it ends, also where ids go in a circle.
fn chain_to(end: Option<Place>, reached: &BTreeMap<EntryId, Place>) -> Vec<Place> {
    let mut chain = Vec::new();
    let mut at = end;
    while let Some(p) = at {
        chain.push(p);
        at = reached.get(&p.prev).copied().filter(|before| before.seq.checked_add(1) == Some(p.seq));
    }
    chain.reverse();
    chain
}

/// `known` is the log with what is kept aside of it.
fn log_missing(log: &Log, known: &Log, theirs: &LogHave) -> Vec<EntryId> {
    let extra: BTreeSet<_> = theirs.extra.iter().copied().collect();
    let by_id: BTreeMap<_, _> = known.iter().map(|p| (p.id, *p)).collect();
    // The chain that ends in their top: known only if we hold that entry. If we do not, they may be ahead of
    // us or on another branch; what we hold of a shared chain they hold too, up to where ours ends.
    let chain = chain_to(by_id.get(&theirs.top_id).copied(), &by_id);
    if chain.is_empty() && theirs.top > 0 && is_behind(known, theirs) {
        return Vec::new();
    }
    let covered: BTreeSet<_> = chain.iter().map(|p| p.id).collect();
    log.iter().map(|p| p.id).filter(|id| !covered.contains(id) && !extra.contains(id)).collect()
}

/// Their top is an entry we do not hold. If our log is one unforked chain shorter than theirs, ours is taken
/// as its beginning and nothing is sent; once their entries have come, a fork shows and the rest follows in
/// the next round. Otherwise everything they do not name is offered; what they hold they drop by id.
fn is_behind(known: &Log, theirs: &LogHave) -> bool {
    let ours = longest_chain(known);
    ours.len() == known.len() && ours.last().is_some_and(|p| p.seq < theirs.top)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn id(n: u8) -> EntryId {
        EntryId([n; 32])
    }

    fn place(seq: u64, n: u8, prev: u8) -> Place {
        Place { device: DeviceId([1; 32]), epoch: Epoch([0; 8]), seq, id: id(n), prev: id(prev) }
    }

    #[test]
    fn a_chain_is_one_line() {
        let held = [place(2, 12, 11), place(1, 11, 0), place(3, 13, 12)];
        let have = Have::of(&held);
        assert_eq!((have.0[0].top, have.0[0].top_id, have.0[0].extra.len()), (3, id(13), 0));
        assert!(have.missing_of(&held).is_empty());
        assert_eq!(Have::of(&held[..2]).missing_of(&held), vec![id(13)]);
        assert_eq!(Have::default().missing_of(&held), vec![id(11), id(12), id(13)]);
    }

    #[test]
    fn gaps_and_forks_go_by_id() {
        let held = [place(1, 11, 0), place(3, 13, 12), place(2, 22, 11)];
        let have = Have::of(&held);
        assert_eq!((have.0[0].top, have.0[0].top_id), (2, id(22)));
        assert_eq!(have.0[0].extra, vec![id(13)]);
        let full = [place(1, 11, 0), place(2, 12, 11), place(2, 22, 11), place(3, 13, 12)];
        assert_eq!(have.missing_of(&full), vec![id(12)]);
    }

    #[test]
    fn what_is_kept_aside_shows_a_fork() {
        // Theirs goes on from 1 over 22 to 33; here those are aside, and 12 is in force.
        let (held, aside) = ([place(1, 11, 0), place(2, 12, 11)], [place(2, 22, 11), place(3, 33, 22)]);
        let theirs = Have::of(&[held[0], aside[0], aside[1]]);
        assert_eq!(theirs.missing_beside(&held, &aside), vec![id(12)]);
        // Not known at all: theirs is taken for a longer beginning of the same.
        assert_eq!(theirs.missing_of(&held), vec![]);
        // What is aside is never given.
        assert_eq!(Have::default().missing_beside(&held, &aside), vec![id(11), id(12)]);
    }

    #[test]
    fn a_circle_of_ids_ends() {
        let held = [place(1, 11, 12), place(2, 12, 11), place(7, 0, 0)];
        let theirs = |top, n| Have(vec![LogHave { top, top_id: id(n), ..Have::of(&held).0.remove(0) }]);
        // What they name besides is not asked for again: all of it here.
        assert_eq!(theirs(2, 12).missing_of(&held), vec![]);
        assert_eq!(theirs(7, 0).missing_of(&held), vec![]);
        let bare = Have(vec![LogHave { extra: Vec::new(), ..theirs(2, 12).0.remove(0) }]);
        assert_eq!(bare.missing_of(&held), vec![id(0)]);
    }

    proptest! {
        /// Exchanging what the have-lists say is missing makes any two subsets of a forked log equal in two rounds.
        #[test]
        fn two_rounds_make_equal(mask_a in 0u16..1024, mask_b in 0u16..1024) {
            let all = [
                place(1, 11, 0), place(2, 12, 11), place(3, 13, 12), place(4, 14, 13), place(5, 15, 14),
                place(2, 22, 11), place(3, 23, 22), place(1, 31, 0), place(4, 44, 13), place(6, 16, 15),
            ];
            let pick = |m: u16| -> Vec<Place> {
                all.iter().enumerate().filter(|(i, _)| m >> i & 1 == 1).map(|(_, p)| *p).collect()
            };
            let (mut a, mut b) = (pick(mask_a), pick(mask_b));
            for _ in 0..3 {
                let (to_b, to_a) = (Have::of(&b).missing_of(&a), Have::of(&a).missing_of(&b));
                b.extend(all.iter().filter(|p| to_b.contains(&p.id)));
                a.extend(all.iter().filter(|p| to_a.contains(&p.id)));
            }
            prop_assert_eq!(Have::of(&a), Have::of(&b));
            let ids = |v: &[Place]| v.iter().map(|p| p.id).collect::<BTreeSet<_>>();
            prop_assert_eq!(ids(&a), ids(&b));
        }
    }
}
