//! What lies: readings along one track that cannot be the bed.

mod echo;
mod frozen;
mod jump;
mod spike;

use crate::Settings;
use crate::robust::median;
use leadline_model::{Flags, Sounding, VoidReason};

/// One sounding of a track, in time order.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Point {
    /// ms.
    pub(crate) time: i64,
    /// Below the transducer, metres.
    pub(crate) range: f64,
    /// Way of the track from its start, metres.
    pub(crate) along: f64,
    /// Place, metres from the start of the track.
    pub(crate) east: f32,
    pub(crate) north: f32,
    /// As the instrument gave it.
    pub(crate) depth_mm: i32,
    /// The receiver's speed over ground, m/s.
    pub(crate) told_speed: Option<f32>,
    /// The told speed, else that of the track, m/s.
    pub(crate) speed: f32,
    /// Scatter of the track here, one standard deviation, metres; 0 where it cannot be seen.
    pub(crate) scatter: f32,
    /// Its time is a statement, not a measurement: nothing along the track can be judged.
    pub(crate) no_time: bool,
    /// Void as a spike that is shoaler than both sides.
    pub(crate) shoal_spike: bool,
    pub(crate) void: Option<VoidReason>,
}

impl Point {
    /// A sounding without a track.
    pub(crate) fn lone(s: &Sounding, range: f64) -> Self {
        Self {
            time: s.time.0,
            range,
            along: 0.0,
            east: 0.0,
            north: 0.0,
            depth_mm: s.depth_mm,
            told_speed: s.speed_mm_s.map(|v| v as f32 / 1000.0),
            speed: 0.0,
            scatter: 0.0,
            no_time: s.flags.has(Flags::ASSUMED_TIME),
            shoal_spike: false,
            void: None,
        }
    }
}

/// Marks what lies along the track and measures the scatter of the rest. Points that are void already take no
/// part.
pub(crate) fn track(points: &mut [Point], settings: &Settings) {
    jump::mark(points, settings);
    frozen::mark(points, settings);
    spike::mark(points, settings);
    echo::mark(points, settings);
    measure_scatter(points, settings);
}

/// Indices of the points still in question.
fn open(points: &[Point]) -> Vec<u32> {
    (0u32..).zip(points).filter(|(_, p)| p.void.is_none() && !p.no_time).map(|(i, _)| i).collect()
}

fn at(points: &[Point], open: &[u32], i: usize) -> Option<Point> {
    open.get(i).and_then(|k| points.get(*k as usize)).copied()
}

fn neighbours(a: &Point, b: &Point, settings: &Settings) -> bool {
    b.time.saturating_sub(a.time).saturating_abs() <= settings.neighbour_ms
        && (b.along - a.along).abs() <= settings.neighbour_m
}

/// Straight way between two points, metres.
pub(crate) fn distance(a: &Point, b: &Point) -> f64 {
    let (e, n) = (f64::from(b.east) - f64::from(a.east), f64::from(b.north) - f64::from(a.north));
    (e * e + n * n).sqrt()
}

/// Second differences do not see the slope; of normal noise their median is 0.6745 · √6 standard deviations.
fn measure_scatter(points: &mut [Point], settings: &Settings) {
    const HALF: usize = 4;
    const TO_SIGMA: f64 = 1.0 / (0.6745 * 2.449_489_742_783_178);
    let open = open(points);
    let second: Vec<f64> = (0..open.len())
        .map(|i| {
            let before = i.checked_sub(1).and_then(|j| at(points, &open, j));
            match (before, at(points, &open, i), at(points, &open, i + 1)) {
                (Some(a), Some(b), Some(c))
                    if neighbours(&a, &b, settings) && neighbours(&b, &c, settings) =>
                {
                    (a.range - 2.0 * b.range + c.range).abs()
                }
                _ => f64::NAN,
            }
        })
        .collect();
    for (i, k) in open.iter().enumerate() {
        let window = second.get(i.saturating_sub(HALF)..(i + HALF + 1).min(second.len())).unwrap_or_default();
        let mut seen = [0.0; 2 * HALF + 1];
        let mut n = 0;
        for (slot, d) in seen.iter_mut().zip(window.iter().filter(|d| !d.is_nan())) {
            *slot = *d;
            n += 1;
        }
        if n >= HALF
            && let (Some(m), Some(p)) = (median(&mut seen[..n]), points.get_mut(*k as usize))
        {
            p.scatter = (m * TO_SIGMA) as f32;
        }
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// A straight track: a reading every second at 2 m/s.
    pub(crate) fn straight(depths: impl IntoIterator<Item = f64>) -> Vec<Point> {
        (0i32..)
            .zip(depths)
            .map(|(i, range)| Point {
                time: i64::from(i) * 1000,
                range,
                along: f64::from(i) * 2.0,
                east: 0.0,
                north: i as f32 * 2.0,
                depth_mm: (range * 1000.0).round() as i32,
                told_speed: Some(2.0),
                speed: 2.0,
                scatter: 0.0,
                no_time: false,
                shoal_spike: false,
                void: None,
            })
            .collect()
    }

    /// Noise between −1 and 1 that never repeats soon: a linear congruential generator (Numerical Recipes).
    pub(crate) fn noise(i: usize) -> f64 {
        let mut x = i as u32 ^ 0x9e37_79b9;
        for _ in 0..3 {
            x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            x ^= x >> 16;
        }
        f64::from(x) / f64::from(u32::MAX) * 2.0 - 1.0
    }

    pub(crate) fn voids(points: &[Point], reason: VoidReason) -> Vec<usize> {
        points.iter().enumerate().filter(|(_, p)| p.void == Some(reason)).map(|(i, _)| i).collect()
    }

    #[test]
    fn scatter_is_that_of_the_noise_and_not_of_the_slope() {
        // Uniform −0.3 … 0.3: σ = 0.173.
        let mut points =
            straight((0..2_000).map(|i| 5.0 + 0.2 * f64::from(i % 40) + 0.3 * noise(i as usize)));
        measure_scatter(&mut points, &Settings::default());
        let mut s: Vec<f64> = points.iter().map(|p| f64::from(p.scatter)).collect();
        let typical = median(&mut s).expect("some");
        assert!((0.12..0.23).contains(&typical), "{typical}");
    }
}
