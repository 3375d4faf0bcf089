//! From a store to a chart at growing sizes: reduce, surface and contours, and one query; time and memory should grow
//! no faster than the data.
//!
//! `cargo bench --bench map` (add `-- 3000000` for the largest size).
#![allow(clippy::print_stdout, reason = "a bench prints its table")]

use leadline_chart::{Surface, SurfaceSettings, Units};
use leadline_model::{Text, UtcMillis};
use leadline_survey::{Home, ImportRequest, found_survey, import_file};
use std::time::Instant;

fn main() {
    let largest = std::env::args().filter_map(|a| a.parse::<u64>().ok()).max();
    let dir = tempfile::tempdir().expect("a folder");
    println!(
        "| soundings | compute s | us a sounding | cells | surface s | contours s | peak RSS MB | bytes a sounding |"
    );
    println!("|---|---|---|---|---|---|---|---|");
    for n in [30_000, 300_000, 1_000_000].into_iter().chain(largest.filter(|n| *n > 1_000_000)) {
        let log = dir.path().join("log.nmea");
        std::fs::write(&log, leadline_demo_data::synthetic_bytes(7, n as usize)).expect("written");
        let home = Home::open(Some(&dir.path().join(format!("home-{n}")))).expect("a home");
        let text = |s: &str| Text::new(s).expect("short");
        let now = UtcMillis(1_800_000_000_000);
        let id = found_survey(&home, &text("Bench"), &text("datum"), now).expect("founded");
        let mut store = home.store(&id).expect("a store");
        let request = ImportRequest {
            boat: text("Bench boat"),
            draft_mm: Some(300),
            sound_speed_mm_s: Some(1_500_000),
            temp_centi: Some(1500),
            date: None,
            now,
        };
        import_file(&home, &mut store, &log, &request, &mut |_| {}).expect("imported");
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

fn peak_rss_mb() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let kb =
        status.lines().find_map(|l| l.strip_prefix("VmHWM:")?.split_whitespace().next()?.parse::<f64>().ok());
    kb.unwrap_or(f64::NAN) / 1024.0
}
