//! NMEA 0183: sentences, and how depths get their time and place from the fixes around them.
//!
//! Source of the sentence layouts: gpsd's "NMEA Revealed" and the logs of its regression tests.

mod dating;
mod epoch;
mod fields;
mod frame;
mod log;
mod pairing;
mod sentence;
mod streams;

pub(crate) use frame::{frame, is_address};
pub(crate) use log::NmeaLog;
pub use sentence::{Content, Day, Depth, DepthKind, Fix, FixKind, Position, Sentence, sentence};
