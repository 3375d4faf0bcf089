//! Coverage and a plan of large surveys: lines 20 m apart and 10 km long, a sounding every 2.5 m.
//!
//! `cargo bench --bench coverage`
#![allow(clippy::print_stdout, reason = "a bench prints its table")]

#[allow(dead_code, reason = "this bench needs no store")]
mod common;

use common::{peak_rss_mb, sizes};
use leadline_chart::{Coverage, CoverageSettings, Plan, PlanSettings, Surface, SurfaceSettings, Task, Water};
use leadline_model::{Cell, Grade, GridPos, LocalFrame, LonLat, ReducedSounding, UtcMillis};
use std::collections::BTreeMap;
use std::time::Instant;

const PER_LINE: u64 = 4_000;

fn main() {
    println!("| soundings | cells | surface s | coverage s | holidays | plan s | lines | peak RSS MB |");
    println!("|---|---|---|---|---|---|---|---|");
    for n in sizes() {
        let (cells, soundings) = survey(n);
        let t = Instant::now();
        let surface = Surface::new(&cells, &SurfaceSettings::default());
        let surface_s = t.elapsed().as_secs_f64();
        let water = Water::around(&cells);
        let t = Instant::now();
        let coverage = Coverage::of(&surface, &soundings, &water, &CoverageSettings::default());
        let coverage_s = t.elapsed().as_secs_f64();
        let settings = PlanSettings {
            spacing_m: None,
            axis_deg: None,
            cross: false,
            speed_m_s: 2.5,
            draft_m: 0.5,
            margin_m: 0.3,
            stage_m: 0.0,
            start: None,
            into_unknown: false,
            most_spots: 60,
        };
        let t = Instant::now();
        let plan = Plan::of(&surface, &water, &coverage, Task::WeakSpots, &settings);
        let plan_s = t.elapsed().as_secs_f64();
        let lines = plan.map_or(0, |p| p.legs.iter().filter(|l| l.number.is_some()).count());
        println!(
            "| {n} | {} | {surface_s:.2} | {coverage_s:.2} | {} | {plan_s:.2} | {lines} | {:.0} |",
            cells.len(),
            coverage.weak.len(),
            peak_rss_mb()
        );
    }
}

/// Every fortieth line is missing; the bed undulates between 2 and 6 m.
fn survey(n: u64) -> (Vec<Cell>, Vec<ReducedSounding>) {
    let at = GridPos::from_lonlat(LonLat { lon: 7.4, lat: 48.2 }).expect("on the grid");
    let frame = LocalFrame::new(at);
    let mut cells: BTreeMap<_, Cell> = BTreeMap::new();
    let mut soundings = Vec::new();
    for i in 0..n {
        let (line, k) = (i / PER_LINE, i % PER_LINE);
        let (east, north) = (k as f64 * 2.5, (line + line / 40) as f64 * 20.0);
        let at = frame.place(east, north);
        let depth_m = 4.0 + (east / 300.0).sin() + (north / 200.0).cos();
        let (time, pass) = (UtcMillis(i as i64 * 1000), line as u32);
        let (tvu95_m, grade) = (0.2, Grade::Sure);
        soundings.push(ReducedSounding { time, at, depth_m, tvu95_m, thu95_m: 2.0, grade, void: None, pass });
        cells.entry(at.cell()).or_insert(Cell {
            id: at.cell(),
            at,
            depth_m,
            tvu95_m,
            shoalest_m: depth_m,
            grade,
            soundings: 1,
            passes: 1,
            devices: 1,
            main_pass: pass,
            newest: time,
            disputed: false,
        });
    }
    (cells.into_values().collect(), soundings)
}
