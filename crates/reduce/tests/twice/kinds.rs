//! Pairs of recordings: copies of every kind, and what only looks like one.

use crate::log::{Format, TENTH_FOOT};
use crate::track::{Bed, Dice, Gear, Place, Truth, at, measure, way};
use leadline_model::{DepthFrom, Flags, Sounding};

/// Kinds of copies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Same {
    Name,
    Format,
    Rounding,
    Units,
    Clock,
    Surface,
    SurfaceCoarse,
    Cut,
    Lossy,
    Anchored,
    EvenBed,
    Everything,
}

impl Same {
    pub(crate) const ALL: [Self; 12] = [
        Self::Name,
        Self::Format,
        Self::Rounding,
        Self::Units,
        Self::Clock,
        Self::Surface,
        Self::SurfaceCoarse,
        Self::Cut,
        Self::Lossy,
        Self::Anchored,
        Self::EvenBed,
        Self::Everything,
    ];
}

/// Kinds of pairs that are none.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Other {
    TwoSounders,
    TwoSoundersOneReceiver,
    Abreast,
    SameLineAnotherDay,
    Following,
    FlatTwoSounders,
    FlatAbreast,
    Short,
    AtAnchor,
    QuietTwins,
    FlatQuietTwins,
}

impl Other {
    /// The quiet ones three times: they are the hardest.
    pub(crate) const ALL: [Self; 15] = [
        Self::QuietTwins,
        Self::FlatQuietTwins,
        Self::QuietTwins,
        Self::FlatQuietTwins,
        Self::TwoSounders,
        Self::TwoSoundersOneReceiver,
        Self::Abreast,
        Self::SameLineAnotherDay,
        Self::Following,
        Self::FlatTwoSounders,
        Self::FlatAbreast,
        Self::Short,
        Self::AtAnchor,
        Self::QuietTwins,
        Self::FlatQuietTwins,
    ];
}

/// Two recordings.
pub(crate) struct PairOf {
    pub(crate) first: Vec<Sounding>,
    pub(crate) second: Vec<Sounding>,
    /// Both go by one boat's name.
    pub(crate) one_name: bool,
    /// Clock of the second less that of the first, ms.
    pub(crate) shift: i64,
}

fn seconds(dice: &mut Dice) -> f64 {
    dice.within(900.0, 2_700.0)
}

fn step(dice: &mut Dice) -> f64 {
    dice.one_of(&[0.1, 0.1, 0.01, TENTH_FOOT])
}

/// Times are rounded to no more than the time between soundings.
fn a_time(every: f64, dice: &mut Dice) -> i64 {
    if every < 1.0 { dice.one_of(&[1, 10, 100]) } else { dice.one_of(&[1, 10, 100, 1000]) }
}

fn big_shift(dice: &mut Dice) -> i64 {
    let whole = |dice: &mut Dice, hours: i64| dice.whole(-hours, hours) * 3_600_000;
    match dice.whole(0, 3) {
        0 => dice.whole(-30_000, 30_000),
        1 => whole(dice, 12),
        2 => whole(dice, 12) + dice.whole(-90_000, 90_000),
        _ => dice.whole(-40, 40) * 86_400_000 + dice.whole(-5_000, 5_000),
    }
}

/// The same measurements twice.
pub(crate) fn same(kind: Same, seed: u64) -> PairOf {
    let dice = &mut Dice::new(seed);
    let bed = if kind == Same::EvenBed { Bed::flat(dice) } else { Bed::drawn(dice) };
    let gear = Gear::drawn(dice);
    let way = if kind == Same::Anchored { swinging(seconds(dice), dice) } else { way(seconds(dice), dice) };
    let truths = measure(&way, &bed, &gear, dice);
    let a = Format::sentences(step(dice));
    let mut b = a;
    let mut of_b = truths.clone();
    let mut held = false;
    match kind {
        Same::Name => {}
        // Two loggers on one bus: the same fixes, the same depths.
        Same::Anchored | Same::EvenBed => b.says = 3,
        Same::Format => b = Format { ms: a_time(gear.every, dice), ..Format::table(a.step, dice) },
        // From the same finer value, or from what the other one wrote.
        Same::Rounding => {
            (b.step, b.again) =
                dice.one_of(&[(0.1, 0.001), (0.01, 0.001), (0.001, 0.001), (a.step, 0.05), (a.step, 0.1)]);
        }
        Same::Units => {
            let fathoms = (a.step, 0.18288);
            let feet =
                [(TENTH_FOOT, 0.001), (TENTH_FOOT, 0.01), (a.step, TENTH_FOOT), (a.step, 0.01), fathoms];
            (b.step, b.again) = dice.one_of(&feet);
        }
        Same::Clock => b.shift = big_shift(dice),
        Same::Surface => {
            b.from = DepthFrom::Surface;
            let draft = libm::round(dice.within(0.1, 0.9) * 100.0) / 100.0;
            // Fine sounders add before they round, programs after.
            (b.before, b.after) = if a.step < 0.05 && dice.chance(0.5) { (draft, 0.0) } else { (0.0, draft) };
        }
        Same::SurfaceCoarse => {
            b.from = DepthFrom::Surface;
            b.before = dice.whole(1, 9) as f64 / 10.0;
            b.step = 0.1;
        }
        Same::Cut => {
            let (from, to) = (dice.within(0.0, 0.35), dice.within(0.65, 1.0));
            let n = truths.len() as f64;
            of_b = truths[(from * n) as usize..(to * n) as usize].to_vec();
            held = true;
        }
        Same::Lossy => of_b.retain(|_| !dice.chance(0.05)),
        Same::Everything => {
            b = Format {
                shift: big_shift(dice),
                ms: a_time(gear.every, dice),
                ..Format::table(step(dice), dice)
            };
            if dice.chance(0.5) {
                (b.after, b.from) = (0.45, DepthFrom::Surface);
            }
            let n = of_b.len();
            of_b = of_b[dice.whole(0, n as i64 / 4) as usize..].to_vec();
            of_b.retain(|_| !dice.chance(0.02));
        }
    }
    let a = if kind == Same::SurfaceCoarse { Format { step: 0.1, ..a } } else { a };
    let mut second = b.write(&of_b);
    if held && let [.., before, last] = second.as_mut_slice() {
        // The last sounding of a cut log has the last fix.
        last.at = before.at;
        last.flags = Flags::HELD;
    }
    let one_name = kind != Same::Name && dice.chance(0.3);
    PairOf { first: a.write(&truths), second, one_name, shift: b.shift }
}

/// A boat at anchor.
fn swinging(seconds: f64, dice: &mut Dice) -> Vec<Place> {
    let turn = dice.within(100.0, 300.0);
    (0..(seconds * 4.0) as i64)
        .map(|i| {
            let t = i as f64 * 0.25;
            let around = 0.7 * libm::sin(t / turn);
            Place { t, e: 8.0 * libm::sin(around), n: 8.0 * libm::cos(around), heading: 0.0, speed: 0.05 }
        })
        .collect()
}

fn moved(way: &[Place], side: impl Fn(f64) -> f64, later: f64) -> Vec<Place> {
    let end = way.last().map_or(0.0, |p| p.t);
    way.iter()
        .map(|p| {
            let q = at(way, (p.t - later).clamp(0.0, end));
            let s = side(p.t);
            Place { t: p.t, e: q.e + s * libm::cos(q.heading), n: q.n - s * libm::sin(q.heading), ..q }
        })
        .collect()
}

/// One of two sounders on a hull: the same moments and heave, its own noise, its own draft.
fn sounder(shared: &[Truth], noise: f64, dice: &mut Dice) -> Vec<Truth> {
    // Often at the same depth, or a whole step deeper: then steps lie at the same depths.
    let draft = match dice.whole(0, 3) {
        0 | 1 => 0.0,
        2 => 0.1 * dice.whole(-4, 4) as f64,
        _ => dice.within(-0.5, 0.5),
    };
    shared.iter().map(|m| Truth { depth: m.depth + draft + dice.normal(noise), ..*m }).collect()
}

/// Two sets of measurements.
pub(crate) fn other(kind: Other, seed: u64) -> PairOf {
    let dice = &mut Dice::new(seed);
    let twins = matches!(kind, Other::QuietTwins | Other::FlatQuietTwins);
    let flat =
        matches!(kind, Other::FlatTwoSounders | Other::FlatAbreast | Other::AtAnchor | Other::FlatQuietTwins);
    let bed = if flat { Bed::flat(dice) } else { Bed::drawn(dice) };
    let gear = Gear::drawn(dice);
    let long = if kind == Other::Short { dice.within(15.0, 90.0) } else { seconds(dice) };
    let way = if kind == Other::AtAnchor { swinging(long, dice) } else { way(long, dice) };
    let hull =
        !matches!(kind, Other::Abreast | Other::FlatAbreast | Other::Following | Other::SameLineAnotherDay);
    // On one hull, both have the same heave: measured without noise first, then each with its own.
    let (quiet, loud) = (dice.within(0.01, 0.05), dice.within(0.01, 0.05));
    let (quiet, loud) = if twins { (0.01, 0.01) } else { (quiet, loud) };
    let silent = Gear { noise: 0.0, ..gear };
    let (first, second) = if hull {
        let shared = measure(&way, &bed, &silent, dice);
        let first = sounder(&shared, quiet, dice);
        let mut second = sounder(&shared, loud, dice);
        let one_receiver = twins || kind == Other::TwoSoundersOneReceiver;
        if kind == Other::TwoSounders || (!one_receiver && dice.chance(0.5)) {
            let apart = dice.within(-1.0, 1.0);
            second.iter_mut().for_each(|m| m.e += apart + dice.normal(0.2));
        }
        (first, second)
    } else {
        let beside = dice.within(2.0, 6.0);
        let (drift, phase) = (dice.within(0.3, 1.0), dice.within(0.0, 9.0));
        let other_way = match kind {
            Other::Abreast | Other::FlatAbreast => moved(&way, |_| beside, 0.0),
            Other::Following => moved(&way, |t| drift * libm::sin(t / 40.0 + phase), dice.within(4.0, 20.0)),
            _ => moved(&way, |t| 1.5 * drift * libm::sin(t / 50.0 + phase), 0.0),
        };
        let first = measure(&way, &bed, &Gear { noise: quiet, ..gear }, dice);
        let second = measure(&other_way, &bed, &Gear { noise: loud, ..gear }, dice);
        (first, second)
    };
    let coarse = dice.one_of(&[0.1, TENTH_FOOT]);
    let same_format = twins || dice.chance(0.6);
    let a = Format::sentences(if flat { coarse } else { step(dice) });
    let mut b = if same_format { a } else { Format::table(step(dice), dice) };
    if kind == Other::TwoSoundersOneReceiver {
        b.degrees = a.degrees;
    }
    if kind == Other::SameLineAnotherDay {
        b.shift = dice.whole(1, 30) * 86_400_000 + dice.whole(-3_600_000, 3_600_000);
    }
    PairOf {
        first: a.write(&first),
        second: b.write(&second),
        one_name: hull && dice.chance(0.5),
        shift: b.shift,
    }
}
