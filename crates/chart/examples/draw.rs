//! Draws the invented reservoir: `cargo run --example draw -- OUT_DIR`.
#![allow(clippy::print_stdout, missing_docs, dead_code, reason = "an example talks")]

#[path = "support/reservoir.rs"]
mod reservoir;

use leadline_chart::{
    ChartInfo, DEFAULT_LONG_SIDE_PX, PaperSize, SheetSettings, Surface, SurfaceSettings, Theme, Touch,
    chart_pdf, chart_png, chart_sheet,
};
use reservoir::{Plan, survey};
use std::error::Error;
use std::time::Instant;

fn main() -> Result<(), Box<dyn Error>> {
    let dir = std::env::args().nth(1).ok_or("name a folder for the pictures")?;
    let big = std::env::args().nth(2).is_some();
    let mut plans = vec![
        ("wide", Plan::default(), 0.0),
        ("tall", Plan { turn: 80.0, ..Plan::default() }, 0.42),
        ("slanted", Plan { turn: 45.0, scale: 0.4, spacing: 14.0, ..Plan::default() }, -1.2),
        ("large", Plan { scale: 4.0, spacing: 40.0, ..Plan::default() }, 0.0),
    ];
    if big {
        plans = vec![("big", Plan { scale: 9.0, spacing: 11.0, ..Plan::default() }, 0.0)];
    }
    for (name, plan, stage_m) in plans {
        let s = survey(&plan);
        let info = ChartInfo {
            survey: "Quillfeather Reservoir".into(),
            datum: "spillway crest less 1.50 m".into(),
            stage_m,
            stage_text: if stage_m == 0.0 {
                "No stage given: sounding datum.".into()
            } else {
                "Given on the command line.".into()
            },
            touch: Some(Touch { draft_m: 0.9, margin_m: 0.5 }),
            readings: s.readings.clone(),
            passes: s.passes.clone(),
            tracks: name == "tall",
            ..ChartInfo::default()
        };
        let t = Instant::now();
        let surface = Surface::new(&s.cells, &SurfaceSettings::default());
        let made = t.elapsed();
        let lines = surface.contours(stage_m, &surface.levels(stage_m, info.units)).len();
        let contoured = t.elapsed();
        let areas = surface.areas(stage_m, &surface.levels(stage_m, info.units)).len();
        println!(
            "{lines} levels in {:.2?}, {areas} areas in {:.2?}",
            contoured - made,
            t.elapsed() - contoured
        );
        let before = t.elapsed();
        let (paper, theme) = match name {
            "tall" => (PaperSize::A4, Theme::Light),
            "slanted" => (PaperSize::A3, Theme::Dark),
            "large" => (PaperSize::A4, Theme::Dark),
            _ => (PaperSize::A3, Theme::Light),
        };
        let svg =
            chart_sheet(&surface, &info, None, &SheetSettings { paper, theme, ..SheetSettings::default() })?;
        let drawn = t.elapsed();
        let png = chart_png(&svg, DEFAULT_LONG_SIDE_PX)?;
        println!(
            "{name}: {} cells, surface {made:.2?}, svg {:.2?} ({} kB), png {:.2?}",
            surface.n_cells(),
            drawn - before,
            svg.len() / 1000,
            t.elapsed() - drawn
        );
        std::fs::write(format!("{dir}/{name}.pdf"), chart_pdf(&svg, name, "")?)?;
        std::fs::write(format!("{dir}/{name}.svg"), svg)?;
        std::fs::write(format!("{dir}/{name}.png"), png)?;
    }
    Ok(())
}
