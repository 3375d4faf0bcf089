//! From a store to a chart at growing sizes: reduce, surface and contours; time and memory should grow
//! no faster than the data.
//!
//! `cargo bench --bench map` (add `-- 3000000` for the largest size).
#![allow(clippy::print_stdout, reason = "a bench prints its table")]

mod common;

use common::{NOW, peak_rss_mb, request, sizes, text};
use leadline_chart::{Surface, SurfaceSettings, Units};
use leadline_survey::{Home, found_survey, import_file};
use std::time::Instant;

fn main() {
    let dir = tempfile::tempdir().expect("a folder");
    println!(
        "| soundings | compute s | us a sounding | cells | surface s | contours s | peak RSS MB | bytes a sounding |"
    );
    println!("|---|---|---|---|---|---|---|---|");
    for n in sizes() {
        let log = dir.path().join("log.nmea");
        std::fs::write(&log, leadline_demo_data::synthetic_bytes(7, n as usize)).expect("written");
        let home = Home::open(Some(&dir.path().join(format!("home-{n}")))).expect("a home");
        let id = found_survey(&home, &text("Bench"), &text("datum"), NOW).expect("founded");
        let mut store = home.store(&id).expect("a store");
        import_file(&home, &mut store, &log, &request(), &mut |_| {}).expect("imported");
        let mut compute: Vec<f64> =
            (0..3).map(|_| time(|| drop(store.compute().expect("computed")))).collect();
        compute.sort_by(f64::total_cmp);
        let computed = store.compute().expect("computed");
        let mut surface = None;
        let surface_s =
            time(|| surface = Some(Surface::new(&computed.reduced.cells, &SurfaceSettings::default())));
        let surface = surface.expect("made");
        let levels = surface.levels(0.0, Units::Metres);
        let contours_s = time(|| assert!(!surface.contours(0.0, &levels).is_empty()));
        let rss = peak_rss_mb();
        println!(
            "| {n} | {:.2} | {:.2} | {} | {surface_s:.2} | {contours_s:.2} | {rss:.0} | {:.0} |",
            compute[1],
            compute[1] * 1e6 / n as f64,
            computed.reduced.cells.len(),
            rss * 1048576.0 / n as f64
        );
    }
}

fn time(f: impl FnOnce()) -> f64 {
    let t = Instant::now();
    f();
    t.elapsed().as_secs_f64()
}
