//! What the benches share.

use leadline_model::{Text, UtcMillis};
use leadline_survey::ImportRequest;

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
