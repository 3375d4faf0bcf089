//! A device's Ed25519 key, and the domains it signs under.

use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};
use leadline_model::DeviceId;

/// Bytes of a signature.
pub const SIGNATURE_BYTES: usize = 64;

/// What is signed; the tag goes before the bytes, so that no signature can be carried to another use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Signs {
    /// A logbook entry.
    Entry,
    /// "I am this device, at the end of this connection."
    Hello,
    /// "I hold this invite."
    Invite,
    /// A parcel.
    Parcel,
    /// A backup.
    Backup,
}

impl Signs {
    fn tag(self) -> &'static [u8] {
        match self {
            Self::Entry => b"leadline entry v1\0",
            Self::Hello => b"leadline hello v1\0",
            Self::Invite => b"leadline invite v1\0",
            Self::Parcel => b"leadline parcel v1\0",
            Self::Backup => b"leadline backup v1\0",
        }
    }
}

/// A signing key. Its bytes are zeroed when dropped.
pub struct DeviceKey(SigningKey);

impl std::fmt::Debug for DeviceKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "DeviceKey({})", self.id().short())
    }
}

impl DeviceKey {
    /// From 32 secret bytes of good randomness.
    pub fn from_seed(seed: &[u8; 32]) -> Self {
        Self(SigningKey::from_bytes(seed))
    }

    /// The secret bytes, for the key file.
    pub fn seed(&self) -> [u8; 32] {
        self.0.to_bytes()
    }

    /// The public key.
    pub fn id(&self) -> DeviceId {
        DeviceId(self.0.verifying_key().to_bytes())
    }

    /// Signature of `parts`, one after the other, for one use.
    pub fn sign(&self, what: Signs, parts: &[&[u8]]) -> [u8; SIGNATURE_BYTES] {
        self.0.sign(&tagged(what, parts)).to_bytes()
    }
}

/// Whether `signature` is `device`'s of `parts` for this use. Strict: weak keys and malleable signatures fail.
pub fn verify(device: &DeviceId, what: Signs, parts: &[&[u8]], signature: &[u8; SIGNATURE_BYTES]) -> bool {
    VerifyingKey::from_bytes(&device.0)
        .is_ok_and(|key| key.verify_strict(&tagged(what, parts), &Signature::from_bytes(signature)).is_ok())
}

fn tagged(what: Signs, parts: &[&[u8]]) -> Vec<u8> {
    let mut m = what.tag().to_vec();
    parts.iter().for_each(|p| m.extend_from_slice(p));
    m
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rfc_8032_key_of_test_1() {
        // Source: RFC 8032 §7.1 test 1, secret and public key.
        let hex = |s: &str| s.parse::<DeviceId>().expect("hex").0;
        let seed = hex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60");
        let public = hex("d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a");
        assert_eq!(DeviceKey::from_seed(&seed).id(), DeviceId(public));
    }

    #[test]
    fn a_signature_serves_one_use_and_one_text() {
        let k = DeviceKey::from_seed(&[7; 32]);
        let s = k.sign(Signs::Entry, &[b"ab", b"c"]);
        assert!(verify(&k.id(), Signs::Entry, &[b"abc"], &s));
        assert!(!verify(&k.id(), Signs::Parcel, &[b"abc"], &s));
        assert!(!verify(&k.id(), Signs::Entry, &[b"abd"], &s));
        assert!(!verify(&DeviceId([0; 32]), Signs::Entry, &[b"abc"], &s));
    }
}
