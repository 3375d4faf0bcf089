//! Who belongs and who may write, with real homes and real meetings over loopback.

use crate::home::{Device, Listener, small_log, small_log_on};
use serde_json::Value;

/// A device that has joined by an invite with `role`, not met yet.
fn joined(by: &Device, role: &str, name: &str) -> Device {
    let new = Device::new();
    let invite = by.json(&["crew", "invite", "--role", role])["invite"].as_str().expect("text").to_owned();
    new.run(&["crew", "join", &invite, "--device", name]).says(0, &[]);
    new
}

fn meet(listening: &Device, dialling: &Device) -> Value {
    let listener = Listener::start(listening);
    dialling.json(&["sync", "--with", &listener.address, "--once"])
}

fn row<'a>(list: &'a Value, group: &str, name: &str) -> &'a Value {
    let rows = list[group].as_array().expect("a list");
    rows.iter().find(|r| r["name"] == name).unwrap_or_else(|| panic!("{name} is not in {list}"))
}

fn log(day: u32) -> String {
    small_log_on(day, 700, |s| 4.0 + f64::from(s % 300) * 0.01)
}

#[test]
fn a_reader_reads_and_does_not_write() {
    let keeper = Device::new();
    keeper.found("Testmere");
    keeper.import(&keeper.write("a.nmea", small_log(700, |_| 4.0)), "Heron");
    let reader = joined(&keeper, "reader", "tablet");
    meet(&keeper, &reader);
    assert_eq!(keeper.digest(), reader.digest());
    let before = reader.digest();
    reader.write("b.nmea", log(2));
    reader.run(&["import", "b.nmea", "--boat", "Plover"]).says(1, &["reader here", "nothing was written"]);
    reader.run(&["stage", "add", "--at", "2026-05-01T10:00:00Z", "--level", "1"]).says(1, &["reader here"]);
    reader.run(&["crew", "invite"]).says(1, &["keeper"]);
    reader.run(&["crew", "dismiss", "tablet", "--why", "x"]).says(1, &["keeper"]);
    assert_eq!(reader.digest(), before);
    reader.run(&["crew", "name", "old tablet"]).says(0, &["old tablet"]);
    meet(&reader, &keeper);
    let list = keeper.json(&["crew", "list"]);
    assert_eq!(row(&list, "members", "old tablet")["role"], "reader");
    assert_eq!(row(&list, "members", "old tablet")["lacks"], 0);
    // Raised, it may measure.
    keeper.run(&["crew", "role", "old tablet", "contributor"]).says(0, &["contributor"]);
    meet(&keeper, &reader);
    reader.import(&reader.file("b.nmea"), "Plover");
    reader.run(&["crew", "role", "old tablet", "keeper"]).says(1, &["keeper"]);
    meet(&keeper, &reader);
    assert_eq!(keeper.json(&["status"])["legs"], reader.json(&["status"])["legs"]);
    assert_eq!(keeper.digest(), reader.digest());
}

#[test]
fn a_lost_device_is_out_for_all_who_have_heard() {
    let keeper = Device::new();
    keeper.found("Testmere");
    let (lost, third) = (joined(&keeper, "keeper", "phone"), joined(&keeper, "contributor", "laptop"));
    lost.import(&lost.write("a.nmea", log(1)), "Heron");
    meet(&keeper, &lost);
    meet(&keeper, &third);
    let legs = keeper.json(&["status"])["legs"].clone();
    keeper.run(&["crew", "dismiss", "nobody", "--why", "x"]).says(1, &["crew list"]);
    let done = keeper.json(&["crew", "dismiss", "phone", "--why", "lost at the ramp"]);
    assert_eq!(done["secret_change"], 1);
    // The lost one writes on and gives it to the third, who has not heard yet.
    lost.import(&lost.write("b.nmea", log(2)), "Heron");
    meet(&third, &lost);
    assert_ne!(third.json(&["status"])["legs"], legs);
    // The third hears of it: from then on it refuses the lost one, and what came later does not count.
    // It knows the former secret only: the one that knows both dials.
    meet(&third, &keeper);
    assert_eq!(third.json(&["status"])["legs"], legs);
    assert_eq!(keeper.digest(), third.digest());
    let held = lost.digest();
    let listener = Listener::start(&lost);
    third.run(&["sync", "--with", &listener.address, "--once"]).says(3, &["dismissed"]);
    let told = || lost.run(&["status"]).err.contains("refused this one as dismissed");
    assert!((0..50).any(|_| {
        std::thread::sleep(std::time::Duration::from_millis(100));
        told()
    }));
    drop(listener);
    assert_eq!(lost.digest(), held);
    let list = third.json(&["crew", "list"]);
    assert_eq!(row(&list, "dismissed", "phone")["why"], "lost at the ramp");
    // The new secret has come to the third in the meeting, and not to the lost one.
    let secrets = |d: &Device| {
        let files = std::fs::read_dir(d.home().join("keys")).expect("lists");
        files
            .filter(|f| f.as_ref().is_ok_and(|f| f.file_name().to_string_lossy().ends_with(".secret")))
            .count()
    };
    assert_eq!((secrets(&keeper), secrets(&third), secrets(&lost)), (2, 2, 1));
    // Found again: taken in once more, all it wrote counts.
    keeper.run(&["crew", "role", "phone", "contributor"]).says(0, &["in the crew again"]);
    meet(&keeper, &third);
    meet(&lost, &third);
    meet(&keeper, &third);
    meet(&keeper, &lost);
    assert_eq!(keeper.digest(), lost.digest());
    assert_eq!(keeper.digest(), third.digest());
    assert_ne!(keeper.json(&["status"])["legs"], legs);
    assert_eq!(secrets(&lost), 2);
}

#[test]
fn two_that_dismiss_each_other_are_both_out() {
    let one = Device::new();
    one.found("Testmere");
    let (two, three) = (joined(&one, "keeper", "two"), joined(&one, "keeper", "three"));
    one.run(&["crew", "name", "one"]).says(0, &[]);
    meet(&one, &two);
    meet(&one, &three);
    meet(&two, &three);
    one.run(&["crew", "dismiss", "two", "--why", "quarrel", "--keep-secret"]).says(0, &[]);
    two.run(&["crew", "dismiss", "one", "--why", "quarrel", "--keep-secret"]).says(0, &[]);
    meet(&three, &one);
    // The third holds the word of the first; the second's word comes as a file.
    let parcel = two.file("two.parcel");
    two.run(&["parcel", "write", parcel.to_str().expect("UTF-8")]).says(0, &[]);
    three.run(&["parcel", "read", parcel.to_str().expect("UTF-8")]).says(0, &[]);
    let list = three.json(&["crew", "list"]);
    assert_eq!(list["members"].as_array().expect("a list").len(), 1);
    assert_eq!(list["dismissed"].as_array().expect("a list").len(), 2);
    three.run(&["crew", "role", "one", "keeper"]).says(0, &["in the crew again"]);
    three.run(&["crew", "role", "two", "keeper"]).says(0, &["in the crew again"]);
    meet(&three, &one);
    meet(&three, &two);
    meet(&one, &two);
    assert_eq!(one.digest(), two.digest());
    assert_eq!(one.digest(), three.digest());
}

#[test]
fn what_a_dismissed_device_gets_over_the_wire() {
    let keeper = Device::new();
    keeper.found("Testmere");
    let lost = joined(&keeper, "keeper", "phone");
    meet(&keeper, &lost);
    keeper.run(&["crew", "dismiss", "phone", "--why", "lost"]).says(0, &[]);
    keeper.import(&keeper.write("a.nmea", log(3)), "Heron");
    let listener = Listener::start(&lost);
    keeper.run(&["sync", "--with", &listener.address, "--once"]).says(3, &["dismissed"]);
    drop(listener);
    // And the other way round, knocking with the secret it still has.
    let listener = Listener::start(&keeper);
    lost.run(&["sync", "--with", &listener.address, "--once"]).says(3, &[]);
    drop(listener);
    assert_eq!(lost.json(&["status"])["legs"], 0);
    // It has learned nothing: not by whom, not why.
    assert!(lost.json(&["crew", "list"])["dismissed"].as_array().expect("a list").is_empty());
}

/// A keeper's word cuts a logbook where that keeper holds it whole; behind the cut another keeper's word lets nothing
/// count. Whoever holds only the beginning of the logbook must come to read the same, by meetings or by a parcel.
#[test]
fn a_chain_behind_a_cut_reaches_those_who_hold_a_part_of_it() {
    let [first, second, cut, part, late] = [(); 5].map(|()| Device::new());
    first.found("Longwater");
    for (device, role) in
        [(&second, "keeper"), (&cut, "keeper"), (&part, "contributor"), (&late, "contributor")]
    {
        device.join_as(role, &first);
        device.run(&["crew", "name", role]).says(0, &[]);
        meet(&first, device);
    }
    cut.run(&["crew", "name", "phone"]).says(0, &[]);
    for device in [&first, &second, &part, &late] {
        meet(&cut, device);
    }
    let depth = |s: u32| 4.0 + f64::from(s % 300) * 0.01;
    cut.import(&cut.write("a.nmea", small_log_on(1, 900, depth)), "Heron");
    meet(&cut, &part);
    meet(&cut, &late);
    cut.import(&cut.write("b.nmea", small_log_on(2, 900, depth)), "Heron");
    meet(&cut, &second);
    second.run(&["crew", "role", "phone", "contributor"]).says(0, &[]);
    first.run(&["crew", "dismiss", "phone", "--why", "lost", "--keep-secret"]).says(0, &[]);
    first.run(&["crew", "role", "phone", "keeper"]).says(0, &[]);
    meet(&first, &second);
    assert_eq!(second.json(&["status"])["soundings"], 0, "all of it lies behind the dismissal");
    meet(&second, &part);
    assert_eq!(part.json(&["status"])["soundings"], 0);
    second.run(&["parcel", "write", "p.parcel"]).says(0, &[]);
    let parcel = second.file("p.parcel");
    late.run(&["parcel", "read", parcel.to_str().expect("UTF-8")]).says(0, &[]);
    assert_eq!(late.digest(), second.digest());
}
