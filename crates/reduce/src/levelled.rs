//! A levelling in force, as reduction looks it up: what to take off, and what is then still unknown.

use crate::Defaults;
use crate::budget::{Measured, ONE_DIMENSION_95};
use leadline_model::{BoatLevel, DayLevel, Flags, Levelling, Sounding, Text, UtcMillis};
use std::collections::BTreeMap;

/// Days since 1970-01-01 (UTC).
pub(crate) fn day_of(time: UtcMillis) -> i32 {
    i32::try_from(time.0.div_euclid(86_400_000)).unwrap_or(i32::MAX)
}

/// All boats of a levelling.
#[derive(Debug, Default)]
pub(crate) struct Levels(BTreeMap<Text, BoatLevels>);

/// One boat's part.
#[derive(Clone, Debug)]
pub(crate) struct BoatLevels {
    boat: BoatLevel,
    days: BTreeMap<i32, Tied>,
}

/// One boat-day, tied to others.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Tied {
    level: DayLevel,
    common95_mm: u32,
    floating: bool,
    scale: Option<f64>,
}

/// Variances (m², one standard deviation) that stand in place of draft, settlement, stage and sound speed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Remaining {
    /// Shared by the boat-day.
    pub(crate) own: f64,
    /// Shared by the cluster.
    pub(crate) common: f64,
}

/// What a levelling leaves of what is stated of one sounding. Without one, nothing changes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct After {
    /// Factors on the variances of noise and of position.
    pub(crate) noise: f32,
    pub(crate) place: f32,
    /// Lag that stays unknown, 95 %, seconds.
    pub(crate) lag_s: f64,
    pub(crate) tied: Option<AfterTie>,
}

/// What stands in place of draft, reference, settlement, stage and sound speed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct AfterTie {
    /// Taken off the depth, metres.
    pub(crate) correction: f64,
    /// Sound speed counts only away from the depth at which the offset holds, 95 %, metres …
    pub(crate) sound95: f64,
    /// … and settlement only away from its speed.
    pub(crate) settlement95: f64,
    pub(crate) left: Remaining,
    pub(crate) cluster: u16,
    /// It hangs on no datum.
    pub(crate) floating: bool,
}

impl After {
    /// `range` is the depth below the transducer, `settlement95` what the budget states at that speed; metres.
    pub(crate) fn of(
        levels: Option<&BoatLevels>,
        s: &Sounding,
        (m, range, settlement95): (&Measured, f64, f64),
        d: &Defaults,
    ) -> Self {
        let (noise, place) = levels.map_or((1.0, 1.0), BoatLevels::quiet);
        let held = if s.flags.has(Flags::HELD) { d.lag_held_s } else { 0.0 };
        let lag_s = levels.and_then(BoatLevels::lag).map_or(m.lag_s, |(_, u95)| u95 + held);
        let share = levels.and_then(BoatLevels::scale95).unwrap_or(m.sound_share);
        let tied = levels.and_then(|l| l.day(s.time)).map(|tied| AfterTie {
            correction: tied.correction(range),
            sound95: (share * tied.beyond(range)).abs(),
            settlement95: (settlement95 - d.settlement_at(tied.speed())).abs(),
            left: tied.remaining(),
            cluster: tied.level.cluster,
            floating: tied.floating,
        });
        Self { noise, place, lag_s, tied }
    }
}

impl Levels {
    pub(crate) fn new(levelling: Option<&Levelling>) -> Self {
        let mut all = BTreeMap::new();
        for (i, boat) in levelling.iter().flat_map(|l| (0u16..).zip(&l.boats)) {
            let days = levelling.iter().flat_map(|l| &l.days).filter(|d| d.boat == i);
            let tied = days.filter_map(|d| {
                let cluster = levelling?.clusters.get(usize::from(d.cluster))?;
                let scale = boat.scale_ppm.map(|ppm| f64::from(ppm) * 1e-6);
                let (common95_mm, floating) = (cluster.common95_mm, cluster.floating);
                Some((d.day, Tied { level: *d, common95_mm, floating, scale }))
            });
            all.insert(boat.boat.clone(), BoatLevels { boat: boat.clone(), days: tied.collect() });
        }
        Self(all)
    }

    pub(crate) fn of(&self, boat: &Text) -> Option<&BoatLevels> {
        self.0.get(boat)
    }
}

impl BoatLevels {
    pub(crate) fn day(&self, time: UtcMillis) -> Option<&Tied> {
        self.days.get(&day_of(time))
    }

    /// Lag beyond the typed one, ms, and its uncertainty, 95 %, seconds; where crossings showed it.
    pub(crate) fn lag(&self) -> Option<(i32, f64)> {
        self.boat.lag_ms.map(|ms| (ms, f64::from(self.boat.lag95_ms) / 1000.0))
    }

    /// Share of the depth that sound speed may still be wrong by, 95 %; where crossings showed its scale.
    pub(crate) fn scale95(&self) -> Option<f64> {
        self.boat.scale_ppm.map(|_| f64::from(self.boat.scale95_ppm) * 1e-6)
    }

    /// Factors on the variances of noise and of position.
    pub(crate) fn quiet(&self) -> (f32, f32) {
        let square = |percent: u16| {
            let share = f32::from(percent) / 100.0;
            share * share
        };
        (square(self.boat.noise_percent), square(self.boat.place_percent))
    }
}

impl Tied {
    /// Taken off a depth measured `range` metres below the transducer, metres.
    pub(crate) fn correction(&self, range: f64) -> f64 {
        f64::from(self.level.offset_mm) / 1000.0 + self.scale.unwrap_or(0.0) * self.beyond(range)
    }

    /// Metres of `range` beyond the depth at which the offset holds.
    pub(crate) fn beyond(&self, range: f64) -> f64 {
        range - f64::from(self.level.pivot_mm) / 1000.0
    }

    /// Speed at which the offset holds, m/s.
    pub(crate) fn speed(&self) -> f64 {
        f64::from(self.level.speed_mm_s) / 1000.0
    }

    pub(crate) fn remaining(&self) -> Remaining {
        let variance = |mm: u32| {
            let sigma = f64::from(mm) / 1000.0 / ONE_DIMENSION_95;
            sigma * sigma
        };
        Remaining { own: variance(self.level.own95_mm), common: variance(self.common95_mm) }
    }
}
