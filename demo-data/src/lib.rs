//! Thornmere: an invented reservoir with a known bed, and the logs of two invented boats that measured it.
//!
//! Nothing here exists. The bed is a formula ([`bed_at`]), the boats' ways, their receivers' errors, their
//! sounders and everything that goes wrong in a log are made from one seed, with the same bytes on every
//! machine. So a map made from [`logs`] can be compared with the truth.
//!
//! ```
//! use leadline_demo_data::{SEED, bed_at, logs};
//! assert!(bed_at(0.0, 0.0) > 5.0);
//! assert!(logs(SEED).iter().all(|log| !log.bytes.is_empty()));
//! ```
//!
//! What it is not: a simulator of real boats. Its assumptions are listed in the crate's `README.md`.

mod bed;
mod days;
mod helm;
mod receiver;
mod rng;
mod route;
mod sentence;
mod sounder;
mod stage;
mod synthetic;
mod table;
mod writer;

pub use bed::{
    HALF_HEIGHT_M, HALF_WIDTH_M, HUMP_TOP, TruthPoint, WEED_BAY, bed_at, bed_depth_m, contains, east_north,
    frame, in_weed_bay, ledge_line, lonlat, truth_grid,
};
pub use days::{Boat, DemoLog, UNGAUGED, boats, logs};
pub use stage::{GAUGE, stage_readings, stages_csv, water_level_m};
pub use synthetic::{Synthetic, synthetic, synthetic_bytes};

/// The seed of the committed logs.
pub const SEED: u64 = 2;
/// Name of the invented water.
pub const WATER_NAME: &str = "Thornmere";
/// What its sounding datum is, in the words of its invented people.
pub const DATUM_TEXT: &str = "zero of the landing gauge (invented)";
