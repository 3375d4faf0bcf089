//! The device's logbook: signed entries, strips of soundings, one automerge document per tile built from the
//! entries, have-lists and the codec.
mod codec;
mod hash;
mod have;
mod key;
mod limits;

pub use codec::{CodecError, decode, encode, pack, unpack};
pub use hash::{Domain, Hasher};
pub use have::{Have, LogHave, Place};
pub use key::{DeviceKey, SIGNATURE_BYTES, Signs, verify};
pub use limits::Limits;
