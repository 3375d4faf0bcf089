//! Synthetic waters with known truth: beds, boats, days and errors drawn by seed at the size the budget states.
//!
//! What is drawn is what `Defaults` states at 95 %, as normal errors, but for three things that have only one
//! direction in nature: an unknown draft is never above the water line (half of a normal error), a beam on a slope
//! sees its nearest bottom (too shoal), and so does a beam in weed. Nothing here is a record of any real water.

#![allow(dead_code, reason = "each test file uses its own part")]

mod bed;
mod dice;
mod fleet;
mod level;
mod logs;
mod sailing;
mod truth;

#[allow(unused_imports, reason = "each test file uses its own part")]
pub(crate) use {
    bed::nearest,
    dice::Dice,
    fleet::{Draft, Sound},
    logs::{legs_of, sounding, text},
    truth::{Class, Truth},
};

use bed::{Bed, Block};
use fleet::Boat;
use leadline_model::{GridPos, LocalFrame, LonLat, StageReading, UtcMillis};
use leadline_reduce::{Defaults, Input, StageRecord};
use level::Level;
use sailing::Sail;
use truth::BoatDay;

/// How large the errors are against what is stated.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Kind {
    /// As the budget states them.
    Budget(Options),
    /// All of them this many times as large (0.4: less than half), with the same statements. The level of a day
    /// without a reading stays as it is: nobody knows it.
    Quiet(f64, Options),
}

impl Kind {
    pub(crate) fn budget() -> Self {
        Self::Budget(Options::default())
    }

    pub(crate) fn quiet(factor: f64) -> Self {
        Self::Quiet(factor, Options::default())
    }
}

/// What a water is like.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Options {
    /// Number of boats; else 2 or 3.
    pub(crate) boats: Option<usize>,
    /// Number of days; else 3 to 5.
    pub(crate) days: Option<usize>,
    /// Share of the days on which nobody reads the gauge. Between two days with readings such a day is not unknown:
    /// its level is interpolated.
    pub(crate) ungauged_share: f64,
    /// The first boat goes out once more, alone, after the last reading: its level is unknown.
    pub(crate) ungauged_day: bool,
    /// Level of that day against the datum, 95 %, metres; else what the budget states for an unknown stage.
    pub(crate) unknown_level95_m: Option<f64>,
    /// The last boat works on a part of the water that no other boat touches.
    pub(crate) apart: bool,
    /// Nobody ever reads a gauge.
    pub(crate) floating: bool,
    /// Days in the weed's season occur.
    pub(crate) weed: bool,
    /// Every draft and every sound speed is known (no grade is capped for that).
    pub(crate) all_known: bool,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            boats: None,
            days: None,
            ungauged_share: 0.2,
            ungauged_day: false,
            unknown_level95_m: None,
            apart: false,
            floating: false,
            weed: true,
            all_known: false,
        }
    }
}

/// A water: what reduction is given, and the truth.
#[derive(Clone, Debug)]
pub(crate) struct Water {
    pub(crate) input: Input,
    pub(crate) truth: Truth,
}

/// Stated sizes times one factor.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sizes {
    pub(crate) d: Defaults,
    pub(crate) factor: f64,
}

impl Sizes {
    /// A normal error of `u95` at 95 %, times the factor.
    fn draw(&self, dice: &mut Dice, u95: f64) -> f64 {
        dice.error(u95) * self.factor
    }
}

/// One day on the water.
struct Day {
    /// Midnight, ms.
    midnight: i64,
    weed: bool,
    gauged: bool,
    /// Boats that go out, by number.
    crews: Vec<usize>,
}

impl Water {
    /// The water of `seed`: the same on every machine.
    pub(crate) fn draw(seed: u64, kind: Kind) -> Self {
        let (factor, options) = match kind {
            Kind::Budget(o) => (1.0, o),
            Kind::Quiet(f, o) => (f, o),
        };
        let sizes = Sizes { d: Defaults::default(), factor };
        let mut dice = Dice::new(seed);
        let bed = Bed::draw(&mut dice);
        let boats: Vec<Boat> = (0..options.boats.unwrap_or_else(|| 2 + dice.below(2)))
            .map(|i| Boat::draw(i, &options, &sizes, &mut dice))
            .collect();
        let days = days(boats.len(), &options, &mut dice);
        let frame = frame();
        let mut input = Input { setups: boats.iter().map(Boat::setup).collect(), ..Input::default() };
        let mut truth = Truth::new(bed, frame);
        let levels = levels(&days, &options, &sizes, &mut dice);
        input.stages = readings(&days, &levels, &options, &sizes, &mut dice);
        let record = StageRecord::new(&input.stages, &sizes.d);
        for (day, level) in days.iter().zip(&levels) {
            for &number in &day.crews {
                let Some(boat) = boats.get(number) else { continue };
                let apart = options.apart && number + 1 == boats.len();
                let block = Block::draw(apart, &mut dice);
                let sail = Sail { boat, bed: &truth.bed, frame: &frame, sizes: &sizes, weed: day.weed };
                let done = sail.day(day.midnight, &block, level, &mut dice);
                let mut errors = BoatDay { settlement: done.mean_settlement, ..BoatDay::default() };
                errors.draft = boat.draft_error();
                errors.stage =
                    done.mean_over_times(|t| level.at(t) - record.at(UtcMillis(t), frame.origin()).level_m);
                errors.range = done.mean_range;
                truth.add(boat.name, day.midnight, block, errors, &done);
                input.legs.extend(legs_of(boat.name, number as u8, &done.soundings));
            }
        }
        truth.know(&boats);
        Self { input, truth }
    }
}

/// The middle of all waters: a desert without water.
fn frame() -> LocalFrame {
    LocalFrame::new(GridPos::from_lonlat(LonLat { lon: 70.2, lat: 45.3 }).expect("on the grid"))
}

const DAY_MS: i64 = 86_400_000;
/// 2026-04-20T00:00:00Z and 2026-07-10T00:00:00Z: spring and the weed's season.
const SEASONS: [i64; 2] = [1_776_643_200_000, 1_783_641_600_000];

fn days(boats: usize, options: &Options, dice: &mut Dice) -> Vec<Day> {
    let n = options.days.unwrap_or_else(|| 3 + dice.below(3));
    let mut days: Vec<Day> = (0..n)
        .map(|i| {
            let weed = options.weed && i % 2 == 1;
            let midnight = SEASONS[usize::from(weed)] + (i as i64 * 3 + dice.below(3) as i64) * DAY_MS;
            // Everybody on the first two days, so that every boat meets the others; later one may stay at home.
            let home = (i > 1 && boats > 1 && dice.unit() < 0.4).then(|| dice.below(boats));
            let gauged = !options.floating && (i == 0 || dice.unit() >= options.ungauged_share);
            Day { midnight, weed, gauged, crews: (0..boats).filter(|b| Some(*b) != home).collect() }
        })
        .collect();
    if options.ungauged_day {
        let midnight = SEASONS[1] + 40 * DAY_MS;
        days.push(Day { midnight, weed: options.weed, gauged: false, crews: vec![0] });
    }
    days.sort_by_key(|d| d.midnight);
    days
}

/// The level of each day: it forgets slowly where it was, wanders as the budget states from day to day, and stays
/// within what the budget states for an unknown stage.
fn levels(days: &[Day], options: &Options, sizes: &Sizes, dice: &mut Dice) -> Vec<Level> {
    let d = &sizes.d;
    let ratio = d.stage_unknown / d.stage_wander;
    let memory_days = 2.0 * ratio * ratio;
    let mut last: Option<(i64, f64)> = None;
    let lone = options.ungauged_day.then(|| days.len().saturating_sub(1));
    let mut levels = Vec::new();
    for (i, day) in days.iter().enumerate() {
        let keep = last.map_or(0.0, |(t, _)| libm::exp(-((day.midnight - t) / DAY_MS) as f64 / memory_days));
        let before = last.map_or(0.0, |l| l.1);
        let walked = keep * before + libm::sqrt(1.0 - keep * keep) * dice.error(d.stage_unknown);
        let level = match options.unknown_level95_m {
            Some(u95) if lone == Some(i) => dice.error(u95),
            _ => walked,
        };
        last = Some((day.midnight, level));
        levels.push(Level::draw(day.midnight, level, d.stage_wander * sizes.factor, dice));
    }
    levels
}

fn readings(
    days: &[Day],
    levels: &[Level],
    options: &Options,
    sizes: &Sizes,
    dice: &mut Dice,
) -> Vec<StageReading> {
    let mut all = Vec::new();
    if options.floating {
        return all;
    }
    for (day, level) in days.iter().zip(levels).filter(|(d, _)| d.gauged) {
        let hours: &[f64] = match dice.below(3) {
            0 => &[7.5, 12.5],
            1 => &[8.5, 11.5],
            _ => &[8.0],
        };
        for hour in hours {
            let at = day.midnight + (hour * 3_600_000.0) as i64;
            let level_mm =
                libm::round((level.at(at) + sizes.draw(dice, sizes.d.stage_reading)) * 1000.0) as i32;
            all.push(StageReading { gauge: text("landing"), at: UtcMillis(at), level_mm });
        }
    }
    all
}
