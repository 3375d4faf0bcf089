//! One more pass in a large survey: refreshing the map in place against making all of it again, with the pass at the
//! end and in the middle of time. Goal: a pass that touches at most 3 % of the tiles of 3,000,000 soundings refreshes
//! in less than 10 % of the full time.
//!
//! `cargo bench --bench refresh` (add `-- 300000` for another size).
#![allow(clippy::print_stdout, reason = "a bench prints its table")]

#[allow(dead_code, reason = "this bench needs no store")]
mod common;

use common::{peak_rss_mb, text};
use leadline_model::{
    DepthFrom, FixClass, Flags, GridPos, LegId, LocalFrame, LonLat, Setup, Sounding, StageReading, UtcMillis,
};
use leadline_reduce::{DeviceSet, Input, LegInput, Map, Reduced, reduce};
use std::collections::BTreeSet;
use std::time::Instant;

/// 2024-03-01T00:00:00Z.
const FIRST_DAY: i64 = 1_709_251_200_000;
const DAY: i64 = 86_400_000;
/// A pass: two hours and three quarters at one sounding a second.
const PASS: usize = 10_000;
/// Metres a second, metres between lines, side of the block that a pass covers.
const SPEED: f64 = 2.0;
const SPACING: f64 = 15.0;
const SIDE: f64 = 547.0;
/// Passes that are added, of each kind.
const ADDED: usize = 5;

fn main() {
    let largest = std::env::args().filter_map(|a| a.parse::<usize>().ok()).max();
    let passes = largest.unwrap_or(3_000_000) / PASS;
    let across = libm_sqrt(passes);
    let place = |i: usize| ((i % across) as f64 * SIDE, (i / across) as f64 * SIDE);
    let mut input = Input { legs: Vec::new(), ..Input::default() };
    for boat in BOATS {
        input.setups.push(setup(boat));
    }
    for i in 0..passes {
        let day = i as i64;
        input.legs.extend(pass(i, BOATS[i % 3], FIRST_DAY + day * DAY, place(i), i % 2 == 1));
        for hour in [7, 13] {
            let level_mm = 400 + (i % 17) as i32 * 40;
            let at = UtcMillis(FIRST_DAY + day * DAY + hour * 3_600_000);
            input.stages.push(StageReading { gauge: text("landing"), at, level_mm });
        }
    }
    // Half a block beside what is there already, along the same lines or across them: one at the end of time, one in
    // the middle, in turn.
    let extra: Vec<Vec<LegInput>> = (0..2 * ADDED)
        .map(|k| {
            let (east, north) = place(passes / 3 + 3 * k);
            let day = if k % 2 == 0 { passes + k } else { passes / 2 + k };
            let start = FIRST_DAY + day as i64 * DAY + 5 * 3_600_000;
            pass(passes + k, BOATS[3], start, (east + 260.0, north + 131.0), k % 3 == 0)
        })
        .collect();
    let soundings: usize = input.legs.iter().map(|l| l.soundings.len()).sum();
    let tiles = tiles(&input.legs);
    println!("{soundings} soundings, {passes} passes, {} tiles", tiles.len());
    let all: Vec<LegInput> = input.legs.iter().chain(extra.iter().flatten()).cloned().collect();
    let mut full: Vec<f64> = Vec::new();
    let mut want = Reduced::default();
    for _ in 0..3 {
        let given = Input { legs: all.clone(), ..input.clone() };
        want = Reduced::default();
        full.push(time(|| want = reduce(given)));
    }
    let full = median(&mut full);
    println!("everything again: {full:.3} s, {:.2} us a sounding", full * 1e6 / all_soundings(&all));
    let mut map = None;
    let given = input.clone();
    let first = time(|| map = Some(Map::new(given)));
    let mut map = map.expect("made");
    println!("the map at first: {first:.3} s; peak RSS so far {:.0} MB", peak_rss_mb());
    println!("| where | tiles touched | share | changed | legs asked for | s | of the full time |");
    println!("|---|---|---|---|---|---|---|");
    let mut add = |word: &str, legs: &[LegInput]| {
        let touched = self::tiles(legs).len();
        let share = touched as f64 / tiles.len() as f64;
        let mut asked = 0;
        let fetch = |ids: &[LegId]| {
            asked += ids.len();
            all.iter().filter(|l| ids.contains(&l.id)).cloned().collect::<Vec<_>>()
        };
        let given = legs.to_vec();
        let t = Instant::now();
        let done = map.add(given, fetch);
        let s = t.elapsed().as_secs_f64();
        assert!(!done.whole, "done as a whole");
        let (share, of_full) = (100.0 * share, 100.0 * s / full);
        println!(
            "| {word} | {touched} | {share:.1} % | {} | {asked} | {s:.3} | {of_full:.1} % |",
            done.tiles
        );
        assert!(share <= 3.0 || passes < 300, "touches too many tiles");
        of_full
    };
    let (mut at_end, mut between, mut grown) = (Vec::new(), Vec::new(), Vec::new());
    for (k, legs) in extra.iter().enumerate() {
        // Ten minutes come later: a pass that is still under way.
        let (last, legs) = legs.split_last().expect("legs");
        match k % 2 {
            0 => at_end.push(add("end", legs)),
            _ => between.push(add("middle", legs)),
        }
        grown.push(add("ten minutes more", std::slice::from_ref(last)));
    }
    assert!(*map.reduced() == want, "refreshing is not what everything at once gives");
    println!(
        "median of the full time: {:.1} % at the end, {:.1} % in the middle, {:.1} % ten minutes more (bar 10 %); {} cells, {} disputed; peak RSS {:.0} MB",
        median(&mut at_end),
        median(&mut between),
        median(&mut grown),
        want.cells.len(),
        want.disputes.len(),
        peak_rss_mb()
    );
}

const BOATS: [&str; 4] = ["Dabchick", "Tern", "Wren", "Avocet"];

fn setup(boat: &str) -> Setup {
    Setup {
        boat: text(boat),
        from: UtcMillis(0),
        draft_mm: Some(300),
        sound_speed_mm_s: Some(1_500_000),
        temp_centi: Some(1_500),
        lag_ms: None,
    }
}

/// One pass: lines over a block whose south-western corner lies `corner` metres east and north, as its legs.
fn pass(number: usize, boat: &str, start: i64, corner: (f64, f64), turned: bool) -> Vec<LegInput> {
    let middle = GridPos::from_lonlat(LonLat { lon: 70.6, lat: 45.4 }).expect("on the grid");
    let frame = LocalFrame::new(middle);
    let mut noise = Noise(number as u64 + 1);
    let mut wander = [0.0; 2];
    let mut soundings = Vec::with_capacity(PASS);
    let seconds = (SIDE / SPEED) as usize;
    for i in 0..PASS {
        let (line, along) = (i / seconds, (i % seconds) as f64 * SPEED);
        let along = if line.is_multiple_of(2) { along } else { SIDE - along };
        let side = line as f64 * SPACING;
        let (e, n) = if turned { (side, along) } else { (along, side) };
        let (e, n) = (corner.0 + e, corner.1 + n);
        let bed =
            7.0 + 3.0 * wave(e / 160.0) + 2.5 * wave(n / 110.0 + e / 300.0) + 0.3 * wave(e / 21.0 + n / 17.0);
        wander = wander.map(|w| 0.98 * w + 0.2 * noise.next());
        // Some readings lie.
        let lie = if noise.next() > 2.2 { 1.5 } else { 0.0 };
        let depth = bed + 0.5 + 0.05 * noise.next() - lie;
        soundings.push(Sounding {
            time: UtcMillis(start + 8 * 3_600_000 + i as i64 * 1_000),
            at: frame.place(e + wander[0], n + wander[1]),
            depth_mm: (depth.max(0.5) * 100.0) as i32 * 10,
            from: DepthFrom::Transducer,
            offset_mm: None,
            speed_mm_s: Some(2_000),
            hdop_centi: Some(90),
            fix: FixClass::Differential,
            sats: Some(9),
            temp_centi: Some(1_500),
            flags: Flags(0),
        });
    }
    let windows = soundings.chunk_by(|a, b| a.time.leg_window() == b.time.leg_window());
    windows
        .zip(0u8..)
        .map(|(w, k)| {
            let mut id = [k; 32];
            id[..8].copy_from_slice(&(number as u64).to_le_bytes());
            let devices = DeviceSet::one((number % 5) as u8);
            LegInput { id: LegId(id), boat: text(boat), devices, soundings: w.to_vec() }
        })
        .collect()
}

/// Numerical Recipes' 64-bit linear congruential generator; a sum of four even draws.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        let mut draw = || {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (self.0 >> 32) as f64 / f64::from(u32::MAX) - 0.5
        };
        (draw() + draw() + draw() + draw()) * 1.7
    }
}

/// Good enough for a sine, and the same everywhere.
fn wave(x: f64) -> f64 {
    let turn = (x / std::f64::consts::TAU).rem_euclid(1.0);
    let half = 2.0 * turn - 1.0;
    4.0 * half * (half.abs() - 1.0)
}

fn tiles(legs: &[LegInput]) -> BTreeSet<leadline_model::TileId> {
    legs.iter().flat_map(|l| &l.soundings).map(|s| s.at.tile()).collect()
}

fn all_soundings(legs: &[LegInput]) -> f64 {
    legs.iter().map(|l| l.soundings.len()).sum::<usize>() as f64
}

fn libm_sqrt(n: usize) -> usize {
    (n as f64).sqrt().ceil() as usize
}

fn median(v: &mut [f64]) -> f64 {
    v.sort_by(f64::total_cmp);
    v[v.len() / 2]
}

fn time(f: impl FnOnce()) -> f64 {
    let t = Instant::now();
    f();
    t.elapsed().as_secs_f64()
}
