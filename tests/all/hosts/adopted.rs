//! An adopted survey reaches the crew's other device in an ordinary meeting: the real program on two hosts.

use super::lab::{LONG, Lab, tell_log, wait_for};
use crate::adopt::{cells_csv, give, two};
use crate::home::{Device, small_log_on};
use std::time::Instant;

fn joined(crew: &Device) -> Device {
    let d = Device::new();
    d.join(crew);
    d
}

fn holds_north(d: &Device) -> bool {
    let list = d.json(&["survey", "list"]);
    list["surveys"].as_array().expect("a list").iter().any(|s| s["name"] == "Thornmere north")
}

#[test]
fn a_crew_mate_gets_it_and_what_comes_to_it_later() {
    let Some((_lab, h)) = Lab::with_hosts(2) else { return };
    let (heron, north) = two();
    let plover = joined(&heron);
    give(&north, &heron, &[]);
    heron.run(&["survey", "adopt", "gift.parcel"]).says(0, &[]);
    let began = Instant::now();
    let a = h[0].start(&heron, &["sync", "--survey", "Thornmere"]);
    let met = h[1].run(&plover, &["sync", "--once"]);
    met.says(0, &["Of the adopted survey Thornmere north: got"]);
    assert!(holds_north(&plover));
    assert_eq!(cells_csv(&plover), cells_csv(&heron), "the same entries of both give the same map");
    plover.run(&["status", "--survey", "Thornmere north"]).says(0, &[]);
    plover.write("own.nmea", small_log_on(8, 60, |_| 4.0));
    plover
        .run(&["import", "--survey", "Thornmere north", "--boat", "X", "own.nmea"])
        .says(1, &["came as a gift"]);
    // A newer gift is read while both are in step: it goes over without a new meeting of the crew.
    let b = h[1].start(&plover, &["sync", "--survey", "Thornmere"]);
    b.says("Staying in step", LONG);
    let later = small_log_on(9, 900, |s| 4.3 + f64::from(s % 200) * 0.01);
    north.import(&north.write("later.nmea", later), "Coot");
    give(&north, &heron, &[]);
    heron.run(&["parcel", "read", "gift.parcel"]).says(0, &[]);
    wait_for("the newer part has come", || cells_csv(&plover) == cells_csv(&heron));
    let got = b.says("Of the adopted survey Thornmere north: got", LONG);
    assert!(!got.contains("got 0 entries"), "{got}\n{}", a.all());
    eprint!("Plover's first run:\n{}{}", met.err, met.out);
    tell_log(began, &[("Heron", &a), ("Plover", &b)]);
}

#[test]
fn what_is_not_to_be_passed_on_stays() {
    let Some((_lab, h)) = Lab::with_hosts(2) else { return };
    let (heron, north) = two();
    let plover = joined(&heron);
    give(&north, &heron, &["--pass-on", "no"]);
    heron.run(&["survey", "adopt", "gift.parcel"]).says(0, &[]);
    let _a = h[0].start(&heron, &["sync", "--survey", "Thornmere"]);
    h[1].run(&plover, &["sync", "--once"]).says(0, &["Met"]);
    assert!(!holds_north(&plover));
    plover.run(&["survey", "show"]).says(0, &["Thornmere north", "not in this home"]);
}
