//! What people say about boats and water: setups and stages.

use crate::{Text, UtcMillis};
use serde::{Deserialize, Serialize};

/// What reduction needs of a boat from a date on. `None` = not said here: an earlier setup may say it, else it
/// is unknown, which is a state and never a zero.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Setup {
    /// The boat.
    pub boat: Text,
    /// Valid from this moment on, until a later setup of the same boat says otherwise.
    pub from: UtcMillis,
    /// Depth of the transducer below the water line, mm.
    pub draft_mm: Option<i32>,
    /// Sound speed the sounder assumes, mm/s.
    pub sound_speed_mm_s: Option<i32>,
    /// Water temperature typed by a person, hundredths of °C.
    pub temp_centi: Option<i16>,
    /// Delay of the position behind the depth, ms.
    pub lag_ms: Option<i32>,
}

/// How fast a boat may go while it sounds. A setting of the survey, so that every device draws the same chart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct SpeedLimits {
    /// Above this a sounding is at best fair, mm/s.
    pub fair_mm_s: u32,
    /// Above this it is void, mm/s.
    pub void_mm_s: u32,
}

/// One observed stage: height of the water surface above the survey's sounding datum.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct StageReading {
    /// Which gauge.
    pub gauge: Text,
    /// When.
    pub at: UtcMillis,
    /// Height above the sounding datum, mm.
    pub level_mm: i32,
}
