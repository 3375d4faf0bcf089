//! The words of a depth survey as types: units, times, positions on the survey grid, ids, soundings with
//! their evidence, setups, stages, grades and cells.
//!
//! What it is not: it computes no depth and reads no file. Everything here is plain data with the checks
//! that make a wrong value impossible to build. The grid is the entry point for most readers:
//!
//! ```
//! use leadline_model::{GridPos, LonLat};
//! let at = GridPos::from_lonlat(LonLat { lon: 5.313_62, lat: 52.850_156_67 }).expect("on the grid");
//! assert_eq!(at.tile().quadkey(), "120200333102011");
//! ```

mod cell;
mod grade;
mod grid;
mod ids;
mod levelling;
mod mark;
mod pass;
mod setup;
mod sounding;
mod text;
mod time;
mod verdict;
mod water;

pub use cell::{Cell, ReducedSounding};
pub use grade::{Grade, VoidReason};
pub use grid::{
    CELLS_PER_TILE_SIDE, CellId, GridPos, LocalFrame, LonLat, MAX_LATITUDE, TILE_ZOOM, TileId, TileIdError,
    area_factor, scale_factors,
};
pub use ids::{DeviceId, Digest, EntryId, Epoch, IdParseError, LegId, Nonce, StripDigest, SurveyId};
pub use levelling::{BoatLevel, ClusterLevel, DayLevel, Levelling, MAX_BOAT_DAYS};
pub use mark::{Mark, MarkKind};
pub use pass::{PASS_GAP, Pass};
pub use setup::{Setup, SpeedLimits, StageReading};
pub use sounding::{DepthFrom, FixClass, Flags, Sounding};
pub use text::{MAX_TEXT_BYTES, Text, TextError, escaped};
pub use time::{LEG_MILLIS, LegWindow, TimeParseError, UtcMillis};
pub use verdict::{Decision, MAX_AREA_CORNERS, Scope, Verdict};
pub use water::{
    Gauge, Layer, MAX_LAYERS, MAX_RIVER_POINTS, MAX_SHORE_CORNERS, MAX_SHORE_RINGS, Shoreline, WaterCast,
};

/// The product's name, in one place.
pub const PRODUCT: &str = "Leadline";

/// The caution every chart, page and export carries.
pub const CAUTION: &str = "For planning and fishing, not for navigation. Depths come from small-boat soundings and \
may be wrong, and the bed and the water level change. Official charts, local notices and the eye of the person \
steering come first.";

/// Metres in one international foot. Source: international yard and pound agreement, 1959 (exact).
pub const FOOT: f64 = 0.3048;
/// Metres in one fathom (six feet).
pub const FATHOM: f64 = 1.8288;
/// Metres per second in one knot (1852 m an hour, exact).
pub const KNOT: f64 = 1852.0 / 3600.0;
