//! NMEA 0183: sentences, line by line.
//!
//! Source of the sentence layouts: gpsd's "NMEA Revealed" and the logs of its regression tests.

mod fields;
mod frame;
mod log;
mod sentence;

pub(crate) use frame::{frame, is_address};
pub(crate) use log::NmeaLog;
pub use sentence::{Content, Day, Depth, DepthKind, Fix, FixKind, Position, Sentence, sentence};
pub(crate) use sentence::{MAX_LATITUDE_UNITS, UNITS_A_DEGREE, hdop, quality, sounded};
