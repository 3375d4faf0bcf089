//! Levelling and the report on quality, by the real program.

use crate::home::{Device, meet, small_log_on};
use serde_json::Value;

fn cells(d: &Device) -> String {
    let ran = d.run(&["export", "cells", "--as", "csv"]);
    ran.says(0, &[]);
    ran.out
}

/// The bed along the track of the small logs, metres below the datum.
fn bed(s: u32) -> f64 {
    4.0 + f64::from(s % 300) * 0.01
}

/// Noise of each day's readings, ±3 cm: without it the second day would be taken for a copy of the first.
fn noise(day: u32, s: u32) -> f64 {
    f64::from((s * 7_919 + day * 104_729) % 61) * 0.001 - 0.03
}

/// Two boats on one track: Heron with the gauge at 0.20 m, Plover next day with the water 0.60 m higher and nobody at
/// the gauge. Drafts 0.30 m, sounders and water at 1465.943 m/s (15 °C).
fn two_boats() -> (Device, Device) {
    let (heron, plover) = (Device::new(), Device::new());
    heron.found("Testmere");
    plover.join(&heron);
    for (device, boat, day, stage) in [(&heron, "Heron", 4, 0.20), (&plover, "Plover", 6, 0.80)] {
        let log =
            device.write("log.nmea", small_log_on(day, 1500, |s| bed(s) + noise(day, s) + stage - 0.30));
        let setup = ["--draft", "0.30", "--sound-speed", "1465.943", "--temperature", "15"];
        device.run(&[&["boat", "set", boat][..], &setup].concat()).says(0, &[]);
        device.import(&log, boat);
    }
    heron.run(&["stage", "add", "--at", "2026-05-04T09:30Z", "--level", "0.20"]).says(0, &[]);
    (heron, plover)
}

fn day<'a>(level: &'a Value, boat: &str) -> &'a Value {
    let days = level["boat_days"].as_array().expect("boat-days");
    days.iter().find(|d| d["boat"] == boat).unwrap_or_else(|| panic!("{boat} in {level}"))
}

#[test]
fn a_boat_without_a_gauge_comes_to_the_datum_and_back() {
    let (heron, plover) = two_boats();
    heron.run(&["level"]).says(1, &["no two tracks cross"]);
    meet(&heron, &plover);
    let before = cells(&plover);
    let proposed = plover.json(&["level"]);
    assert_eq!((&proposed["applied"], &proposed["in_force"]), (&Value::Bool(false), &Value::Null));
    assert_eq!(cells(&plover), before, "a proposal changes nothing");
    let off = day(&proposed, "Plover");
    let (metres, u95) = (off["too_deep_m"].as_f64().expect("m"), off["u95_m"].as_f64().expect("m"));
    // Its depths counted from water 0.80 m above the datum.
    assert!((metres - 0.80).abs() < 0.03 && (metres - 0.80).abs() < u95 && u95 < 0.2, "{off}");
    assert_eq!((&off["stage_known"], &off["floating"]), (&Value::Bool(false), &Value::Bool(false)));
    let spread = |when: &str| proposed[when]["boats"]["rms_m"].as_f64().expect("m");
    assert!(spread("before") > 0.5 && spread("after") < 0.1, "{proposed}");
    plover.run(&["level", "--apply"]).says(0, &["Applied"]);
    meet(&heron, &plover);
    let levelled = cells(&heron);
    assert!(levelled != before && cells(&plover) == levelled);
    let explained = heron.json(&["depth", "--at", "7.41333,48.21", "--explain"]);
    let terms = |v: &Value| v["explained"][0]["terms"].as_array().expect("terms").clone();
    assert!(terms(&explained).iter().any(|t| t["term"] == "levelling" && t["u95_m"].as_f64() > Some(0.0)));
    assert_eq!(plover.json(&["level"])["in_force"]["this"], true, "solving again finds the same");
    heron.run(&["level", "--undo"]).says(0, &["Taken back"]);
    meet(&heron, &plover);
    assert!(cells(&plover) == before, "every byte returns");
    heron.run(&["level", "--undo"]).says(0, &["nothing was changed"]);
}

#[test]
fn two_who_apply_end_with_one_whole_solution() {
    let (heron, plover) = two_boats();
    meet(&heron, &plover);
    heron.run(&["level", "--apply"]).says(0, &["Applied"]);
    // Plover has more when it applies: a third day.
    let more = plover.write("more.nmea", small_log_on(9, 1500, |s| bed(s) + noise(9, s) + 0.1));
    plover.import(&more, "Plover");
    plover.run(&["level", "--apply"]).says(0, &["Applied"]);
    meet(&heron, &plover);
    for d in [&heron, &plover] {
        let level = d.json(&["level"]);
        assert_eq!((&level["in_force"]["boat_days"], &level["others"]), (&3.into(), &1.into()), "{level}");
        let status = d.json(&["status"]);
        let conflicts = status["conflicts"].to_string();
        assert!(conflicts.contains("levelling"), "{conflicts}");
    }
    assert!(cells(&heron) == cells(&plover));
    heron.run(&["level", "--apply"]).says(0, &[]);
    meet(&heron, &plover);
    assert_eq!(plover.json(&["level"])["others"], 0);
    assert_eq!(plover.json(&["status"])["conflicts"].as_array().map(Vec::len), Some(0));
}

#[test]
fn quality_says_what_to_do() {
    let (heron, plover) = two_boats();
    heron.run(&["quality", "--json"]).says(0, &["advice"]);
    meet(&heron, &plover);
    let q = heron.json(&["quality"]);
    let boats = q["boats"].as_array().expect("boats");
    assert_eq!(boats.len(), 2);
    let sum: u64 = boats.iter().filter_map(|b| b["soundings"].as_u64()).sum();
    assert_eq!(Some(sum), q["total"]["soundings"].as_u64());
    let advice = q["advice"].to_string();
    assert!(advice.contains("water level is unknown") && advice.contains("level --apply"), "{advice}");
    heron.run(&["quality"]).says(0, &["Boats", "Passes", "What to do", "two boats"]);
    heron.run(&["level", "--apply"]).says(0, &[]);
    let advice = heron.json(&["quality"])["advice"].to_string();
    assert!(!advice.contains("water level is unknown"), "{advice}");
}

#[test]
fn speed_limits_belong_to_the_survey() {
    // The small logs run at 3.9 kn = 2.01 m/s.
    let (heron, plover) = two_boats();
    let grades = |d: &Device| d.json(&["status"])["grades"].clone();
    assert_eq!(grades(&heron)["void"], 0);
    let before = cells(&heron);
    heron.run(&["survey", "set", "--fair-speed", "1", "--max-speed", "1.5"]).says(0, &["1.50 m/s void"]);
    assert_eq!(grades(&heron)["void"], 1500);
    plover.run(&["survey", "set", "--fair-speed", "1.8"]).says(0, &[]);
    meet(&heron, &plover);
    for d in [&heron, &plover] {
        let status = d.json(&["status"]);
        assert!(status["conflicts"].to_string().contains("speed limits"), "{status}");
        assert_eq!(status["grades"]["void"], 3000, "the lower limits hold until someone settles it");
    }
    plover.run(&["survey", "set", "--fair-speed", "4.47", "--max-speed", "8.94"]).says(0, &[]);
    heron.run(&["survey", "set", "--fair-speed", "9"]).says(1, &["--max-speed"]);
    meet(&heron, &plover);
    assert_eq!(heron.json(&["status"])["conflicts"].as_array().map(Vec::len), Some(0));
    assert!(cells(&heron).starts_with(before.lines().next().expect("a header")));
    assert_eq!(grades(&heron)["void"], 0);
}

#[test]
fn nothing_to_level_and_nothing_to_judge_are_refused_with_the_next_step() {
    let d = Device::new();
    d.found("Testmere");
    d.run(&["level"]).says(1, &["no two tracks cross", "import"]);
    d.run(&["quality"]).says(1, &["no soundings", "leadline import"]);
    d.run(&["level", "--apply", "--undo"]).says(2, &["--undo"]);
    // Stretches of a line that nothing crosses.
    d.import(&d.write("a.nmea", small_log_on(1, 300, bed)), "Heron");
    d.run(&["level", "--apply"]).says(1, &["no two tracks cross"]);
}
