//! Parcels as files: chosen, split, locked, written under a temporary name, synced, renamed; read in pieces, each
//! group in a transaction.

mod area;
mod choice;
pub(crate) mod lock;
mod read;
mod split;
mod write;

pub use area::ParcelArea;
pub use lock::{LockKind, ParcelLock};
pub use read::{ParcelRead, ParcelSeen, inspect_locked_parcel, inspect_parcel, read_parcel, read_parcels};
pub use split::LEAST_PART_BYTES;
pub use write::{WrittenParcel, write_parcel, write_parcels};

use leadline_model::{DeviceId, UtcMillis};
use std::path::PathBuf;

/// What goes into a parcel, and how. The default is everything, in one open file, for the crew.
#[derive(Clone, Debug, Default)]
pub struct ParcelRequest {
    /// Leave out what the receiver has.
    pub since: Option<Since>,
    /// Only strips on tiles that this touches.
    pub area: Option<ParcelArea>,
    /// Only strips with soundings from this moment on.
    pub from: Option<UtcMillis>,
    /// Only strips with soundings before this moment.
    pub to: Option<UtcMillis>,
    /// Largest file, bytes.
    pub split: Option<u64>,
    /// Encrypt it.
    pub lock: Option<ParcelLock>,
    /// For somebody outside the crew.
    pub gift: bool,
    /// Ask whoever takes it to give it to nobody.
    pub keep_to_yourself: bool,
}

/// What the receiver is taken to have.
#[derive(Clone, Debug)]
pub enum Since {
    /// What this device had when it was last met.
    Device(DeviceId),
    /// What an earlier parcel holds, and what that one presupposed.
    Parcel(PathBuf),
}

pub(crate) const CHUNK: usize = 1 << 20;
