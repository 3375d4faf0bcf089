//! Copies that are not the same bytes: found, counted once, and nothing else taken for one.

#[path = "twice/kinds.rs"]
mod kinds;
#[path = "twice/log.rs"]
mod log;
#[path = "twice/track.rs"]
mod track;

use kinds::{Other, PairOf, Same, other, same};
use leadline_reduce::{Input, Reduced, reduce};
use log::legs;
use std::collections::BTreeMap;
use std::fmt::Debug;

fn reduced(pair: &PairOf) -> Reduced {
    let mut all = legs("Wren", 1, &pair.first);
    all.extend(legs(if pair.one_name { "Wren" } else { "Tern" }, 2, &pair.second));
    reduce(Input { legs: all, ..Input::default() })
}

/// Wrong answers and pairs, by kind.
fn wrong<K: Copy + Ord + Debug>(
    kinds: &[K],
    pairs: u64,
    seed: u64,
    draw: fn(K, u64) -> PairOf,
    copies: bool,
) -> BTreeMap<K, (u64, u64, Vec<u64>)> {
    let mut by_kind: BTreeMap<K, (u64, u64, Vec<u64>)> = BTreeMap::new();
    for i in 0..pairs {
        let kind = kinds[i as usize % kinds.len()];
        let pair = draw(kind, seed + i);
        let r = reduced(&pair);
        assert_eq!(r.tally.given, r.tally.copies + r.tally.total.soundings);
        let e = by_kind.entry(kind).or_default();
        e.1 += 1;
        let once = r.tally.total.soundings <= pair.first.len() as u64 * 102 / 100;
        if if copies { !once } else { !r.copies.is_empty() } {
            e.0 += 1;
            e.2.push(seed + i);
        }
    }
    by_kind
}

#[allow(clippy::print_stdout, reason = "the rates are the point of this test")]
fn report<K: Debug>(word: &str, by_kind: &BTreeMap<K, (u64, u64, Vec<u64>)>) -> f64 {
    let (mut bad, mut all) = (0, 0);
    for (kind, (n, of, seeds)) in by_kind {
        println!("{word} {:24} {n:3} of {of:4}  {:?}", format!("{kind:?}"), &seeds[..seeds.len().min(8)]);
        bad += n;
        all += of;
    }
    println!("{word} {bad} of {all}: {:.2} %", 100.0 * bad as f64 / all as f64);
    bad as f64 / all as f64
}

#[test]
fn a_thousand_pairs() {
    let seed = std::env::var("LEADLINE_SEED").ok().and_then(|s| s.parse().ok()).unwrap_or(1_000);
    let pairs = std::env::var("LEADLINE_PAIRS").ok().and_then(|s| s.parse().ok()).unwrap_or(500);
    let missed = report("missed copies", &wrong(&Same::ALL, pairs, seed, same, true));
    let false_ = report("false copies", &wrong(&Other::ALL, pairs, seed, other, false));
    assert!(missed <= 0.01, "{missed}");
    assert!(false_ <= 0.005, "{false_}");
}
