//! Who is near: what the beacons of one crew say. No sockets, no clock.

use crate::beacon::{self, Says};
use leadline_sync::beacon_who;
use libp2p::multiaddr::Protocol;
use libp2p::{Multiaddr, PeerId};
use std::collections::{BTreeMap, VecDeque};
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;
use tokio::time::Instant;

/// Time between two beacons.
pub(crate) const EVERY: Duration = Duration::from_secs(2);
/// After so long without a beacon a device, or one of its addresses, is gone: five may be lost in a row.
pub(crate) const GONE: Duration = Duration::from_secs(12);
/// Devices that are kept.
const PEERS_MAX: usize = 64;
/// Addresses that are kept of one.
const ADDRESSES_MAX: usize = 8;
/// Devices that are gone and whose counter is still known, so that a recorded beacon does not bring them back.
const PAST_MAX: usize = 256;
/// Datagrams of one address that are looked at in a second.
const RATE: u32 = 20;
/// Addresses that are counted.
const SENDERS_MAX: usize = 256;

/// A device that was heard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Heard {
    pub(crate) peer: PeerId,
    pub(crate) address: Multiaddr,
    /// Which device, if it is a known one.
    pub(crate) device: Option<[u8; 32]>,
    /// It waits to be dialled.
    pub(crate) shy: bool,
    /// It, or the address, was not near before.
    pub(crate) new: bool,
}

/// What a beacon tells.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum News {
    Here(Heard),
    /// It says that it leaves.
    Left(PeerId),
    /// It has not been heard at this address for long.
    Lost(PeerId, Multiaddr),
}

#[derive(Debug)]
struct Row {
    counter: u32,
    device: Option<[u8; 32]>,
    addresses: BTreeMap<Multiaddr, Instant>,
}

/// The devices of one crew whose beacons are heard.
pub(crate) struct Near {
    secret: [u8; 32],
    own: PeerId,
    known: Vec<[u8; 32]>,
    rows: BTreeMap<PeerId, Row>,
    past: VecDeque<(PeerId, u32)>,
    rate: Rate,
}

impl Near {
    pub(crate) fn new(secret: [u8; 32], own: PeerId, known: Vec<[u8; 32]>) -> Self {
        Self { secret, own, known, rows: BTreeMap::new(), past: VecDeque::new(), rate: Rate::default() }
    }

    /// Takes in a datagram. Whoever does not hold the secret, and whatever was heard before, is no news.
    pub(crate) fn hear(&mut self, bytes: &[u8], from: SocketAddr, now: Instant) -> Option<News> {
        if !self.rate.allows(from.ip(), now) {
            return None;
        }
        let b = beacon::read(bytes).filter(|b| b.peer != self.own)?;
        let Says::Crew { leaving, shy, who, .. } = b.says else { return None };
        let address = address(from.ip(), b.port)?;
        if !beacon::proves(bytes, &self.secret, from.ip()) || !self.is_newer(&b.peer, b.counter) {
            return None;
        }
        if leaving {
            self.forget(&b.peer, b.counter);
            return Some(News::Left(b.peer));
        }
        if !self.rows.contains_key(&b.peer) && self.rows.len() >= PEERS_MAX {
            return None;
        }
        let device = self.rows.get(&b.peer).map_or_else(|| self.name(&b.peer, &who), |r| r.device);
        let row = self.rows.entry(b.peer).or_insert_with(|| Row {
            counter: b.counter,
            device,
            addresses: BTreeMap::new(),
        });
        row.counter = row.counter.max(b.counter);
        let new = !row.addresses.contains_key(&address);
        if new && row.addresses.len() >= ADDRESSES_MAX {
            let oldest = row.addresses.iter().min_by_key(|(_, seen)| **seen).map(|(a, _)| a.clone());
            oldest.and_then(|a| row.addresses.remove(&a));
        }
        row.addresses.insert(address.clone(), now);
        Some(News::Here(Heard { peer: b.peer, address, device, shy, new }))
    }

    /// A beacon goes out at each address with the same counter, so an equal one is as good as a higher one for a
    /// device that is near.
    fn is_newer(&self, peer: &PeerId, counter: u32) -> bool {
        let near = self.rows.get(peer).is_none_or(|r| counter >= r.counter);
        near && self.past.iter().all(|(p, c)| p != peer || counter > *c)
    }

    fn name(&self, peer: &PeerId, who: &[u8]) -> Option<[u8; 32]> {
        let run = peer.to_bytes();
        self.known.iter().find(|d| beacon_who(&self.secret, &run, d) == who).copied()
    }

    /// Addresses that have not been heard for long.
    pub(crate) fn lost(&mut self, now: Instant) -> Vec<(PeerId, Multiaddr)> {
        let mut lost = Vec::new();
        for (peer, row) in &mut self.rows {
            row.addresses.retain(|address, seen| {
                let stays = now.duration_since(*seen) < GONE;
                if !stays {
                    lost.push((*peer, address.clone()));
                }
                stays
            });
        }
        let empty: Vec<_> =
            self.rows.iter().filter(|(_, r)| r.addresses.is_empty()).map(|(p, r)| (*p, r.counter)).collect();
        for (peer, counter) in empty {
            self.forget(&peer, counter);
        }
        lost
    }

    fn forget(&mut self, peer: &PeerId, counter: u32) {
        self.rows.remove(peer);
        self.past.retain(|(p, _)| p != peer);
        self.past.push_back((*peer, counter));
        if self.past.len() > PAST_MAX {
            self.past.pop_front();
        }
    }
}

/// The address that a beacon gives, if it can be dialled.
pub(crate) fn address(ip: IpAddr, port: u16) -> Option<Multiaddr> {
    let ip = match ip {
        IpAddr::V4(v4) => Protocol::Ip4(v4),
        IpAddr::V6(v6) if v6.is_unicast_link_local() => return None,
        IpAddr::V6(v6) => Protocol::Ip6(v6),
    };
    Some(Multiaddr::empty().with(ip).with(Protocol::Tcp(port)))
}

/// Counts datagrams by sender and second.
#[derive(Debug, Default)]
struct Rate {
    since: Option<Instant>,
    counts: BTreeMap<IpAddr, u32>,
}

impl Rate {
    fn allows(&mut self, from: IpAddr, now: Instant) -> bool {
        if self.since.is_none_or(|s| now.duration_since(s) >= Duration::from_secs(1)) {
            self.since = Some(now);
            self.counts.clear();
        }
        if !self.counts.contains_key(&from) && self.counts.len() >= SENDERS_MAX {
            return false;
        }
        let count = self.counts.entry(from).or_default();
        *count += 1;
        *count <= RATE
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::beacon::{Speaker, crew, door};
    use libp2p::identity::Keypair;

    fn peer(n: u8) -> PeerId {
        Keypair::ed25519_from_bytes([n; 32]).expect("32 bytes").public().to_peer_id()
    }

    fn from(n: u8) -> SocketAddr {
        SocketAddr::from(([10, 0, 0, n], 40_000))
    }

    fn beacon(n: u8, counter: u32, leaving: bool) -> Vec<u8> {
        let speaker = Speaker { secret: &[9; 32], device: &[n; 32], peer: &peer(n), shy: false };
        crew(speaker, leaving, counter, from(n).ip(), 4700)
    }

    fn near() -> Near {
        Near::new([9; 32], peer(1), vec![[3; 32], [2; 32]])
    }

    #[test]
    fn known_devices_are_named_and_go_when_silent() {
        let (mut n, now) = (near(), Instant::now());
        let Some(News::Here(h)) = n.hear(&beacon(2, 1, false), from(2), now) else { panic!("not heard") };
        assert_eq!((h.device, h.new), (Some([2; 32]), true));
        assert_eq!(h.address.to_string(), "/ip4/10.0.0.2/tcp/4700");
        let Some(News::Here(h)) = n.hear(&beacon(4, 1, false), from(4), now) else { panic!("not heard") };
        assert_eq!(h.device, None, "of the crew, but not known yet");
        assert!(n.lost(now + GONE / 2).is_empty());
        n.hear(&beacon(4, 2, false), from(4), now + GONE / 2);
        assert_eq!(n.lost(now + GONE).len(), 1);
        assert_eq!(n.hear(&beacon(4, 3, true), from(4), now + GONE), Some(News::Left(peer(4))));
    }

    #[test]
    fn strangers_and_replays_are_no_news() {
        let (mut n, now) = (near(), Instant::now());
        let recorded = beacon(2, 5, false);
        assert_eq!(n.hear(&recorded, from(7), now), None, "from another address");
        assert_eq!(n.hear(&beacon(1, 5, false), from(1), now), None, "our own");
        assert_eq!(n.hear(&door(42, &peer(2), 6, 4700), from(2), now), None, "a door");
        let mut other = Near::new([8; 32], peer(1), vec![]);
        assert_eq!(other.hear(&recorded, from(2), now), None, "another crew");
        assert!(n.hear(&recorded, from(2), now).is_some());
        n.hear(&beacon(2, 6, false), from(2), now);
        assert_eq!(n.hear(&recorded, from(2), now), None, "older than what was heard");
        // The device dies; what was recorded of it does not bring it back, one second or an hour later.
        assert_eq!(n.lost(now + GONE).len(), 1);
        for later in [1, 3600] {
            let now = now + GONE + Duration::from_secs(later);
            assert_eq!(n.hear(&beacon(2, 6, false), from(2), now), None);
        }
        // Nor after it has said that it leaves.
        n.hear(&beacon(3, 1, false), from(3), now);
        n.hear(&beacon(3, 2, true), from(3), now);
        assert_eq!(n.hear(&beacon(3, 1, false), from(3), now), None);
    }

    #[test]
    fn a_flood_of_one_sender_does_not_drown_another_and_tables_are_bounded() {
        let (mut n, now) = (near(), Instant::now());
        for _ in 0..10_000 {
            n.hear(b"LdLn of a stranger", from(66), now);
        }
        assert!(n.hear(&beacon(2, 1, false), from(2), now).is_some());
        assert!(n.hear(&beacon(6, 1, false), from(66), now).is_none());
        for i in 0..2_000u32 {
            let ip = IpAddr::from(i.to_be_bytes());
            let p = Keypair::generate_ed25519().public().to_peer_id();
            let s = Speaker { secret: &[9; 32], device: &[1; 32], peer: &p, shy: false };
            let later = now + Duration::from_millis(u64::from(i) * 10);
            n.hear(&crew(s, false, 1, ip, 9), SocketAddr::new(ip, 1), later);
        }
        assert!(n.rows.len() <= PEERS_MAX && n.past.len() <= PAST_MAX && n.rate.counts.len() <= SENDERS_MAX);
    }

    #[test]
    fn an_address_of_one_link_is_not_taken() {
        assert_eq!(address("fe80::1".parse().expect("an address"), 1), None);
        assert!(address("fd77::1".parse().expect("an address"), 1).is_some());
        assert!(address(IpAddr::from([169, 254, 3, 4]), 1).is_some());
    }
}
