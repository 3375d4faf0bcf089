//! What does not leave this device: private marks, and what was measured near home. Looked for in the bytes.

use crate::home::{Device, Listener, meet, small_log};
use crate::parcels::{holds, unpacked};
use leadline_model::{GridPos, LocalFrame, LonLat, Sounding};
use serde_json::Value;
use std::path::Path;

/// The middle of the first stretch of the small logs.
const HOME: &str = "7.41500,48.21000";

fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

fn log() -> String {
    small_log(1500, |s| 4.0 + f64::from(s % 300) * 0.01)
}

/// All that a full parcel of the device holds: entries and soundings.
fn sent(d: &Device) -> (Vec<u8>, Vec<Sounding>) {
    d.run(&["parcel", "write", "look.parcel"]).says(0, &[]);
    unpacked(&std::fs::read(d.file("look.parcel")).expect("written"))
}

fn home() -> GridPos {
    let (lon, lat) = HOME.split_once(',').expect("two numbers");
    let at = LonLat { lon: lon.parse().expect("degrees"), lat: lat.parse().expect("degrees") };
    GridPos::from_lonlat(at).expect("on the grid")
}

/// Metres from HOME to the nearest sounding that a device can give.
fn nearest(d: &Device) -> f64 {
    let frame = LocalFrame::new(home());
    let far = |s: &Sounding| {
        let (e, n) = frame.metres(s.at);
        (e * e + n * n).sqrt()
    };
    sent(d).1.iter().map(far).fold(f64::INFINITY, f64::min)
}

/// The tile of HOME as entries name it: column and row, little-endian.
fn tile_bytes() -> Vec<u8> {
    let tile = home().tile();
    [tile.x().to_le_bytes(), tile.y().to_le_bytes()].concat()
}

#[test]
fn what_is_measured_near_home_is_never_signed() {
    let heron = Device::new();
    heron.found("Testmere");
    heron.run(&["trim", "--near", HOME, "--radius", "400"]).says(0, &["before anything of it is signed"]);
    heron.run(&["trim"]).says(0, &["7.415,48.21", "400 m"]);
    let whole = Device::new();
    whole.found("Testmere");
    whole.import(&whole.write("a.nmea", log()), "Heron");
    assert!(nearest(&whole) < 10.0, "the log does pass by home");
    let import = heron.import(&heron.write("a.nmea", log()), "Heron");
    let trimmed = import["files"][0]["trimmed"].as_u64().expect("a number");
    assert!(trimmed > 100 && trimmed < 1400, "{import}");
    assert!(nearest(&heron) > 400.0);
    // In the bytes: the entries of the whole log name the tile of home, these do not.
    assert!(holds(&sent(&whole).0, &tile_bytes()));
    assert!(!holds(&sent(&heron).0, &tile_bytes()));
    // Met over the network, the other side holds just that.
    let plover = Device::new();
    plover.join(&heron);
    meet(&heron, &plover);
    assert!(nearest(&plover) > 400.0);
    assert_eq!(plover.digest(), heron.digest());
}

#[test]
fn what_was_signed_before_is_held_back_and_can_be_given_again() {
    let heron = Device::new();
    heron.found("Testmere");
    heron.import(&heron.write("a.nmea", log()), "Heron");
    let said = heron.json(&["trim", "--near", HOME, "--radius", "300"]);
    let held = said["held_back_strips"].as_u64().expect("a number");
    assert!(held > 0, "{said}");
    let all = heron.json(&["status"])["strips"].as_u64().expect("a number");
    sent(&heron);
    let given =
        heron.json(&["parcel", "inspect", "look.parcel"])["holds"]["strips"].as_u64().expect("a number");
    assert_eq!(given + held, all);
    // A meeting gives neither the strips nor what is in them; the map here keeps all.
    let plover = Device::new();
    plover.join(&heron);
    let listener = Listener::start(&heron);
    plover.run(&["sync", "--with", &listener.address, "--once"]).says(0, &[]);
    drop(listener);
    assert!(nearest(&plover) > 300.0 && nearest(&heron) > 300.0);
    let here = heron.json(&["status"])["soundings"].as_u64();
    assert!(here > plover.json(&["status"])["soundings"].as_u64(), "the map here keeps all");
    assert_eq!(plover.json(&["status"])["wanted_strips"].as_u64(), Some(held));
    heron.run(&["trim", "--near", HOME, "--undo"]).says(0, &["Taken back"]);
    meet(&heron, &plover);
    assert!(nearest(&plover) < 10.0);
    heron.run(&["trim", "--near", HOME, "--undo"]).says(1, &["no such place"]);
    heron.run(&["trim", "--near", "48.2", "--radius", "10"]).says(1, &["--near"]);
    heron.run(&["trim", "--near", HOME, "--radius", "0"]).says(1, &["--radius"]);
}

fn mark(d: &Device, name: &str) -> Value {
    let list = d.json(&["mark", "list"]);
    let all = list["marks"].as_array().expect("marks");
    all.iter().find(|m| m["name"] == name).cloned().unwrap_or(Value::Null)
}

#[test]
fn marks_stay_here_until_they_are_shared() {
    let heron = Device::new();
    heron.found("Testmere");
    heron.import(&heron.write("a.nmea", log()), "Heron");
    let plover = Device::new();
    plover.join(&heron);
    let add = ["mark", "add", "hazard", "7.4200,48.2100", "--name", "Grandfathers anchor", "--depth", "0.8"];
    let id = heron.json(&add)["id"].as_str().expect("an id").to_owned();
    heron
        .run(&["mark", "add", "landing", "7.4210,48.2100", "--name", "north ramp", "--note", "steep"])
        .says(0, &[]);
    assert!(!holds(&sent(&heron).0, b"Grandfathers"));
    meet(&heron, &plover);
    assert_eq!(plover.json(&["mark", "list"])["marks"], serde_json::json!([]));
    heron.run(&["mark", "list"]).says(0, &["Grandfathers anchor", "0.80 m", "this device alone", "steep"]);
    heron.run(&["mark", "share", &id[..8]]).says(0, &["Shared 1"]);
    meet(&heron, &plover);
    let there = mark(&plover, "Grandfathers anchor");
    assert_eq!((&there["shared"], &there["kind"]), (&Value::Bool(true), &"hazard".into()));
    assert_eq!(there["depth_m"].as_f64(), Some(0.8));
    assert_eq!(mark(&plover, "north ramp"), Value::Null);
    // Exported in every vector format; the private one only when asked for.
    for ending in ["geojson", "kml", "gpx", "csv", "gpkg"] {
        let file = heron.file(&format!("marks.{ending}"));
        heron.run(&["export", "marks", "-o", text(&file)]).says(0, &[]);
        let bytes = std::fs::read(&file).expect("written");
        assert!(holds(&bytes, b"Grandfathers anchor") && !holds(&bytes, b"north ramp"), "{ending}");
        heron.run(&["export", "marks", "-o", text(&file), "--private"]).says(0, &[]);
        assert!(holds(&std::fs::read(&file).expect("written"), b"north ramp"), "{ending}");
    }
    // Removed by one, gone for both.
    let shared = there["id"].as_str().expect("an id").to_owned();
    plover.run(&["mark", "remove", &shared]).says(0, &["Removed hazard"]);
    meet(&heron, &plover);
    assert_eq!(mark(&heron, "Grandfathers anchor"), Value::Null);
    heron.run(&["mark", "share", "all"]).says(0, &["Shared 1"]);
    heron.run(&["mark", "share", "0123"]).says(1, &["there is no mark", "mark list"]);
    heron.run(&["mark", "add", "hazard", "97,98", "--name", "x"]).says(1, &["latitude"]);
}
