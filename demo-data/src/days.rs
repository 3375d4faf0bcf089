//! Two boats on four days: who went where, in what water, with what trouble, and the logs they brought home.

use crate::helm::{State, drive};
use crate::receiver::{Fix, Receiver, ReceiverModel};
use crate::rng::Rng;
use crate::route::{Route, Waypoint};
use crate::sounder::{ASSUMED_MM_S, SounderModel, Water, indicated, planing};
use crate::stage::{moment, water_level_m};
use crate::writer::{Ends, nmea};
use crate::{bed, table};
use leadline_model::UtcMillis;

/// One invented boat.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Boat {
    /// Its name.
    pub name: &'static str,
    /// True depth of the transducer below the water line, mm.
    pub draft_mm: i32,
    /// Sound speed its sounder assumes, mm/s.
    pub sound_speed_mm_s: i32,
}

/// One file a boat brought home.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DemoLog {
    /// Name of the boat.
    pub boat: &'static str,
    /// Name of the file.
    pub file_name: &'static str,
    /// Water temperature that day as the crew wrote it down, hundredths of °C: for logs that do not say it.
    pub temp_centi: i16,
    /// When the log begins.
    pub first: UtcMillis,
    /// The file.
    pub bytes: Vec<u8>,
}

/// How a boat's instruments talk.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Style {
    /// RMC, GGA, DPT and MTW; the sounder states a transducer depth of its own.
    Dpt { offset_m: f64 },
    /// GLL, RMC, GSA and DBT.
    Dbt,
}

/// What the instruments say in one second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Moment {
    /// The receiver's time.
    pub(crate) stamp: UtcMillis,
    /// The receiver believes in a day 1,024 weeks ago.
    pub(crate) old_date: bool,
    pub(crate) fix: Option<Fix>,
    /// Below the transducer, metres.
    pub(crate) depth: Option<f64>,
    pub(crate) celsius: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Trouble {
    /// The receiver has no fix; before its first one it is wrong about the day, too.
    NoFix,
    ColdStart,
    /// The sounder shows nothing, zero, the second echo, or the same depth for ever.
    NullDepth,
    ZeroDepth,
    SecondEcho,
    Frozen,
    /// The receiver's clock is 13 s behind.
    ClockBack,
}

struct Day {
    /// Its own random numbers: a day added later changes no byte of the others.
    stream: u64,
    boat: usize,
    file_name: &'static str,
    start: &'static str,
    celsius: f64,
    weed: bool,
    ends: Ends,
    way: fn(Route) -> Route,
    /// (share of the day at which it begins, seconds, what).
    troubles: &'static [(f64, usize, Trouble)],
    /// From this share of the day on, the log is a table instead.
    table_from: Option<(f64, &'static str)>,
}

const BOATS: [Boat; 2] = [
    Boat { name: "Heron", draft_mm: 350, sound_speed_mm_s: ASSUMED_MM_S },
    Boat { name: "Plover", draft_mm: 220, sound_speed_mm_s: ASSUMED_MM_S },
];
const STYLES: [Style; 2] = [Style::Dpt { offset_m: 0.3 }, Style::Dbt];
const SOUNDERS: [SounderModel; 2] = [
    SounderModel { draft_m: 0.35, noise_m: 0.025, heave_m: 0.03 },
    SounderModel { draft_m: 0.22, noise_m: 0.03, heave_m: 0.02 },
];
const RECEIVERS: [ReceiverModel; 2] = [
    ReceiverModel { wander_m: 0.95, memory_s: 180.0, noise_m: 0.08, sats: 8.5, hdop: 1.05, corrected: false },
    ReceiverModel { wander_m: 0.6, memory_s: 240.0, noise_m: 0.06, sats: 10.5, hdop: 0.9, corrected: true },
];
/// Spikes a second of sounding.
const SPIKES: f64 = 0.003;

const DAYS: [Day; 7] = [
    Day {
        stream: 0,
        boat: 0,
        file_name: "heron-2025-04-12.nmea",
        start: "2025-04-12T04:10:00Z",
        celsius: 9.0,
        weed: false,
        ends: Ends::CrLf,
        way: |r| r.across(lines(-390.0, -104.0)).home_fast(),
        troubles: &[
            (0.0, 9, Trouble::ColdStart),
            (0.23, 16, Trouble::NullDepth),
            (0.41, 41, Trouble::NoFix),
            (0.655, 45, Trouble::SecondEcho),
            (0.80, 14, Trouble::ZeroDepth),
        ],
        table_from: None,
    },
    Day {
        stream: 1,
        boat: 1,
        file_name: "plover-2025-04-12.nmea",
        start: "2025-04-12T05:02:00Z",
        celsius: 9.0,
        weed: false,
        ends: Ends::Lf,
        way: |r| r.across(lines(390.0, 148.0)).home(),
        troubles: &[
            (0.15, 10, Trouble::ZeroDepth),
            (0.37, 13, Trouble::ClockBack),
            (0.58, 30, Trouble::Frozen),
            (0.71, 22, Trouble::NullDepth),
        ],
        table_from: None,
    },
    Day {
        stream: 2,
        boat: 0,
        file_name: "heron-2025-07-19.nmea",
        start: "2025-07-19T03:30:00Z",
        celsius: 23.0,
        weed: true,
        ends: Ends::Mixed,
        way: |r| [-105.0, -35.0, 35.0, 105.0].iter().fold(r, |r, &n| r.along(-395.0, 395.0, n)).home_fast(),
        troubles: &[
            (0.12, 18, Trouble::ZeroDepth),
            (0.33, 25, Trouble::NoFix),
            (0.52, 30, Trouble::SecondEcho),
            (0.77, 15, Trouble::NullDepth),
        ],
        table_from: None,
    },
    Day {
        stream: 3,
        boat: 1,
        file_name: "plover-2025-07-19.nmea",
        start: "2025-07-19T04:05:00Z",
        celsius: 23.0,
        weed: true,
        ends: Ends::Lf,
        way: |r| {
            let bay = ((bed::WEED_BAY[0], bed::WEED_BAY[1]), (60.0, 30.0));
            r.shore(3.0).patch(bay.0, bay.1, 15.0).across(lines(-82.0, 50.0)).home()
        },
        troubles: &[
            (0.0, 7, Trouble::ColdStart),
            (0.29, 20, Trouble::NullDepth),
            (0.48, 35, Trouble::NoFix),
            (0.83, 12, Trouble::ZeroDepth),
        ],
        table_from: None,
    },
    Day {
        stream: 6,
        boat: 1,
        file_name: "plover-2025-08-23.nmea",
        start: "2025-08-23T05:20:00Z",
        celsius: 24.0,
        weed: true,
        ends: Ends::Lf,
        way: |r| {
            r.along(270.0, -200.0, 55.0)
                .across([-195.0])
                .along(-185.0, 190.0, -60.0)
                .across([205.0, 115.0])
                .home()
        },
        troubles: &[(0.31, 12, Trouble::ZeroDepth), (0.62, 17, Trouble::NoFix)],
        table_from: None,
    },
    Day {
        stream: 4,
        boat: 0,
        file_name: "heron-2025-10-04.nmea",
        start: "2025-10-04T04:20:00Z",
        celsius: 14.0,
        weed: false,
        ends: Ends::CrLf,
        way: |r| {
            let bay = ((bed::WEED_BAY[0] + 5.0, bed::WEED_BAY[1] - 5.0), (58.0, 30.0));
            let ledge = ((10.0, bed::channel_north(10.0) - 78.0), (70.0, 28.0));
            r.patch(bay.0, bay.1, 12.0)
                .patch(bed::HUMP_TOP, (45.0, 36.0), 18.0)
                .patch(ledge.0, ledge.1, 14.0)
                .across(lines(-20.0, 134.0))
                .home_fast()
        },
        troubles: &[
            (0.18, 14, Trouble::ClockBack),
            (0.36, 11, Trouble::ZeroDepth),
            (0.55, 28, Trouble::NoFix),
            (0.70, 26, Trouble::Frozen),
        ],
        table_from: None,
    },
    Day {
        stream: 5,
        boat: 1,
        file_name: "plover-2025-10-04.nmea",
        start: "2025-10-04T05:10:00Z",
        celsius: 14.0,
        weed: false,
        ends: Ends::Lf,
        way: |r| {
            r.along(405.0, -405.0, 85.0)
                .across(lines(-379.0, -115.0).step_by(2))
                .along(-405.0, 405.0, -85.0)
                .home()
        },
        troubles: &[(0.22, 15, Trouble::ZeroDepth), (0.44, 19, Trouble::NullDepth)],
        table_from: Some((0.70, "plover-2025-10-04-second-logger.csv")),
    },
];

/// The boat and the day (UTC) on which nobody read the gauge: its level is for levelling to find, and
/// [`water_level_m`] knows it.
pub const UNGAUGED: (&str, &str) = ("Plover", "2025-08-23");

/// The boats, in the order of their first logs.
pub fn boats() -> [Boat; 2] {
    BOATS
}

/// All logs of both boats, oldest first; the same bytes for the same seed on every machine.
pub fn logs(seed: u64) -> Vec<DemoLog> {
    DAYS.iter().flat_map(|day| day_logs(day, &mut Rng::new(seed, day.stream))).collect()
}

fn day_logs(day: &Day, rng: &mut Rng) -> Vec<DemoLog> {
    let start = moment(day.start);
    let states = drive(&route(day), rng);
    let moments = moments(day, &states, rng);
    let log = |file_name, first: usize, bytes| DemoLog {
        boat: BOATS[day.boat].name,
        file_name,
        temp_centi: (day.celsius * 100.0) as i16,
        first: UtcMillis(start.0 + first as i64 * 1000),
        bytes,
    };
    let style = STYLES[day.boat];
    let Some((share, table_name)) = day.table_from else {
        return vec![log(day.file_name, 0, nmea(style, day.ends, &moments, false, rng))];
    };
    // The power goes; half a minute later the second logger runs.
    let cut = (moments.len() as f64 * share) as usize;
    let again = (cut + 30).min(moments.len());
    vec![
        log(day.file_name, 0, nmea(style, day.ends, &moments[..cut], true, rng)),
        log(table_name, again, table::feet(&moments[again..])),
    ]
}

fn route(day: &Day) -> Vec<Waypoint> {
    let stage = water_level_m(moment(day.start));
    (day.way)(Route::new(stage, 1.1)).points()
}

/// One moment a second: the fix of the whole second, the depth half a second later.
fn moments(day: &Day, states: &[State], rng: &mut Rng) -> Vec<Moment> {
    let start = moment(day.start);
    let seconds = states.len() / 2;
    let mut receiver = Receiver::new(RECEIVERS[day.boat], rng);
    let mut last_depth = None;
    let mut all = Vec::with_capacity(seconds);
    for (second, pair) in states.chunks_exact(2).enumerate() {
        let [at_fix, at_depth] = pair else { continue };
        let utc = UtcMillis(start.0 + second as i64 * 1000);
        let trouble = trouble(day, second, seconds);
        let fix = receiver.fix(at_fix, rng);
        let water = Water { stage_m: water_level_m(utc), celsius: day.celsius, weed: day.weed };
        let calm = indicated(&SOUNDERS[day.boat], &water, at_depth, second as f64 + 0.5, rng);
        let shown = shown_depth(calm, at_depth.speed, trouble, last_depth, rng);
        last_depth = if trouble == Some(Trouble::Frozen) { last_depth } else { Some(calm) };
        all.push(Moment {
            stamp: UtcMillis(utc.0 - if trouble == Some(Trouble::ClockBack) { 13_000 } else { 0 }),
            old_date: trouble == Some(Trouble::ColdStart),
            fix: (!matches!(trouble, Some(Trouble::NoFix | Trouble::ColdStart))).then_some(fix),
            depth: shown,
            celsius: day.celsius + 0.1 * rng.normal(),
        });
    }
    all
}

fn shown_depth(
    calm: f64,
    speed: f64,
    trouble: Option<Trouble>,
    last: Option<f64>,
    rng: &mut Rng,
) -> Option<f64> {
    match trouble {
        Some(Trouble::NullDepth) => None,
        Some(Trouble::ZeroDepth) => Some(0.0),
        // Only shallow water sends the echo twice.
        Some(Trouble::SecondEcho) if calm < 4.5 => Some(2.0 * calm + 0.03 * rng.normal()),
        Some(Trouble::Frozen) => last,
        _ if speed > 6.0 => planing(calm, rng),
        _ if rng.chance(SPIKES) => {
            let factor = if rng.chance(0.6) { rng.between(0.25, 0.7) } else { rng.between(1.4, 2.1) };
            Some(calm * factor)
        }
        _ => Some(calm),
    }
}

fn trouble(day: &Day, second: usize, seconds: usize) -> Option<Trouble> {
    let begins = |share: f64| (seconds as f64 * share) as usize;
    let now = |&&(share, length, _): &&(f64, usize, Trouble)| {
        (begins(share)..begins(share) + length).contains(&second)
    };
    day.troubles.iter().find(now).map(|t| t.2)
}

/// Lines 22 m apart.
fn lines(from: f64, to: f64) -> impl Iterator<Item = f64> {
    let step = if to > from { 22.0 } else { -22.0 };
    let n = libm::floor((to - from) / step) as u32;
    (0..=n).map(move |i| from + step * f64::from(i))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::SEED;

    #[test]
    fn boats_never_run_aground_and_cover_the_water() {
        let mut sounded: Vec<(f64, f64)> = Vec::new();
        for day in &DAYS {
            let stage = water_level_m(moment(day.start));
            let states = drive(&route(day), &mut Rng::new(SEED, day.stream));
            for s in &states {
                let under =
                    bed::bed_at(s.east, s.north) + stage - f64::from(BOATS[day.boat].draft_mm) / 1000.0;
                assert!(under > 0.1, "{}: {under} m of water at {s:?}", day.file_name);
            }
            sounded.extend(states.iter().map(|s| (s.east, s.north)));
        }
        let water: Vec<(f64, f64)> = crate::truth_grid()
            .iter()
            .filter(|p| p.depth_m > 1.0)
            .step_by(7)
            .map(|p| crate::east_north(p.cell.middle()))
            .collect();
        let near = |w: &&(f64, f64)| sounded.iter().any(|s| libm::hypot(s.0 - w.0, s.1 - w.1) < 15.0);
        let share = water.iter().filter(near).count() as f64 / water.len() as f64;
        assert!(share > 0.985, "{share} of the water deeper than 1 m has a sounding within 15 m");
    }

    #[test]
    fn days_are_as_long_as_real_ones() {
        let total: usize = DAYS
            .iter()
            .map(|day| {
                let seconds = drive(&route(day), &mut Rng::new(SEED, day.stream)).len() / 2;
                assert!((1_200..4_500).contains(&seconds), "{}: {seconds} s", day.file_name);
                seconds
            })
            .sum();
        assert!((13_000..18_000).contains(&total), "{total} s");
    }

    /// Proper crossings of two tracks, given by every fourth state (2 s).
    fn crossings(a: &[State], b: &[State]) -> usize {
        let side = |p: &State, q: &State, r: &State| {
            (q.east - p.east) * (r.north - p.north) - (q.north - p.north) * (r.east - p.east)
        };
        let legs = |t: &[State]| t.iter().step_by(4).copied().collect::<Vec<_>>();
        let (a, b) = (legs(a), legs(b));
        let cross = |p: &[State], q: &[State]| {
            (p[0].east - q[0].east).abs() < 30.0
                && side(&p[0], &p[1], &q[0]) * side(&p[0], &p[1], &q[1]) < 0.0
                && side(&q[0], &q[1], &p[0]) * side(&q[0], &q[1], &p[1]) < 0.0
        };
        a.windows(2).map(|p| b.windows(2).filter(|q| cross(p, q)).count()).sum()
    }

    #[test]
    fn day_without_a_reading_crosses_every_other_day_and_itself() {
        let track = |day: &Day| drive(&route(day), &mut Rng::new(SEED, day.stream));
        let alone = DAYS.iter().find(|d| d.start.starts_with(UNGAUGED.1)).expect("it is one of the days");
        assert_eq!((BOATS[alone.boat].name, alone.weed), (UNGAUGED.0, true));
        let here = track(alone);
        for day in &DAYS {
            let n = crossings(&here, &track(day));
            assert!(n >= 4, "{}: {n} crossings", day.file_name);
        }
        assert!(here.iter().filter(|s| bed::in_weed_bay(s.east, s.north)).count() > 20);
        assert!(logs(SEED).iter().all(|l| l.file_name != alone.file_name || l.bytes.len() <= 250_000));
    }

    #[test]
    fn another_seed_gives_other_logs() {
        let bytes = |seed| logs(seed).into_iter().map(|l| l.bytes).collect::<Vec<_>>();
        assert_eq!(bytes(9), bytes(9));
        assert_ne!(bytes(9), bytes(10));
    }
}
