//! What the benches share.

use leadline_model::{Cell, Grade, GridPos, LocalFrame, LonLat, ReducedSounding, Text, UtcMillis};
use leadline_survey::ImportRequest;
use std::collections::BTreeMap;

/// The device's clock in every bench.
pub(crate) const NOW: UtcMillis = UtcMillis(1_800_000_000_000);

pub(crate) fn text(s: &str) -> Text {
    Text::new(s).expect("short")
}

/// A boat of which all is known.
pub(crate) fn request() -> ImportRequest {
    ImportRequest {
        boat: text("Bench boat"),
        draft_mm: Some(300),
        sound_speed_mm_s: Some(1_500_000),
        temp_centi: Some(1500),
        date: None,
        now: NOW,
    }
}

/// The sizes of a run: the usual three, and a larger one given after `--`.
#[allow(dead_code, reason = "not every bench has sizes")]
pub(crate) fn sizes() -> Vec<u64> {
    let largest = std::env::args().filter_map(|a| a.parse::<u64>().ok()).max();
    [30_000, 300_000, 1_000_000].into_iter().chain(largest.filter(|n| *n > 1_000_000)).collect()
}

/// Most memory this process has had, MB (Linux).
#[allow(dead_code, reason = "not every bench reports memory")]
pub(crate) fn peak_rss_mb() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let kb =
        status.lines().find_map(|l| l.strip_prefix("VmHWM:")?.split_whitespace().next()?.parse::<f64>().ok());
    kb.unwrap_or(f64::NAN) / 1024.0
}

/// Soundings of one of the drawn lines.
const PER_LINE: u64 = 4_000;

/// Cells and soundings of lines 20 m apart and 10 km long, a sounding every 2.5 m. Every fortieth line is missing;
/// the bed undulates between 2 and 6 m.
#[allow(dead_code, reason = "not every bench needs a drawn survey")]
pub(crate) fn lines(n: u64) -> (Vec<Cell>, Vec<ReducedSounding>) {
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
