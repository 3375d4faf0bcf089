//! Coverage and a plan of large surveys: lines 20 m apart and 10 km long, a sounding every 2.5 m.
//!
//! `cargo bench --bench coverage`
#![allow(clippy::print_stdout, reason = "a bench prints its table")]

#[allow(dead_code, reason = "this bench needs no store")]
mod common;

use common::{lines, peak_rss_mb, sizes};
use leadline_chart::{Coverage, CoverageSettings, Plan, PlanSettings, Surface, SurfaceSettings, Task, Water};
use std::time::Instant;

fn main() {
    println!("| soundings | cells | surface s | coverage s | holidays | plan s | lines | peak RSS MB |");
    println!("|---|---|---|---|---|---|---|---|");
    for n in sizes() {
        let (cells, soundings) = lines(n);
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
            marks: Vec::new(),
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
