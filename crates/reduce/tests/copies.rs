//! Copies that are not the same bytes: found, counted once, and nothing else taken for one.

#[path = "twice/kinds.rs"]
mod kinds;
#[path = "twice/log.rs"]
mod log;
#[path = "twice/track.rs"]
mod track;

use kinds::{Other, PairOf, Same, other, same};
use leadline_model::{Decision, Flags, GridPos, Scope, Setup, Sounding, UtcMillis, Verdict};
use leadline_reduce::{DraftSource, Input, LegInput, Reduced, reduce};
use log::{Format, START, TENTH_FOOT, legs, text};
use proptest::prelude::*;
use std::collections::BTreeMap;
use std::fmt::Debug;
use track::{Bed, Dice, Gear, Truth, measure, way};

fn of(legs: Vec<LegInput>) -> Reduced {
    let reduced = reduce(Input { legs, ..Input::default() });
    let t = &reduced.tally;
    assert_eq!(t.given, t.copies + t.total.soundings);
    assert!(reduced.copies.iter().map(|c| c.soundings).sum::<u64>() <= t.copies);
    reduced
}

fn reduced(pair: &PairOf) -> Reduced {
    let mut all = legs("Wren", 1, &pair.first);
    all.extend(legs(if pair.one_name { "Wren" } else { "Tern" }, 2, &pair.second));
    of(all)
}

/// Whether the answer is wrong. Copies: what is counted is one recording, the clocks as far apart as drawn. Others:
/// everything counts.
fn wrong(pair: &PairOf, copies: bool) -> bool {
    let r = reduced(pair);
    if !copies {
        return !r.copies.is_empty();
    }
    let once = r.tally.total.soundings <= pair.first.len() as u64 * 102 / 100;
    // A rounded clock is off by up to a beat. Either may stand, so the sign is not known here.
    !once || r.copies.iter().any(|c| (c.shift_ms.abs() - pair.shift.abs()).abs() > 1_100)
}

/// Wrong answers and pairs, by kind.
fn rates<K: Copy + Ord + Debug>(
    kinds: &[K],
    (seed, pairs): (u64, u64),
    draw: fn(K, u64) -> PairOf,
    copies: bool,
) -> BTreeMap<K, (u64, Vec<u64>)> {
    let mut by_kind: BTreeMap<K, (u64, Vec<u64>)> = BTreeMap::new();
    for (seed, kind) in (seed..seed + pairs).zip(kinds.iter().cycle()) {
        let rate = by_kind.entry(*kind).or_default();
        rate.0 += 1;
        if wrong(&draw(*kind, seed), copies) {
            rate.1.push(seed);
        }
    }
    by_kind
}

#[allow(clippy::print_stdout, reason = "the rates are the point of this test")]
fn report<K: Debug>(word: &str, by_kind: &BTreeMap<K, (u64, Vec<u64>)>) -> f64 {
    for (kind, (of, seeds)) in by_kind {
        println!("{word} {:24} {:3} of {of:4}  {seeds:?}", format!("{kind:?}"), seeds.len());
    }
    let all: u64 = by_kind.values().map(|r| r.0).sum();
    let bad: usize = by_kind.values().map(|r| r.1.len()).sum();
    println!("{word} {bad} of {all}: {:.2} %", 100.0 * bad as f64 / all as f64);
    bad as f64 / all as f64
}

#[test]
fn a_thousand_pairs() {
    // More, or others: LEADLINE_COPIES=seed,pairs.
    let asked = std::env::var("LEADLINE_COPIES").ok();
    let drawn = asked
        .as_deref()
        .and_then(|a| a.split_once(','))
        .and_then(|(s, n)| Some((s.parse().ok()?, n.parse().ok()?)));
    let drawn = drawn.unwrap_or((1_000, 500));
    let missed = report("missed copies", &rates(&Same::ALL, drawn, same, true));
    let taken = report("false copies", &rates(&Other::ALL, drawn, other, false));
    assert!(missed <= 0.01, "{missed}");
    assert!(taken <= 0.005, "{taken}");
}

/// Half an hour over an uneven bed.
fn truths(seed: u64) -> Vec<Truth> {
    let dice = &mut Dice::new(seed);
    let bed = Bed::drawn(dice);
    let gear = Gear { every: 1.0, noise: 0.03, heave: 0.03, wander: 1.0, jitter: 0.004 };
    measure(&way(1_800.0, dice), &bed, &gear, dice)
}

/// A coarser copy of a log of 0.01 m that says less: rounded, in feet, an hour off.
fn poorer() -> Format {
    Format { step: TENTH_FOOT, shift: 3_600_000, says: 1, degrees: 1e-6, ..Format::sentences(0.01) }
}

#[test]
fn the_better_one_stands_and_the_report_names_both() {
    let truths = truths(1);
    let log = Format::sentences(0.01).write(&truths);
    let copy = poorer().write(&truths[300..1_500]);
    for name in ["Tern", "Wren"] {
        let r = of([legs("Wren", 9, &log), legs(name, 2, &copy)].concat());
        assert_eq!(r.copies.len(), 1, "{name}: {:?}", r.copies);
        let c = &r.copies[0];
        assert_eq!((c.standing.boat.as_str(), c.copy.boat.as_str()), ("Wren", name));
        assert_eq!((c.soundings, r.tally.copies, c.shift_ms), (1_200, 1_200, 3_600_000));
        assert_eq!((c.copy.first, c.copy.last), (copy[0].time, copy[1_199].time));
        assert_eq!((c.standing.first, c.standing.last), (log[300].time, log[1_499].time));
        assert!(c.depth_difference_m.abs() < 0.003, "{}", c.depth_difference_m);
        let both: Vec<u32> = r.cells.iter().map(|c| c.devices).collect();
        assert!(both.contains(&2) && both.contains(&1) && r.passes.len() == 1);
    }
}

#[test]
fn what_only_one_of_two_cut_logs_has_counts() {
    let truths = truths(2);
    let first = Format::sentences(0.01).write(&truths[..1_200]);
    let second = poorer().write(&truths[600..]);
    let r = of([legs("Wren", 1, &first), legs("Tern", 2, &second)].concat());
    assert_eq!((r.copies.len(), r.tally.copies, r.passes.len()), (1, 600, 2));
    assert_eq!(r.tally.total.soundings as usize, truths.len());
}

#[test]
fn a_silence_of_the_better_one_is_filled_by_the_other() {
    let truths = truths(3);
    let mut log = Format::sentences(0.01).write(&truths);
    log.drain(700..760);
    let r = of([legs("Wren", 1, &log), legs("Tern", 2, &poorer().write(&truths))].concat());
    assert_eq!(r.tally.total.soundings as usize, truths.len());
    assert_eq!(r.copies.iter().map(|c| c.soundings).sum::<u64>(), truths.len() as u64 - 60);
}

#[test]
fn a_verdict_parts_them() {
    let truths = truths(4);
    let log = Format::sentences(0.01).write(&truths);
    let copy = poorer().write(&truths);
    let all = [legs("Wren", 1, &log), legs("Tern", 2, &copy)].concat();
    let with = |boat: &str, from: i64, to: i64, decision| {
        let scope = Scope::Stretch { boat: text(boat), from: UtcMillis(from), to: UtcMillis(to) };
        let verdict = Verdict {
            scope,
            decision,
            until: UtcMillis(i64::MAX),
            shoaler_than_mm: None,
            deeper_than_mm: None,
            why: text("test"),
        };
        reduce(Input { legs: all.clone(), verdicts: vec![verdict], ..Input::default() })
    };
    let hour = 3_600_000;
    for (boat, from) in [("Wren", START), ("Tern", START + hour)] {
        let r = with(boat, from, from + 60_000, Decision::NotCopies);
        assert_eq!((r.copies.len(), r.tally.copies, r.passes.len()), (0, 0, 2));
        // Before both, another boat, another decision: nothing changes.
        for r in [
            with(boat, from - 9_000_000, from - 8_000_000, Decision::NotCopies),
            with("Teal", from, from + 60_000, Decision::NotCopies),
            with(boat, from, from + 60_000, Decision::Keep),
        ] {
            assert_eq!(r.copies.len(), 1);
        }
    }
}

#[test]
fn words_on_either_name_count_for_both() {
    let truths = truths(5);
    let log = Format::sentences(0.01).write(&truths);
    let copy = poorer().write(&truths);
    let all = [legs("Wren", 1, &log), legs("Tern", 2, &copy)].concat();
    let setup = |boat: &str, draft_mm, speed| Setup {
        boat: text(boat),
        from: UtcMillis(0),
        draft_mm,
        sound_speed_mm_s: speed,
        temp_centi: None,
        lag_ms: None,
    };
    let setups = vec![setup("Tern", Some(700), Some(1_463_040)), setup("Wren", Some(400), None)];
    let r = reduce(Input { legs: all.clone(), setups, ..Input::default() });
    assert_eq!(r.passes.len(), 1);
    let c = &r.conditions[0];
    assert_eq!((c.draft.source, c.draft.draft_m), (DraftSource::Typed, 0.4));
    let alone = reduce(Input { legs: all, ..Input::default() });
    assert_ne!(c.sound, alone.conditions[0].sound);
}

#[test]
fn three_recordings_of_one_count_once_with_the_devices_of_all() {
    let truths = truths(6);
    let log = Format::sentences(0.01).write(&truths);
    let coarse = Format { step: 0.1, shift: -7_000, says: 3, ..Format::sentences(0.1) }.write(&truths);
    let all =
        [legs("Wren", 1, &log), legs("Tern", 2, &poorer().write(&truths)), legs("Teal", 3, &coarse)].concat();
    let r = of(all);
    assert_eq!(r.tally.total.soundings as usize, truths.len());
    assert_eq!(r.passes.len(), 1);
    assert!(r.cells.iter().all(|c| c.devices == 3), "{:?}", r.copies);
}

#[test]
fn a_seam_counts_once() {
    let truths = truths(7);
    let whole = Format::sentences(0.01).write(&truths);
    // Cut in the middle: the last fix is held, and the other part begins without a speed.
    let (mut first, mut second) = (whole[..900].to_vec(), whole[900..].to_vec());
    first[899].at = first[898].at;
    first[899].flags = Flags::HELD;
    second[0].speed_mm_s = None;
    second[1].hdop_centi = None;
    // Somewhere else the clock of the held one is reckoned a little otherwise.
    let mut third = whole[300..401].to_vec();
    third[100].at = third[99].at;
    third[100].flags = Flags::HELD;
    third[100].time.0 += 37;
    for (a, b) in [(1, 2), (2, 1)] {
        let r = of([
            legs("Wren", a, &whole),
            legs("Wren", b, &first),
            legs("Wren", 3, &second),
            legs("Wren", 4, &third),
        ]
        .concat());
        assert_eq!(r.tally.total.soundings as usize, whole.len());
        assert!(whole.iter().all(|s| r.soundings.iter().any(|r| r.time == s.time && r.at == s.at)));
    }
}

#[test]
fn hostile_tracks_do_no_harm() {
    let at = |x, y| GridPos::new(x, y).expect("on the grid");
    let plain = Format::sentences(0.1).write(&truths(8)[..2]);
    let wild = |k: i64| -> Vec<Sounding> {
        (0..400i64)
            .map(|i| Sounding {
                time: UtcMillis(match i % 4 {
                    0 => i64::MIN + i,
                    1 => i64::MAX - i,
                    _ => i * k,
                }),
                at: at(
                    (i as u32).wrapping_mul(77_777_777) & 0x7fff_ffff,
                    if i % 2 == 0 { 0 } else { 0x7fff_ffff },
                ),
                depth_mm: if i % 3 == 0 { i32::MIN } else { i32::MAX },
                ..plain[0]
            })
            .collect()
    };
    let leg = |id: u8, boat: &str, soundings| LegInput {
        id: leadline_model::LegId([id; 32]),
        boat: text(boat),
        devices: leadline_reduce::DeviceSet::one(id),
        soundings,
    };
    for k in [0, 1, 1_000] {
        let _ = of(vec![leg(1, "Wren", wild(k)), leg(2, "Tern", wild(k)), leg(3, "Wren", wild(k + 1))]);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]

    #[test]
    fn order_of_legs_changes_nothing(seed in 0u64..1_000, kind in 0usize..12, turns in 0u64..1_000) {
        let pair = same(Same::ALL[kind], seed);
        let third = Format { shift: 5_000, says: 2, ..Format::sentences(0.1) }.write(&truths(seed));
        let mut all = [legs("Wren", 1, &pair.first), legs("Tern", 2, &pair.second), legs("Teal", 3, &third)].concat();
        let straight = of(all.clone());
        let mut dice = Dice::new(turns);
        dice.shuffle(&mut all);
        all.iter_mut().for_each(|l| dice.shuffle(&mut l.soundings));
        prop_assert_eq!(straight, of(all));
    }

    #[test]
    fn a_copy_of_a_pass_moves_no_cell(seed in 0u64..1_000, shift in -90_000_000i64..90_000_000, step in 0usize..3) {
        // Three passes that cross; one of them a second time, poorer.
        let all: Vec<Vec<Sounding>> = (0..3i64)
            .map(|d| Format { shift: d * 86_400_000, ..Format::sentences(0.01) }.write(&truths(seed + d as u64)))
            .collect();
        let plain: Vec<LegInput> = (1u8..).zip(&all).flat_map(|(d, log)| legs("Wren", d, log)).collect();
        let copy = Format { step: [0.1, 0.01, TENTH_FOOT][step], shift, says: 1, ..poorer() };
        let copy = legs("Tern", 200, &copy.write(&truths(seed + 1)));
        let (before, after) = (of(plain.clone()), of([plain, copy].concat()));
        prop_assert_eq!(after.copies.len(), 1);
        let bytes = |r: &Reduced| -> Vec<_> {
            r.cells.iter().map(|c| (c.id, c.depth_m.to_bits(), c.tvu95_m.to_bits(), c.soundings, c.passes)).collect()
        };
        prop_assert_eq!(bytes(&before), bytes(&after));
        prop_assert_eq!(before.soundings, after.soundings);
    }
}
