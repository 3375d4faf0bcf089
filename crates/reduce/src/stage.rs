//! The stage at any moment, from readings of gauges.

use crate::Defaults;
use leadline_model::{StageReading, Text, UtcMillis};
use std::collections::BTreeMap;

const DAY_MS: f64 = 86_400_000.0;

/// Where a stage comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StageHow {
    /// Straight between two readings of the gauge (or at one).
    Between,
    /// The first or last reading of the gauge, this many ms away.
    Alone(i64),
    /// No reading near enough: depths are below the water level of that day.
    Unknown,
}

/// The stage used at one moment.
#[derive(Clone, Debug, PartialEq)]
pub struct StageUsed {
    /// Height of the water surface above the datum, metres; 0 where unknown.
    pub level_m: f64,
    /// Its uncertainty, 95 %, metres.
    pub uncertainty95_m: f64,
    /// Where it comes from.
    pub how: StageHow,
    /// The gauge, where known.
    pub gauge: Option<Text>,
}

/// All readings, by gauge and time.
///
/// Source of the rules: linear between readings, never beyond the record (IHO C-13 ch. 5). Of several gauges the
/// one whose readings leave the least uncertainty at that moment counts (the nearest in time; ties: by name).
/// Two levels of one gauge at one moment: the higher counts, which gives the shoaler depth.
#[derive(Clone, Debug)]
pub struct StageRecord {
    gauges: Vec<(Text, Vec<(i64, f64)>)>,
    defaults: Defaults,
}

/// A stage without its gauge's name: cheap enough for every sounding.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct StageAt {
    pub(crate) level: f64,
    /// 95 %.
    pub(crate) u95: f64,
    pub(crate) how: StageHow,
    gauge: usize,
}

impl StageRecord {
    /// From readings in any order.
    pub fn new(readings: &[StageReading], defaults: &Defaults) -> Self {
        let mut by_gauge: BTreeMap<&Text, BTreeMap<i64, i32>> = BTreeMap::new();
        for r in readings {
            let level = by_gauge.entry(&r.gauge).or_default().entry(r.at.0).or_insert(r.level_mm);
            *level = r.level_mm.max(*level);
        }
        let series =
            |s: BTreeMap<i64, i32>| s.into_iter().map(|(t, mm)| (t, f64::from(mm) / 1000.0)).collect();
        let gauges = by_gauge.into_iter().map(|(g, s)| (g.clone(), series(s))).collect();
        Self { gauges, defaults: *defaults }
    }

    /// The stage at `time`.
    pub fn at(&self, time: UtcMillis) -> StageUsed {
        let s = self.find(time);
        let known = s.how != StageHow::Unknown;
        let gauge = self.gauges.get(s.gauge).filter(|_| known).map(|(name, _)| name.clone());
        StageUsed { level_m: s.level, uncertainty95_m: s.u95, how: s.how, gauge }
    }

    pub(crate) fn find(&self, time: UtcMillis) -> StageAt {
        let unknown =
            StageAt { level: 0.0, u95: self.defaults.stage_unknown, how: StageHow::Unknown, gauge: 0 };
        let found = self.gauges.iter().enumerate().filter_map(|(i, (_, series))| self.one(i, series, time.0));
        let better = |a: StageAt, b: StageAt| if b.u95 < a.u95 { b } else { a };
        found.reduce(better).unwrap_or(unknown)
    }

    fn one(&self, gauge: usize, series: &[(i64, f64)], t: i64) -> Option<StageAt> {
        let after = series.partition_point(|r| r.0 <= t);
        let before = after.checked_sub(1).and_then(|i| series.get(i));
        match (before, series.get(after)) {
            (Some(&(ta, a)), Some(&(tb, b))) => {
                let (left, right) = (days(ta, t), days(t, tb));
                let level = a + (b - a) * left / (left + right);
                Some(self.stage(gauge, level, StageHow::Between, left * right / (left + right)))
            }
            (Some(&(tr, level)), None) | (None, Some(&(tr, level))) => {
                let age = t.saturating_sub(tr).saturating_abs();
                let how = if age == 0 { StageHow::Between } else { StageHow::Alone(age) };
                (age <= self.defaults.stage_alone_ms)
                    .then(|| self.stage(gauge, level, how, age as f64 / DAY_MS))
            }
            (None, None) => None,
        }
    }

    /// The level is taken for a random walk: its variance grows with time from a reading, and between two
    /// readings it is that of a bridge, left · right / (left + right).
    fn stage(&self, gauge: usize, level: f64, how: StageHow, spread_days: f64) -> StageAt {
        let d = &self.defaults;
        let u95 = (d.stage_reading * d.stage_reading + d.stage_wander * d.stage_wander * spread_days).sqrt();
        StageAt { level, u95, how, gauge }
    }
}

fn days(from: i64, to: i64) -> f64 {
    to.saturating_sub(from) as f64 / DAY_MS
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(gauge: &str, at: i64, level_mm: i32) -> StageReading {
        StageReading { gauge: Text::new(gauge).expect("name"), at: UtcMillis(at), level_mm }
    }

    fn record(readings: &[StageReading]) -> StageRecord {
        StageRecord::new(readings, &Defaults::default())
    }

    #[test]
    fn worked_example_between_two_readings() {
        // Source: linear interpolation in time, worked by hand: 4.20 → 4.50 at 25 % is 4.275; 2.10 → 2.20 is 2.125.
        let up = record(&[reading("up", 4_000_000, 4_500), reading("up", 0, 4_200)]);
        assert!((up.at(UtcMillis(1_000_000)).level_m - 4.275).abs() < 1e-9);
        let down = record(&[reading("down", 0, 2_100), reading("down", 4_000_000, 2_200)]);
        assert!((down.at(UtcMillis(1_000_000)).level_m - 2.125).abs() < 1e-9);
        assert_eq!(up.at(UtcMillis(0)).how, StageHow::Between);
        assert_eq!(up.at(UtcMillis(4_000_000)).how, StageHow::Between);
    }

    #[test]
    fn outside_the_record_a_reading_holds_for_half_a_day_and_then_nothing() {
        let one = record(&[reading("g", 0, 1_000)]);
        let half = 12 * 3600 * 1000;
        let last = one.at(UtcMillis(half));
        assert_eq!((last.level_m, last.how), (1.0, StageHow::Alone(half)));
        assert!(last.uncertainty95_m > one.at(UtcMillis(half / 2)).uncertainty95_m);
        let beyond = one.at(UtcMillis(half + 1));
        assert_eq!((beyond.how, beyond.gauge), (StageHow::Unknown, None));
        assert_eq!(beyond.uncertainty95_m, Defaults::default().stage_unknown);
        assert_eq!(one.at(UtcMillis(i64::MIN)).how, StageHow::Unknown);
    }

    #[test]
    fn nearest_gauge_counts_and_order_does_not() {
        let a = [
            reading("far", -3_600_000, 1_000),
            reading("near", -60_000, 2_000),
            reading("near", -60_000, 1_900),
        ];
        let mut b = a.clone();
        b.reverse();
        let (x, y) = (record(&a).at(UtcMillis(0)), record(&b).at(UtcMillis(0)));
        assert_eq!(x, y);
        assert_eq!(x.level_m, 2.0);
        assert_eq!(x.gauge.map(String::from).as_deref(), Some("near"));
    }
}
