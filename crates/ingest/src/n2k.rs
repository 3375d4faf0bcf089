//! NMEA 2000: frames of the bus as text, the messages they carry, and what those say of depth, place and time.
//!
//! Layouts: worked payloads of public decoders' documentation, which the tests repeat; rows marked "from memory" in
//! [`message`] have no such payload.

mod clock;
mod fast;
mod line;
mod log;
mod message;

pub(crate) use clock::Clock;
pub(crate) use line::{line_stamp, looks_like_frames};
pub(crate) use log::N2kLog;
