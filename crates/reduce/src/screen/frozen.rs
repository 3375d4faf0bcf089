//! The same reading again and again while the boat moves on: a sounder that hangs.

use super::{Point, at, distance, open};
use crate::Settings;
use leadline_model::VoidReason;

/// Pairs of readings on each side that show how often two equal readings follow each other here.
const AROUND: usize = 120;
/// With fewer pairs nothing is said.
const LEAST_AROUND: usize = 20;
/// A run less likely than this is frozen, where the readings are fine enough to show the noise.
const UNLIKELY: f64 = 1e-6;
/// The same where the readings are coarse: an even bed may give one value for long, but then its surroundings
/// do so, too.
const UNLIKELY_COARSE: f64 = 1e-15;
/// A run less likely than this is frozen when it ends or begins with a jump.
const UNLIKELY_WITH_JUMP: f64 = 1e-3;
/// Readings coarser than this hide the noise, mm.
const COARSE_MM: i32 = 50;

pub(crate) fn mark(points: &mut [Point], settings: &Settings) {
    let open = open(points);
    let depths: Vec<i32> = open.iter().filter_map(|i| points.get(*i as usize)).map(|p| p.depth_mm).collect();
    let step = finest_step(&depths);
    let mut start = 0;
    while start < depths.len() {
        let length = depths
            .get(start..)
            .unwrap_or_default()
            .iter()
            .take_while(|d| Some(*d) == depths.get(start))
            .count();
        let run = start..start + length;
        start = run.end;
        let moved = match (at(points, &open, run.start), at(points, &open, run.end - 1)) {
            (Some(a), Some(b)) => distance(&a, &b),
            _ => 0.0,
        };
        let suspect = length >= settings.frozen_readings && moved >= settings.frozen_m;
        if suspect && is_frozen(&depths, &run, step, settings) {
            for i in open.get(run).unwrap_or_default() {
                if let Some(p) = points.get_mut(*i as usize) {
                    p.void = Some(VoidReason::Frozen);
                }
            }
        }
    }
}

fn is_frozen(depths: &[i32], run: &std::ops::Range<usize>, step: i32, settings: &Settings) -> bool {
    let before = depths.get(run.start.saturating_sub(AROUND)..=run.start).unwrap_or_default();
    let after = depths.get(run.end - 1..(run.end + AROUND).min(depths.len())).unwrap_or_default();
    // The pairs at the ends of the run itself differ by construction.
    let (b, a) = (before.len().saturating_sub(2), after.len().saturating_sub(2));
    let pairs = before.windows(2).take(b).chain(after.windows(2).skip(1)).filter(|p| p[0] == p[1]).count();
    if a + b < LEAST_AROUND {
        return false;
    }
    let share = (pairs as f64 + 1.0) / ((a + b) as f64 + 2.0);
    let log_likely = (run.len() as f64 - 1.0) * libm::log(share);
    let limit = if step < COARSE_MM { UNLIKELY } else { UNLIKELY_COARSE };
    log_likely < libm::log(limit)
        || (jumps(depths, run, step, settings) && log_likely < libm::log(UNLIKELY_WITH_JUMP))
}

fn jumps(depths: &[i32], run: &std::ops::Range<usize>, step: i32, settings: &Settings) -> bool {
    let least = (settings.spike_floor * 1000.0).max(f64::from(step) * 2.5);
    let Some(inside) = depths.get(run.start).map(|d| f64::from(*d)) else { return false };
    let outside = [run.start.checked_sub(1).and_then(|i| depths.get(i)), depths.get(run.end)];
    outside.into_iter().flatten().any(|d| (f64::from(*d) - inside).abs() > least)
}

/// Smallest difference between readings that follow each other, mm.
fn finest_step(depths: &[i32]) -> i32 {
    let steps = depths.windows(2).map(|p| p[0].saturating_sub(p[1]).saturating_abs());
    steps.filter(|d| *d > 0).min().unwrap_or(i32::MAX)
}

#[cfg(test)]
mod tests {
    use super::super::tests::{noise, straight, voids};
    use super::*;

    fn bed(i: usize, step: f64) -> f64 {
        let d = 6.0 + 2.0 * libm::sin(i as f64 / 30.0) + 0.04 * noise(i);
        libm::round(d / step) * step
    }

    #[test]
    fn hanging_sounder_goes_in_fine_and_coarse_readings() {
        for step in [0.01, 0.1] {
            let mut points =
                straight((0..300).map(|i| bed(if (140..170).contains(&i) { 140 } else { i }, step)));
            mark(&mut points, &Settings::default());
            let found = voids(&points, VoidReason::Frozen);
            assert!(found.len() >= 28 && found.iter().all(|i| (138..172).contains(i)), "{step}: {found:?}");
        }
    }

    #[test]
    fn even_bed_in_coarse_readings_stays() {
        // Lines across a canal: 24 readings of its even floor, 18 up one bank, turn, 18 down again.
        let depth = |i: usize| {
            let up = (i % 60).saturating_sub(24).min(60 - i % 60);
            7.0 - 0.12 * up as f64 + 0.02 * noise(i)
        };
        let mut points = straight((0..600).map(|i| libm::round(depth(i) * 10.0) / 10.0));
        mark(&mut points, &Settings::default());
        assert_eq!(voids(&points, VoidReason::Frozen), [0usize; 0]);
    }

    #[test]
    fn boat_at_anchor_is_not_frozen() {
        let mut points = straight((0..300).map(|i| if (140..170).contains(&i) { 6.0 } else { bed(i, 0.01) }));
        points[140..170].iter_mut().for_each(|p| p.north = 280.0);
        mark(&mut points, &Settings::default());
        assert_eq!(voids(&points, VoidReason::Frozen), [0usize; 0]);
    }
}
