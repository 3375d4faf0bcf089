//! Which of two recordings says more of the same measurements.

use super::matching::interval;
use super::step::Step;
use super::strand::{Point, Strand};
use leadline_model::{FixClass, Flags, LegId, Sounding};
use std::cmp::Reverse;

/// Readings finer than this are fine, mm: centimetres, not tenths of a foot.
const FINE_DEPTH_MM: f64 = 15.0;
/// Readings finer than this are better than coarse, mm: tenths of a foot, not of a metre.
const MIDDLE_DEPTH_MM: f64 = 50.0;
/// Positions on a grid finer than this are fine, in places of the map's grid (about 15 cm).
const FINE_PLACES: u32 = 8;

/// How good a recording is; the greater is the better, and no two are equal.
pub(crate) type Rank = (Reverse<i64>, u32, Reverse<(LegId, usize)>);

/// Ranks strand `number`: first by how often it sounded (a thinned copy says less), then by how much its
/// soundings say, last by the id of its first leg.
pub(crate) fn rank(number: usize, strand: &Strand, points: &[Point], step: Step) -> Rank {
    let soundings = || strand.legs.iter().flat_map(|l| &l.soundings);
    let n = soundings().count();
    let most = |has: fn(&Sounding) -> bool| u32::from(2 * soundings().filter(|s| has(s)).count() > n);
    let statements: [fn(&Sounding) -> bool; 7] = [
        |s| s.fix != FixClass::Unstated,
        |s| s.hdop_centi.is_some(),
        |s| s.speed_mm_s.is_some(),
        |s| s.sats.is_some(),
        |s| s.temp_centi.is_some(),
        |s| !s.flags.has(Flags::UNCHECKED),
        |s| !s.flags.has(Flags::ASSUMED_TIME),
    ];
    let said: u32 = statements.iter().map(|has| most(*has)).sum();
    let depth = u32::from(step.mm < FINE_DEPTH_MM) + u32::from(step.mm < MIDDLE_DEPTH_MM);
    let time = u32::from(points.iter().any(|p| p.time % 1_000 != 0));
    let first = strand.legs.first().map_or(LegId([0; LegId::LEN]), |l| l.id);
    (Reverse(rate(points)), said + depth + time + u32::from(fine_places(points)), Reverse((first, number)))
}

/// Octave of the time between soundings: 1 Hz and 1.2 Hz are the same, 2 Hz is not.
fn rate(points: &[Point]) -> i64 {
    let mut limit = 1_414i64;
    let mut octave = 10;
    let interval = interval(points).max(1);
    while interval > limit && octave < 40 {
        (limit, octave) = (limit * 2, octave + 1);
    }
    while interval.saturating_mul(2) <= limit && octave > 0 {
        (limit, octave) = (limit / 2, octave - 1);
    }
    octave
}

/// Whether positions differ by less than a coarse format can.
fn fine_places(points: &[Point]) -> bool {
    let near = |a: u32, b: u32| (1..FINE_PLACES).contains(&a.abs_diff(b));
    let mut fine = 0;
    let mut seen = 0;
    for w in points.windows(2).take(4_096) {
        let [a, b] = w else { continue };
        seen += usize::from(a.at != b.at);
        fine += usize::from(near(a.at.x(), b.at.x()) || near(a.at.y(), b.at.y()));
    }
    fine * 20 > seen
}
