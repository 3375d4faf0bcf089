//! One visit: what one pass measured in one cell. Visits are the votes, however long a boat lay there.

use super::thu95;
use crate::levelled::day_of;
use crate::robust::median;
use crate::slope::{Scale, Slope};
use crate::work::Work;
use leadline_model::{Grade, UtcMillis};

/// Depth and variances (m², one standard deviation) of one visit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Visit {
    pub(crate) pass: u32,
    pub(crate) boat: u32,
    /// What it shares the level of the water with: its UTC day, or below zero its cluster.
    pub(crate) water: i64,
    /// UTC day.
    pub(crate) day: i64,
    pub(crate) soundings: u32,
    /// At the mean position of its soundings.
    pub(crate) depth: f64,
    /// Mean position in places east and south of the cell's corner.
    pub(crate) east: f64,
    pub(crate) south: f64,
    pub(crate) first: UtcMillis,
    pub(crate) newest: UtcMillis,
    /// Scatter of the track throughout the visit, the part of `own` that tells weed.
    pub(crate) during: f64,
    /// Not shared with any other visit.
    pub(crate) own: f64,
    pub(crate) of_boat: f64,
    pub(crate) of_tie: f64,
    pub(crate) of_water: f64,
    pub(crate) range: f64,
    pub(crate) thu95: f64,
    pub(crate) shoalest: f64,
    pub(crate) cap: Grade,
    /// A stage was known for one of its soundings.
    pub(crate) anchored: bool,
}

/// A scatter beyond this many standard deviations does not enter the mean.
const OUTLYING: f64 = 3.0;
/// Standard deviation of normal errors over their median absolute deviation.
const MAD_TO_SIGMA: f64 = 1.4826;

impl Visit {
    /// From the accepted soundings of one pass in one cell, in time order.
    pub(crate) fn of(visit: &[&Work], boat: u32, slope: &Slope, scale: &Scale) -> Option<Self> {
        let (first, last) = (visit.first()?, visit.last()?);
        let n = visit.len() as f64;
        let mean = |f: &dyn Fn(&Work) -> f64| visit.iter().map(|w| f(w)).sum::<f64>() / n;
        let east = mean(&|w| f64::from(w.at.x() & 0xff) + 0.5);
        let south = mean(&|w| f64::from(w.at.y() & 0xff) + 0.5);
        let random = mean(&|w| f64::from(w.random));
        let during = mean(&|w| f64::from(w.visit));
        let moved = (mean(&|w| f64::from(w.axis)) + mean(&|w| f64::from(w.lag))) * slope.square();
        let mut depths: Vec<f64> = visit
            .iter()
            .map(|w| {
                let (e, s) = (f64::from(w.at.x() & 0xff) + 0.5, f64::from(w.at.y() & 0xff) + 0.5);
                w.depth + slope.rise(scale, east - e, south - s)
            })
            .collect();
        // Waves take seconds: readings closer than a second are one vote against them.
        let seconds = last.time.0.saturating_sub(first.time.0).max(0) as f64 / 1000.0;
        let votes = n.min(1.0 + seconds);
        Some(Self {
            pass: first.pass,
            boat,
            water: first.cluster.map_or_else(|| i64::from(day_of(first.time)), |c| -1 - i64::from(c)),
            day: i64::from(day_of(first.time)),
            soundings: u32::try_from(visit.len()).unwrap_or(u32::MAX),
            depth: robust_mean(&mut depths, (random + during).sqrt())?,
            east,
            south,
            first: first.time,
            newest: last.time,
            during,
            own: random / votes + during + moved,
            of_boat: mean(&|w| f64::from(w.boat)),
            of_tie: mean(&|w| f64::from(w.tie)),
            of_water: mean(&|w| f64::from(w.day)),
            range: mean(&|w| f64::from(w.range)),
            thu95: visit.iter().map(|w| thu95(w)).fold(f64::INFINITY, f64::min),
            shoalest: visit.iter().map(|w| w.depth).fold(f64::INFINITY, f64::min),
            cap: visit.iter().map(|w| w.cap).min()?,
            anchored: visit.iter().any(|w| w.anchored),
        })
    }

    /// Variance of the difference to `other`: what both share is no difference.
    pub(crate) fn variance_against(&self, other: &Self) -> f64 {
        let part = |same: bool, a: f64, b: f64| {
            let apart = a.sqrt() - b.sqrt();
            if same { apart * apart } else { a + b }
        };
        let same_boat = self.boat == other.boat;
        self.own
            + other.own
            + part(same_boat, self.of_boat, other.of_boat)
            + part(same_boat && self.day == other.day, self.of_tie, other.of_tie)
            + part(self.water == other.water, self.of_water, other.of_water)
    }

    /// All its variance.
    pub(crate) fn variance(&self) -> f64 {
        self.own + self.of_boat + self.of_tie + self.of_water
    }
}

/// Mean of what lies within [`OUTLYING`] standard deviations of the median; summed in order of size.
fn robust_mean(depths: &mut [f64], least_sigma: f64) -> Option<f64> {
    if depths.len() < 3 {
        return (!depths.is_empty()).then(|| depths.iter().sum::<f64>() / depths.len() as f64);
    }
    depths.sort_unstable_by(f64::total_cmp);
    let middle = median(&mut depths.to_vec())?;
    let mut off: Vec<f64> = depths.iter().map(|d| (d - middle).abs()).collect();
    let sigma = (MAD_TO_SIGMA * median(&mut off)?).max(least_sigma);
    let near = |d: &&f64| (**d - middle).abs() <= OUTLYING * sigma;
    let (sum, n) = depths.iter().filter(near).fold((0.0, 0u32), |(s, n), d| (s + d, n + 1));
    (n > 0).then(|| sum / f64::from(n))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn robust_mean_drops_what_lies_out() {
        assert_eq!(robust_mean(&mut [], 0.1), None);
        assert_eq!(robust_mean(&mut [1.0, 2.0], 0.1), Some(1.5));
        assert_eq!(robust_mean(&mut [5.0, 5.1, 4.9, 9.0], 0.05), Some(5.0));
        assert_eq!(robust_mean(&mut [9.0, 4.9, 5.1, 5.0], 0.05), Some(5.0));
    }
}
