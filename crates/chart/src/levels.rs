//! Which depths get a contour.

use crate::{ChartError, Units};

/// Most levels of one chart.
pub const MAX_LEVELS: usize = 500;
/// Bands aimed at when levels are chosen for the survey's range.
const AIMED_BANDS: f64 = 9.0;

/// Contour levels in metres of charted depth: finite, ascending, no two equal, at most [`MAX_LEVELS`].
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Levels(Vec<f64>);

impl Levels {
    /// Steps of 1, 2 or 5 × 10ⁿ in `units` that cut the range into about nine bands. Only levels strictly
    /// above `shoalest_m` and not beyond `deepest_m` are kept; a range of nothing gives none.
    pub fn for_range(shoalest_m: f64, deepest_m: f64, units: Units) -> Self {
        let unit = units.in_metres();
        let (lo, hi) = (shoalest_m / unit, deepest_m / unit);
        if !(lo.is_finite() && hi.is_finite() && hi - lo > 1e-6) {
            return Self::default();
        }
        let (digit, exponent) = step_for((hi - lo) / AIMED_BANDS);
        let value = |k: f64| level(k, digit, exponent) * unit;
        let first = libm::floor(lo / level(1.0, digit, exponent));
        let all = (0..=4 * AIMED_BANDS as u32).map(|i| value(first + f64::from(i)));
        Self(all.filter(|v| *v > shoalest_m && *v <= deepest_m).collect())
    }

    /// An explicit list, put in order.
    pub fn new(mut list_m: Vec<f64>) -> Result<Self, ChartError> {
        if let Some(bad) = list_m.iter().find(|v| !v.is_finite()) {
            return Err(ChartError::LevelNotFinite(*bad));
        }
        list_m.sort_by(f64::total_cmp);
        list_m.dedup();
        match list_m.len() {
            given if given > MAX_LEVELS => Err(ChartError::TooManyLevels { given, max: MAX_LEVELS }),
            _ => Ok(Self(list_m)),
        }
    }

    /// Each multiple of `step_m` above `shoalest_m` and not beyond `deepest_m`.
    ///
    /// # Errors
    /// A step that is no positive number of metres, or more than [`MAX_LEVELS`] levels.
    pub fn every(step_m: f64, shoalest_m: f64, deepest_m: f64) -> Result<Self, ChartError> {
        if !(step_m > 0.0 && step_m.is_finite()) {
            return Err(ChartError::Step(step_m));
        }
        let (first, last) = (libm::floor(shoalest_m / step_m) + 1.0, libm::floor(deepest_m / step_m));
        let given = last - first + 1.0;
        if given.is_nan() || given > MAX_LEVELS as f64 {
            return Err(ChartError::TooManyLevels { given: given as usize, max: MAX_LEVELS });
        }
        Self::new((0..given.max(0.0) as u32).map(|k| (first + f64::from(k)) * step_m).collect())
    }

    /// The levels, ascending, metres.
    pub fn metres(&self) -> &[f64] {
        &self.0
    }
}

/// The smallest 1-2-5 step not below `least`, as digit and power of ten.
fn step_for(least: f64) -> (u32, i32) {
    for exponent in -6..=9 {
        for digit in [1, 2, 5] {
            if level(1.0, digit, exponent) >= least {
                return (digit, exponent);
            }
        }
    }
    (1, 10)
}

/// k · digit · 10^exponent with one rounding, so that 3 × 0.2 is the 0.6 people type.
fn level(k: f64, digit: u32, exponent: i32) -> f64 {
    let ten = (0..exponent.unsigned_abs()).fold(1.0, |p, _| p * 10.0);
    let n = k * f64::from(digit);
    if exponent < 0 { n / ten } else { n * ten }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_one_two_five() {
        assert_eq!(Levels::for_range(0.4, 9.0, Units::Metres).metres(), [1., 2., 3., 4., 5., 6., 7., 8., 9.]);
        assert_eq!(
            Levels::for_range(-0.3, 1.3, Units::Metres).metres(),
            [-0.2, 0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.2]
        );
        assert_eq!(Levels::for_range(0.0, 40.0, Units::Metres).metres().first(), Some(&5.0));
        // 20 ft steps: 6.096 m (0.3048 m a foot, 1959 agreement).
        assert_eq!(Levels::for_range(0.0, 30.0, Units::Feet).metres().first(), Some(&6.096));
    }

    #[test]
    fn absurd_ranges_and_lists() {
        assert!(Levels::for_range(3.0, 3.0, Units::Metres).metres().is_empty());
        assert!(Levels::for_range(f64::NAN, 3.0, Units::Metres).metres().is_empty());
        assert!(Levels::for_range(-1e300, 1e300, Units::Metres).metres().len() < MAX_LEVELS);
        assert!(matches!(Levels::new(vec![1.0, f64::NAN]), Err(ChartError::LevelNotFinite(_))));
        assert!(matches!(Levels::every(0.0, 0.0, 9.0), Err(ChartError::Step(_))));
        assert!(matches!(Levels::every(f64::NAN, 0.0, 9.0), Err(ChartError::Step(_))));
        assert!(matches!(Levels::every(1e-9, 0.0, 9.0), Err(ChartError::TooManyLevels { .. })));
        assert!(matches!(Levels::every(1.0, f64::NAN, 9.0), Err(ChartError::TooManyLevels { .. })));
        assert_eq!(Levels::every(2.0, -1.0, 4.0).expect("few").metres(), [0.0, 2.0, 4.0]);
        assert!(Levels::every(50.0, 1.0, 4.0).expect("none").metres().is_empty());
        let many = (0..501).map(f64::from).collect();
        assert!(matches!(Levels::new(many), Err(ChartError::TooManyLevels { given: 501, .. })));
        assert_eq!(Levels::new(vec![5.0, 1.0, 5.0]).expect("finite").metres(), [1.0, 5.0]);
    }
}
