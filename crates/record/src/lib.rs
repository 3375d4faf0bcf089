//! Live sources: sockets, serial ports, standard input, growing files, replay.
//!
//! A recording lays whole lines of all its sources into one log, in the order of their arrival at this device; that
//! log is the journal. Depth and position pair in it as in any log, so importing the journal later, or a log that
//! another program wrote of the same lines, gives the same legs. What came is on the disk within two seconds.

mod bearing;
mod check;
mod journal;
mod kinds;
mod present;
mod recorder;
mod settle;
mod source;
mod status;
mod stream;
mod watch;

pub use check::{CheckPlan, Checked, check_file, check_sources};
pub use recorder::{Plan, Recorded, Told, record};
pub use settle::Settled;
pub use source::{BadSource, NMEA_BAUD, NMEA_PORT, Source};
pub use status::{SourceState, Status};
pub use watch::{Alive, Vital, Warning};

use leadline_model::UtcMillis;

/// What ends a recording or a check early.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The device's folder.
    #[error("{0}")]
    Survey(#[from] leadline_survey::Error),
    /// No source could ever be opened.
    #[error("{0}")]
    Source(String),
    /// The journal cannot be begun.
    #[error("cannot write the recording {path}: {source}; nothing was recorded")]
    Journal {
        /// Where.
        path: String,
        /// Why.
        source: std::io::Error,
    },
    /// The end could not be made; what came is safe.
    #[error(
        "what was recorded is safe in {path}, but its last legs could not be kept: {why}. They are when the next recording begins, or with `leadline import`"
    )]
    Kept {
        /// The journal.
        path: String,
        /// Why.
        why: Box<leadline_survey::Error>,
    },
    /// The operating system refuses what every program needs.
    #[error("cannot begin: {0}")]
    System(std::io::Error),
}

/// This device's clock.
pub(crate) fn now() -> UtcMillis {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    UtcMillis(since.map_or(0, |d| d.as_millis() as i64))
}
