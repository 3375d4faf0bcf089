//! `compare`, by the real program: a bar that moves between two surveys, and what is no comparison.

use crate::chart_tools::{known_boat, number, survey_log};
use crate::home::Device;
use serde_json::Value;

/// A Gauss hill of 0.9 m, 12 m by 25 m (standard deviations), at metres east and north of the first sounding.
fn bar(e: f64, n: f64, at: (f64, f64)) -> f64 {
    let (x, y) = ((e - at.0) / 12.0, (n - at.1) / 25.0);
    0.9 * (-(x * x + y * y) / 2.0).exp()
}

fn bed(e: f64, n: f64) -> f64 {
    4.0 + n * 0.01 + 0.2 * (e / 40.0).sin()
}

const WAS: (f64, f64) = (120.0, 100.0);
const IS: (f64, f64) = (190.0, 100.0);

/// Surveyed by Heron on 4 May 2026 and by Plover on 14 May, between the tracks of the first: the bar has moved 70 m east.
fn moved_bar() -> Device {
    let d = Device::new();
    d.found("Testmere");
    known_boat(&d, "Heron");
    known_boat(&d, "Plover");
    for day in [1, 12, 24] {
        let at = format!("2026-05-{day:02}T08:00Z");
        d.run(&["stage", "add", "--at", &at, "--level", "0"]).says(0, &[]);
    }
    d.import(&d.write("a.nmea", survey_log(4, 24, 5, |e, n| bed(e, n) - bar(e, n, WAS))), "Heron");
    d.import(&d.write("b.nmea", survey_log(14, 24, 5, |e, n| bed(e, n) - bar(e, n, IS))), "Plover");
    d
}

fn only(v: &Value) -> &Value {
    let all = v["comparisons"].as_array().expect("a list");
    assert_eq!(all.len(), 1, "{v}");
    &all[0]
}

#[test]
fn a_bar_that_moved() {
    let d = moved_bar();
    let v = d.json(&["compare", "--split", "2026-05-10"]);
    let c = only(&v);
    // 149 · 2.476 m by 23 · 9.27 m.
    assert!((number(&c["common_m2"]) / (369.0 * 213.0) - 1.0).abs() < 0.05, "{c}");
    // 2 π · 12 · 25 · 0.9 m = 1696 m³ went, and came.
    for kind in ["scour", "fill"] {
        let v = &c[kind]["volume_m3"];
        assert!(number(&v["low95"]) < 1696.0 && 1696.0 < number(&v["high95"]), "{kind}: {v}");
        assert!((number(&v["best"]) / 1696.0 - 1.0).abs() < 0.35, "{kind}: {v}");
        assert_eq!(c[kind]["patches"], 1, "{c}");
    }
    let moved = &c["moved"][0];
    assert!((number(&moved["distance_m"]) - 70.0).abs() < 8.0, "{moved}");
    assert!((number(&moved["toward_deg"]) - 90.0).abs() < 8.0, "{moved}");
    assert_eq!(c["patches"][0]["notable"], true);
    assert_eq!(c["shift"]["more_than_chance"].as_bool().map(|_| ()), Some(()));
    assert!(number(&c["shift"]["shift_m"]).abs() < 0.03, "{c}");
    // The other ways to say the same two sides; boats the other way round change the sign.
    let same = d.json(&["compare", "--before", "2026-05-10", "--after", "2026-05-10T00:00Z"]);
    assert_eq!(only(&same)["patches"], c["patches"]);
    let back = d.json(&["compare", "--boats", "Plover,Heron"]);
    assert_eq!(only(&back)["fill"]["volume_m3"], c["scour"]["volume_m3"]);
    d.run(&["compare", "--split", "2026-05-10"]).says(
        0,
        &["Earlier: soundings before 2026-05-10", "Heron", "a bar may have moved", "Known by both", "scour"],
    );
}

#[test]
fn pictures_and_layers() {
    let d = moved_bar();
    d.run(&["compare", "--split", "2026-05-10", "-o", "c.svg"]).says(0, &["c.svg"]);
    let svg = std::fs::read_to_string(d.file("c.svg")).expect("written");
    assert!(svg.contains("fill: shoaler") && svg.contains("zero of the test gauge"));
    assert!(svg.contains("Not for navigation") && svg.contains("Plover") && svg.contains("2026-05-14"));
    d.run(&["compare", "--split", "2026-05-10", "-o", "c.png", "--units", "ft"]).says(0, &[]);
    d.run(&["compare", "--split", "2026-05-10", "-o", "c.geojson", "--stage", "1"]).says(0, &[]);
    let json: Value =
        serde_json::from_slice(&std::fs::read(d.file("c.geojson")).expect("written")).expect("JSON");
    let features = json["features"].as_array().expect("features");
    let of = |kind: &str| features.iter().filter(|f| f["geometry"]["type"] == kind).count();
    assert!(of("Point") > 3000 && of("MultiPolygon") == 2 && of("MultiLineString") == 1);
    let deep = features.iter().filter_map(|f| f["properties"]["before_m"].as_f64());
    assert!(deep.fold(f64::INFINITY, f64::min) > 3.5, "the stage is added");
    d.run(&["compare", "--split", "2026-05-10", "-o", "c.csv"]).says(0, &[]);
    let csv = std::fs::read_to_string(d.file("c.csv")).expect("written");
    assert!(csv.lines().any(|l| l.contains("change_m,change95_m,proven")) && csv.contains("scour"));
}

#[test]
fn what_is_no_comparison_is_refused_with_the_next_step() {
    let d = moved_bar();
    d.run(&["compare"]).says(1, &["--split DATE", "--years"]);
    d.run(&["compare", "--split", "May"]).says(1, &["--split", "2026-05-01T10:00:00Z"]);
    d.run(&["compare", "--split", "2027-01-01"]).says(1, &["no accepted depths", "Heron, Plover"]);
    d.run(&["compare", "--before", "2026-05-12", "--after", "2026-05-10"]).says(1, &["on both sides"]);
    d.run(&["compare", "--before", "2026-05-12"]).says(2, &["--after"]);
    d.run(&["compare", "--boats", "Heron"]).says(1, &["a comma between"]);
    d.run(&["compare", "--boats", "Heron,Heron"]).says(1, &["two names"]);
    d.run(&["compare", "--boats", "Heron,Wren"]).says(1, &["boat Wren", "Heron, Plover"]);
    d.run(&["compare", "--years"]).says(1, &["all soundings are of 2026", "--split"]);
    d.run(&["compare", "--split", "2026-05-10", "-o", "c.doc"]).says(1, &["c.doc"]);
    let far = d.write("far.csv", "lon,lat\n1,1\n1.001,1\n1.001,1.001\n");
    d.run(&["compare", "--split", "2026-05-10", "--area", far.to_str().expect("UTF-8")])
        .says(1, &["nowhere both at once"]);
    let empty = Device::new();
    empty.found("Testmere");
    empty.run(&["compare", "--split", "2026-05-10"]).says(1, &["no depths yet"]);
    empty.run(&["compare", "--years"]).says(1, &["no depths yet"]);
}
