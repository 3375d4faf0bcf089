//! Gifts over the air: `parcel give` and `parcel take` of two hosts, one way and both ways.

use super::join::words;
use super::lab::{Host, LONG, Lab, Running};
use crate::home::{Device, small_log_on};
use serde_json::Value;

/// A boat with a survey of its own.
fn boat(survey: &str, name: &str, day: u32) -> Device {
    let d = Device::new();
    d.found(survey);
    d.import(&d.write("a.nmea", small_log_on(day, 900, |s| 4.0 + f64::from((s + day) % 300) * 0.01)), name);
    d
}

/// A device that gives, waiting with a code, and the code.
fn giving(host: &Host, device: &Device, args: &[&str]) -> (Running, String) {
    let running = host.start(device, &[&["parcel", "give"][..], args].concat());
    let line = running.says("leadline parcel take ", LONG);
    let code = line.split_whitespace().nth(4).expect("a code").to_owned();
    (running, code)
}

fn cells(d: &Device, survey: &str) -> String {
    let ran = d.run(&["export", "cells", "--as", "csv", "--survey", survey]);
    ran.says(0, &[]);
    ran.out
}

fn surveys(d: &Device) -> Vec<Value> {
    d.json(&["survey", "list"])["surveys"].as_array().expect("a list").clone()
}

/// Files that were only on their way are gone.
fn is_tidy(d: &Device) {
    let names = std::fs::read_dir(d.home()).expect("a home").map(|f| f.expect("a file").file_name());
    let left: Vec<_> = names.filter(|n| n.to_string_lossy().contains(".parcel")).collect();
    assert!(left.is_empty(), "{left:?}");
}

#[test]
fn a_gift_goes_over_by_a_code_read_aloud() {
    let Some((_lab, h)) = Lab::with_hosts(2) else { return };
    let (heron, wren) = (boat("Testmere", "Heron", 1), Device::new());
    let (mut gives, code) = giving(&h[0], &heron, &["--pass-on", "no"]);
    // A slip of the tongue: refused, nothing has come, and the code still stands.
    let wrong = format!("{}{}", &code[..code.len() - 1], if code.ends_with('1') { '2' } else { '1' });
    h[1].run(&wren, &["parcel", "take", &wrong]).says(3, &["the code is not the one of that door"]);
    assert!(surveys(&wren).is_empty());
    gives.says("Wrong codes left before this one is void: 2", LONG);
    let took = h[1].run(&wren, &["parcel", "take", &code]);
    took.says(0, &["as a gift", "asks not to pass it on"]);
    assert_eq!(gives.code(LONG), 0, "{}", gives.all());
    assert!(gives.all().contains("Given: "), "{}", gives.all());
    assert_eq!(words(&took.err), words(&gives.all()));
    // The same map, and no member of the crew.
    assert_eq!(cells(&wren, "Testmere"), cells(&heron, "Testmere"));
    assert_eq!(heron.json(&["crew", "list"])["members"].as_array().map(Vec::len), Some(1));
    wren.run(&["sync", "--once", "--survey", "Testmere"]).says(1, &["came as a gift"]);
    wren.run(&["parcel", "write", "on.parcel", "--gift", "--survey", "Testmere"])
        .says(1, &["not to pass it on"]);
    // Used: nobody else takes it with that code.
    h[1].run(&Device::new(), &["parcel", "take", &code]).says(3, &["no door with the number"]);
    [&heron, &wren].into_iter().for_each(is_tidy);
}

#[test]
fn two_strangers_swap() {
    let Some((_lab, h)) = Lab::with_hosts(2) else { return };
    let (heron, wren) = (boat("Testmere", "Heron", 1), boat("Far tarn", "Wren", 2));
    let (mut gives, code) = giving(&h[0], &heron, &["--swap"]);
    let took = h[1].run(&wren, &["parcel", "take", &code, "--swap", "--json"]).json();
    assert_eq!(gives.code(LONG), 0, "{}", gives.all());
    assert!(gives.all().contains("\"Far tarn\" is here as a gift"), "{}", gives.all());
    let taken = took["taken"].as_array().expect("a list");
    assert_eq!((taken.len(), &taken[0]["name"], &taken[0]["guest"]), (1, &"Testmere".into(), &true.into()));
    assert!(took["given_bytes"].as_u64() > Some(0) && taken[0]["strips_new"].as_u64() > Some(0), "{took}");
    let shown = words(&gives.all());
    let told: Vec<_> = took["words"].as_array().expect("two").iter().filter_map(Value::as_str).collect();
    assert_eq!(shown, told.join(" "));
    for survey in ["Testmere", "Far tarn"] {
        assert_eq!(cells(&heron, survey), cells(&wren, survey), "{survey}");
    }
    [&heron, &wren].into_iter().for_each(is_tidy);
}

/// Only one of the two wants to swap: what is wanted on both sides goes over, and the other is told nothing it asked not
/// for.
#[test]
fn whoever_does_not_swap_gets_and_gives_one_way() {
    let Some((_lab, h)) = Lab::with_hosts(2) else { return };
    let (heron, wren) = (boat("Testmere", "Heron", 1), boat("Far tarn", "Wren", 2));
    let (mut gives, code) = giving(&h[0], &heron, &["--swap"]);
    h[1].run(&wren, &["parcel", "take", &code]).says(0, &["Testmere"]);
    assert_eq!(gives.code(LONG), 0, "{}", gives.all());
    assert_eq!((surveys(&heron).len(), surveys(&wren).len()), (1, 2));
    // The other way round: the giver takes nothing, so nothing may come.
    let (mut gives, code) = giving(&h[0], &heron, &[]);
    let took = h[1].run(&wren, &["parcel", "take", &code, "--swap"]);
    // Neither is told that it went well.
    took.says(3, &["does not take a load"]);
    assert_eq!(gives.code(LONG), 3, "{}", gives.all());
    assert_eq!(surveys(&heron).len(), 1, "{}", gives.all());
    [&heron, &wren].into_iter().for_each(is_tidy);
}

/// A swap with somebody who has nothing to give: said before the code is used, so that it still stands; and a survey
/// without a sounding is a gift as well.
#[test]
fn a_swap_where_one_side_has_nothing() {
    let Some((_lab, h)) = Lab::with_hosts(2) else { return };
    let (heron, wren, teal) = (boat("Testmere", "Heron", 1), Device::new(), Device::new());
    let (mut gives, code) = giving(&h[0], &heron, &["--swap"]);
    h[1].run(&wren, &["parcel", "take", &code, "--swap"]).says(1, &["survey"]);
    assert!(surveys(&wren).is_empty());
    teal.found("Far tarn");
    let took = h[1].run(&teal, &["parcel", "take", &code, "--swap", "--json"]).json();
    assert_eq!(gives.code(LONG), 0, "{}", gives.all());
    assert!(took["given_bytes"].as_u64() > Some(0), "{took}");
    assert_eq!((surveys(&heron).len(), surveys(&teal).len()), (2, 2));
    assert_eq!(heron.json(&["status", "--survey", "Far tarn"])["soundings"], 0);
    assert_eq!(cells(&heron, "Testmere"), cells(&teal, "Testmere"));
    [&heron, &wren, &teal].into_iter().for_each(is_tidy);
}

#[test]
fn a_giver_that_dies_leaves_nothing_half_taken() {
    let Some((_lab, h)) = Lab::with_hosts(2) else { return };
    let (heron, wren) = (boat("Testmere", "Heron", 1), Device::new());
    let (mut gives, code) = giving(&h[0], &heron, &[]);
    gives.kill();
    h[1].run(&wren, &["parcel", "take", &code]).says(3, &["no door with the number"]);
    assert!(surveys(&wren).is_empty());
    is_tidy(&wren);
}
