//! The meeting of two devices as a state machine without IO, and parcels: the same frames in one direction.
//!
//! A [`Meeting`] takes [`Input`]s (frames, time, answers of the desk) and gives [`Output`]s (frames to send,
//! questions to the [`Desk`], the end). Entries and strips are opaque byte strings to it; what they mean, and whether
//! they are genuine, is the desk's business. It opens no socket and no file, and reads no clock.
//! docs/protocol.md tells the sequence in words and draws every byte.

mod adopted;
mod block;
mod config;
mod desk;
mod frame;
mod framing;
mod items;
mod meeting;
mod near;
mod outcome;
mod parcel;
#[cfg(test)]
mod protocol_page;
mod wants;

/// Part of this crate's interface.
pub use leadline_logbook::{DeviceKey, Have, Limits};
/// Which survey a meeting is about.
pub use leadline_model::SurveyId;

pub use adopted::{ADOPTED_FRAME, ADOPTED_MAX, adopted_frame, adopted_of};
pub use config::{Binding, Config, HELLO_NAME_BYTES, InviteProof, SurveySecret, prologue};
pub use desk::{Admission, Answer, Desk, DeskError, Holdings, Lane, Question, Stored, StripKey};
pub use framing::{Deframer, FRAME_PREFIX, FrameTooLong, framed};
pub use meeting::{
    CREDENTIALS_MAX, GROUP_BYTES, GROUP_MS, HELLO_MS, Input, Meeting, Output, PING_MS, PROVISIONAL_BYTES,
    REFUSED_MAX, ROUNDS_MAX, SILENCE_MS, STALL_MS, WINDOW_BYTES, WINDOW_FRAMES,
};
pub use near::{DoorKeys, WHO_BYTES, beacon_tag, beacon_who, door_hasher, door_prologue};
pub use outcome::{Failure, Misconduct, RefusalCode, Summary};
pub use parcel::{
    PARCEL_MAGIC, PARCEL_TILES_MAX, PARCEL_VERSION, ParcelDamage, ParcelEnd, ParcelError, ParcelEvent,
    ParcelHeader, ParcelHolds, ParcelPart, ParcelReader, ParcelSeal, ParcelTerms, ParcelWriteError,
    ParcelWriter,
};
pub use wants::{Part, TileArea, Wants};
