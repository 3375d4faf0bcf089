//! Whole reductions over an invented bed: honesty of the band, independence of order, counts, screening.

mod waters;

use leadline_model::{
    BoatLevel, ClusterLevel, DayLevel, Decision, Digest, FixClass, Grade, GridPos, LegId, Levelling,
    LocalFrame, LonLat, Scope, Setup, Sounding, StageReading, UtcMillis, Verdict, VoidReason,
};
use leadline_reduce::{
    Basis, DeviceSet, DraftSource, Input, LegInput, Reduced, SoundSource, StageHow, explain, fresh_water,
    reduce,
};
use std::f64::consts::PI;
use waters::{legs_of, sounding, text};

/// 2026-05-01T10:00:00Z: the first day begins.
const START: i64 = 1_777_629_600_000;
const DAY: i64 = 86_400_000;

/// Numerical Recipes' 64-bit linear congruential generator, its upper half.
struct Dice(u64);

impl Dice {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 32) as f64 + 0.5) / f64::from(u32::MAX)
    }

    /// Normal error of `u95` at 95 % (Box and Muller).
    fn error(&mut self, u95: f64) -> f64 {
        let (r, turn) = (libm::sqrt(-2.0 * libm::log(self.unit())), 2.0 * PI * self.unit());
        u95 / 1.96 * r * libm::cos(turn)
    }
}

fn frame() -> LocalFrame {
    LocalFrame::new(GridPos::from_lonlat(LonLat { lon: 70.2, lat: 45.3 }).expect("on the grid"))
}

/// Depth of the invented bed below the datum: a bank, a channel, a hump.
fn bed(e: f64, n: f64) -> f64 {
    let channel = 4.0 * libm::exp(-libm::pow((n - 20.0 * libm::sin(e / 60.0)) / 35.0, 2.0));
    let hump = 2.0 * libm::exp(-(e * e + (n - 60.0) * (n - 60.0)) / 800.0);
    6.0 + channel - hump + 0.01 * e + 0.1 * libm::sin(e / 9.0) * libm::sin(n / 11.0)
}

/// What goes wrong for one boat, drawn once.
struct Boat {
    draft: f64,
    sound: f64,
    settlement: f64,
    lag_s: f64,
}

/// One boat's day on the water: lines 15 m apart, every error drawn at the size the budget states.
fn day(boat: &Boat, number: i64, stage: f64, dice: &mut Dice) -> Vec<Sounding> {
    let (frame, c) = (frame(), fresh_water(15.0).expect("water"));
    let start = START + number * DAY;
    // Receiver: 1.0 m / √2 an axis, remembered for a minute; instrument remembered for four seconds.
    let (axis95, keep, keep_instrument) = (1.96 / libm::sqrt(2.0), libm::exp(-1.0 / 60.0), libm::exp(-0.25));
    let fresh = |keep: f64| libm::sqrt(1.0 - keep * keep);
    let mut wander = [dice.error(axis95), dice.error(axis95)];
    let mut detection = dice.error(0.08);
    let mut all = Vec::new();
    let across = number % 2 == 1;
    for i in 0..1_800i64 {
        let (line, place) = (i / 120, i % 120);
        let along = if line % 2 == 0 { place } else { 119 - place } as f64 * 2.0 - 120.0;
        let forward = if line % 2 == 0 { 1.0 } else { -1.0 };
        let (side, ahead) = (line as f64 * 15.0 - 105.0, along + forward * boat.lag_s * 2.0);
        let (e, n) = if across { (side, ahead) } else { (ahead, side) };
        wander = wander.map(|w| keep * w + fresh(keep) * dice.error(axis95));
        detection = keep_instrument * detection + fresh(keep_instrument) * dice.error(0.08);
        let below = bed(e, n) + stage - 0.4 - boat.draft + boat.settlement;
        let indicated = below * (1.0 + boat.sound) * 1500.0 / c + detection + dice.error(0.10);
        let (e, n) = if across { (side, along) } else { (along, side) };
        all.push(sounding(start + i * 1_000, frame.place(e + wander[0], n + wander[1]), indicated));
    }
    all
}

/// Two boats, two days each, the gauge read in the morning and in the evening.
fn water(seed: u64) -> Input {
    let mut dice = Dice(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
    let mut input = Input::default();
    for (d, level) in [(0, 0.2), (1, 0.9), (2, 0.5), (3, 0.6)] {
        for hour in [-1, 2] {
            let at = UtcMillis(START + d * DAY + hour * 3_600_000);
            let level_mm = libm::round((level + dice.error(0.03)) * 1000.0) as i32;
            input.stages.push(StageReading { gauge: text("landing"), at, level_mm });
        }
    }
    for (b, name) in [(0, "Wren"), (1, "Tern")] {
        let boat = Boat {
            draft: dice.error(0.05),
            sound: dice.error(1.0 / 150.0),
            settlement: dice.error(0.0236),
            lag_s: dice.error(0.5),
        };
        for (d, level) in [(0, 0.2), (1, 0.9)] {
            let (number, level) = if b == 0 { (d, level) } else { (d + 2, if d == 0 { 0.5 } else { 0.6 }) };
            // Between readings the level wanders: 0.10 m a root day, an hour from the nearest reading.
            let soundings = day(&boat, number, level + dice.error(0.017), &mut dice);
            input.legs.extend(legs_of(name, b, &soundings));
        }
        input.setups.push(Setup {
            boat: text(name),
            from: UtcMillis(0),
            draft_mm: Some(400),
            sound_speed_mm_s: Some(1_500_000),
            temp_centi: None,
            lag_ms: None,
        });
    }
    input
}

/// Error of every cell against the bed, and its band.
fn errors(reduced: &Reduced) -> Vec<(f64, f64)> {
    let frame = frame();
    reduced
        .cells
        .iter()
        .map(|c| {
            let (e, n) = frame.metres(c.at);
            (c.depth_m - bed(e, n), c.tvu95_m)
        })
        .collect()
}

#[test]
#[allow(clippy::print_stdout, reason = "the figures are the point of this test")]
fn band_holds_what_it_promises() {
    // S-44 §2.7: 95 % means that 95 of 100 errors lie inside. Errors of the budget's size, 40 surveys.
    let all: Vec<(f64, f64)> = (1..=40).flat_map(|seed| errors(&reduce(water(seed)))).collect();
    let n = all.len() as f64;
    let inside = all.iter().filter(|(e, u)| e.abs() <= *u).count() as f64 / n;
    let bias = all.iter().map(|x| x.0).sum::<f64>() / n;
    let band = all.iter().map(|x| x.1).sum::<f64>() / n;
    let mut sizes: Vec<f64> = all.iter().map(|x| x.0.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let true95 = sizes[(0.95 * n) as usize];
    println!(
        "{n} cells: {:.1} % inside, bias {bias:+.4} m, band {band:.3} m, 95 % error {true95:.3} m",
        inside * 100.0
    );
    assert!((0.93..0.98).contains(&inside), "{inside}");
    assert!(bias.abs() < 0.03, "{bias}");
    assert!(band < 1.5 * true95, "{band} {true95}");
}

#[test]
fn order_of_legs_and_soundings_changes_nothing() {
    let straight = reduce(water(7));
    let mut dice = Dice(99);
    for _ in 0..3 {
        let mut input = water(7);
        shuffle(&mut input.legs, &mut dice);
        shuffle(&mut input.setups, &mut dice);
        shuffle(&mut input.stages, &mut dice);
        input.legs.iter_mut().for_each(|l| shuffle(&mut l.soundings, &mut dice));
        let shuffled = reduce(input);
        assert_eq!(straight, shuffled);
        // `==` takes 0.0 and −0.0 for the same; the bytes must be, too.
        let bits = |r: &Reduced| {
            r.cells.iter().map(|c| (c.depth_m.to_bits(), c.tvu95_m.to_bits())).collect::<Vec<_>>()
        };
        assert_eq!(bits(&straight), bits(&shuffled));
    }
}

fn shuffle<T>(all: &mut [T], dice: &mut Dice) {
    for i in (1..all.len()).rev() {
        all.swap(i, (dice.unit() * (i + 1) as f64) as usize % (i + 1));
    }
}

#[test]
fn counts_add_up_and_copies_count_once() {
    let plain = reduce(water(3));
    let mut input = water(3);
    // The laptop read the same log, cut in the middle of a leg.
    let mut cut: Vec<LegInput> = input.legs.iter().take(2).cloned().collect();
    for (i, leg) in (0u8..).zip(&mut cut) {
        leg.id = LegId([200 + i; 32]);
        leg.devices = DeviceSet::one(9);
        leg.soundings.truncate(300);
    }
    input.legs.extend(cut);
    let given: u64 = input.legs.iter().map(|l| l.soundings.len() as u64).sum();
    let copied = reduce(input);
    assert_eq!((copied.tally.given, copied.tally.copies), (given, 600));
    assert_eq!(copied.soundings, plain.soundings);
    assert_eq!(copied.tally.total, plain.tally.total);
    let same =
        |a: &Reduced| a.cells.iter().map(|c| (c.id, c.depth_m, c.tvu95_m, c.soundings)).collect::<Vec<_>>();
    assert_eq!(same(&copied), same(&plain));
    assert!(copied.cells.iter().any(|c| c.devices == 2) && plain.cells.iter().all(|c| c.devices <= 2));
    for r in [&plain, &copied] {
        let t = &r.tally;
        assert_eq!(t.given, t.copies + t.total.soundings);
        assert_eq!(t.total.soundings as usize, r.soundings.len());
        assert_eq!(t.total.grades.iter().sum::<u64>(), t.total.soundings);
        assert_eq!(t.total.reasons.iter().sum::<u64>(), t.total.of(Grade::Void));
        assert_eq!(t.passes.iter().map(|p| p.soundings).sum::<u64>(), t.total.soundings);
        assert_eq!(t.boats.iter().map(|b| b.counts.soundings).sum::<u64>(), t.total.soundings);
        let in_cells: u64 = r.cells.iter().map(|c| u64::from(c.soundings)).sum();
        assert_eq!(in_cells, t.total.soundings - t.total.of(Grade::Void));
        let listed: usize =
            r.cells.iter().map(|c| r.soundings_of(c).iter().filter(|s| s.void.is_none()).count()).sum();
        assert_eq!(listed as u64, in_cells);
    }
}

#[test]
fn leaving_out_and_taking_back_restores_every_byte() {
    let before = reduce(water(4));
    let stretch = |from, to| Verdict {
        scope: Scope::Stretch {
            boat: text("Wren"),
            from: UtcMillis(START + from),
            to: UtcMillis(START + to),
        },
        decision: Decision::LeaveOut,
        until: UtcMillis(START + to),
        shoaler_than_mm: None,
        deeper_than_mm: None,
        why: text("test"),
    };
    let without = reduce(Input { verdicts: vec![stretch(60_000, 120_000)], ..water(4) });
    assert_eq!(without.tally.total.void(VoidReason::LeftOut), 60);
    assert_eq!(without.soundings.len(), before.soundings.len());
    assert_ne!(without.cells, before.cells);
    assert_eq!(reduce(water(4)), before);
}

/// One track northward, a reading a second at 2 m/s over `depth`, with everything known.
fn track(depth: impl Fn(i64) -> f64, n: i64, change: impl Fn(i64, &mut Sounding)) -> Input {
    let frame = frame();
    let all: Vec<Sounding> = (0..n)
        .map(|i| {
            let mut s = sounding(START + i * 1_000, frame.place(0.0, i as f64 * 2.0), depth(i));
            change(i, &mut s);
            s
        })
        .collect();
    let stage = StageReading { gauge: text("landing"), at: UtcMillis(START), level_mm: 500 };
    let setup = Setup {
        boat: text("Wren"),
        from: UtcMillis(0),
        draft_mm: Some(300),
        sound_speed_mm_s: Some(1_500_000),
        temp_centi: None,
        lag_ms: None,
    };
    Input { legs: legs_of("Wren", 0, &all), setups: vec![setup], stages: vec![stage], ..Input::default() }
}

fn wavy(i: i64) -> f64 {
    5.0 + 0.07 * libm::sin(i as f64 * 1.7)
}

#[test]
fn spikes_go_and_a_drop_off_of_three_metres_stays() {
    let bed = |i: i64| wavy(i) + if i >= 60 { 3.0 } else { 0.0 };
    let reduced = reduce(track(
        |i| {
            if i == 30 {
                1.4
            } else if i == 90 {
                14.0
            } else {
                bed(i)
            }
        },
        120,
        |_, _| (),
    ));
    let void: Vec<i64> = reduced
        .soundings
        .iter()
        .filter(|s| s.void == Some(VoidReason::Spike))
        .map(|s| (s.time.0 - START) / 1000)
        .collect();
    assert_eq!(sorted(void), [30, 90]);
    assert_eq!(reduced.tally.total.of(Grade::Void), 2);
}

fn sorted(mut v: Vec<i64>) -> Vec<i64> {
    v.sort_unstable();
    v
}

#[test]
fn a_stump_that_two_passes_hit_is_no_spike() {
    // 1.4 m over 5 m, one reading each: a spike in either pass alone.
    let pass = |days: i64, spike: f64| {
        let mut input = track(|i| if i == 30 { spike } else { wavy(i + days) }, 60, |_, _| ());
        input.legs.iter_mut().for_each(|l| {
            l.id.0[9] = days as u8;
            l.soundings.iter_mut().for_each(|s| s.time.0 += days * DAY);
        });
        input
    };
    let spikes = |second: f64| {
        let mut input = pass(0, 1.4);
        let later = pass(3, second);
        input.legs.extend(later.legs);
        input.stages.push(StageReading { at: UtcMillis(START + 3 * DAY), ..input.stages[0].clone() });
        let reduced = reduce(input);
        let shoalest = reduced.cells.iter().map(|c| c.shoalest_m).fold(f64::INFINITY, f64::min);
        (reduced.tally.total.void(VoidReason::Spike), shoalest)
    };
    let (void, shoalest) = spikes(1.5);
    assert!(void == 0 && shoalest < 1.5, "{void} {shoalest}");
    let (void, shoalest) = spikes(3.0);
    assert!(void == 2 && shoalest > 4.0, "at another depth they are two spikes: {void} {shoalest}");
}

#[test]
fn every_gate_has_its_reason() {
    let reduced = reduce(track(wavy, 200, |i, s| match i {
        10 => s.fix = FixClass::None,
        20 => s.fix = FixClass::Simulated,
        30 => s.hdop_centi = Some(801),
        40 => s.speed_mm_s = Some(8_941),
        50 => s.depth_mm = 0,
        60 => s.depth_mm = -3,
        70 => s.depth_mm = i32::MAX,
        80 => s.speed_mm_s = Some(5_000),
        _ => (),
    }));
    let t = &reduced.tally.total;
    let counts = [VoidReason::NoFix, VoidReason::PoorFix, VoidReason::TooFast, VoidReason::OutOfRange]
        .map(|r| t.void(r));
    assert_eq!((counts, t.of(Grade::Void)), ([2, 1, 1, 3], 7));
    let fast = reduced.soundings.iter().find(|s| s.time.0 == START + 80_000).expect("kept");
    assert_eq!(fast.grade, Grade::Fair, "over 10 mph: at best fair");
    assert!(
        reduced
            .soundings
            .iter()
            .filter(|s| s.void.is_none() && s.time != fast.time)
            .all(|s| s.grade == Grade::Sure)
    );
}

#[test]
fn unknown_draft_stage_or_sound_speed_is_loose_and_said() {
    let known = track(wavy, 60, |_, _| ());
    let no_stage = reduce(Input { stages: Vec::new(), ..known.clone() });
    assert!(no_stage.cells.iter().all(|c| c.grade == Grade::Loose && c.tvu95_m > 0.9));
    assert_eq!(
        (no_stage.conditions[0].stage[0].how, no_stage.conditions[0].stage_unknown),
        (StageHow::Unknown, 60)
    );
    let mut input = known.clone();
    input.setups[0].draft_mm = None;
    let no_draft = reduce(input);
    assert!(no_draft.cells.iter().all(|c| c.grade == Grade::Loose));
    assert_eq!(no_draft.conditions[0].draft.source, DraftSource::Unknown);
    let mut input = known.clone();
    input.setups[0].sound_speed_mm_s = None;
    let no_speed = reduce(input);
    assert!(no_speed.cells.iter().all(|c| c.grade == Grade::Loose));
    assert_eq!(no_speed.conditions[0].sound.source, SoundSource::SounderUnknown);
    assert!(reduce(known).cells.iter().all(|c| c.grade == Grade::Sure));
}

#[test]
fn a_day_without_stage_has_no_vote_where_another_has_one() {
    let mut input = track(wavy, 60, |_, _| ());
    let alone = reduce(input.clone());
    // Other waves: the same ones, 2 m deeper and 30 days later, would be a copy.
    let later = track(|i| wavy(i + 9) + 2.0, 60, |_, s| s.time.0 += 30 * DAY);
    input.legs.extend(later.legs);
    let both = reduce(input);
    assert_eq!(both.passes.len(), 2);
    for (a, b) in alone.cells.iter().zip(&both.cells) {
        assert_eq!((a.depth_m, a.tvu95_m, a.grade), (b.depth_m, b.tvu95_m, b.grade));
        assert_eq!((b.passes, b.soundings), (2, 2 * a.soundings));
    }
}

#[test]
fn a_night_at_anchor_is_one_visit() {
    let frame = frame();
    let passing: Vec<Sounding> =
        (0..3).map(|i| sounding(START - DAY + i * 1_000, frame.place(0.0, 1.0), 6.0)).collect();
    let night: Vec<Sounding> = (0..20_000)
        .map(|i| sounding(START + i * 1_000, frame.place(0.0, 1.0), 5.0 + 0.01 * (i % 7) as f64))
        .collect();
    let mut input = track(wavy, 0, |_, _| ());
    input.stages = [-DAY, 0, DAY]
        .map(|t| StageReading { gauge: text("landing"), at: UtcMillis(START + t), level_mm: 0 })
        .to_vec();
    input.legs = legs_of("Wren", 0, &passing);
    input.legs.extend(legs_of("Wren", 0, &night));
    let reduced = reduce(input);
    let cell = reduced.cell(frame.place(0.0, 1.0).cell()).expect("sounded");
    assert_eq!((reduced.passes.len(), cell.passes, cell.soundings), (2, 2, 20_003));
    assert!(cell.disputed, "5 m and 6 m are two opinions");
    // Two votes of nearly equal weight: 20,000 readings do not outvote one pass.
    let scale = fresh_water(15.0).expect("water") / 1500.0;
    let middle = 5.515 * scale + 0.3;
    assert!((cell.depth_m - middle).abs() < 0.12, "{} {middle}", cell.depth_m);
}

#[test]
fn lag_moves_the_position_along_the_track() {
    let mut input = track(|i| 5.0 + 0.1 * i as f64, 60, |_, _| ());
    input.setups[0].lag_ms = Some(1_500);
    let reduced = reduce(input);
    let frame = frame();
    let s = reduced.soundings.iter().find(|s| s.time.0 == START + 20_000).expect("kept");
    // At 2 m/s, 1.5 s later is 3 m farther north.
    let (_, north) = frame.metres(s.at);
    assert!((north - 43.0).abs() < 0.05, "{north}");
}

/// A levelling of Wren's first day as a person may have applied it.
fn levelled() -> Levelling {
    Levelling {
        inputs: Digest([0; 32]),
        boats: vec![BoatLevel {
            boat: text("Wren"),
            lag_ms: None,
            lag95_ms: 400,
            scale_ppm: Some(4_000),
            scale95_ppm: 2_000,
            noise_percent: 60,
            place_percent: 70,
        }],
        days: vec![DayLevel {
            boat: 0,
            day: (START / DAY) as i32,
            cluster: 0,
            offset_mm: -120,
            own95_mm: 20,
            pivot_mm: 6_000,
            speed_mm_s: 1_000,
        }],
        clusters: vec![ClusterLevel { common95_mm: 40, floating: false }],
    }
}

#[test]
fn explained_terms_add_up_to_the_sounding() {
    for levelling in [None, Some(levelled())] {
        let input = Input { levelling, ..track(|i| 5.0 + 0.01 * i as f64, 60, |_, _| ()) };
        let raw = input.legs[0].soundings[25];
        let reduced = reduce(input.clone());
        let s = reduced.soundings.iter().find(|s| s.time == raw.time).expect("kept");
        let slope = reduced.slope(s.at.cell()).expect("a cell");
        let basis = Basis {
            settings: &input.settings,
            setups: &input.setups,
            stages: &input.stages,
            casts: &[],
            gauges: &[],
            river: &[],
            levelling: input.levelling.as_ref(),
            adopted: false,
        };
        let terms = explain(&basis, &text("Wren"), &raw, slope);
        let depth: f64 = terms.iter().map(|t| t.value).sum();
        let squares: f64 = terms.iter().map(|t| t.uncertainty95 * t.uncertainty95).sum();
        assert!((depth - s.depth_m).abs() < 1e-6, "{terms:?}");
        assert!((squares.sqrt() - s.tvu95_m).abs() < 1e-3, "{} {}", squares.sqrt(), s.tvu95_m);
        if input.levelling.is_some() {
            // By hand: −(−0.120 + 0.004 · (range − 6.000)), range = indicated · 1465.943/1500.
            let range = f64::from(raw.depth_mm) / 1000.0 * 1465.943 / 1500.0;
            let by_hand = 0.120 - 0.004 * (range - 6.0);
            let term = terms.iter().find(|t| t.name == "levelling").expect("in force");
            assert!((term.value - by_hand).abs() < 1e-5, "{} {by_hand}", term.value);
        }
    }
}

#[test]
fn hostile_numbers_do_no_harm() {
    let reduced = reduce(track(wavy, 50, |i, s| {
        if i % 5 == 0 {
            s.time = UtcMillis(if i % 10 == 0 { i64::MAX - i } else { i64::MIN + i });
            s.speed_mm_s = Some(u32::MAX);
            s.offset_mm = Some(i16::MIN);
            s.temp_centi = Some(i16::MAX);
            s.depth_mm = i32::MIN;
        }
        if i % 7 == 0 {
            s.at =
                GridPos::new((1 << 31) - 1, if i % 2 == 0 { 0 } else { (1 << 31) - 1 }).expect("on the grid");
            s.speed_mm_s = None;
        }
    }));
    assert_eq!(reduced.tally.total.soundings, 50);
    assert!(reduced.soundings.iter().all(|s| s.depth_m.is_finite() && s.tvu95_m.is_finite()));
    assert!(
        reduced
            .cells
            .iter()
            .all(|c| c.depth_m.is_finite() && c.tvu95_m.is_finite() && c.grade != Grade::Void)
    );
}
