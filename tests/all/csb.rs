//! `export csb`, by the real program: what is given away, and what never is.

use crate::chart_tools::{known_boat, survey_log};
use crate::home::{Device, meet, two_boats};
use serde_json::Value;

const WHO: [&str; 6] = ["export", "csb", "-o", "csb.json", "--provider", "Our Club"];
const MAIL: [&str; 2] = ["--email", "depths@example.org"];
const AGREED: &str = "--i-own-these-and-agree-to-cc0";

fn written(d: &Device) -> Value {
    serde_json::from_slice(&std::fs::read(d.file("csb.json")).expect("written")).expect("JSON")
}

fn heron() -> Device {
    let d = Device::new();
    d.found("Testmere");
    known_boat(&d, "Heron");
    d.import(&d.write("a.nmea", survey_log(4, 2, 10, |e, _| 4.0 + e * 0.01)), "Heron");
    d
}

#[test]
fn only_with_consent_and_without_the_name() {
    let d = heron();
    let ask = [&WHO[..], &MAIL, &["--boat", "Heron"]].concat();
    d.run(&ask).says(1, &["CC0 1.0", "cannot take them back", AGREED]);
    assert!(!d.file("csb.json").exists());
    let said = d.json(&[&ask[..], &[AGREED]].concat());
    let v = written(&d);
    let points = v["features"].as_array().expect("features");
    assert_eq!(said["soundings"].as_u64(), Some(points.len() as u64));
    assert!(points.len() > 250, "{}", points.len());
    let node = &v["properties"]["trustedNode"];
    assert_eq!(node["dataLicense"], "CC0 1.0");
    assert_eq!(node["verticalReferenceOfDepth"], "Transducer");
    assert!(node["uniqueVesselID"].as_str().expect("an id").starts_with("OURCLUB-"));
    assert!(!v.to_string().contains("Heron"), "the name stays at home");
    // As measured: 4.00 m at the first sounding, whatever draft or stage is said.
    assert_eq!(points[0]["properties"]["depth"], 4.0);
    let time = points[0]["properties"]["time"].as_str().expect("a time");
    assert!(time.starts_with("2026-05-04T10:00:00.") && time.len() == 24, "{time}");

    // The id stays with the boat, under another name too; another boat has another.
    d.run(&["boat", "rename", "Heron", "Grey Heron"]).says(0, &[]);
    let again = d.json(&[&WHO[..], &MAIL, &["--boat", "Grey Heron", "--name-vessel", AGREED]].concat());
    assert_eq!(again["vessel_id"], said["vessel_id"]);
    assert_eq!(written(&d)["properties"]["platform"]["name"], "Grey Heron");
}

#[test]
fn what_lies_near_home_stays_there() {
    let d = heron();
    let all = d.json(&[&WHO[..], &MAIL, &["--boat", "Heron", AGREED]].concat());
    let part = d
        .json(&[&WHO[..], &MAIL, &["--boat", "Heron", AGREED, "--skip-near", "7.4130,48.2100,120"]].concat());
    let count = |v: &Value, key: &str| v[key].as_u64().expect("a number");
    assert!(count(&part, "kept_back") > 60, "{part}");
    assert_eq!(count(&part, "soundings") + count(&part, "kept_back"), count(&all, "soundings"));
    let near = written(&d)["features"].as_array().expect("features").iter().any(|f| {
        let c = &f["geometry"]["coordinates"];
        let (e, n) = (
            (c[0].as_f64().expect("lon") - 7.413) * 74_292.0,
            (c[1].as_f64().expect("lat") - 48.21) * 111_198.0,
        );
        e.hypot(n) < 118.0
    });
    assert!(!near);
}

#[test]
fn another_device_s_soundings_are_not_given_away() {
    let (heron, plover) = two_boats();
    meet(&heron, &plover);
    let ask = |boat| [&WHO[..], &MAIL, &["--boat", boat, AGREED]].concat();
    heron.run(&ask("Plover")).says(1, &["Only the device that read the logs", "theirs to give"]);
    plover.run(&ask("Plover")).says(0, &["csb.json"]);
    heron.run(&ask("Wren")).says(1, &["no soundings of boat Wren"]);
}

#[test]
fn wrong_words_are_refused() {
    let d = heron();
    let with = |more: &[&'static str]| [&WHO[..], &["--boat", "Heron", AGREED], more].concat();
    d.run(&with(&["--email", "nobody"])).says(1, &["email", "depths@example.org"]);
    d.run(&with(&["--email", "a@b.org", "--node", "1-2"])).says(1, &["node", "letters and digits"]);
    d.run(&with(&["--email", "a@b.org", "--skip-near", "7,48"])).says(1, &["--skip-near"]);
    d.run(&with(&["--email", "a@b.org", "--skip-near", "7,48,1e9"])).says(1, &["metres 1 to"]);
    d.run(&with(&["--email", "a@b.org", "--skip-near", "7.413,48.21,5000"]))
        .says(1, &["keeps every sounding"]);
    assert!(!d.file("csb.json").exists());
}
