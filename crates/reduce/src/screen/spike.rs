//! Lone jumps of one or two readings. A drop-off stays, because it agrees with one of its sides.

use super::{Point, at, neighbours, open};
use crate::Settings;
use crate::robust::median;
use leadline_model::VoidReason;

/// Neighbours looked at on each side.
const SIDE: usize = 4;
/// Median of |difference of two normal errors| in standard deviations of one: 0.6745 · √2.
const MEDIAN_DIFFERENCE: f64 = 0.954;

pub(crate) fn mark(points: &mut [Point], settings: &Settings) {
    let open = open(points);
    let spikes: Vec<(u32, bool)> = (0..open.len())
        .filter_map(|i| spike(points, &open, i, settings).map(|shoal| (i, shoal)))
        .filter_map(|(i, shoal)| open.get(i).map(|k| (*k, shoal)))
        .collect();
    for (i, shoal) in spikes {
        if let Some(p) = points.get_mut(i as usize) {
            p.shoal_spike = shoal;
            let clutter = shoal && p.range < settings.clutter_m;
            p.void = Some(if clutter { VoidReason::Clutter } else { VoidReason::Spike });
        }
    }
}

/// Nearest neighbours on one side, nearest first, and the differences between them.
struct Side {
    depths: [f64; SIDE],
    steps: [f64; SIDE],
    n: usize,
}

impl Side {
    fn of(
        points: &[Point],
        open: &[u32],
        here: &Point,
        indices: impl Iterator<Item = usize>,
        s: &Settings,
    ) -> Self {
        let mut side = Self { depths: [0.0; SIDE], steps: [0.0; SIDE], n: 0 };
        let mut last = None;
        for (slot, i) in (0..SIDE).zip(indices) {
            let Some(p) = at(points, open, i).filter(|p| neighbours(here, p, s)) else { break };
            side.depths[slot] = p.range;
            if let Some(last) = last {
                side.steps[slot - 1] = f64::abs(p.range - last);
            }
            last = Some(p.range);
            side.n = slot + 1;
        }
        side
    }

    fn median(&mut self) -> Option<f64> {
        median(&mut self.depths[..self.n])
    }

    fn steps(&self) -> &[f64] {
        &self.steps[..self.n.saturating_sub(1)]
    }
}

/// Whether reading `i` is a spike, and if so whether on the shoal side.
fn spike(points: &[Point], open: &[u32], i: usize, s: &Settings) -> Option<bool> {
    let here = at(points, open, i)?;
    let mut left = Side::of(points, open, &here, (0..i).rev(), s);
    let mut right = Side::of(points, open, &here, i + 1..open.len(), s);
    // At the end of a track one side must be enough, and the jump twice as high.
    let (enough, sternness) = match (left.n, right.n) {
        (2.., 2..) => (true, 1.0),
        (SIDE, 0) | (0, SIDE) => (true, 2.0),
        _ => (false, 1.0),
    };
    if !enough {
        return None;
    }
    let sides = [left.median(), right.median()];
    let shoal = sides.into_iter().flatten().fold(f64::INFINITY, f64::min);
    let deep = sides.into_iter().flatten().fold(f64::NEG_INFINITY, f64::max);
    let beyond = (shoal - here.range).max(here.range - deep);
    let least = s.spike_floor.max(s.spike_share * deep);
    let spike =
        beyond > sternness * least && beyond > sternness * s.spike_sigmas * local_sigma(&left, &right);
    spike.then_some(here.range < shoal)
}

/// Standard deviation of the readings by the differences of those that follow each other, the slope included.
fn local_sigma(left: &Side, right: &Side) -> f64 {
    let mut steps = [0.0; 2 * SIDE];
    let mut n = 0;
    for (slot, d) in steps.iter_mut().zip(left.steps().iter().chain(right.steps())) {
        *slot = *d;
        n += 1;
    }
    median(&mut steps[..n]).unwrap_or(0.0) / MEDIAN_DIFFERENCE
}

#[cfg(test)]
mod tests {
    use super::super::tests::{noise, straight, voids};
    use super::*;

    fn spikes(depths: impl IntoIterator<Item = f64>) -> Vec<usize> {
        let mut points = straight(depths);
        mark(&mut points, &Settings::default());
        voids(&points, VoidReason::Spike)
    }

    #[test]
    fn single_and_double_spikes_go_and_a_drop_off_stays() {
        let bed = |i: usize| if i < 60 { 4.0 } else { 7.0 } + 0.05 * noise(i);
        let with = |i: usize| match i {
            20 => 1.2,
            40 | 41 => 9.5,
            80 => 3.0,
            _ => bed(i),
        };
        assert_eq!(spikes((0..100).map(with)), [20, 40, 41, 80]);
        assert_eq!(
            spikes((0..100).map(bed)),
            [0usize; 0],
            "a drop-off of 3 m between two readings is the bed"
        );
    }

    #[test]
    fn near_the_transducer_it_is_clutter() {
        let mut points = straight((0..60).map(|i| match i {
            20 => 0.4,
            40 => 2.0,
            _ => 6.0 + 0.05 * noise(i),
        }));
        mark(&mut points, &Settings::default());
        assert_eq!(voids(&points, VoidReason::Clutter), [20]);
        assert_eq!(voids(&points, VoidReason::Spike), [40]);
    }

    #[test]
    fn steep_valley_and_a_hump_stay() {
        let valley =
            (0..100).map(|i| 12.0 - 0.8 * f64::from((i - 50i32).abs()).min(10.0) + 0.05 * noise(i as usize));
        assert_eq!(spikes(valley), [0usize; 0]);
        let hump = (0..100)
            .map(|i| 6.0 - 2.5 * (-f64::from(i - 50).powi(2) / 18.0).exp() + 0.05 * noise(i as usize));
        assert_eq!(spikes(hump), [0usize; 0]);
    }

    #[test]
    fn weed_is_no_spike_and_the_end_of_a_track_is_watched() {
        let weed = (0..200).map(|i| 3.0 - 0.6 * noise(i).abs());
        assert!(spikes(weed).len() < 4, "weed scatters; it is not taken apart reading by reading");
        assert_eq!(spikes((0..50).map(|i| if i == 49 { 20.0 } else { 5.0 })), [49]);
    }
}
