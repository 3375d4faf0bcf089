//! The beacon: one small datagram by which devices of a crew find each other where mDNS does not get through, and by
//! which a visitor finds a door. docs/protocol.md draws its bytes.

use leadline_sync::{WHO_BYTES, beacon_tag, beacon_who};
use libp2p::PeerId;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

/// In the dynamic ports of RFC 6335; which one is a judgement.
pub(crate) const PORT: u16 = 51_847;
/// IPv4 Local Scope of RFC 2365, section 6.1.
pub(crate) const GROUP_V4: Ipv4Addr = Ipv4Addr::new(239, 255, 76, 76);
/// Transient, of one link: RFC 4291, section 2.7.
pub(crate) const GROUP_V6: Ipv6Addr = Ipv6Addr::new(0xff12, 0, 0, 0, 0, 0, 0x4c, 0x4c);

const MAGIC: [u8; 4] = *b"LdLn";
const VERSION: u8 = 1;
const HERE: u8 = 1;
const LEAVING: u8 = 2;
const DOOR: u8 = 3;
const SHY: u8 = 1;
/// Longer ones are of somebody else.
pub(crate) const MAX_BYTES: usize = 160;
const PEER_MAX: usize = 64;
const TAG_BYTES: usize = 16;

/// A beacon as read; its tag has not been looked at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Beacon {
    /// Where its sender listens, at the address it sends from.
    pub(crate) port: u16,
    /// Grows with every beacon of a run, so that a recorded one is old news.
    pub(crate) counter: u32,
    /// The sender's transport id: of chance, new in every run.
    pub(crate) peer: PeerId,
    /// What it is about.
    pub(crate) says: Says,
}

/// What a beacon is about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Says {
    /// A device of a crew is here, or leaves.
    Crew { leaving: bool, shy: bool, who: [u8; WHO_BYTES], tag: [u8; TAG_BYTES] },
    /// A door is open.
    Door { number: u16 },
}

/// Who speaks, for [`crew`].
#[derive(Clone, Copy)]
pub(crate) struct Speaker<'a> {
    pub(crate) secret: &'a [u8; 32],
    pub(crate) device: &'a [u8; 32],
    pub(crate) peer: &'a PeerId,
    /// It waits to be dialled: it holds a newer secret, and speaks here for those who do not.
    pub(crate) shy: bool,
}

/// The beacon of a device of a crew, for sending from `ip`.
pub(crate) fn crew(s: Speaker<'_>, leaving: bool, counter: u32, ip: IpAddr, port: u16) -> Vec<u8> {
    let mut out = head(if leaving { LEAVING } else { HERE }, counter, port, s.peer);
    out.push(if s.shy { SHY } else { 0 });
    out.extend(beacon_who(s.secret, &s.peer.to_bytes(), s.device));
    let tag = beacon_tag(s.secret, &signed(&out, ip));
    out.extend(tag);
    out
}

/// The beacon of an open door.
pub(crate) fn door(number: u16, peer: &PeerId, counter: u32, port: u16) -> Vec<u8> {
    let mut out = head(DOOR, counter, port, peer);
    out.extend(number.to_le_bytes());
    out
}

fn head(kind: u8, counter: u32, port: u16, peer: &PeerId) -> Vec<u8> {
    let peer = peer.to_bytes();
    let mut out = MAGIC.to_vec();
    out.extend([VERSION, kind]);
    out.extend(port.to_le_bytes());
    out.extend(counter.to_le_bytes());
    out.push(peer.len() as u8);
    out.extend(peer);
    out
}

/// What the tag is made over: all before it, and the sender's address. So a beacon that somebody else sends on from
/// an address of his own does not verify.
fn signed(before: &[u8], ip: IpAddr) -> Vec<u8> {
    let ip = match ip {
        IpAddr::V4(v4) => v4.to_ipv6_mapped(),
        IpAddr::V6(v6) => v6,
    };
    [before, &ip.octets()].concat()
}

/// Reads a datagram; `None` if it is no beacon of this version.
pub(crate) fn read(bytes: &[u8]) -> Option<Beacon> {
    let mut rest = bytes.get(..bytes.len().min(MAX_BYTES + 1)).filter(|b| b.len() <= MAX_BYTES)?;
    let mut take = |n: usize| -> Option<&[u8]> {
        let (front, back) = rest.split_at_checked(n)?;
        rest = back;
        Some(front)
    };
    if take(4)? != MAGIC || take(1)? != [VERSION] {
        return None;
    }
    let kind = take(1)?[0];
    let port = u16::from_le_bytes(take(2)?.try_into().ok()?);
    let counter = u32::from_le_bytes(take(4)?.try_into().ok()?);
    let len = usize::from(take(1)?[0]);
    let peer = (len <= PEER_MAX).then(|| take(len)).flatten()?;
    let peer = PeerId::from_bytes(peer).ok()?;
    let says = match kind {
        HERE | LEAVING => Says::Crew {
            leaving: kind == LEAVING,
            shy: take(1)?[0] & SHY != 0,
            who: take(WHO_BYTES)?.try_into().ok()?,
            tag: take(TAG_BYTES)?.try_into().ok()?,
        },
        DOOR => Says::Door { number: u16::from_le_bytes(take(2)?.try_into().ok()?) },
        _ => return None,
    };
    (rest.is_empty() && port != 0).then_some(Beacon { port, counter, peer, says })
}

/// Whether `bytes`, a crew's beacon that came from `ip`, was made with `secret`.
pub(crate) fn proves(bytes: &[u8], secret: &[u8; 32], ip: IpAddr) -> bool {
    let Some((before, tag)) = bytes.split_last_chunk::<TAG_BYTES>() else { return false };
    // A difference in time tells a stranger at most a tag of his own choice.
    beacon_tag(secret, &signed(before, ip)) == *tag
}

#[cfg(test)]
pub(crate) use page::{example, hex};

#[cfg(test)]
mod page {
    const PAGE: &str = include_str!("../../../docs/protocol.md");

    /// The bytes of an example in docs/protocol.md.
    pub(crate) fn example(name: &str) -> Vec<u8> {
        let fence = format!("```hex {name}\n");
        let (_, rest) = PAGE.split_once(&fence).unwrap_or_else(|| panic!("no example `{name}`"));
        let (block, _) = rest.split_once("```").expect("the block ends");
        let digits: String = block
            .lines()
            .filter_map(|l| l.split("  ").next())
            .flat_map(str::chars)
            .filter(|c| !c.is_whitespace())
            .collect();
        (0..digits.len())
            .step_by(2)
            .map(|i| u8::from_str_radix(&digits[i..i + 2], 16).expect("hex"))
            .collect()
    }

    pub(crate) fn hex(bytes: &[u8]) -> String {
        bytes.iter().map(|b| format!("{b:02x}")).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use libp2p::identity::Keypair;

    fn peer(n: u8) -> PeerId {
        Keypair::ed25519_from_bytes([n; 32]).expect("32 bytes").public().to_peer_id()
    }

    fn made(secret: u8, leaving: bool) -> Vec<u8> {
        let speaker = Speaker { secret: &[secret; 32], device: &[0xd1; 32], peer: &peer(1), shy: false };
        crew(speaker, leaving, 7, IpAddr::from([10, 0, 0, 1]), 4700)
    }

    #[test]
    fn the_page_draws_what_is_sent() {
        assert_eq!(hex(&made(9, false)), hex(&example("beacon")));
        assert_eq!(hex(&door(42, &peer(1), 7, 4700)), hex(&example("beacon-door")));
        let read = read(&example("beacon")).expect("a beacon");
        assert_eq!((read.port, read.counter, read.peer), (4700, 7, peer(1)));
    }

    #[test]
    fn only_the_secret_and_the_right_address_prove() {
        let bytes = made(9, false);
        let ip = IpAddr::from([10, 0, 0, 1]);
        assert!(proves(&bytes, &[9; 32], ip));
        assert!(!proves(&bytes, &[8; 32], ip), "another secret");
        assert!(!proves(&bytes, &[9; 32], IpAddr::from([10, 0, 0, 2])), "sent on by somebody else");
        for i in 0..bytes.len() {
            let mut changed = bytes.clone();
            changed[i] ^= 1;
            assert!(!proves(&changed, &[9; 32], ip), "byte {i}");
        }
        assert!(!proves(&[], &[9; 32], ip));
    }

    #[test]
    fn nothing_in_it_tells_the_survey_or_links_two_runs() {
        let (one, two) = (made(9, false), {
            let speaker = Speaker { secret: &[9; 32], device: &[0xd1; 32], peer: &peer(2), shy: false };
            crew(speaker, false, 8, IpAddr::from([10, 0, 0, 1]), 4701)
        });
        // Before byte 19 stand the magic, version, kind, port, a counter that begins anew in each run, and the form that
        // every peer id has. Behind it, two runs of one device have no four bytes in common.
        let (mine, other) = (&one[19..], &two[19..]);
        let common: Vec<&[u8]> = mine.windows(4).filter(|w| other.windows(4).any(|v| v == *w)).collect();
        assert!(common.is_empty(), "{common:02x?}");
        for secret in [[9u8; 32], [0xd1; 32]] {
            assert!(!one.windows(4).any(|w| w == &secret[..4]));
        }
    }

    #[test]
    fn what_is_no_beacon_is_ignored() {
        let good = made(9, true);
        assert!(matches!(read(&good).expect("good").says, Says::Crew { leaving: true, .. }));
        for cut in 0..good.len() {
            assert_eq!(read(&good[..cut]), None, "cut at {cut}");
        }
        assert_eq!(read(&[good.clone(), vec![0]].concat()), None, "longer");
        assert_eq!(read(&vec![0x4c; 9000]), None);
        let mut rng = 1u32;
        for _ in 0..20_000 {
            let mut bytes = good.clone();
            for _ in 0..3 {
                rng = rng.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let at = (rng >> 8) as usize % bytes.len();
                bytes[at] = (rng >> 24) as u8;
            }
            // Whatever it is read as, it is not believed.
            let _ = read(&bytes);
            assert!(bytes == good || !proves(&bytes, &[9; 32], IpAddr::from([10, 0, 0, 1])));
        }
    }
}
