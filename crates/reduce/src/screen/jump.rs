//! Fixes farther away than the boat can have gone, both from the one before and from the one after.

use super::{Point, at, distance, open};
use crate::Settings;
use leadline_model::VoidReason;

/// How many times its told speed a boat may seem to go between two fixes.
const HASTE: f64 = 3.0;

pub(crate) fn mark(points: &mut [Point], settings: &Settings) {
    let open = open(points);
    let far = |a: Option<Point>, b: Option<Point>| a.zip(b).is_some_and(|(a, b)| too_far(&a, &b, settings));
    let jumped: Vec<u32> = (1..open.len().saturating_sub(1))
        .filter(|i| {
            let (before, here, after) =
                (at(points, &open, i - 1), at(points, &open, *i), at(points, &open, i + 1));
            far(before, here) && far(here, after)
        })
        .filter_map(|i| open.get(i).copied())
        .collect();
    for i in jumped {
        if let Some(p) = points.get_mut(i as usize) {
            p.void = Some(VoidReason::PositionJump);
        }
    }
}

fn too_far(a: &Point, b: &Point, settings: &Settings) -> bool {
    let dt = b.time.saturating_sub(a.time);
    let speed = match (a.told_speed, b.told_speed) {
        (Some(x), Some(y)) => HASTE * f64::from(x.max(y)),
        _ => HASTE * settings.max_speed,
    };
    dt <= settings.neighbour_ms && distance(a, b) > settings.jump_m + speed * dt as f64 / 1000.0
}

#[cfg(test)]
mod tests {
    use super::super::tests::{straight, voids};
    use super::*;

    #[test]
    fn lone_jump_goes_and_a_new_place_stays() {
        let mut points = straight((0..20).map(|_| 5.0));
        points[7].east = 80.0;
        for p in &mut points[12..] {
            p.east = 300.0;
        }
        mark(&mut points, &Settings::default());
        assert_eq!(voids(&points, VoidReason::PositionJump), [7]);
    }

    #[test]
    fn two_tracks_mixed_by_a_clock_are_not_believed() {
        let mut points = straight((0..20).map(|_| 5.0));
        for p in points[6..14].iter_mut().step_by(2) {
            p.east = 26.0;
        }
        mark(&mut points, &Settings::default());
        assert_eq!(voids(&points, VoidReason::PositionJump), [6, 7, 8, 9, 10, 11, 12]);
    }
}
