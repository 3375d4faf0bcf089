//! A levelling in force, as reduction looks it up: what to take off, and what is then still unknown.

use crate::budget::ONE_DIMENSION_95;
use leadline_model::{BoatLevel, DayLevel, Levelling, Text, UtcMillis};
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
    /// It hangs on no datum.
    pub(crate) floating: bool,
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

    pub(crate) fn cluster(&self) -> u16 {
        self.level.cluster
    }

    pub(crate) fn remaining(&self) -> Remaining {
        let variance = |mm: u32| {
            let sigma = f64::from(mm) / 1000.0 / ONE_DIMENSION_95;
            sigma * sigma
        };
        Remaining { own: variance(self.level.own95_mm), common: variance(self.common95_mm) }
    }
}
