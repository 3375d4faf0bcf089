//! An epoch: the sentences of one time of day, their position and what the receiver said of it.

use crate::nmea::{Fix, FixKind, Position, UNITS_A_DEGREE};
use leadline_model::{FixClass, GridPos};

/// Longest time between two fixes that is interpolated across, and the oldest state that may touch a
/// sounding, ms.
pub(crate) const MAX_GAP_MS: i64 = 10_000;
/// HDOP, satellites, fix class and speed count for this long, ms.
const EVIDENCE_MS: i64 = 5_000;
/// No boat that sounds is faster, m/s (judgement).
const MAX_SPEED_M_S: i64 = 50;
/// Scatter of single fixes allowed on top of that, m (judgement).
const FIX_SCATTER_M: i64 = 30;

/// A moment with a position.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Epoch {
    /// Number of the line that began it.
    pub(crate) arrival: u64,
    /// Milliseconds since 1970 in the stretch's reckoning of days.
    pub(crate) time: i64,
    position: Position,
    grid: Option<GridPos>,
    pub(crate) warning: bool,
    pub(crate) unchecked: bool,
    pub(crate) evidence: Stated,
}

impl Epoch {
    pub(crate) fn new(arrival: u64, time: i64, position: Position) -> Self {
        Self {
            arrival,
            time,
            position,
            grid: None,
            warning: false,
            unchecked: false,
            evidence: Stated::default(),
        }
    }

    /// Takes a later sentence's position if it is written more finely.
    pub(crate) fn refine(&mut self, position: Position) {
        if position.places > self.position.places {
            self.position = position;
        }
    }

    /// On the grid; never `None` after the sentence's own check. Asked for when the position stands, and
    /// kept: projecting costs as much as reading a sentence.
    pub(crate) fn grid(&mut self) -> Option<GridPos> {
        if self.grid.is_none() {
            self.grid = GridPos::from_lonlat(self.position.lonlat());
        }
        self.grid
    }

    /// Whether a boat can have gone from here to `next`.
    pub(crate) fn reaches(&self, next: &Self) -> bool {
        let half_turn = 180 * UNITS_A_DEGREE;
        let dlat = (next.position.lat - self.position.lat).abs();
        let dlon = (next.position.lon - self.position.lon).abs();
        let dlon = dlon.min(2 * half_turn - dlon);
        // 1e-7 minutes: one minute of latitude is 1852 m. East-west shrinks with the cosine, taken from its
        // series, which is enough for a limit of plausibility.
        let phi = (self.position.lat as f64 / UNITS_A_DEGREE as f64).to_radians();
        let p2 = phi * phi;
        let cos = 1.0 - p2 / 2.0 + p2 * p2 / 24.0 - p2 * p2 * p2 / 720.0;
        let (n, e) = (dlat as f64 * 1.852e-4, dlon as f64 * 1.852e-4 * cos);
        let limit = (MAX_SPEED_M_S * (next.time - self.time)) as f64 / 1000.0 + FIX_SCATTER_M as f64;
        n * n + e * e <= limit * limit
    }
}

/// What stands for the soundings of one epoch.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Stated {
    pub(crate) class: FixClass,
    pub(crate) sats: Option<u8>,
    pub(crate) hdop_centi: Option<u16>,
    pub(crate) speed_mm_s: Option<u32>,
    pub(crate) temp_centi: Option<i16>,
}

/// A value and when it was stated.
#[derive(Clone, Copy, Debug)]
struct At<T> {
    value: Option<T>,
    time: i64,
}

impl<T: Copy> At<T> {
    const NEVER: Self = Self { value: None, time: 0 };

    fn set(&mut self, value: Option<T>, time: i64) {
        if value.is_some() {
            *self = Self { value, time };
        }
    }

    fn at(&self, time: i64, max_age: i64) -> Option<T> {
        self.value.filter(|_| time - self.time <= max_age)
    }
}

/// The latest statements of a stretch.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Evidence {
    class: At<FixClass>,
    class_rank: u8,
    sats: At<u8>,
    hdop_centi: At<u16>,
    speed_mm_s: At<u32>,
    temp_centi: At<i16>,
}

impl Default for Evidence {
    fn default() -> Self {
        Self {
            class: At::NEVER,
            class_rank: 0,
            sats: At::NEVER,
            hdop_centi: At::NEVER,
            speed_mm_s: At::NEVER,
            temp_centi: At::NEVER,
        }
    }
}

impl Evidence {
    /// Takes what `fix` states for the epoch at `time`. Inside one epoch "no fix" outranks every class, then
    /// GGA stands before GNS, RMC and GLL.
    pub(crate) fn take(&mut self, fix: &Fix, time: i64) {
        if fix.class.is_some() {
            let rank = match (fix.class, fix.kind) {
                (Some(FixClass::None), _) => 4,
                (_, FixKind::Gga) => 3,
                (_, FixKind::Gns) => 2,
                (_, FixKind::Rmc) => 1,
                (_, FixKind::Gll) => 0,
            };
            if self.class.value.is_none() || self.class.time != time || rank >= self.class_rank {
                self.class.set(fix.class, time);
                self.class_rank = rank;
            }
        }
        self.sats.set(fix.sats, time);
        self.hdop_centi.set(fix.hdop_centi, time);
        self.speed_mm_s.set(fix.speed_mm_s, time);
    }

    pub(crate) fn speed(&mut self, mm_s: Option<u32>, time: i64) {
        self.speed_mm_s.set(mm_s, time);
    }

    pub(crate) fn dop(&mut self, centi: Option<u16>, time: i64) {
        self.hdop_centi.set(centi, time);
    }

    pub(crate) fn temperature(&mut self, centi: Option<i16>, time: i64) {
        self.temp_centi.set(centi, time);
    }

    /// What is young enough at `time`.
    pub(crate) fn at(&self, time: i64) -> Stated {
        Stated {
            class: self.class.at(time, EVIDENCE_MS).unwrap_or_default(),
            sats: self.sats.at(time, EVIDENCE_MS),
            hdop_centi: self.hdop_centi.at(time, EVIDENCE_MS),
            speed_mm_s: self.speed_mm_s.at(time, EVIDENCE_MS),
            temp_centi: self.temp_centi.at(time, MAX_GAP_MS),
        }
    }

    /// Moves all moments by whole days.
    pub(crate) fn shift(&mut self, by: i64) {
        self.class.time += by;
        self.sats.time += by;
        self.hdop_centi.time += by;
        self.speed_mm_s.time += by;
        self.temp_centi.time += by;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn epoch(lat: f64, lon: f64, time: i64) -> Epoch {
        let units = |d: f64| (d * UNITS_A_DEGREE as f64) as i64;
        Epoch::new(0, time, Position { lat: units(lat), lon: units(lon), places: 4 })
    }

    #[test]
    fn plausible_moves() {
        let a = epoch(45.0, 179.9999, 0);
        // 0.001° E at 45° = 78.8 m, 0.001° N = 111.1 m (GeographicLib 2.1); 1 s allows 80 m.
        assert!(a.reaches(&epoch(45.0, -179.9991, 1000)));
        assert!(!a.reaches(&epoch(45.001, 179.9999, 1000)));
        assert!(a.reaches(&epoch(45.001, 179.9999, 2000)));
    }

    #[test]
    fn evidence_grows_old() {
        let mut e = Evidence::default();
        e.dop(Some(90), 1000);
        e.temperature(Some(1790), 1000);
        assert_eq!(e.at(6000).hdop_centi, Some(90));
        assert_eq!(e.at(6001).hdop_centi, None);
        assert_eq!(e.at(11_000).temp_centi, Some(1790));
        assert_eq!(e.at(11_001).temp_centi, None);
    }
}
