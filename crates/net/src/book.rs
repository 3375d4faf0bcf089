//! Whom to dial, and when: found devices and typed addresses. No sockets, no clock.

use libp2p::{Multiaddr, PeerId};
use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;
use tokio::time::Instant;

/// Found devices that are kept. The local network's announcements are anybody's.
const PEERS_MAX: usize = 64;
/// Addresses that are kept of one.
const ADDRESSES_MAX: usize = 8;
/// Only the lower peer id dials a found device; the higher one does too if it has not heard from it for so long.
const FALLBACK: Duration = Duration::from_secs(5);
const FIRST_WAIT: Duration = Duration::from_secs(2);
const LONGEST_WAIT: Duration = Duration::from_secs(30);
/// After so many failed dials a found device is left alone until it announces itself anew: a stranger's program.
const FAILURES_MAX: u32 = 5;

/// Whom to dial.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Target {
    /// A found device, at one of its addresses.
    Peer(PeerId, Multiaddr),
    /// A typed address.
    Typed(Multiaddr),
}

/// How an address was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum By {
    /// Anybody's announcement.
    Mdns,
    /// A beacon that proves the survey's secret; `shy` = that device does not dial.
    Beacon { shy: bool },
}

/// An address, and who still tells it.
#[derive(Debug)]
struct Place {
    addr: Multiaddr,
    mdns: bool,
    beacon: bool,
}

impl Place {
    fn new(addr: Multiaddr) -> Self {
        Self { addr, mdns: false, beacon: false }
    }

    fn told(&mut self, by: By, is: bool) {
        match by {
            By::Mdns => self.mdns = is,
            By::Beacon { .. } => self.beacon = is,
        }
    }
}

#[derive(Debug)]
struct Row {
    addresses: VecDeque<Place>,
    /// Holds the survey's secret: never given up while it is near.
    proven: bool,
    /// It waits to be dialled, whichever id is lower.
    shy: bool,
    /// `None`: not by itself.
    due: Option<Instant>,
    failures: u32,
    busy: bool,
}

/// The address book of one run.
#[derive(Debug)]
pub(crate) struct Book {
    own: PeerId,
    /// Meet again after this time; `None` = once.
    again: Option<Duration>,
    /// Dials no found device.
    shy: bool,
    found: BTreeMap<PeerId, Row>,
    typed: BTreeMap<Multiaddr, Row>,
}

impl Book {
    pub(crate) fn new(own: PeerId, again: Option<Duration>, shy: bool) -> Self {
        Self { own, again, shy, found: BTreeMap::new(), typed: BTreeMap::new() }
    }

    /// A typed address is dialled at once.
    pub(crate) fn type_in(&mut self, addr: Multiaddr, now: Instant) {
        let row = Row {
            addresses: [Place::new(addr.clone())].into(),
            proven: false,
            shy: false,
            due: Some(now),
            failures: 0,
            busy: false,
        };
        self.typed.insert(addr, row);
    }

    /// A device announced itself. True if it or the address is new.
    pub(crate) fn find(&mut self, peer: PeerId, addr: Multiaddr, by: By, now: Instant) -> bool {
        if peer == self.own || (self.found.len() >= PEERS_MAX && !self.found.contains_key(&peer)) {
            return false;
        }
        let first = (!self.shy).then(|| now + self.patience_with(&peer, by == By::Beacon { shy: true }));
        let row = self.found.entry(peer).or_insert_with(|| Row {
            addresses: VecDeque::new(),
            proven: false,
            shy: false,
            due: first,
            failures: 0,
            busy: false,
        });
        if let By::Beacon { shy } = by {
            if (!row.proven || shy && !row.shy) && !row.busy && row.due.is_some() {
                // What a stranger's announcement has put off is worth trying now.
                row.due = row.due.min(first);
            }
            (row.proven, row.shy) = (true, shy);
        }
        if let Some(place) = row.addresses.iter_mut().find(|p| p.addr == addr) {
            place.told(by, true);
            return false;
        }
        row.addresses.truncate(ADDRESSES_MAX - 1);
        // The newest first: an old one may be stale.
        let mut place = Place::new(addr);
        place.told(by, true);
        row.addresses.push_front(place);
        if row.failures > 0 && !row.busy && !self.shy {
            row.failures = 0;
            row.due = first;
        }
        true
    }

    /// How long to leave the dialling to the other end.
    fn patience_with(&self, peer: &PeerId, shy: bool) -> Duration {
        if shy || self.own < *peer { Duration::ZERO } else { FALLBACK }
    }

    /// A device says that it leaves. True if it was known.
    pub(crate) fn left(&mut self, peer: &PeerId) -> bool {
        self.found.remove(peer).is_some()
    }

    /// A device has not announced itself in this way at this address for long. True if it has none left and is
    /// forgotten.
    pub(crate) fn lose(&mut self, peer: &PeerId, addr: &Multiaddr, by: By) -> bool {
        let Some(row) = self.found.get_mut(peer) else { return false };
        row.addresses.iter_mut().filter(|p| p.addr == *addr).for_each(|p| p.told(by, false));
        row.addresses.retain(|p| p.mdns || p.beacon);
        row.addresses.is_empty() && self.found.remove(peer).is_some()
    }

    /// Whom to dial now; each is marked busy until [`Self::met`] or [`Self::failed`].
    pub(crate) fn due(&mut self, now: Instant) -> Vec<Target> {
        let mut targets = Vec::new();
        let is_due = |row: &Row| !row.busy && row.due.is_some_and(|d| d <= now);
        for (peer, row) in self.found.iter_mut().filter(|(_, r)| is_due(r)) {
            // One address a dial: a stale one that answers with another id would fail the whole dial.
            if let Some(place) = row.addresses.front() {
                row.busy = true;
                targets.push(Target::Peer(*peer, place.addr.clone()));
            }
        }
        for (addr, row) in self.typed.iter_mut().filter(|(_, r)| is_due(r)) {
            row.busy = true;
            targets.push(Target::Typed(addr.clone()));
        }
        targets
    }

    /// A meeting with a peer has begun by its dialling: no need for our own.
    pub(crate) fn heard(&mut self, peer: &PeerId) {
        if let Some(row) = self.found.get_mut(peer).filter(|r| !r.busy) {
            row.due = None;
        }
    }

    /// A meeting is done.
    pub(crate) fn met(&mut self, target: Option<&Target>, peer: &PeerId, now: Instant) {
        let due = self.again.map(|a| now + a).filter(|_| !self.shy);
        if let Some(row) = target.and_then(|t| self.row(t)) {
            (row.busy, row.failures, row.due) = (false, 0, due);
        }
        // The lower id keeps up the meetings; the higher one only if it does not.
        let slower = self.patience_with(peer, self.found.get(peer).is_some_and(|r| r.shy));
        if let Some(row) = self.found.get_mut(peer).filter(|r| !r.busy) {
            (row.failures, row.due) = (0, due.map(|d| d + slower));
        }
    }

    /// A dial or a meeting failed; when it is tried again.
    pub(crate) fn failed(&mut self, target: &Target, now: Instant) -> Option<Duration> {
        let (typed, again) = (matches!(target, Target::Typed(_)), self.again.is_some());
        let row = self.row(target)?;
        row.busy = false;
        row.failures += 1;
        row.addresses.rotate_left(1);
        let wait = (FIRST_WAIT * 2u32.saturating_pow(row.failures - 1)).min(LONGEST_WAIT);
        let go_on = if typed { again } else { row.proven || row.failures < FAILURES_MAX };
        row.due = go_on.then_some(now + wait);
        go_on.then_some(wait)
    }

    /// A meeting the peer had dialled for failed: ours may be due after a while.
    pub(crate) fn broke(&mut self, peer: &PeerId, now: Instant) {
        let wait = if self.own < *peer { FIRST_WAIT } else { FALLBACK };
        if let Some(row) = self.found.get_mut(peer).filter(|r| !r.busy && !self.shy) {
            row.due = Some(now + wait);
        }
    }

    fn row(&mut self, target: &Target) -> Option<&mut Row> {
        match target {
            Target::Peer(peer, _) => self.found.get_mut(peer),
            Target::Typed(addr) => self.typed.get_mut(addr),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use libp2p::identity::Keypair;

    fn ids() -> (PeerId, PeerId) {
        let make = |n: u8| Keypair::ed25519_from_bytes([n; 32]).expect("32 bytes").public().to_peer_id();
        let (a, b) = (make(1), make(2));
        if a < b { (a, b) } else { (b, a) }
    }

    fn addr(n: u16) -> Multiaddr {
        format!("/ip4/10.0.0.1/tcp/{n}").parse().expect("an address")
    }

    #[test]
    fn the_lower_id_dials_and_the_higher_only_later() {
        let (low, high) = ids();
        let now = Instant::now();
        let mut book = Book::new(low, None, false);
        assert!(book.find(high, addr(1), By::Mdns, now));
        assert_eq!(book.due(now), vec![Target::Peer(high, addr(1))]);
        assert!(book.due(now).is_empty(), "busy");
        let mut book = Book::new(high, None, false);
        book.find(low, addr(1), By::Mdns, now);
        assert!(book.due(now).is_empty());
        assert_eq!(book.due(now + FALLBACK).len(), 1);
        let mut book = Book::new(high, None, false);
        book.find(low, addr(1), By::Mdns, now);
        book.heard(&low);
        assert!(book.due(now + FALLBACK).is_empty(), "the lower one came");
    }

    #[test]
    fn one_address_a_dial_and_the_next_after_a_failure() {
        let (low, high) = ids();
        let now = Instant::now();
        let mut book = Book::new(low, None, false);
        book.find(high, addr(1), By::Mdns, now);
        book.find(high, addr(2), By::Mdns, now);
        let first = book.due(now);
        assert_eq!(first, vec![Target::Peer(high, addr(2))]);
        assert_eq!(book.failed(&first[0], now), Some(FIRST_WAIT));
        assert_eq!(book.due(now + FIRST_WAIT), vec![Target::Peer(high, addr(1))]);
        assert!(!book.lose(&high, &addr(1), By::Mdns));
        assert!(book.lose(&high, &addr(2), By::Mdns));
    }

    #[test]
    fn strangers_are_left_alone_and_typed_addresses_are_not() {
        let (low, high) = ids();
        let mut now = Instant::now();
        let mut book = Book::new(low, Some(FALLBACK), false);
        book.find(high, addr(1), By::Mdns, now);
        book.type_in(addr(9), now);
        let mut dials = [0, 0];
        for _ in 0..40 {
            for target in book.due(now) {
                dials[usize::from(matches!(target, Target::Typed(_)))] += 1;
                book.failed(&target, now);
            }
            now += LONGEST_WAIT;
        }
        assert_eq!(dials, [FAILURES_MAX, 40]);
        // Anybody can announce devices: only so many are kept.
        for n in 0..200u8 {
            let peer = Keypair::ed25519_from_bytes([n; 32]).expect("32 bytes").public().to_peer_id();
            book.find(peer, addr(1), By::Mdns, now);
        }
        assert!(book.found.len() <= PEERS_MAX);
    }

    #[test]
    fn once_means_once() {
        let (low, high) = ids();
        let now = Instant::now();
        for (again, dials) in [(None, 0), (Some(Duration::from_secs(20)), 1)] {
            let mut book = Book::new(low, again, false);
            book.find(high, addr(1), By::Mdns, now);
            let target = book.due(now).remove(0);
            book.met(Some(&target), &high, now);
            assert_eq!(book.due(now + LONGEST_WAIT).len(), dials);
        }
    }

    #[test]
    fn who_proves_the_secret_is_never_given_up_and_a_shy_one_is_dialled_by_either() {
        let (low, high) = ids();
        let mut now = Instant::now();
        let mut book = Book::new(low, None, false);
        book.find(high, addr(1), By::Beacon { shy: false }, now);
        for n in 0..4 * FAILURES_MAX {
            let due = book.due(now);
            assert_eq!(due.len(), 1, "dial {n}");
            book.failed(&due[0], now);
            now += LONGEST_WAIT;
        }
        let mut book = Book::new(high, None, false);
        book.find(low, addr(1), By::Beacon { shy: true }, now);
        assert_eq!(book.due(now).len(), 1);
        let mut shy = Book::new(low, Some(FALLBACK), true);
        shy.find(high, addr(1), By::Beacon { shy: false }, now);
        shy.broke(&high, now);
        shy.met(None, &high, now);
        assert!(shy.due(now + LONGEST_WAIT).is_empty());
    }

    #[test]
    fn what_one_way_of_finding_loses_the_other_may_still_tell() {
        let (low, high) = ids();
        let now = Instant::now();
        let mut book = Book::new(low, None, false);
        book.find(high, addr(1), By::Mdns, now);
        book.find(high, addr(1), By::Beacon { shy: false }, now);
        assert!(!book.lose(&high, &addr(1), By::Mdns));
        book.find(high, addr(1), By::Mdns, now);
        assert!(!book.lose(&high, &addr(1), By::Beacon { shy: false }));
        assert!(book.lose(&high, &addr(1), By::Mdns));
    }

    #[test]
    fn a_new_address_is_tried_first_and_the_oldest_is_dropped() {
        let (low, high) = ids();
        let now = Instant::now();
        let mut book = Book::new(low, None, false);
        for n in 1..=20 {
            book.find(high, addr(n), By::Beacon { shy: false }, now);
        }
        assert_eq!(book.found[&high].addresses.len(), ADDRESSES_MAX);
        assert_eq!(book.due(now), vec![Target::Peer(high, addr(20))]);
        assert!(book.left(&high) && book.due(now + LONGEST_WAIT).is_empty());
    }
}
