//! What levelling may and may not do, whatever it is given: floating clusters keep their shape, order counts for
//! nothing, clusters that share nothing do not hear of each other, geometry decides what is determined.

mod waters;

use leadline_model::{
    Decision, Digest, Grade, GridPos, Levelling, LocalFrame, LonLat, Scope, Setup, Sounding, StageReading,
    UtcMillis, Verdict, VoidReason,
};
use leadline_reduce::{
    Adopted, DayFound, Defaults, Input, LegInput, Map, Proposal, Reduced, Settings, level, reduce,
};
use waters::{Dice, Kind, Options, Water, legs_of, sounding, text};

const INPUTS: Digest = Digest([7; 32]);

fn water(seed: u64, options: Options) -> Water {
    Water::draw(seed, Kind::Budget(options))
}

fn floating() -> Options {
    Options { floating: true, all_known: true, ..Options::default() }
}

fn levelled(input: &Input, levelling: &Levelling) -> Reduced {
    reduce(Input { levelling: Some(levelling.clone()), ..input.clone() })
}

/// Every sounding of `deeper` is `metres` deeper than its like in `before`.
fn assert_deeper(before: &Reduced, deeper: &Reduced, metres: f64, tolerance: f64) {
    assert_eq!(before.soundings.len(), deeper.soundings.len());
    for (a, b) in before.soundings.iter().zip(&deeper.soundings) {
        assert_eq!((a.time, a.pass, a.void), (b.time, b.pass, b.void));
        assert!((b.depth_m - a.depth_m - metres).abs() <= tolerance, "{} {}", a.depth_m, b.depth_m);
    }
}

#[test]
fn a_constant_on_a_floating_cluster_moves_nothing_but_its_anchor() {
    for (seed, metres) in [(0, 0.37), (1, 2.0), (2, -0.15), (3, 0.001), (4, 1.234)] {
        let Water { input, .. } = water(seed, floating());
        // All transducers hang so much deeper: what the instruments said stays, so nothing else can change.
        let mut deeper = input.clone();
        for setup in &mut deeper.setups {
            *setup.draft_mm.as_mut().expect("all known") += libm::round(metres * 1000.0) as i32;
        }
        let (before, after) = (level(input.clone(), INPUTS), level(deeper.clone(), INPUTS));
        assert!(before.days.iter().all(|d| d.floating) && before.crossings > 100, "{seed}");
        assert!(
            before.levelling.days.iter().any(|d| d.offset_mm.abs() > 50),
            "{seed}: something was levelled"
        );
        assert_eq!(before.levelling, after.levelling, "{seed}");
        assert_deeper(&reduce(input.clone()), &reduce(deeper.clone()), metres, 1e-9);
        let levelling = &before.levelling;
        assert_deeper(&levelled(&input, levelling), &levelled(&deeper, levelling), metres, 1e-9);
    }
}

#[test]
fn a_constant_on_all_readings_moves_nothing_but_the_anchor_where_no_error_grows_with_depth() {
    // Deeper readings have more noise, a wider beam and more error of sound speed: without these, and at the speed the
    // sounder assumes (factor 1), only whole millimetres may round the other way.
    let defaults =
        Defaults { instrument_share: 0.0, beam_deg: 0.0, sound_unknown: 0.0, ..Defaults::default() };
    let settings = Settings { spike_share: 0.0, defaults, ..Settings::default() };
    for (seed, mm) in [(10, 800), (11, 3_000), (12, 41)] {
        let Water { mut input, .. } = water(seed, floating());
        input.settings = settings;
        input.setups.iter_mut().for_each(|s| s.sound_speed_mm_s = None);
        let mut deeper = input.clone();
        deeper.legs.iter_mut().flat_map(|l| &mut l.soundings).for_each(|s| s.depth_mm += mm);
        let (before, after) = (level(input.clone(), INPUTS), level(deeper.clone(), INPUTS));
        assert_eq!(before.crossings, after.crossings);
        assert_eq!(before.levelling.days.len(), after.levelling.days.len());
        for (a, b) in before.levelling.days.iter().zip(&after.levelling.days) {
            assert!((a.offset_mm - b.offset_mm).abs() <= 1, "{seed}: {a:?} {b:?}");
            assert!((b.pivot_mm - a.pivot_mm - mm).abs() <= 1, "{seed}: {a:?} {b:?}");
            assert_eq!((a.boat, a.day, a.cluster), (b.boat, b.day, b.cluster));
        }
        assert_deeper(&reduce(input), &reduce(deeper), f64::from(mm) / 1000.0, 1e-9);
    }
}

#[test]
fn order_changes_no_byte() {
    let mut dice = Dice::new(5);
    for seed in 20..26 {
        let options = Options { ungauged_day: seed % 2 == 0, apart: seed % 3 == 0, ..Options::default() };
        let Water { input, .. } = water(seed, options);
        let proposal = level(input.clone(), INPUTS);
        let mut other = input;
        shuffle(&mut other.legs, &mut dice);
        shuffle(&mut other.setups, &mut dice);
        shuffle(&mut other.stages, &mut dice);
        other.legs.iter_mut().for_each(|l| shuffle(&mut l.soundings, &mut dice));
        let again = level(other, INPUTS);
        assert_eq!(proposal, again, "{seed}");
        // As written, so that not even a sign of zero differs.
        assert_eq!(format!("{proposal:?}"), format!("{again:?}"), "{seed}");
    }
}

fn shuffle<T>(all: &mut [T], dice: &mut Dice) {
    for i in (1..all.len()).rev() {
        all.swap(i, dice.below(i + 1));
    }
}

#[test]
fn a_levelling_in_force_is_not_looked_at() {
    for seed in 30..33 {
        let Water { mut input, .. } = water(seed, Options { ungauged_day: true, ..Options::default() });
        let proposal = level(input.clone(), INPUTS);
        let mut wrong = proposal.levelling.clone();
        wrong.days.iter_mut().for_each(|d| d.offset_mm += 777);
        wrong.boats.iter_mut().for_each(|b| b.lag_ms = Some(900));
        input.levelling = Some(wrong);
        assert_eq!(level(input, INPUTS), proposal, "{seed}");
    }
}

#[test]
fn crossings_never_make_less_known() {
    for seed in 40..50 {
        let Water { input, .. } = water(seed, Options { ungauged_day: seed % 2 == 0, ..Options::default() });
        let proposal = level(input, INPUTS);
        for day in proposal.days.iter().filter(|d| !d.floating) {
            assert!(day.uncertainty95_m <= day.prior95_m + 1e-9, "{seed}: {day:?}");
        }
        for boat in &proposal.boats {
            for found in [boat.lag, boat.scale] {
                assert!(found.uncertainty95 <= found.prior95 + 1e-9, "{seed}: {boat:?}");
            }
        }
    }
}

#[test]
fn a_boat_without_a_gauge_ends_on_the_level_of_the_others() {
    let options = Options { ungauged_day: true, unknown_level95_m: Some(3.0), ..Options::default() };
    let mut far = 0;
    for seed in 60..80 {
        let Water { input, truth } = water(seed, options);
        let proposal = level(input, INPUTS);
        let lone = proposal.days.iter().find(|d| !d.known && !d.floating).expect("one without a reading");
        let Some(index) = proposal.days.iter().position(|d| d == lone) else { continue };
        let pivot = f64::from(proposal.levelling.days[index].pivot_mm) / 1000.0;
        let boat = lone.boat.as_str();
        let true_offset = truth.offset(boat, lone.day) + truth.scale(boat) * pivot;
        assert!((lone.offset_m - true_offset).abs() < 0.25, "{seed}: {lone:?} {true_offset}");
        let (before, after) = (proposal.before.boats, proposal.after.boats);
        assert!(before.crossings == after.crossings && before.crossings > 100, "{seed}");
        if true_offset.abs() > 0.7 {
            far += 1;
            assert!(after.rms_m < 0.5 * before.rms_m && after.within > 0.9, "{seed}: {before:?} {after:?}");
        }
    }
    assert!(far >= 5, "{far} of 20 levels were far off");
}

// ---- Tracks by hand

/// 2026-05-01T10:00:00Z.
const START: i64 = 1_777_629_600_000;
const DAY_MS: i64 = 86_400_000;
const SPEED: f64 = 2.0;

/// Straight lines of one boat on one day.
struct Sail<'a> {
    boat: &'a str,
    device: u8,
    /// From the first on.
    day: i64,
    /// From and to, east and north, metres.
    lines: Vec<[f64; 4]>,
    /// Too deep by this, metres.
    deeper: f64,
    /// The position lags the depth by this, seconds.
    lag_s: f64,
}

impl Sail<'_> {
    fn legs(&self, bed: fn(f64, f64) -> f64, dice: &mut Dice) -> Vec<LegInput> {
        let frame =
            LocalFrame::new(GridPos::from_lonlat(LonLat { lon: 70.2, lat: 45.3 }).expect("on the grid"));
        let mut time = START + self.day * DAY_MS;
        let mut all = Vec::new();
        let speed_mm_s = Some((SPEED * 1000.0) as u32);
        for [e0, n0, e1, n1] in &self.lines {
            let way = libm::hypot(e1 - e0, n1 - n0);
            let (ce, cn) = ((e1 - e0) / way, (n1 - n0) / way);
            for second in 0..(way / SPEED) as i64 {
                let along = second as f64 * SPEED;
                let (e, n) = (e0 + ce * along, n0 + cn * along);
                let late = self.lag_s * SPEED;
                let at = frame.place(e - ce * late, n - cn * late);
                let depth_m = bed(e, n) + self.deeper + dice.error(0.06);
                all.push(Sounding { hdop_centi: Some(80), speed_mm_s, ..sounding(time, at, depth_m) });
                time += 1_000;
            }
            // A turn, long enough that lines do not meet within a minute.
            time += 90_000;
        }
        legs_of(self.boat, self.device, &all)
    }
}

fn setup(boat: &str) -> Setup {
    Setup {
        boat: text(boat),
        from: UtcMillis(0),
        draft_mm: Some(0),
        sound_speed_mm_s: Some(1_500_000),
        temp_centi: None,
        lag_ms: None,
    }
}

/// Readings of zero on the mornings of these days.
fn readings(days: &[i64]) -> Vec<StageReading> {
    let at = |d: &i64| UtcMillis(START + d * DAY_MS - 3_600_000);
    days.iter().map(|d| StageReading { gauge: text("landing"), at: at(d), level_mm: 0 }).collect()
}

fn input(sails: &[Sail<'_>], gauged: &[i64], bed: fn(f64, f64) -> f64, seed: u64) -> Input {
    let mut dice = Dice::new(seed);
    let mut boats: Vec<&str> = sails.iter().map(|s| s.boat).collect();
    boats.sort_unstable();
    boats.dedup();
    Input {
        legs: sails.iter().flat_map(|s| s.legs(bed, &mut dice)).collect(),
        setups: boats.into_iter().map(setup).collect(),
        stages: readings(gauged),
        ..Input::default()
    }
}

/// Lines north and south in turn around a place so far east, or lines east and west.
fn grid(east: f64, across: bool) -> Vec<[f64; 4]> {
    (0..8)
        .map(|i| {
            let (side, end) = (f64::from(i) * 14.0 - 49.0, if i % 2 == 0 { 60.0 } else { -60.0 });
            if across { [east - end, side, east + end, side] } else { [east + side, -end, east + side, end] }
        })
        .collect()
}

fn ripples(e: f64, n: f64) -> f64 {
    7.0 + 0.6 * libm::sin(e / 15.0) + 0.6 * libm::cos(n / 18.0)
}

fn of<'a>(proposal: &'a Proposal, boat: &str, day: i64) -> &'a DayFound {
    let day = ((START + day * DAY_MS) / DAY_MS) as i32;
    proposal.days.iter().find(|d| d.boat.as_str() == boat && d.day == day).expect("the boat was out")
}

#[test]
fn a_boat_day_that_nothing_crosses_keeps_its_prior() {
    let sails = [
        Sail { boat: "Wren", device: 0, day: 0, lines: grid(0.0, false), deeper: 0.3, lag_s: 0.0 },
        Sail { boat: "Tern", device: 1, day: 0, lines: grid(0.0, true), deeper: 0.0, lag_s: 0.0 },
        Sail {
            boat: "Dabchick",
            device: 2,
            day: 5,
            lines: vec![[600.0, 0.0, 600.0, 120.0]],
            deeper: 0.8,
            lag_s: 0.0,
        },
    ];
    for gauged in [&[0][..], &[0, 5]] {
        let proposal = level(input(&sails, gauged, ripples, 1), INPUTS);
        let alone = of(&proposal, "Dabchick", 5);
        assert_eq!((alone.crossings, alone.offset_m), (0, 0.0));
        assert_eq!((alone.known, alone.floating), (gauged.len() == 2, gauged.len() == 1));
        let level = proposal.levelling.days.iter().find(|d| d.day == alone.day).expect("listed");
        assert_eq!(level.offset_mm, 0);
        if alone.known {
            assert!((alone.uncertainty95_m - alone.prior95_m).abs() < 1e-9, "{alone:?}");
        }
        let boat = proposal.boats.iter().find(|b| b.boat.as_str() == "Dabchick").expect("listed");
        for found in [boat.lag, boat.scale] {
            assert!(found.value == 0.0 && !found.determined, "{found:?}");
            assert!((found.uncertainty95 - found.prior95).abs() < 1e-9, "{found:?}");
        }
        // The others did meet.
        let apart = of(&proposal, "Wren", 0).offset_m - of(&proposal, "Tern", 0).offset_m;
        assert!((apart - 0.3).abs() < 0.05 && of(&proposal, "Wren", 0).crossings >= 60, "{apart}");
    }
}

#[test]
fn a_day_at_anchor_is_one_place() {
    // Three hours on the same spot, every fix of its own: millions of crossings if each metre of it counted.
    let mut dice = Dice::new(9);
    let mut all = input(&[], &[0], ripples, 0);
    for (device, boat, deeper) in [(0u8, "Wren", 0.4), (1, "Tern", 0.0)] {
        let day = i64::from(device);
        let lines = vec![[-20.0, 0.0, 20.0, 0.0]];
        let mut legs = Sail { boat, device, day, lines, deeper, lag_s: 0.0 }.legs(ripples, &mut dice);
        let sailed = legs[0].soundings.clone();
        let (last, middle) = (sailed[sailed.len() - 1].time.0, sailed[sailed.len() / 2].at);
        let frame = LocalFrame::new(middle);
        let swings = (0..10_800i64).map(|second| {
            let at = frame.place(1.5 * dice.normal(), 1.5 * dice.normal());
            sounding(last + second * 1_000 + 5_000, at, ripples(0.0, 0.0) + deeper + dice.error(0.06))
        });
        legs[0].soundings.extend(swings);
        all.legs.extend(legs);
        all.setups.push(setup(boat));
    }
    let proposal = level(all, INPUTS);
    assert!((10..10_000).contains(&proposal.crossings), "{}", proposal.crossings);
    assert_eq!(proposal.levelling.clusters.len(), 1);
    let apart = of(&proposal, "Wren", 0).offset_m - of(&proposal, "Tern", 1).offset_m;
    assert!((apart - 0.4).abs() < 0.15, "{apart}");
}

/// One cluster around the middle on the first days; another far from it on later days without a gauge, of `others`.
fn two_clusters(others: [&str; 2], deeper: f64, seed: u64) -> Input {
    let sail = |boat, device, day, east, across, deeper| Sail {
        boat,
        device,
        day,
        lines: grid(east, across),
        deeper,
        lag_s: 0.2,
    };
    let near = [sail("Wren", 0, 0, 0.0, false, 0.10), sail("Tern", 1, 1, 0.0, true, -0.05)];
    let far = [
        sail(others[0], 2, 30, 600.0, false, deeper),
        sail(others[1], 3, 30, 600.0, true, -0.3),
        sail(others[0], 2, 32, 600.0, true, deeper + 0.4),
    ];
    let (near, far) = (input(&near, &[0, 1], ripples, 1), input(&far, &[], ripples, seed));
    let mut both = near;
    both.legs.extend(far.legs);
    both.setups.extend(far.setups);
    both
}

#[test]
fn clusters_that_share_nothing_do_not_hear_of_each_other() {
    let [one, other] = [(0.0, 2), (0.9, 3)]
        .map(|(deeper, seed)| level(two_clusters(["Dabchick", "Dunlin"], deeper, seed), INPUTS));
    assert_eq!(one.levelling.clusters.len(), 2);
    for (boat, day) in [("Wren", 0), ("Tern", 1)] {
        // Every digit.
        assert_eq!(of(&one, boat, day), of(&other, boat, day));
        let boat_of = |p: &Proposal| p.boats.iter().find(|b| b.boat.as_str() == boat).cloned();
        assert!(boat_of(&one).is_some() && boat_of(&one) == boat_of(&other));
    }
    let changed = of(&one, "Dabchick", 30).offset_m - of(&other, "Dabchick", 30).offset_m;
    assert!(changed.abs() > 0.005, "{changed}");
}

#[test]
fn a_boat_that_works_in_two_clusters_carries_its_draft_between_them() {
    let [one, other] = [0.0, 0.9].map(|deeper| level(two_clusters(["Wren", "Dunlin"], deeper, 2), INPUTS));
    assert_eq!(one.levelling.clusters.len(), 2);
    assert!(of(&one, "Wren", 30).floating && !of(&one, "Wren", 0).floating);
    // Too deep beside Dunlin: a share of it is the boat's draft, wherever it is.
    let changed = of(&other, "Wren", 0).offset_m - of(&one, "Wren", 0).offset_m;
    assert!(changed > 0.0005, "{changed}");
}

fn slope(e: f64, n: f64) -> f64 {
    11.0 + 0.14 * e + 0.02 * libm::sin(n / 7.0)
}

/// One boat on one day: lines over a slope that cross each other at a sharp angle; `back` = every second one the other
/// way.
fn zigzag(back: bool, lag_s: f64) -> Proposal {
    let lines = (0..30).map(|i| {
        let north = f64::from(i / 2) * 3.0;
        let up = [-60.0, north - 20.0, 60.0, north + 20.0];
        match (i % 2 == 0, back) {
            (true, _) => up,
            (false, false) => [up[0], up[3], up[2], up[1]],
            (false, true) => [up[2], up[1], up[0], up[3]],
        }
    });
    let sail = Sail { boat: "Wren", device: 0, day: 0, lines: lines.collect(), deeper: 0.0, lag_s };
    level(input(&[sail], &[0], slope, 8), INPUTS)
}

#[test]
fn lag_is_told_by_opposite_lines_over_a_slope_and_by_nothing_else() {
    for lag_s in [0.6, -0.3] {
        let same = zigzag(false, lag_s);
        assert!(same.crossings > 150, "{}", same.crossings);
        let lag = same.boats[0].lag;
        assert!(!lag.determined && lag.value.abs() < 0.1 && lag.uncertainty95 > 0.4 * lag.prior95, "{lag:?}");
        assert_eq!(same.levelling.boats[0].lag_ms, None);
        let opposite = zigzag(true, lag_s);
        assert!(opposite.crossings > 150, "{}", opposite.crossings);
        let lag = opposite.boats[0].lag;
        assert!(lag.determined && (lag.value - lag_s).abs() < 0.1, "{lag_s}: {lag:?}");
        let rounded = opposite.levelling.boats[0].lag_ms.expect("determined");
        assert!((f64::from(rounded) / 1000.0 - lag.value).abs() <= 0.0005);
        // A boat that meets only itself on one day says nothing of its own level.
        assert!(opposite.days[0].offset_m.abs() < 0.01, "{:?}", opposite.days[0]);
        assert!(opposite.after.day.rms_m < 0.05 && opposite.before.day.rms_m > 0.05);
    }
}

/// The last boat's soundings belong to a survey of their own, whose datum lies 0.37 m below this one's.
fn two_surveys(seed: u64) -> Input {
    let Water { mut input, .. } =
        water(seed, Options { boats: Some(3), all_known: true, ..Options::default() });
    let theirs = input.legs.iter().map(|l| l.boat.clone()).max().expect("a boat");
    let above = |r: &StageReading| StageReading { level_mm: r.level_mm + 370, ..r.clone() };
    let stages = input.stages.iter().map(above).collect();
    input.adopted = vec![Adopted { boats: [theirs].into(), stages, ..Adopted::default() }];
    input
}

#[allow(clippy::print_stdout, reason = "figures belong into the test log")]
#[test]
fn the_datum_of_an_adopted_survey_is_found_within_what_is_stated() {
    let (mut within, mut seeds, mut widest) = (0, 0, 0f64);
    for seed in 0..20 {
        let input = two_surveys(seed);
        let proposal = level(input.clone(), INPUTS);
        let [datum] = proposal.datums[..] else { panic!("one adopted survey: {:?}", proposal.datums) };
        if datum.crossings < 20 {
            continue;
        }
        seeds += 1;
        // Their datum lies lower, so their depths are too shoal.
        within += usize::from((datum.offset_m + 0.37).abs() <= datum.uncertainty95_m);
        widest = widest.max(datum.uncertainty95_m);
        // Against one survey with one datum, the offsets of their boat-days differ by just that.
        let mut one = input.clone();
        one.adopted.clear();
        let alone = level(one.clone(), INPUTS);
        // Where nobody read the gauge, depths count from that day's water in both.
        let theirs = |d: &&DayFound| d.known && input.adopted[0].boats.contains(&d.boat);
        for (a, b) in proposal.days.iter().filter(theirs).zip(alone.days.iter().filter(theirs)) {
            let apart = a.offset_m - b.offset_m + 0.37;
            assert!(apart.abs() < a.uncertainty95_m + b.uncertainty95_m, "{seed}: {a:?} {b:?}");
        }
        // The combined map agrees with itself: as well as the one survey does.
        let (two, same) = (proposal.after.boats, alone.after.boats);
        assert!(two.rms_m < same.rms_m * 1.2 + 0.01 && two.within > 0.9, "{seed}: {two:?} {same:?}");
    }
    println!("datum within its 95 %: {within} of {seeds} waters, widest {widest:.2} m");
    assert!(seeds >= 15 && within * 10 >= seeds * 9 && widest < 1.0, "{within} of {seeds}, {widest}");
}

#[test]
fn an_adopted_survey_is_at_best_loose_until_it_is_levelled() {
    let input = two_surveys(1);
    let theirs = |r: &Reduced, pass: u32| input.adopted[0].boats.contains(&r.passes[pass as usize].boat);
    let grades = |r: &Reduced| -> Vec<Grade> {
        r.soundings.iter().filter(|s| s.void.is_none() && theirs(r, s.pass)).map(|s| s.grade).collect()
    };
    let raw = reduce(input.clone());
    let before = grades(&raw);
    assert!(!before.is_empty() && before.iter().all(|g| *g >= Grade::Loose));
    // What is this survey's own does not change by it.
    let own = |r: &Reduced| -> Vec<_> {
        r.soundings.iter().filter(|s| !theirs(r, s.pass)).map(|s| (s.time, s.depth_m.to_bits())).collect()
    };
    let alone = |legs: bool| {
        let mut alone = Input { adopted: Vec::new(), ..input.clone() };
        alone.legs.retain(|l| legs || !input.adopted[0].boats.contains(&l.boat));
        reduce(alone)
    };
    let depths: Vec<_> = alone(false).soundings.iter().map(|s| (s.time, s.void.is_some())).collect();
    assert_eq!(own(&raw).len(), depths.len());
    let levelling = level(input.clone(), INPUTS).levelling;
    let after = grades(&levelled(&input, &levelling));
    assert!(after.iter().any(|g| *g < Grade::Loose), "levelling makes the datum known");
}

#[test]
fn verdicts_of_an_adopted_survey_bind_its_own_soundings_alone() {
    let mut input = two_surveys(2);
    let far = GridPos::new(u32::MAX >> 1, u32::MAX >> 1).expect("on the grid");
    let corner = |x, y| GridPos::new(x, y).expect("on the grid");
    let everywhere = Verdict {
        scope: Scope::Area(vec![corner(0, 0), corner(far.x(), 0), far, corner(0, far.y())]),
        decision: Decision::LeaveOut,
        until: UtcMillis(i64::MAX),
        shoaler_than_mm: None,
        deeper_than_mm: None,
        why: text("all of it"),
    };
    input.adopted[0].verdicts = vec![everywhere];
    let reduced = reduce(input.clone());
    for s in reduced.soundings.iter().filter(|s| s.void.is_none_or(|v| v == VoidReason::LeftOut)) {
        let theirs = input.adopted[0].boats.contains(&reduced.passes[s.pass as usize].boat);
        assert_eq!(s.void.is_some(), theirs);
    }
    assert!(reduced.soundings.iter().any(|s| s.void == Some(VoidReason::LeftOut)));
    assert!(reduced.soundings.iter().any(|s| s.void.is_none()));
}

#[test]
fn legs_of_an_adopted_survey_added_later_give_the_same_map() {
    let input = two_surveys(3);
    let whole = reduce(input.clone());
    let (first, later): (Vec<_>, Vec<_>) =
        input.legs.iter().cloned().enumerate().partition(|(i, _)| i % 3 > 0);
    let just = |legs: Vec<(usize, LegInput)>| legs.into_iter().map(|(_, l)| l).collect::<Vec<_>>();
    let mut map = Map::new(Input { legs: just(first), ..input.clone() });
    for leg in just(later) {
        map.add(vec![leg], |ids| input.legs.iter().filter(|l| ids.contains(&l.id)).cloned().collect());
    }
    assert_eq!(map.reduced(), &whole);
}
