//! Which cast holds at a moment.

use super::column::{Column, Way};
use super::sound_speed;
use crate::Defaults;
use leadline_model::{UtcMillis, WaterCast};

/// All casts, by time. A cast holds for the time around it, for all boats; the nearest in time counts.
#[derive(Clone, Debug, Default)]
pub(crate) struct Casts {
    /// Those with temperatures at two depths or more.
    columns: Vec<(i64, Column)>,
    /// Those with one temperature, °C.
    temperatures: Vec<(i64, f64)>,
    /// Salinity of every cast.
    salts: Vec<(i64, f64)>,
    reach_ms: i64,
}

impl Casts {
    /// From casts in any order. One with a salinity the equation does not hold for counts for nothing.
    pub(crate) fn new(casts: &[WaterCast], defaults: &Defaults) -> Self {
        let mut sorted: Vec<&WaterCast> = casts.iter().collect();
        sorted.sort_unstable();
        sorted.dedup();
        let salinity = |cast: &WaterCast| f64::from(cast.salinity_centi) / 100.0;
        sorted.retain(|cast| sound_speed(10.0, salinity(cast), 0.0).is_some());
        let one = |cast: &WaterCast| match cast.layers.as_slice() {
            [layer] => Some((cast.at.0, f64::from(layer.temp_centi) / 100.0)),
            _ => None,
        };
        Self {
            columns: sorted.iter().filter_map(|cast| Some((cast.at.0, Column::new(cast)?))).collect(),
            temperatures: sorted.iter().filter_map(|cast| one(cast)).collect(),
            salts: sorted.iter().map(|cast| (cast.at.0, salinity(cast))).collect(),
            reach_ms: defaults.cast_ms,
        }
    }

    /// Salinity at `time`; fresh where nobody measured it. Of casts equally near the freshest counts: sound is
    /// slower in it, which gives the shoaler depth.
    pub(crate) fn salinity(&self, time: UtcMillis) -> f64 {
        nearest(&self.salts, time.0, self.reach_ms).iter().map(|s| s.1).reduce(f64::min).unwrap_or(0.0)
    }

    /// The temperature at `time`, °C, of a cast that has but one. Of casts equally near the coldest counts, for the
    /// same reason.
    pub(crate) fn temperature(&self, time: UtcMillis) -> Option<f64> {
        nearest(&self.temperatures, time.0, self.reach_ms).iter().map(|s| s.1).reduce(f64::min)
    }

    /// The way of a sound that goes down from `from` metres below the surface for `seconds`, if a cast with
    /// temperatures over depth holds at `time`. Of casts equally near the one with the shoaler bed counts.
    pub(crate) fn way(&self, time: UtcMillis, from: f64, seconds: f64) -> Option<Way> {
        let ways = nearest(&self.columns, time.0, self.reach_ms).iter().map(|c| c.1.way(from, seconds));
        ways.reduce(|a, b| if b.speed < a.speed { b } else { a })
    }
}

/// The items nearest to `time` if they are within `reach`: usually one, more where they are equally near.
fn nearest<T>(items: &[(i64, T)], time: i64, reach: i64) -> &[(i64, T)] {
    let after = items.partition_point(|i| i.0 < time);
    let neighbours = [after.checked_sub(1).and_then(|i| items.get(i)), items.get(after)];
    let away = |i: &(i64, T)| time.saturating_sub(i.0).saturating_abs();
    let Some(least) = neighbours.into_iter().flatten().map(away).min().filter(|d| *d <= reach) else {
        return &[];
    };
    let from = items.partition_point(|i| i.0 < time.saturating_sub(least));
    let to = items.partition_point(|i| i.0 <= time.saturating_add(least));
    items.get(from..to).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::super::column::tests::cast;
    use super::*;

    const HOUR: i64 = 3_600_000;

    fn speed(casts: &[WaterCast], at: i64) -> Option<f64> {
        let all = Casts::new(casts, &Defaults::default());
        all.way(UtcMillis(at), 0.0, 0.01).map(|w| w.speed)
    }

    #[test]
    fn nearest_cast_within_three_days_counts() {
        let casts =
            [cast(0, 0, &[(0, 2_000), (9_000, 2_000)]), cast(10 * HOUR, 0, &[(0, 1_000), (9_000, 1_000)])];
        let near = |at: i64, want: f64| speed(&casts, at).is_some_and(|c| (c - want).abs() < 1e-3);
        assert!(near(-72 * HOUR, 1_482.358) && near(4 * HOUR, 1_482.358));
        assert!(near(6 * HOUR, 1_447.279) && near(82 * HOUR, 1_447.279));
        assert_eq!(speed(&casts, -72 * HOUR - 1), None);
        assert_eq!(speed(&casts, 82 * HOUR + 1), None);
        assert_eq!(speed(&[], 0), None);
        assert_eq!((speed(&casts, i64::MIN), speed(&casts, i64::MAX)), (None, None));
    }

    #[test]
    fn of_equally_near_casts_the_shoaler_counts_in_any_order() {
        let casts = [
            cast(0, 0, &[(0, 2_000), (9_000, 2_000)]),
            cast(2 * HOUR, 0, &[(0, 1_000), (9_000, 1_000)]),
            cast(2 * HOUR, 500, &[(0, 1_000), (9_000, 1_000)]),
        ];
        let mut other = casts.clone();
        other.reverse();
        for at in [HOUR, 2 * HOUR] {
            assert!(speed(&casts, at).is_some_and(|c| (c - 1_447.279).abs() < 1e-3), "{at}");
            assert_eq!(speed(&casts, at), speed(&other, at));
        }
        assert_eq!(Casts::new(&casts, &Defaults::default()).salinity(UtcMillis(2 * HOUR)), 0.0);
    }

    #[test]
    fn salinity_needs_no_temperatures() {
        let casts = [cast(0, 1_250, &[]), cast(HOUR, 9_000, &[(0, 1_000), (9_000, 1_000)])];
        let all = Casts::new(&casts, &Defaults::default());
        assert_eq!(all.salinity(UtcMillis(HOUR)), 12.5);
        assert_eq!(all.salinity(UtcMillis(80 * HOUR)), 0.0);
        assert_eq!(all.way(UtcMillis(HOUR), 0.0, 0.01), None);
    }
}
