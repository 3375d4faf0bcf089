//! Bytes of instrument logs to legs of soundings and problems.
//!
//! Reading cannot fail, only complain: whatever the bytes are, the answer is legs (possibly none) and a
//! [`Report`] in which every line is accounted for. Bytes are pushed in chunks of any size; the answer does not
//! depend on where the chunks were cut. It reads NMEA 0183 and NMEA 2000 logs, Signal K
//! deltas, CSV or XYZ tables, GPX tracks and GeoJSON points, told apart by content.
//!
//! What it is not: it opens no file, asks no clock, corrects no depth and judges no sounding. A depth is kept
//! as the instrument gave it; draft, level, screening and grade come later.
//!
//! # Identity
//! Legs are cut at whole ten minutes of UTC. Nothing older than about ten seconds of log time influences a
//! sounding, except the date. So a live recording, the raw log of it imported later, a log cut short and two
//! logs joined give the same whole legs. When the log's time returns to a window that was closed before (two
//! copies of a log in one file, a clock set back) another [`Leg`] of that window follows: the caller merges
//! legs of one window, sorts and drops identical soundings.
//!
//! ```
//! use leadline_ingest::{Importer, Options};
//! let mut importer = Importer::new(Options::default());
//! let mut legs = Vec::new();
//! importer.push(b"LON,LAT,DEPTH,TIME\n-119.372498,72.095873,108.9,2015-08-06T22:00:00.000Z\n", &mut legs);
//! let report = importer.finish(&mut legs);
//! assert_eq!((report.soundings, legs[0].soundings[0].depth_mm), (1, 108_900));
//! ```

mod account;
mod csv;
mod decimal;
mod format;
pub mod gauge;
mod importer;
mod kinds;
mod legs;
mod n2k;
pub mod nmea;
mod pairing;
mod points;
mod problem;
mod pulse;
mod signalk;
mod stamp;

pub use account::{Example, LineUses, Report};
pub use format::Format;
pub use importer::{Importer, MAX_LINE_BYTES, Options, SOURCE};
pub use kinds::{Good, Kind};
pub use legs::Leg;
pub use problem::Problem;
pub use pulse::Pulse;
pub use stamp::time_of_line;
