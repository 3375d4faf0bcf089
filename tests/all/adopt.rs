//! Two surveys of one water, each begun by its own crew: adopted, levelled, taken back.

use crate::home::{Device, small_log_on};
use serde_json::Value;

/// The bed along the track of the small logs, metres below the datum of the first survey.
fn bed(s: u32) -> f64 {
    4.0 + f64::from(s % 300) * 0.01
}

/// Noise of each day's readings, ±3 cm: without it one would be taken for a copy of the other.
fn noise(day: u32, s: u32) -> f64 {
    f64::from((s * 7_919 + day * 104_729) % 61) * 0.001 - 0.03
}

/// How far the datum of the second survey lies below that of the first, metres.
const BELOW: f64 = 0.37;

/// A survey of one boat, draft 0.30 m, at a stage of 0.20 m above the first survey's datum, which its own gauge shows
/// as `stage`.
fn survey(name: &str, day: u32, stage: f64) -> Device {
    let d = Device::new();
    d.found(name);
    let log = d.write("log.nmea", small_log_on(day, 1500, |s| bed(s) + noise(day, s) + 0.20 - 0.30));
    let setup = ["--draft", "0.30", "--sound-speed", "1465.943", "--temperature", "15"];
    d.run(&[&["boat", "set", "Coot"][..], &setup].concat()).says(0, &[]);
    d.import(&log, "Coot");
    let at = format!("2026-05-{day:02}T09:30Z");
    d.run(&["stage", "add", "--at", &at, "--level", &stage.to_string()]).says(0, &[]);
    d
}

pub(crate) fn two() -> (Device, Device) {
    (survey("Thornmere", 4, 0.20), survey("Thornmere north", 6, 0.20 + BELOW))
}

pub(crate) fn give(from: &Device, to: &Device, more: &[&str]) {
    from.run(&[&["parcel", "write", "gift.parcel", "--gift"][..], more].concat()).says(0, &[]);
    to.write("gift.parcel", std::fs::read(from.file("gift.parcel")).expect("written"));
}

fn cells(d: &Device) -> Vec<(String, f64, f64, String)> {
    let ran = d.run(&["export", "cells", "--as", "csv"]);
    ran.says(0, &[]);
    let rows = ran.out.lines().filter(|l| !l.starts_with('#')).skip(1).map(|l| {
        let f: Vec<&str> = l.split(',').collect();
        (format!("{},{}", f[0], f[1]), f[2].parse().expect("m"), f[3].parse().expect("m"), f[4].to_owned())
    });
    rows.collect()
}

pub(crate) fn cells_csv(d: &Device) -> String {
    let ran = d.run(&["export", "cells", "--as", "csv"]);
    ran.says(0, &[]);
    ran.out
}

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap_or_else(|| panic!("a number: {v}"))
}

#[test]
fn the_datum_is_found_and_taking_it_back_restores_the_map() {
    let (own, other) = two();
    let before = cells_csv(&own);
    give(&other, &own, &[]);
    let adopted = own.json(&["survey", "adopt", "gift.parcel"]);
    let (above, u95) = (number(&adopted["datum"]["above_m"]), number(&adopted["datum"]["u95_m"]));
    assert!((above + BELOW).abs() <= u95 && u95 < 0.5, "{adopted}");
    own.run(&["survey", "show"]).says(0, &["adopts Thornmere north"]);
    // The same name in two surveys need not be the same boat.
    own.run(&["passes"]).says(0, &["Coot (Thornmere north)"]);
    let level = own.json(&["level", "--apply"]);
    let datum = &level["datums"][0];
    assert_eq!(datum["name"], "Thornmere north");
    assert!((number(&datum["above_m"]) + BELOW).abs() <= number(&datum["u95_m"]), "{datum}");
    own.run(&["level"]).says(0, &["Exactly this is in force", "0.37 m below this survey's"]);
    // The combined map agrees with the truth within what each cell states.
    let all = cells(&own);
    let alone = before.lines().filter(|l| !l.starts_with('#')).count() - 1;
    assert!(all.len() >= alone);
    let spread = &level["after"]["boats"];
    assert!(number(&spread["rms_m"]) < 0.08 && number(&spread["within"]) > 0.9, "{level}");
    assert!(number(&level["before"]["boats"]["rms_m"]) > 0.3, "{level}");
    let at = all[all.len() / 2].0.clone();
    own.run(&["depth", "--at", &at, "--explain"]).says(0, &["Coot (Thornmere north)", "levelling"]);
    // Taken back, and the levelling with it: the map is what it was, to the byte.
    own.run(&["level", "--undo"]).says(0, &[]);
    own.run(&["survey", "adopt", "Thornmere north", "--undo"]).says(0, &["Taken back"]);
    assert_eq!(cells_csv(&own), before);
    own.run(&["survey", "adopt", "Thornmere north", "--undo"]).says(0, &["not adopted"]);
    // The other way round it works as well, with the opposite sign.
    give(&own, &other, &[]);
    let back = other.json(&["survey", "adopt", "gift.parcel"]);
    assert!((number(&back["datum"]["above_m"]) - BELOW).abs() <= number(&back["datum"]["u95_m"]), "{back}");
}

#[test]
fn before_levelling_the_adopted_depths_are_loose_and_the_own_ones_stay() {
    let (own, other) = two();
    give(&other, &own, &[]);
    let grades = |d: &Device| d.json(&["status"])["grades"].clone();
    let before = grades(&own);
    own.run(&["survey", "adopt", "gift.parcel"]).says(0, &["at best loose", "level --apply"]);
    let after = grades(&own);
    // Where the own survey has soundings they decide; the adopted ones only fill what is empty, as loose cells.
    for grade in ["sure", "fair"] {
        assert!(number(&after[grade]) <= number(&before[grade]), "{before} {after}");
    }
    own.run(&["level", "--apply"]).says(0, &[]);
    // A crew's other device that does not have the adopted survey says so.
    let second = Device::new();
    second.join(&own);
    own.run(&["parcel", "write", "own.parcel"]).says(0, &[]);
    second.write("own.parcel", std::fs::read(own.file("own.parcel")).expect("written"));
    second.run(&["parcel", "read", "own.parcel"]).says(0, &[]);
    second.run(&["survey", "show"]).says(0, &["Thornmere north", "not in this home"]);
    second.write("gift.parcel", std::fs::read(own.file("gift.parcel")).expect("written"));
    second.run(&["parcel", "read", "gift.parcel"]).says(0, &[]);
    assert_eq!(cells_csv(&second), cells_csv(&own), "the same entries of both give the same map");
}

#[test]
fn a_log_in_both_counts_once_and_surveys_that_never_cross_are_refused() {
    let (own, other) = two();
    // The other crew's log is imported here as well.
    own.import(&own.write("theirs.nmea", std::fs::read(other.file("log.nmea")).expect("there")), "Coot");
    let soundings = own.json(&["status"])["soundings"].as_u64().expect("a number");
    give(&other, &own, &[]);
    own.run(&["survey", "adopt", "gift.parcel"]).says(1, &["cannot be adopted", "in this survey already"]);
    let third = small_log_on(8, 900, |s| bed(s) + noise(8, s) - 0.1);
    other.import(&other.write("third.nmea", third), "Coot");
    give(&other, &own, &[]);
    let adopted = own.json(&["survey", "adopt", "gift.parcel"]);
    assert!(adopted["shared_legs"].as_u64() > Some(0), "{adopted}");
    let now = own.json(&["status"])["soundings"].as_u64().expect("a number");
    assert_eq!(now, soundings + 900);
    // Far away: no crossing, so nothing tells the datum.
    let far = Device::new();
    far.found("Far tarn");
    let log = small_log_on(9, 600, bed).replace(",N,007", ",N,009");
    // The sums have changed with the place.
    let log: String = log
        .lines()
        .map(|l| {
            let body = l.trim_start_matches('$').split('*').next().expect("a body");
            format!("${body}*{:02X}\r\n", body.bytes().fold(0, |a, b| a ^ b))
        })
        .collect();
    far.import(&far.write("log.nmea", log), "Teal");
    give(&far, &own, &[]);
    own.run(&["survey", "adopt", "gift.parcel"]).says(1, &["Far tarn", "crosses", "Nothing was changed"]);
    own.run(&["survey", "adopt", "Thornmere"]).says(1, &["cannot adopt itself"]);
    own.run(&["survey", "adopt", "nothing like that"]).says(1, &["survey list"]);
}
