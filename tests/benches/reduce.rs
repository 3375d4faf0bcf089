//! From soundings in memory to cells: reduction, screening, uncertainty, grades and cells at growing sizes. Time should
//! grow with the data and no faster.
//!
//! `cargo bench -p leadline-tests --bench reduce` (add `-- 3000000` for a larger size)
#![allow(clippy::print_stdout, reason = "a bench prints its table")]

use leadline_ingest::{Importer, Leg, Options};
use leadline_model::{LegId, Setup, StageReading, Text, UtcMillis};
use leadline_reduce::{DeviceSet, Input, LegInput, reduce};
use std::time::Instant;

const DAY_MS: i64 = 86_400_000;
/// Boats do not sail at the same time, so that nobody measures side by side.
const LATER_MS: i64 = 400 * DAY_MS;
const REPETITIONS: usize = 5;
/// Seconds for a million soundings.
const BAR_S: f64 = 1.5;

fn main() {
    println!(
        "| boats | soundings | cells | best of {REPETITIONS}, s | us a sounding | against the size before |"
    );
    println!("|---|---|---|---|---|---|");
    let largest = std::env::args().filter_map(|a| a.parse::<usize>().ok()).max();
    let mut slowest: f64 = 0.0;
    for boats in [1, 4] {
        let mut before = None;
        for n in [100_000, 300_000, 1_000_000].into_iter().chain(largest.filter(|n| *n > 1_000_000)) {
            let input = survey(boats, n);
            let mut cells = 0;
            let best = (0..REPETITIONS)
                .map(|_| {
                    let input = input.clone();
                    let t = Instant::now();
                    let reduced = reduce(input);
                    let s = t.elapsed().as_secs_f64();
                    cells = reduced.cells.len();
                    s
                })
                .fold(f64::INFINITY, f64::min);
            let each = best * 1e6 / n as f64;
            let ratio = before.map_or("–".to_owned(), |b: f64| format!("{:.2}", each / b));
            println!("| {boats} | {n} | {cells} | {best:.3} | {each:.2} | {ratio} |");
            before = Some(each);
            if n == 1_000_000 {
                slowest = slowest.max(best);
            }
        }
    }
    let verdict = if slowest <= BAR_S { "ok" } else { "not ok" };
    println!("\n1,000,000 soundings to cells: {slowest:.2} s, bar {BAR_S} s: {verdict}");
}

/// The synthetic survey; with several boats each measures the same water in its own year.
fn survey(boats: u8, soundings: usize) -> Input {
    let mut input = Input::default();
    for b in 0..boats {
        let name = text(&format!("Bench boat {b}"));
        let log = leadline_demo_data::synthetic_bytes(u64::from(b) + 7, soundings / usize::from(boats));
        let mut legs = Vec::new();
        let mut importer = Importer::new(Options::default());
        importer.push(&log, &mut legs);
        importer.finish(&mut legs);
        let later = i64::from(b) * LATER_MS;
        input.stages.extend(readings(&legs, later));
        input.legs.extend(legs.into_iter().map(|leg| leg_of(leg, b, &name, later)));
        input.setups.push(Setup {
            boat: name,
            from: UtcMillis(0),
            draft_mm: Some(300),
            sound_speed_mm_s: Some(1_500_000),
            temp_centi: Some(1_500),
            lag_ms: None,
        });
    }
    input
}

fn leg_of(leg: Leg, boat: u8, name: &Text, later: i64) -> LegInput {
    let mut id = [boat; 32];
    let mut soundings = leg.soundings;
    soundings.iter_mut().for_each(|s| s.time.0 += later);
    id[..8].copy_from_slice(&soundings[0].time.0.to_le_bytes());
    LegInput { id: LegId(id), boat: name.clone(), devices: DeviceSet::one(boat), soundings }
}

/// One reading on each morning.
fn readings(legs: &[Leg], later: i64) -> Vec<StageReading> {
    let mut days: Vec<i64> =
        legs.iter().filter_map(|l| l.soundings.first()).map(|s| s.time.0.div_euclid(DAY_MS)).collect();
    days.dedup();
    days.iter()
        .map(|d| StageReading {
            gauge: text("landing"),
            at: UtcMillis(d * DAY_MS + 8 * 3_600_000 + later),
            level_mm: 200 + (d % 7) as i32 * 30,
        })
        .collect()
}

fn text(s: &str) -> Text {
    Text::new(s).expect("short")
}
