//! The level of the invented water, and the readings of its one gauge on three of the four days.

use leadline_model::{StageReading, Text, UtcMillis};
use std::fmt::Write as _;

/// Name of the gauge.
pub const GAUGE: &str = "landing";

/// One day: the two moments when someone read the gauge and the level then, millimetres above the datum.
const READINGS: [(&str, i32); 6] = [
    ("2025-04-12T03:00:00Z", 0),
    ("2025-04-12T12:30:00Z", 20),
    ("2025-07-19T02:45:00Z", 860),
    ("2025-07-19T13:00:00Z", 840),
    ("2025-10-04T03:15:00Z", 340),
    ("2025-10-04T12:00:00Z", 360),
];

/// The level on the day when nobody read the gauge, millimetres above the datum: after a dry month, far below the
/// straight line between the readings before and after.
const UNREAD: [(&str, i32); 2] = [("2025-08-23T02:00:00Z", 235), ("2025-08-23T14:00:00Z", 225)];

/// The readings, oldest first.
pub fn stage_readings() -> Vec<StageReading> {
    let gauge = Text::new(GAUGE).expect("a short word");
    READINGS
        .iter()
        .map(|&(at, level_mm)| StageReading { gauge: gauge.clone(), at: moment(at), level_mm })
        .collect()
}

/// The readings as a file: `time,level_m,gauge`.
pub fn stages_csv() -> Vec<u8> {
    let mut out = String::from("time,level_m,gauge\n");
    for r in stage_readings() {
        // Writing to a String cannot fail.
        let _ = writeln!(out, "{},{:.2},{}", r.at, f64::from(r.level_mm) / 1000.0, r.gauge);
    }
    out.into_bytes()
}

/// The true level at `at`, metres above the datum: straight between the known moments, the nearest outside them.
pub fn water_level_m(at: UtcMillis) -> f64 {
    let mut points: Vec<(i64, f64)> =
        READINGS.iter().chain(&UNREAD).map(|&(t, mm)| (moment(t).0, f64::from(mm) / 1000.0)).collect();
    points.sort_by_key(|p| p.0);
    let after = points.partition_point(|p| p.0 <= at.0);
    match (after.checked_sub(1).and_then(|i| points.get(i)), points.get(after)) {
        (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (at.0 - a.0) as f64 / (b.0 - a.0) as f64,
        (Some(only), None) | (None, Some(only)) => only.1,
        (None, None) => 0.0,
    }
}

pub(crate) fn moment(text: &str) -> UtcMillis {
    text.parse().expect("the crate's own times are well formed")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn level_between_and_outside_the_readings() {
        assert_eq!(water_level_m(moment("2025-04-12T03:00:00Z")), 0.0);
        let noon = water_level_m(moment("2025-04-12T07:45:00Z"));
        assert!((noon - 0.01).abs() < 1e-9, "{noon}");
        assert_eq!(water_level_m(moment("2026-01-01T00:00:00Z")), 0.36);
        assert_eq!(water_level_m(moment("2020-01-01T00:00:00Z")), 0.0);
    }

    #[test]
    fn nobody_read_the_gauge_on_the_day_without_a_reading() {
        let (_, day) = crate::UNGAUGED;
        let noon = moment(&format!("{day}T08:00:00Z"));
        let half_a_day = 12 * 3_600_000;
        assert!(stage_readings().iter().all(|r| (r.at.0 - noon.0).abs() > 2 * half_a_day));
        // 0.62 m below the level of July; other days have others.
        let july = water_level_m(moment("2025-07-19T07:52:30Z"));
        assert!((water_level_m(noon) - july + 0.62).abs() < 1e-9, "{} {july}", water_level_m(noon));
        let nearest = READINGS.iter().map(|r| (f64::from(r.1) / 1000.0 - water_level_m(noon)).abs());
        assert!(nearest.fold(f64::INFINITY, f64::min) > 0.10);
        assert!(
            crate::logs(crate::SEED)
                .iter()
                .any(|l| (l.boat, l.first.date_text().as_str()) == crate::UNGAUGED)
        );
    }

    #[test]
    fn file_has_one_row_a_reading() {
        let text = String::from_utf8(stages_csv()).expect("text");
        assert_eq!(text.lines().nth(3), Some("2025-07-19T02:45:00Z,0.86,landing"));
        assert_eq!(text.lines().count(), 1 + stage_readings().len());
    }
}
