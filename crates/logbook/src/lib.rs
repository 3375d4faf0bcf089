//! The device's logbook: signed entries, strips of soundings, one automerge document per tile built from the
//! entries, have-lists and the codec.
//!
//! Entries and strips are the truth; documents are caches. Bytes from outside go through [`take_in`] (entries) and
//! [`unpack_strip`] (strips) and nowhere else. Nothing here reads a clock, a file or a source of chance.

mod codec;
mod crew;
mod document;
mod entry;
mod hash;
mod have;
mod intake;
mod key;
mod leg;
mod leg_part;
mod limits;
mod op;
mod sound;
mod strip;

pub use codec::{CodecError, decode, encode, pack, unpack};
pub use crew::{Chains, Crew, CrewMember, Cuts, Dismissed, InviteRefusal, Reached};
pub use document::{
    Applied, DocChange, DocError, DocKey, Said, SurveyWrites, apply, changes_as, changes_of, read_survey,
    read_tile,
};
pub use entry::{BODY_VERSION, Body, Entry, Envelope, Refusal, entry_id, peek};
pub use hash::{Domain, Hasher};
pub use have::{Have, LogHave, Place};
pub use intake::{Held, Taken, take_in};
pub use key::{DeviceKey, SIGNATURE_BYTES, Signs, verify};
pub use leg::{PackedLeg, leg_id};
pub use leg_part::LegPart;
pub use limits::Limits;
pub use op::{
    Cut, Founding, Invite, LegClaim, MAX_CUTS, MAX_SERIES, Member, Op, Role, Standing, StripRef, WriteRef,
};
pub use strip::{PackedStrip, StripError, canonical, strip_digest, unpack_claimed, unpack_strip};
