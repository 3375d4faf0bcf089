//! The grid a sounder's readings lie on: 0.1 m, 0.1 ft, centimetres, and what is left of it in another unit.

use super::strand::Point;

/// The steps that sounders and formats round to, µm: metres, feet and fathoms by powers of ten, and halves.
const STEPS_UM: [i64; 13] = [
    1_828_800, 1_000_000, 500_000, 304_800, 182_880, 152_400, 100_000, 50_000, 30_480, 18_288, 10_000, 3_048,
    1_000,
];
/// Readings looked at.
const SAMPLE: usize = 2_048;
/// This share of them has to lie on the grid, in percent: the rest may be no bottom, or damaged.
const ON_GRID_PERCENT: usize = 98;
/// Fewer different readings than this lie on many grids by chance, as soon as the grid has some room.
const DISTINCT: usize = 12;

/// A grid of readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Step {
    /// Distance between neighbouring readings, mm.
    pub(crate) mm: f64,
    /// How far a reading may lie beside the grid because it was rounded again, mm, both sides together.
    pub(crate) room: f64,
}

/// The coarsest grid the readings of `points` lie on, whatever its zero.
pub(crate) fn step(points: &[Point]) -> Step {
    let stride = points.len().div_ceil(SAMPLE).max(1);
    let mut depths: Vec<i64> = points.iter().step_by(stride).map(|p| i64::from(p.depth_mm)).collect();
    depths.sort_unstable();
    let mut distinct = depths.clone();
    distinct.dedup();
    // Already on full centimetres: a grid of feet then has a centimetre of room.
    let centimetres =
        distinct.iter().filter(|d| *d % 10 == 0).count() * 100 >= distinct.len() * ON_GRID_PERCENT;
    for um in STEPS_UM {
        let finer = um % 10_000 != 0;
        let room_mm = if finer && centimetres && um > 25_000 { 10 } else { 1 };
        if (distinct.len() >= DISTINCT || room_mm == 1) && on_grid(&depths, um, room_mm) {
            return Step { mm: um as f64 / 1000.0, room: f64::from(room_mm) };
        }
    }
    Step { mm: 1.0, room: 1.0 }
}

/// Whether nearly all of `depths` (mm) lie within `room` of some grid with this step.
fn on_grid(depths: &[i64], um: i64, room: i32) -> bool {
    let bins = um.div_euclid(1_000).max(1);
    let width = i64::from(room) + 1;
    if width >= bins {
        return um <= 1_000;
    }
    let mut counts = vec![0usize; bins as usize];
    for d in depths {
        let bin = (d * 1_000).rem_euclid(um) / 1_000;
        if let Some(n) = counts.get_mut(bin.min(bins - 1) as usize) {
            *n += 1;
        }
    }
    let n = counts.len();
    let inside = |from: usize| (0..width as usize).filter_map(|k| counts.get((from + k) % n)).sum::<usize>();
    let best = (0..n).map(inside).max().unwrap_or(0);
    best * 100 >= depths.len() * ON_GRID_PERCENT
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::GridPos;

    fn of(depth_m: impl Fn(f64) -> f64) -> f64 {
        let at = GridPos::new(0, 0).expect("on the grid");
        let points: Vec<Point> = (0..500i64)
            .map(|i| {
                let m = depth_m(4.0 + 2.0 * libm::sin(i as f64 / 40.0) + 0.07 * libm::sin(i as f64 * 1.7));
                Point { time: i * 1_000, at, depth_mm: libm::round(m * 1_000.0) as i32 }
            })
            .collect();
        step(&points).mm
    }

    fn to(step: f64) -> impl Fn(f64) -> f64 {
        move |m| libm::round(m / step) * step
    }

    #[test]
    fn grids_are_seen_through_units_and_offsets() {
        // International foot: 0.3048 m (1959).
        for s in [0.1, 0.01, 0.3048, 0.03048, 0.18288] {
            assert!((of(to(s)) - s * 1_000.0).abs() < 1e-6, "{s}: {}", of(to(s)));
        }
        assert_eq!(of(|m| to(0.1)(m) + 0.35), 100.0);
        assert_eq!(of(|m| to(0.01)(to(0.03048)(m))), 30.48);
        assert_eq!(of(|m| m), 1.0);
    }
}
