//! The stage at any moment and place, from readings of gauges.

use crate::Defaults;
use crate::budget::rss;
use crate::river::River;
use leadline_model::{Gauge, GridPos, StageReading, Text, UtcMillis};
use std::collections::BTreeMap;

const DAY_MS: f64 = 86_400_000.0;

/// Where a stage comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StageHow {
    /// Straight between two readings of the gauge (or at one).
    Between,
    /// The first or last reading of the gauge, this many ms away.
    Alone(i64),
    /// On flowing water between two gauges: each interpolated in time, then straight along the channel.
    BetweenGauges {
        /// Share of the second gauge, thousandths; the rest is the first one's.
        permille: u16,
    },
    /// On flowing water, upstream or downstream of the only gauge that counts, with its level.
    Beyond {
        /// Metres along the channel to the gauge.
        metres: u32,
    },
    /// No reading near enough: depths are below the water level of that day.
    Unknown,
}

/// The stage used at one moment and place.
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
    /// The other gauge, between two.
    pub second: Option<Text>,
}

/// All readings, by gauge and time.
///
/// Source of the rules: linear between readings, never beyond the record (IHO C-13 ch. 5). Of several gauges the
/// one whose readings leave the least uncertainty at that moment counts (the nearest in time; ties: by name).
/// Two levels of one gauge at one moment: the higher counts, which gives the shoaler depth.
/// On flowing water (a centre line, and gauges whose place is known) the place decides: see `docs/method.md`.
#[derive(Clone, Debug)]
pub struct StageRecord {
    gauges: Vec<(Text, Vec<(i64, f64)>)>,
    flow: Option<Flow>,
    defaults: Defaults,
}

/// Water with a slope.
#[derive(Clone, Debug)]
struct Flow {
    river: River,
    /// Gauges on the line, by chainage (metres), then number.
    placed: Vec<(f64, usize)>,
    /// Gauges nobody placed.
    unplaced: Vec<usize>,
}

/// A stage without its gauge's name: cheap enough for every sounding.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct StageAt {
    pub(crate) level: f64,
    /// 95 %.
    pub(crate) u95: f64,
    pub(crate) how: StageHow,
    gauge: usize,
    second: Option<usize>,
}

impl StageRecord {
    /// From readings in any order, of gauges whose zeros lie at the sounding datum, on water without a slope.
    pub fn new(readings: &[StageReading], defaults: &Defaults) -> Self {
        Self::along(readings, &[], &[], defaults)
    }

    /// From readings in any order. `gauges` says where zeros lie and where gauges stand; of two words on one gauge
    /// the higher zero counts. `river` is the centre line of flowing water, in either direction.
    pub fn along(
        readings: &[StageReading],
        gauges: &[Gauge],
        river: &[GridPos],
        defaults: &Defaults,
    ) -> Self {
        let mut known: BTreeMap<&Text, (i32, Option<GridPos>)> = BTreeMap::new();
        for g in gauges {
            let word = known.entry(&g.name).or_insert((g.zero_mm, g.place));
            *word = (g.zero_mm, g.place).max(*word);
        }
        let mut by_gauge: BTreeMap<&Text, BTreeMap<i64, i32>> = BTreeMap::new();
        for r in readings {
            let zero = known.get(&r.gauge).map_or(0, |g| g.0);
            let mm = r.level_mm.saturating_add(zero);
            let level = by_gauge.entry(&r.gauge).or_default().entry(r.at.0).or_insert(mm);
            *level = mm.max(*level);
        }
        let flow = River::new(river).map(|river| {
            let place = |name: &Text| known.get(name).and_then(|g| g.1).map(|p| river.chainage(p));
            let all = by_gauge.keys().enumerate();
            let mut placed: Vec<(f64, usize)> =
                all.clone().filter_map(|(i, name)| Some((place(name)?, i))).collect();
            placed.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            let unplaced = all.filter(|(_, name)| place(name).is_none()).map(|(i, _)| i).collect();
            Flow { river, placed, unplaced }
        });
        let series =
            |s: BTreeMap<i64, i32>| s.into_iter().map(|(t, mm)| (t, f64::from(mm) / 1000.0)).collect();
        let gauges = by_gauge.into_iter().map(|(g, s)| (g.clone(), series(s))).collect();
        Self { gauges, flow, defaults: *defaults }
    }

    /// The stage at `time` and `place`. Without a river it is the same everywhere.
    pub fn at(&self, time: UtcMillis, place: GridPos) -> StageUsed {
        let s = self.find(time, place);
        let name = |i: usize| self.gauges.get(i).map(|(name, _)| name.clone());
        let gauge = name(s.gauge).filter(|_| s.how != StageHow::Unknown);
        let second = s.second.and_then(name);
        StageUsed { level_m: s.level, uncertainty95_m: s.u95, how: s.how, gauge, second }
    }

    pub(crate) fn find(&self, time: UtcMillis, place: GridPos) -> StageAt {
        let found = match &self.flow {
            None => least((0..self.gauges.len()).filter_map(|i| self.of(i, time))),
            Some(flow) => self.flowing(flow, time, place).or_else(|| self.somewhere(flow, time)),
        };
        let (level, u95, how) = (0.0, self.defaults.stage_unknown, StageHow::Unknown);
        found.unwrap_or(StageAt { level, u95, how, gauge: 0, second: None })
    }

    fn of(&self, gauge: usize, time: UtcMillis) -> Option<StageAt> {
        self.gauges.get(gauge).and_then(|(_, series)| self.one(gauge, series, time.0))
    }

    /// From the gauges on both sides of `place` that have a level at `time`, or the only one.
    fn flowing(&self, flow: &Flow, time: UtcMillis, place: GridPos) -> Option<StageAt> {
        if flow.placed.is_empty() {
            return None;
        }
        let x = flow.river.chainage(place);
        let (before, after) = flow.placed.split_at(flow.placed.partition_point(|p| p.0 <= x));
        let a = self.nearest(before.iter().rev(), time);
        let b = self.nearest(after.iter(), time);
        match (a, b) {
            (Some(a), Some(b)) => Some(self.between(a, b, x)),
            (Some(a), None) => {
                let next = self.nearest(before.iter().rev().filter(|p| p.0 < a.0), time);
                Some(self.beyond(a, next, x))
            }
            (None, Some(b)) => {
                let next = self.nearest(after.iter().filter(|p| p.0 > b.0), time);
                Some(self.beyond(b, next, x))
            }
            (None, None) => None,
        }
    }

    /// The first of `line` with a level at `time`; of several at one chainage the surest.
    fn nearest<'a>(
        &self,
        line: impl Iterator<Item = &'a (f64, usize)>,
        time: UtcMillis,
    ) -> Option<(f64, StageAt)> {
        let mut found: Option<(f64, StageAt)> = None;
        for &(x, gauge) in line {
            if found.is_some_and(|f| f.0 != x) {
                break;
            }
            if let Some(here) = self.of(gauge, time) {
                let better = found.is_none_or(|f| (here.u95, gauge) < (f.1.u95, f.1.gauge));
                found = if better { Some((x, here)) } else { found };
            }
        }
        found
    }

    /// Straight along the channel, which takes the slope for even. How far the surface may lie off the straight
    /// line is a share of the fall, greatest half way: as a bridge between two known ends.
    fn between(&self, a: (f64, StageAt), b: (f64, StageAt), x: f64) -> StageAt {
        let share = (x - a.0) / (b.0 - a.0);
        if share <= 0.0 {
            return a.1;
        }
        let (a, b) = (a.1, b.1);
        let fall = b.level - a.level;
        let bend = 2.0 * (share * (1.0 - share)).sqrt() * self.defaults.river_fall * fall;
        StageAt {
            level: a.level + share * fall,
            u95: rss(&[(1.0 - share) * a.u95, share * b.u95, bend]),
            how: StageHow::BetweenGauges { permille: libm::round(share * 1000.0) as u16 },
            gauge: a.gauge,
            second: Some(b.gauge),
        }
    }

    /// The gauge's own level; it may be wrong by the fall over the way to the gauge.
    fn beyond(&self, near: (f64, StageAt), next: Option<(f64, StageAt)>, x: f64) -> StageAt {
        let way = (x - near.0).abs();
        if way == 0.0 {
            return near.1;
        }
        let slope = next.map_or(0.0, |n| ((n.1.level - near.1.level) / (n.0 - near.0)).abs());
        let u95 = rss(&[near.1.u95, way * slope.max(self.defaults.river_slope)]);
        StageAt { u95, how: StageHow::Beyond { metres: libm::round(way) as u32 }, ..near.1 }
    }

    /// From gauges nobody placed: they may stand anywhere along the line, on average half its length away.
    fn somewhere(&self, flow: &Flow, time: UtcMillis) -> Option<StageAt> {
        let away = flow.river.length() / 2.0;
        let surest = least(flow.unplaced.iter().filter_map(|i| self.of(*i, time)))?;
        Some(self.beyond((0.0, surest), None, away))
    }

    fn one(&self, gauge: usize, series: &[(i64, f64)], t: i64) -> Option<StageAt> {
        let after = series.partition_point(|r| r.0 <= t);
        let before = after.checked_sub(1).and_then(|i| series.get(i));
        match (before, series.get(after)) {
            (Some(&(ta, a)), Some(&(tb, b))) => {
                let (left, right) = (days(ta, t), days(t, tb));
                let near = t.saturating_sub(ta).min(tb.saturating_sub(t));
                let gap = tb.saturating_sub(ta);
                if gap > self.defaults.stage_gap_ms && near > self.defaults.stage_alone_ms {
                    return None;
                }
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
        StageAt { level, u95, how, gauge, second: None }
    }
}

/// The surest; of equally sure ones the first.
fn least(found: impl Iterator<Item = StageAt>) -> Option<StageAt> {
    found.reduce(|a, b| if b.u95 < a.u95 { b } else { a })
}

fn days(from: i64, to: i64) -> f64 {
    to.saturating_sub(from) as f64 / DAY_MS
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::river::tests::frame;

    fn reading(gauge: &str, at: i64, level_mm: i32) -> StageReading {
        StageReading { gauge: Text::new(gauge).expect("name"), at: UtcMillis(at), level_mm }
    }

    fn here() -> GridPos {
        frame().place(0.0, 0.0)
    }

    fn record(readings: &[StageReading]) -> StageRecord {
        StageRecord::new(readings, &Defaults::default())
    }

    #[test]
    fn worked_example_between_two_readings() {
        // Source: linear interpolation in time, worked by hand: 4.20 → 4.50 at 25 % is 4.275; 2.10 → 2.20 is 2.125.
        let up = record(&[reading("up", 4_000_000, 4_500), reading("up", 0, 4_200)]);
        assert!((up.at(UtcMillis(1_000_000), here()).level_m - 4.275).abs() < 1e-9);
        let down = record(&[reading("down", 0, 2_100), reading("down", 4_000_000, 2_200)]);
        assert!((down.at(UtcMillis(1_000_000), here()).level_m - 2.125).abs() < 1e-9);
        assert_eq!(up.at(UtcMillis(0), here()).how, StageHow::Between);
        assert_eq!(up.at(UtcMillis(4_000_000), here()).how, StageHow::Between);
    }

    #[test]
    fn outside_the_record_a_reading_holds_for_half_a_day_and_then_nothing() {
        let one = record(&[reading("g", 0, 1_000)]);
        let half = 12 * 3600 * 1000;
        let last = one.at(UtcMillis(half), here());
        assert_eq!((last.level_m, last.how), (1.0, StageHow::Alone(half)));
        assert!(last.uncertainty95_m > one.at(UtcMillis(half / 2), here()).uncertainty95_m);
        let beyond = one.at(UtcMillis(half + 1), here());
        assert_eq!((beyond.how, beyond.gauge), (StageHow::Unknown, None));
        assert_eq!(beyond.uncertainty95_m, Defaults::default().stage_unknown);
        assert_eq!(one.at(UtcMillis(i64::MIN), here()).how, StageHow::Unknown);
    }

    #[test]
    fn readings_too_far_apart_say_nothing_of_the_days_between() {
        let day = 86_400_000;
        let two = record(&[reading("g", 0, 1_000), reading("g", 77 * day, 3_000)]);
        assert_eq!(two.at(UtcMillis(40 * day), here()).how, StageHow::Unknown);
        assert_eq!(two.at(UtcMillis(day / 3), here()).how, StageHow::Between);
        let weekly = record(&[reading("g", 0, 1_000), reading("g", 7 * day, 1_700)]);
        let middle = weekly.at(UtcMillis(2 * day), here());
        assert!((middle.level_m - 1.2).abs() < 1e-9 && middle.how == StageHow::Between);
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
        let (x, y) = (record(&a).at(UtcMillis(0), here()), record(&b).at(UtcMillis(0), here()));
        assert_eq!(x, y);
        assert_eq!(x.level_m, 2.0);
        assert_eq!(x.gauge.map(String::from).as_deref(), Some("near"));
    }

    /// A channel of 10 km with gauges at its ends, as a worked example by hand has them: zeros at 100.0
    /// and 101.5 m, sounding datum 103.20 m.
    fn river() -> (Vec<StageReading>, Vec<Gauge>, Vec<GridPos>) {
        let readings = vec![
            reading("up", 0, 4_200),
            reading("up", 4_000_000, 4_500),
            reading("down", 0, 2_100),
            reading("down", 4_000_000, 2_200),
        ];
        let gauge = |name: &str, zero_mm, east| Gauge {
            name: Text::new(name).expect("name"),
            zero_mm,
            place: Some(frame().place(east, 15.0)),
        };
        let gauges = vec![gauge("up", 100_000 - 103_200, 0.0), gauge("down", 101_500 - 103_200, 10_000.0)];
        let line = (-4..=28).map(|i| frame().place(f64::from(i) * 500.0, 0.0)).collect();
        (readings, gauges, line)
    }

    fn level_at(
        east: f64,
        change: impl Fn(&mut Vec<StageReading>, &mut Vec<Gauge>, &mut Vec<GridPos>),
    ) -> StageUsed {
        let (mut readings, mut gauges, mut line) = river();
        change(&mut readings, &mut gauges, &mut line);
        let place = frame().place(east, -20.0);
        StageRecord::along(&readings, &gauges, &line, &Defaults::default()).at(UtcMillis(1_000_000), place)
    }

    #[test]
    fn worked_example_along_a_river() {
        // Worked by hand (docs/method.md 1.2): 104.275 above, 103.625 below, 40 % of the way down: 104.015, on datum 103.20 0.815.
        let stage = level_at(4_000.0, |_, _, _| ());
        assert!((stage.level_m - 0.815).abs() < 1e-5, "{stage:?}");
        // DPT 4.10 with offset +0.50: 4.60 below the surface, reduced 3.785, the bed at 99.415.
        let reduced = 4.60 - stage.level_m;
        assert!((reduced - 3.785).abs() < 1e-5 && (103.20 - reduced - 99.415).abs() < 1e-5);
        let names = [stage.gauge, stage.second].map(|n| n.map(String::from));
        let ends = [Some("up".to_owned()), Some("down".to_owned())];
        let (first, share) = (names == ends, stage.how);
        assert!(first && share == StageHow::BetweenGauges { permille: 400 }, "{names:?} {share:?}");
        // By hand: readings √(0.03² + 0.1² · days), days = 1/4 · 3/4 · 4,000 s = 0.00868: 0.0314 each, weighted 0.6
        // and 0.4; the bend 2 √(0.4 · 0.6) · 0.2 · 0.65 m = 0.1274.
        let by_hand = rss(&[0.6 * 0.031_414, 0.4 * 0.031_414, 0.127_373]);
        assert!((stage.uncertainty95_m - by_hand).abs() < 1e-4, "{}", stage.uncertainty95_m);
    }

    #[test]
    fn drawn_and_read_in_any_order() {
        let stage = level_at(4_000.0, |_, _, _| ());
        let other = level_at(4_000.0, |readings, gauges, line| {
            readings.reverse();
            gauges.reverse();
            line.reverse();
        });
        assert_eq!(stage, other);
    }

    #[test]
    fn the_surface_is_continuous_along_the_channel() {
        let step = |east: f64| level_at(east, |_, _, _| ());
        for east in [0.0, 10_000.0, 5_000.0] {
            let (a, b) = (step(east - 1.0), step(east + 1.0));
            assert!(
                (a.level_m - b.level_m).abs() < 2e-4 && (a.uncertainty95_m - b.uncertainty95_m).abs() < 6e-3,
                "{east}"
            );
        }
        // 0.65 m in 10 km: 0.065 m a km, under the 0.3 m a km that is assumed beyond a gauge.
        let above = step(-1_000.0);
        assert_eq!(above.how, StageHow::Beyond { metres: 1_000 });
        assert!((above.level_m - 1.075).abs() < 1e-6);
        assert!((above.uncertainty95_m - rss(&[0.031_414, 0.3])).abs() < 1e-4, "{above:?}");
    }

    #[test]
    fn one_gauge_alone_is_sure_only_near_it() {
        let without_down =
            |readings: &mut Vec<StageReading>, _: &mut Vec<Gauge>, _: &mut Vec<GridPos>| readings.truncate(2);
        let stage = level_at(4_000.0, without_down);
        assert_eq!(
            (stage.how, stage.gauge.map(String::from).as_deref()),
            (StageHow::Beyond { metres: 4_000 }, Some("up"))
        );
        assert!((stage.level_m - 1.075).abs() < 1e-6 && stage.uncertainty95_m > 1.2);
        // A steeper fall between the two gauges above than what is assumed: 5 m in 10 km.
        let steep = level_at(13_000.0, |readings, _, _| {
            readings.iter_mut().take(2).for_each(|r| r.level_mm += 4_350);
        });
        assert!((steep.uncertainty95_m - rss(&[0.031_414, 3_000.0 * 0.000_5])).abs() < 2e-3, "{steep:?}");
    }

    #[test]
    fn gauges_nobody_placed_and_moments_without_a_reading() {
        let stage = level_at(4_000.0, |_, gauges, _| gauges.iter_mut().for_each(|g| g.place = None));
        // Half of 16 km at 0.3 m a km.
        assert!((stage.uncertainty95_m - 2.4).abs() < 0.01, "{stage:?}");
        let (readings, gauges, line) = river();
        let record = StageRecord::along(&readings, &gauges, &line, &Defaults::default());
        let late = record.at(UtcMillis(2 * 86_400_000), here());
        assert_eq!((late.how, late.gauge, late.second), (StageHow::Unknown, None, None));
        // No river: zeros still count, the surest gauge has it, ties by name.
        let flat = level_at(4_000.0, |_, _, line| line.clear());
        assert_eq!((flat.gauge.map(String::from).as_deref(), flat.how), (Some("down"), StageHow::Between));
        assert!((flat.level_m - 0.425).abs() < 1e-9);
    }

    #[test]
    fn two_gauges_at_one_place_and_two_words_on_one_zero() {
        let stage = level_at(4_000.0, |readings, gauges, _| {
            readings.push(reading("twin", 1_000_000, 9_000));
            gauges.push(Gauge { name: Text::new("twin").expect("name"), zero_mm: 0, place: gauges[0].place });
        });
        // The twin was read at this very moment, so it is the surer: 9 m + 0.4 · (0.425 − 9).
        assert!((stage.level_m - 5.57).abs() < 1e-4, "{stage:?}");
        let stage = level_at(0.0, |_, gauges, _| {
            gauges.insert(0, Gauge { zero_mm: -3_000, ..gauges[0].clone() });
        });
        assert!((stage.level_m - 1.275).abs() < 1e-4, "{stage:?}");
    }
}
