//! One sounding as the instruments gave it: nothing corrected, nothing judged.

use crate::{GridPos, UtcMillis};
use serde::{Deserialize, Serialize};

/// What an indicated depth was measured from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[non_exhaustive]
pub enum DepthFrom {
    /// Not stated: treated as the transducer, with the wider uncertainty of an unknown reference.
    #[default]
    Unknown,
    /// The transducer's face.
    Transducer,
    /// The water surface.
    Surface,
    /// The bottom of the keel.
    Keel,
}

impl DepthFrom {
    /// All values, in the order of their codes.
    pub const ALL: [Self; 4] = [Self::Unknown, Self::Transducer, Self::Surface, Self::Keel];
}

/// How the position was fixed. Source of the classes: NMEA 0183 GGA quality and mode indicators.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[non_exhaustive]
pub enum FixClass {
    /// The log does not say.
    #[default]
    Unstated,
    /// The receiver says it has no fix.
    None,
    /// Satellites alone.
    Autonomous,
    /// With correction signals (differential, satellite-based augmentation).
    Differential,
    /// Precise positioning service.
    Precise,
    /// Carrier phase, integers fixed.
    RtkFixed,
    /// Carrier phase, integers floating.
    RtkFloat,
    /// Dead reckoning.
    Estimated,
    /// Typed by hand.
    Manual,
    /// A simulator's.
    Simulated,
}

impl FixClass {
    /// All classes, in the order of their codes.
    pub const ALL: [Self; 10] = [
        Self::Unstated,
        Self::None,
        Self::Autonomous,
        Self::Differential,
        Self::Precise,
        Self::RtkFixed,
        Self::RtkFloat,
        Self::Estimated,
        Self::Manual,
        Self::Simulated,
    ];
}

/// Remarks on how a sounding came about, as bits.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Flags(pub u8);

impl Flags {
    /// The position is the last fix, not interpolated between two.
    pub const HELD: Self = Self(1);
    /// A sentence it stands on had no checksum.
    pub const UNCHECKED: Self = Self(2);
    /// The receiver marked its position with a warning.
    pub const WARNING: Self = Self(4);
    /// The log has no times: day and order are the importer's statement.
    pub const ASSUMED_TIME: Self = Self(8);
    /// Two sentences gave different depths for this moment.
    pub const DISAGREES: Self = Self(16);
    /// The clock jumped near this sounding.
    pub const CLOCK_JUMP: Self = Self(32);

    /// Both sets.
    #[must_use]
    pub fn with(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// Whether all bits of `other` are set.
    pub fn has(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }
}

/// One depth with its position, time and evidence. Integers only, so that every device packs the same bytes.
///
/// The order is the canonical one: time, then position, then the rest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Sounding {
    /// When it was measured, by the satellite receiver's clock.
    pub time: UtcMillis,
    /// Where.
    pub at: GridPos,
    /// Indicated depth in millimetres, positive down, as the instrument gave it.
    pub depth_mm: i32,
    /// What the depth was measured from.
    pub from: DepthFrom,
    /// The sounder's own statement in millimetres: positive = transducer to water line, negative = to keel.
    pub offset_mm: Option<i16>,
    /// Speed over ground, mm/s.
    pub speed_mm_s: Option<u32>,
    /// HDOP in hundredths.
    pub hdop_centi: Option<u16>,
    /// How the position was fixed.
    pub fix: FixClass,
    /// Satellites used.
    pub sats: Option<u8>,
    /// Water temperature in hundredths of a degree Celsius.
    pub temp_centi: Option<i16>,
    /// Remarks.
    pub flags: Flags,
}
