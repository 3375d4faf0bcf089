//! The water: its sound speed over depth, its gauges, the way it flows.

use crate::{GridPos, Text, UtcMillis};
use serde::{Deserialize, Serialize};

/// Most layers of a cast.
pub const MAX_LAYERS: usize = 200;
/// Most points of a river's centre line.
pub const MAX_RIVER_POINTS: usize = 2_000;
/// Most corners of a shoreline, in all its rings: they fit an entry.
pub const MAX_SHORE_CORNERS: usize = 6_000;
/// Most rings of a shoreline.
pub const MAX_SHORE_RINGS: usize = 500;

/// Temperature at one depth below the surface.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Layer {
    /// Below the surface, mm.
    pub depth_mm: i32,
    /// Temperature, hundredths of °C.
    pub temp_centi: i16,
}

/// What somebody measured of the water's temperature and salt: it holds for all boats around that day.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct WaterCast {
    /// When.
    pub at: UtcMillis,
    /// Practical salinity in hundredths (35.00 = 3500); 0 = fresh.
    pub salinity_centi: u16,
    /// Temperatures from the surface down, depths strictly growing; empty = the temperature is not said here.
    pub layers: Vec<Layer>,
}

/// A gauge: where its zero lies and where it stands.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Gauge {
    /// Its name; readings refer to it.
    pub name: Text,
    /// Height of its zero above the sounding datum, mm: added to every reading.
    pub zero_mm: i32,
    /// Where it stands; needed for water with a slope.
    pub place: Option<GridPos>,
}

/// The edge of the water as drawn, with its islands: the water is what an odd number of rings enclose.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Shoreline {
    /// Stage at which the water stood there, mm above the sounding datum.
    pub stage_mm: i32,
    /// Rings of at least three corners, each corner once; none = no shoreline.
    pub rings: Vec<Vec<GridPos>>,
}

impl Shoreline {
    /// Corners of all rings.
    pub fn corners(&self) -> usize {
        self.rings.iter().map(Vec::len).sum()
    }
}
