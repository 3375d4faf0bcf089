//! How measurements are written down: rounding, units, times, positions, statements.

use crate::track::{Dice, Truth};
use leadline_model::{
    DepthFrom, FixClass, Flags, GridPos, LegId, LocalFrame, LonLat, Sounding, Text, UtcMillis,
};
use leadline_reduce::{DeviceSet, LegInput};

/// 2026-05-01T10:00:00Z.
pub(crate) const START: i64 = 1_777_629_600_000;
/// Metres in a foot (1959), tenths.
pub(crate) const TENTH_FOOT: f64 = 0.03048;

/// One way of writing.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Format {
    /// Depths are rounded to this, metres.
    pub(crate) step: f64,
    /// And once more to this, metres.
    pub(crate) again: f64,
    /// Added before rounding, metres.
    pub(crate) before: f64,
    /// Added after rounding, metres.
    pub(crate) after: f64,
    pub(crate) from: DepthFrom,
    /// Positions are rounded to this, degrees.
    pub(crate) degrees: f64,
    /// Times are rounded to this, ms.
    pub(crate) ms: i64,
    /// Times are cut instead.
    pub(crate) floor: bool,
    /// The clock is ahead by this, ms.
    pub(crate) shift: i64,
    /// Statements besides time, place and depth, as bits.
    pub(crate) says: u8,
}

impl Format {
    /// A receiver's and sounder's sentences.
    pub(crate) fn sentences(step: f64) -> Self {
        Self {
            step,
            again: 0.001,
            before: 0.0,
            after: 0.0,
            from: DepthFrom::Transducer,
            degrees: 1e-4 / 60.0,
            ms: 1,
            floor: false,
            shift: 0,
            says: 0b11111,
        }
    }

    /// A table's rows.
    pub(crate) fn table(step: f64, dice: &mut Dice) -> Self {
        Self {
            degrees: dice.one_of(&[1e-7, 1e-6, 1e-5]),
            ms: dice.one_of(&[1, 10, 100, 1000]),
            floor: dice.chance(0.3),
            says: dice.one_of(&[0, 1, 3, 4]),
            ..Self::sentences(step)
        }
    }

    fn depth_mm(&self, depth: f64) -> i32 {
        let to = |v: f64, step: f64| libm::round(v / step) * step;
        let written = to(to(depth + self.before, self.step), self.again) + self.after;
        libm::round(written * 1000.0) as i32
    }

    fn time(&self, t: f64) -> i64 {
        let ms = libm::floor(t * 1000.0 + 0.5) as i64;
        let ms = if self.floor { ms } else { ms + self.ms / 2 };
        START + ms.div_euclid(self.ms) * self.ms + self.shift
    }

    pub(crate) fn write(&self, truths: &[Truth]) -> Vec<Sounding> {
        let frame =
            LocalFrame::new(GridPos::from_lonlat(LonLat { lon: 70.2, lat: 45.3 }).expect("on the grid"));
        let round = |v: f64| libm::round(v / self.degrees) * self.degrees;
        let says = |bit: u8| self.says >> bit & 1 == 1;
        truths
            .iter()
            .map(|m| {
                let p = frame.lonlat(m.e, m.n);
                let at = GridPos::from_lonlat(LonLat { lon: round(p.lon), lat: round(p.lat) })
                    .expect("on the grid");
                Sounding {
                    time: UtcMillis(self.time(m.t)),
                    at,
                    depth_mm: self.depth_mm(m.depth),
                    from: self.from,
                    offset_mm: None,
                    speed_mm_s: says(0).then_some((m.speed * 1000.0) as u32),
                    hdop_centi: says(1).then_some(110),
                    fix: if says(2) { FixClass::Autonomous } else { FixClass::Unstated },
                    sats: says(3).then_some(9),
                    temp_centi: says(4).then_some(1_500),
                    flags: Flags(0),
                }
            })
            .collect()
    }
}

pub(crate) fn text(t: &str) -> Text {
    Text::new(t).expect("short")
}

/// Cuts at the ten minutes; ids that depend on `device` and time, the smaller device the smaller id.
pub(crate) fn legs(boat: &str, device: u8, soundings: &[Sounding]) -> Vec<LegInput> {
    let mut sorted = soundings.to_vec();
    sorted.sort_unstable();
    sorted
        .chunk_by(|a, b| a.time.leg_window() == b.time.leg_window())
        .map(|w| {
            let mut id = [device; 32];
            id[8..16].copy_from_slice(&w[0].time.0.to_be_bytes());
            LegInput {
                id: LegId(id),
                boat: text(boat),
                devices: DeviceSet::one(device),
                soundings: w.to_vec(),
            }
        })
        .collect()
}
