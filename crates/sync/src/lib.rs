//! The meeting of two devices as a state machine without IO, and parcels.

mod config;
mod desk;

pub use config::{Binding, Config, HELLO_NAME_BYTES, InviteProof, Wants};
pub use desk::{Admission, Answer, Desk, DeskError, Holdings, Lane, Question, Stored, StripKey};
