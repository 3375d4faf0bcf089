//! Days on invented water: one boat, survey lines 20 m apart at 45° latitude, 2.5 m/s, one sounding a second, in the
//! roundings that sentences carry.

use leadline_model::{DepthFrom, FixClass, Flags, GridPos, KNOT, LonLat, Sounding, UtcMillis};

/// Rounding of the depths in millimetres: 100 (one decimal) or 10 (two).
#[derive(Clone, Copy)]
pub(crate) struct Rounding(pub(crate) i32);

/// `n` soundings in time order, the same for the same `seed`.
pub(crate) fn soundings(n: usize, rounding: Rounding, seed: u64) -> Vec<Sounding> {
    let mut dice = Dice(seed);
    let mut boat = Boat::default();
    let mut before = boat.fix(&mut dice);
    let start = 1_788_000_000_000;
    (0..n as i64)
        .map(|i| {
            let after = boat.fix(&mut dice);
            // The depth comes a third of a second after the fix; its position is interpolated.
            let at = LonLat {
                lon: before.lon + (after.lon - before.lon) * 0.333,
                lat: before.lat + (after.lat - before.lat) * 0.333,
            };
            before = after;
            boat.sounding(UtcMillis(start + i * 1000 + 333), at, rounding, &mut dice)
        })
        .collect()
}

#[derive(Default)]
struct Boat {
    /// Metres along the line, and the line's number.
    along: f64,
    line: f64,
    backward: bool,
    speed: f64,
    /// Sway off the line and the receiver's error, metres.
    sway: f64,
    error: (f64, f64),
    hdop: u16,
    sats: u8,
    temp: i16,
}

const METRES_A_DEGREE: f64 = 111_132.0;
const LINE_METRES: f64 = 1500.0;

impl Boat {
    fn fix(&mut self, dice: &mut Dice) -> LonLat {
        self.speed = 2.5 + 0.08 * dice.normal();
        self.along += if self.backward { -self.speed } else { self.speed };
        if !(0.0..=LINE_METRES).contains(&self.along) {
            self.backward = !self.backward;
            self.line += 1.0;
        }
        self.sway = 0.95 * self.sway + 0.15 * dice.normal();
        self.error.0 = 0.98 * self.error.0 + 0.08 * dice.normal();
        self.error.1 = 0.98 * self.error.1 + 0.08 * dice.normal();
        let (east, north) = (self.along + self.error.0, 20.0 * self.line + self.sway + self.error.1);
        // Lines at 20° to the grid: shores do not run along it.
        let (sin, cos) = (0.342, 0.940);
        let (east, north) = (east * cos - north * sin, east * sin + north * cos);
        LonLat {
            lon: to_minute(12.0 + east / (METRES_A_DEGREE * 0.7083)),
            lat: to_minute(45.0 + north / METRES_A_DEGREE),
        }
    }

    fn sounding(&mut self, time: UtcMillis, at: LonLat, r: Rounding, dice: &mut Dice) -> Sounding {
        let bed = 6.0
            + 3.0 * (self.along / 190.0 + self.line / 9.0).sin()
            + 0.6 * (self.along / 31.0).sin()
            + self.line / 40.0;
        let depth_mm = ((bed + 0.03 * dice.normal()) * 1000.0 / f64::from(r.0)).round() as i32 * r.0;
        if dice.one_in(8) {
            self.hdop = (self.hdop + 1) % 5;
        }
        if dice.one_in(15) {
            self.sats = (self.sats + 2) % 5;
        }
        if dice.one_in(40) {
            self.temp = (self.temp + 1) % 7;
        }
        let knots = (self.speed / KNOT * 10.0).round() / 10.0;
        Sounding {
            time,
            at: GridPos::from_lonlat(at).expect("45° N lies on the grid"),
            depth_mm,
            from: DepthFrom::Transducer,
            offset_mm: Some(300),
            speed_mm_s: Some((knots * KNOT * 1000.0).round() as u32),
            hdop_centi: Some(90 + 10 * self.hdop),
            fix: FixClass::Differential,
            sats: Some(8 + self.sats),
            temp_centi: Some(1850 + 10 * self.temp),
            flags: Flags(0),
        }
    }
}

/// To the 0.0001 minute of a GGA sentence.
fn to_minute(degrees: f64) -> f64 {
    (degrees * 600_000.0).round() / 600_000.0
}

/// SplitMix64 (Steele, Lea and Flood, 2014; from memory).
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Sum of twelve uniform numbers: near enough to a normal one.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| (self.next() >> 11) as f64 / (1u64 << 53) as f64).sum::<f64>() - 6.0
    }

    fn one_in(&mut self, n: u64) -> bool {
        self.next().is_multiple_of(n)
    }
}
