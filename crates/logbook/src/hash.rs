//! BLAKE3 with a domain for every use, so that no digest can stand in for another.

use leadline_model::Digest;

/// What a digest is of. The strings are part of the format.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Domain {
    /// A strip's canonical columns.
    Strip,
    /// A leaf of a leg's Merkle tree.
    LegLeaf,
    /// An inner node of a leg's Merkle tree.
    LegNode,
    /// An entry's envelope and body.
    Entry,
    /// A survey's founder and nonce.
    Survey,
    /// A change's actor in a document.
    Actor,
    /// The bytes of a source log.
    Source,
    /// The entries and strips a device holds.
    Holdings,
    /// A parcel's frames.
    Parcel,
    /// The prologue made of a survey's secret.
    Prologue,
    /// A survey's secret, as the entry that announces it names it.
    Secret,
    /// What a levelling is solved from.
    Inputs,
    /// The key, made of a survey's secret, that locks parcels for the crew.
    ParcelLock,
    /// The blinded tags of a beacon.
    Beacon,
    /// What is made of a door's key, and what goes through it.
    Door,
    /// A backup's bytes.
    Backup,
    /// All bytes of an entry that waits, signature included: for this device's own table.
    Waiting,
    /// Rows of a device's own store that no signature covers.
    Aside,
}

impl Domain {
    fn context(self) -> &'static str {
        match self {
            Self::Waiting => "leadline 2026 waiting v1",
            Self::Aside => "leadline 2026 aside v1",
            Self::Strip => "leadline 2026 strip v1",
            Self::LegLeaf => "leadline 2026 leg leaf v1",
            Self::LegNode => "leadline 2026 leg node v1",
            Self::Entry => "leadline 2026 entry v1",
            Self::Survey => "leadline 2026 survey v1",
            Self::Actor => "leadline 2026 actor v1",
            Self::Source => "leadline 2026 source v1",
            Self::Holdings => "leadline 2026 holdings v1",
            Self::Parcel => "leadline 2026 parcel v1",
            Self::Prologue => "leadline 2026 prologue v1",
            Self::Secret => "leadline 2026 secret v1",
            Self::Inputs => "leadline 2026 inputs v1",
            Self::ParcelLock => "leadline 2026 parcel lock v1",
            Self::Beacon => "leadline 2026 beacon v1",
            Self::Door => "leadline 2026 door v1",
            Self::Backup => "leadline 2026 backup v1",
        }
    }

    /// Digest of the parts, one after the other. Parts of varying length must carry their length themselves.
    pub fn digest(self, parts: &[&[u8]]) -> Digest {
        let mut h = self.hasher();
        for p in parts {
            h.update(p);
        }
        h.finish()
    }

    /// For content that comes in pieces.
    pub fn hasher(self) -> Hasher {
        Hasher(blake3::Hasher::new_derive_key(self.context()))
    }
}

/// A digest in the making.
#[derive(Clone, Debug)]
pub struct Hasher(blake3::Hasher);

impl Hasher {
    /// Adds `bytes`.
    pub fn update(&mut self, bytes: &[u8]) {
        self.0.update(bytes);
    }

    /// The digest of all added so far.
    pub fn finish(&self) -> Digest {
        Digest(*self.0.finalize().as_bytes())
    }
}
