//! What devices that are near each other make of their secrets before a meeting: the tags of beacons, and the keys of
//! a door. No sockets here; `leadline-net` carries the bytes.

use leadline_logbook::{Domain, Hasher};

/// Bytes by which a beacon tells its device to those who know it.
pub const WHO_BYTES: usize = 8;
/// Bytes of a beacon's tag.
const TAG_BYTES: usize = 16;

/// The tag that proves that a beacon's sender holds the survey's secret. Without the secret it is noise.
pub fn beacon_tag(secret: &[u8; 32], signed: &[u8]) -> [u8; TAG_BYTES] {
    first(&Domain::Beacon.digest(&[secret, b"tag", signed]).0)
}

/// Which device a beacon is of, for those who hold the secret and know the device. `run` is made of chance in every
/// run, so that a stranger cannot tell that two beacons of different runs are of one device.
pub fn beacon_who(secret: &[u8; 32], run: &[u8], device: &[u8; 32]) -> [u8; WHO_BYTES] {
    first(&Domain::Beacon.digest(&[secret, b"who", device, run]).0)
}

/// The Noise prologue of every door: public, as strangers meet there.
pub fn door_prologue() -> [u8; 32] {
    Domain::Door.digest(&[b"prologue"]).0
}

/// For what goes through a door: both ends compare its digest.
pub fn door_hasher() -> Hasher {
    let mut h = Domain::Door.hasher();
    h.update(b"load");
    h
}

/// What both ends of a door make of the key that they have agreed on.
#[derive(Clone, PartialEq, Eq)]
pub struct DoorKeys {
    /// Proves the visitor's key to the host.
    pub visitor: [u8; 32],
    /// Proves the host's key to the visitor.
    pub host: [u8; 32],
    /// Choose the two words that both ends show.
    pub words: [u8; 2],
}

impl DoorKeys {
    /// From the key of the password-authenticated exchange, and its two messages.
    pub fn new(key: &[u8], visitor: &[u8], host: &[u8]) -> Self {
        let lengths = [key.len() as u64, visitor.len() as u64, host.len() as u64];
        let make = |use_for: &[u8]| {
            let mut h = Domain::Door.hasher();
            h.update(use_for);
            for (len, part) in lengths.iter().zip([key, visitor, host]) {
                h.update(&len.to_le_bytes());
                h.update(part);
            }
            h.finish().0
        };
        Self { visitor: make(b"visitor"), host: make(b"host"), words: first(&make(b"words")) }
    }
}

impl std::fmt::Debug for DoorKeys {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("DoorKeys(secret)")
    }
}

fn first<const N: usize>(bytes: &[u8; 32]) -> [u8; N] {
    let mut out = [0; N];
    out.copy_from_slice(&bytes[..N]);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_use_gives_its_own_bytes() {
        let tag = beacon_tag(&[1; 32], b"text");
        assert_ne!(tag, beacon_tag(&[2; 32], b"text"));
        assert_ne!(tag, beacon_tag(&[1; 32], b"texu"));
        assert_ne!(beacon_who(&[1; 32], b"a", &[3; 32]), beacon_who(&[1; 32], b"b", &[3; 32]));
        let keys = DoorKeys::new(b"key", b"one", b"two");
        assert_ne!(keys.visitor, keys.host);
        // Where one part ends and the next begins counts.
        assert_ne!(keys, DoorKeys::new(b"key", b"onet", b"wo"));
        assert_eq!(format!("{keys:?}"), "DoorKeys(secret)");
    }
}
