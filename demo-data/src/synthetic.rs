//! A big survey log for measurements of speed: as many positioned soundings as wished, one a second, streamed.

use crate::rng::{Rng, Wander};
use crate::sentence::ddmmyy;
use leadline_model::{GridPos, KNOT, LocalFrame, LonLat, UtcMillis};
use std::io::{self, Read, Write as _};

/// Boat speed and distance of the lines, metres.
const SPEED: f64 = 2.0;
const SPACING: f64 = 10.0;
/// A day's work, seconds; then the log goes on the next morning.
const DAY_SECONDS: usize = 21_600;
/// 2024-03-01T08:00:00Z.
const FIRST_MORNING: i64 = 1_709_280_000_000;

/// An NMEA log of `soundings` positioned soundings: RMC, GGA and DPT every second of a lawnmower survey, six
/// hours a day, all lines sound. The area grows with the number; the same seed and number give the same bytes.
pub fn synthetic(seed: u64, soundings: usize) -> Synthetic {
    let mut rng = Rng::new(seed, 0x51);
    let side = libm::sqrt(soundings.max(1) as f64 * SPEED * SPACING).max(200.0);
    let middle = GridPos::from_lonlat(LonLat { lon: 70.6, lat: 45.4 }).expect("on the grid");
    let wander = [Wander::new(&mut rng, 200.0, 1.0), Wander::new(&mut rng, 200.0, 1.0)];
    Synthetic {
        rng,
        wander,
        frame: LocalFrame::new(middle),
        side,
        second: 0,
        soundings,
        ready: Vec::new(),
        taken: 0,
    }
}

/// The whole log at once.
pub fn synthetic_bytes(seed: u64, soundings: usize) -> Vec<u8> {
    let mut out = Vec::with_capacity(soundings * 170);
    let mut log = synthetic(seed, soundings);
    while log.second < log.soundings {
        log.write_second(&mut out);
    }
    out
}

/// The stream; give it to anything that reads.
#[derive(Debug)]
pub struct Synthetic {
    rng: Rng,
    wander: [Wander; 2],
    frame: LocalFrame,
    side: f64,
    second: usize,
    soundings: usize,
    ready: Vec<u8>,
    taken: usize,
}

impl Read for Synthetic {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        if self.taken == self.ready.len() {
            let mut ready = std::mem::take(&mut self.ready);
            ready.clear();
            while ready.len() < 1 << 16 && self.second < self.soundings {
                self.write_second(&mut ready);
            }
            self.ready = ready;
            self.taken = 0;
        }
        let n = out.len().min(self.ready.len() - self.taken);
        out[..n].copy_from_slice(&self.ready[self.taken..self.taken + n]);
        self.taken += n;
        Ok(n)
    }
}

impl Synthetic {
    fn write_second(&mut self, out: &mut Vec<u8>) {
        let (east, north, northward) = self.place();
        let depth = 7.0 + 3.0 * libm::sin(east / 160.0) + 2.5 * libm::cos(north / 110.0 + east / 300.0);
        let rng = &mut self.rng;
        let at =
            self.frame.lonlat(east + 0.7 * self.wander[0].step(rng), north + 0.7 * self.wander[1].step(rng));
        // A sum of three even draws is noise enough and needs no logarithm.
        let noise = 0.03 * (rng.unit() + rng.unit() + rng.unit() - 1.5) * 2.0;
        let centimetres = libm::round((depth + noise) * 100.0) as u32;
        let sog = SPEED / KNOT + 0.1 * (rng.unit() - 0.5);
        let course = if northward { 0.0 } else { 180.0 } + 3.0 * rng.unit();
        let hdop = 8 + (self.second / 300 % 5) as u32;
        let utc = self.moment();
        self.second += 1;

        let (time, date) = (hhmmss(utc), ddmmyy(utc));
        let place = Minutes::new(at);
        line(out, |o| write!(o, "GPRMC,{time},A,{place},{sog:.1},{course:.1},{date},,,A"));
        line(out, |o| write!(o, "GPGGA,{time},{place},1,09,{}.{},312.4,M,-38.2,M,,", hdop / 10, hdop % 10));
        line(out, |o| write!(o, "SDDPT,{}.{:02},0.30", centimetres / 100, centimetres % 100));
    }

    fn moment(&self) -> UtcMillis {
        let (day, second) = (self.second / DAY_SECONDS, self.second % DAY_SECONDS);
        UtcMillis(FIRST_MORNING + day as i64 * 86_400_000 + second as i64 * 1000)
    }

    /// Metres east and north, and whether this line goes north.
    fn place(&self) -> (f64, f64, bool) {
        let gone = self.second as f64 * SPEED;
        let lines = libm::floor(gone / self.side);
        let along = gone - lines * self.side;
        let northward = (lines as u64).is_multiple_of(2);
        let north = if northward { along } else { self.side - along };
        (lines * SPACING - self.side / 2.0, north - self.side / 2.0, northward)
    }
}

fn hhmmss(at: UtcMillis) -> String {
    let s = at.millis_of_day() / 1000;
    format!("{:02}{:02}{:02}.00", s / 3600, s / 60 % 60, s % 60)
}

/// Appends `$`, what `body` writes, the checksum and the line end.
fn line(out: &mut Vec<u8>, body: impl FnOnce(&mut Vec<u8>) -> io::Result<()>) {
    out.push(b'$');
    let from = out.len();
    // Writing to a Vec cannot fail.
    let _ = body(out);
    let sum = out[from..].iter().fold(0, |sum, c| sum ^ c);
    let _ = write!(out, "*{sum:02X}\r\n");
}

/// `ddmm.mmmm,N,dddmm.mmmm,E` of a place in the north-east.
struct Minutes {
    lat: u64,
    lon: u64,
}

impl Minutes {
    fn new(p: LonLat) -> Self {
        let units = |d: f64| libm::round(d.abs() * 600_000.0) as u64;
        Self { lat: units(p.lat), lon: units(p.lon) }
    }
}

impl std::fmt::Display for Minutes {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let split = |v: u64| (v / 600_000, v % 600_000 / 10_000, v % 10_000);
        let ((ad, am, af), (od, om, of)) = (split(self.lat), split(self.lon));
        write!(f, "{ad:02}{am:02}.{af:04},N,{od:03}{om:02}.{of:04},E")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stream_and_whole_are_the_same_and_sound() {
        let whole = synthetic_bytes(4, 1_000);
        let mut streamed = Vec::new();
        synthetic(4, 1_000).read_to_end(&mut streamed).expect("memory");
        assert_eq!(whole, streamed);
        let text = String::from_utf8(whole).expect("text");
        assert_eq!(text.lines().count(), 3_000);
        for l in text.lines() {
            let (body, _) = l[1..].split_once('*').expect("a checksum");
            assert_eq!(crate::sentence::framed(body), l);
        }
        assert!(text.starts_with("$GPRMC,080000.00,A,45"), "{}", &text[..40]);
    }

    #[test]
    fn next_day_follows_in_the_morning() {
        let mut log = synthetic(1, 2 * DAY_SECONDS);
        log.second = DAY_SECONDS;
        assert_eq!(log.moment().to_string(), "2024-03-02T08:00:00Z");
    }
}
