//! Bursts of second echoes: the sound went down and up twice, and the sounder shows about double the depth.

use super::{Point, at, open};
use crate::Settings;
use leadline_model::VoidReason;

/// Step into and out of a burst: double, with room for the draft (the surface reflects, not the transducer) and the
/// way between two readings.
const DOUBLE: std::ops::RangeInclusive<f64> = 1.7..=2.4;
/// Between the ends, to the straight line from end to end: the bed is not straight.
const ROUGHLY_DOUBLE: std::ops::RangeInclusive<f64> = 1.35..=3.0;
/// Least step, metres.
const LEAST_M: f64 = 1.0;

pub(crate) fn mark(points: &mut [Point], settings: &Settings) {
    let open = open(points);
    let mut i = 0;
    while i + 2 < open.len() {
        let Some(end) = burst(points, &open, i, settings) else {
            i += 1;
            continue;
        };
        for k in open.get(i + 1..end).unwrap_or_default() {
            if let Some(p) = points.get_mut(*k as usize) {
                p.void = Some(VoidReason::SecondEcho);
            }
        }
        i = end;
    }
}

/// If a burst begins right after `i`, the index of the first reading behind it.
fn burst(points: &[Point], open: &[u32], i: usize, settings: &Settings) -> Option<usize> {
    let before = at(points, open, i)?;
    let mut last = at(points, open, i + 1)?;
    if !steps_down(before.range, last.range) {
        return None;
    }
    for end in i + 2..open.len() {
        let here = at(points, open, end)?;
        if here.time.saturating_sub(before.time) > settings.second_echo_ms {
            return None;
        }
        if steps_down(here.range, last.range) {
            let doubled = (i + 1..end)
                .all(|k| at(points, open, k).is_some_and(|p| is_about_double(&p, &before, &here)));
            return doubled.then_some(end);
        }
        last = here;
    }
    None
}

fn steps_down(shoal: f64, deep: f64) -> bool {
    shoal > 0.0 && DOUBLE.contains(&(deep / shoal)) && deep - shoal > LEAST_M
}

fn is_about_double(p: &Point, before: &Point, after: &Point) -> bool {
    let way = after.along - before.along;
    let share = if way > 0.0 { (p.along - before.along) / way } else { 0.5 };
    let bed = before.range + (after.range - before.range) * share;
    ROUGHLY_DOUBLE.contains(&(p.range / bed))
}

#[cfg(test)]
mod tests {
    use super::super::tests::{noise, straight, voids};
    use super::*;

    fn echoes(depths: impl IntoIterator<Item = f64>) -> Vec<usize> {
        let mut points = straight(depths);
        mark(&mut points, &Settings::default());
        voids(&points, VoidReason::SecondEcho)
    }

    #[test]
    fn burst_at_double_depth_goes() {
        // The bed rises in the middle of the burst.
        let bed = |i: usize| 4.0 - 0.9 * libm::sin((i as f64 - 30.0) / 4.0).max(0.0) + 0.03 * noise(i);
        let with = |i: usize| if (30..42).contains(&i) { 2.0 * bed(i) + 0.3 } else { bed(i) };
        assert_eq!(echoes((0..80).map(with)), (30..42).collect::<Vec<_>>());
    }

    #[test]
    fn hole_that_is_not_double_and_a_drop_off_stay() {
        let hole = (0..80)
            .map(|i| if (30..42).contains(&i) { 7.5 - 0.2 * f64::from((i - 36i32).abs()) } else { 4.0 });
        assert_eq!(echoes(hole), [0usize; 0]);
        assert_eq!(echoes((0..80).map(|i| if i < 40 { 3.0 } else { 6.0 })), [0usize; 0]);
    }
}
