//! Parcels: entries and strips as a file, carried by hand. The frames are those of a meeting, in one direction,
//! between a header and a seal.
//!
//! Bytes: `LEADLINE`, format version (u16), then frames behind their lengths: header, terms, entries and strips in
//! any order, index, seal. What is inside proves itself (entries by signature, strips by digest), so a parcel cut short
//! gives what is whole; the seal proves that nothing is missing and who made it.

mod read;
mod write;

pub use read::{ParcelDamage, ParcelEnd, ParcelError, ParcelEvent, ParcelReader};
pub use write::{ParcelWriteError, ParcelWriter};

use leadline_logbook::{Domain, Hasher, Have};
use leadline_model::{DeviceId, Digest, Nonce, SurveyId, Text, TileId, UtcMillis};
use serde::{Deserialize, Serialize};

/// First bytes of every parcel.
pub const PARCEL_MAGIC: &[u8; 8] = b"LEADLINE";
/// Version of the parcel format this program writes, and the newest it reads.
pub const PARCEL_VERSION: u16 = 1;

/// What a parcel says of itself. Only the seal proves it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ParcelHeader {
    /// The survey its content belongs to.
    pub survey: SurveyId,
    /// The survey's name where it was made.
    pub name: Text,
    /// The device that made it.
    pub maker: DeviceId,
    /// That device's name.
    pub maker_name: Text,
    /// When it was made, by that device's clock.
    pub made: UtcMillis,
    /// What the receiver is taken to hold already; `None` = nothing, the parcel is full.
    pub presupposes: Option<Have>,
    /// What is inside.
    pub holds: ParcelHolds,
}

/// A parcel's content in numbers.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ParcelHolds {
    /// Entries.
    pub entries: u64,
    /// Strips.
    pub strips: u64,
    /// Soundings in the strips.
    pub soundings: u64,
    /// Tiles the strips lie on, ascending; at most [`PARCEL_TILES_MAX`] are named.
    pub tiles: Vec<TileId>,
    /// Times of the first and the last sounding.
    pub span: Option<(UtcMillis, UtcMillis)>,
}

/// What a parcel's maker says of its use and its choice, in a frame of its own behind the header. A parcel without
/// that frame is plain: for the crew, everything, in one part.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ParcelTerms {
    /// It is meant for somebody outside the crew.
    pub gift: bool,
    /// Whoever takes it may pass it on; `false` is a request that programs honour.
    pub pass_on: bool,
    /// Which part of a parcel that was split.
    pub part: Option<ParcelPart>,
    /// Only strips of an area were chosen.
    pub area: bool,
    /// Only strips with soundings from the first moment up to before the second were chosen; `None` = open.
    pub dates: (Option<UtcMillis>, Option<UtcMillis>),
}

impl Default for ParcelTerms {
    fn default() -> Self {
        Self { gift: false, pass_on: true, part: None, area: false, dates: (None, None) }
    }
}

/// One of several parts. Each is a whole parcel in itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ParcelPart {
    /// Its number, from 1.
    pub number: u32,
    /// How many there are.
    pub of: u32,
    /// Made by chance, the same in all parts.
    pub set: Nonce,
}

/// Tiles a header names at most.
pub const PARCEL_TILES_MAX: usize = 65_536;

/// The end of a whole parcel.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ParcelSeal {
    /// Entries written.
    pub entries: u64,
    /// Strips written.
    pub strips: u64,
    /// Where the index frame begins, bytes from the start of the file.
    pub index_at: u64,
    /// Digest of all bytes before this frame.
    pub digest: Digest,
    /// The maker's signature of the fields above.
    pub(crate) signature: Vec<u8>,
}

impl ParcelSeal {
    /// What is signed: the fields in their order, integers little-endian.
    fn text(&self) -> Vec<u8> {
        let numbers = [self.entries, self.strips, self.index_at].map(u64::to_le_bytes);
        [numbers.as_flattened(), &self.digest.0].concat()
    }
}

/// One frame of content, as the index lists it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct IndexRow {
    /// Where the frame's length stands, bytes from the start of the file.
    pub(crate) at: u64,
    pub(crate) kind: u8,
    pub(crate) items: u32,
}

pub(crate) mod kind {
    pub(crate) use crate::frame::kind::{ENTRIES, SKIPPABLE, STRIPS};
    pub(crate) const HEADER: u8 = 32;
    pub(crate) const INDEX: u8 = 33;
    pub(crate) const SEAL: u8 = 34;
    /// May be skipped by whoever does not know it.
    pub(crate) const TERMS: u8 = 160;
}

fn hasher() -> Hasher {
    Domain::Parcel.hasher()
}
