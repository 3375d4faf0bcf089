//! `coverage` by the real program.

use crate::chart_tools::{known_boat, number, survey_log};
use crate::home::Device;
use serde_json::Value;

/// Lines 0.02' of latitude (37 m) apart and 369 m long over a flat bed of 5 m: holidays between all of them.
fn striped_mere() -> Device {
    let d = Device::new();
    d.found("Stripemere");
    known_boat(&d, "Heron");
    d.run(&["stage", "add", "--at", "2026-05-04T08:00Z", "--level", "0"]).says(0, &[]);
    let bed = |e: f64, _: f64| 5.0 + (e * 0.5).sin() * 0.03;
    d.import(&d.write("a.nmea", survey_log(4, 8, 20, bed)), "Heron");
    d
}

fn weak<'a>(c: &'a Value, what: &str) -> Vec<&'a Value> {
    c["weak"].as_array().expect("a list").iter().filter(|w| w["what"] == what).collect()
}

#[test]
fn holidays_between_lines_too_far_apart() {
    let d = striped_mere();
    let c = d.json(&["coverage"]);
    // 37.1 m between lines, 25 m allowed at 5 m: bands of 12.1 m, seven of them 369 m long (by hand).
    assert_eq!(weak(&c, "holiday").len(), 7, "{c:#}");
    assert!((number(&c["holiday_m2"]) / (7.0 * 12.1 * 369.0) - 1.0).abs() < 0.2, "{c:#}");
    let shares = &c["grades_m2"];
    let sum: f64 = ["sure", "fair", "loose", "unknown"].iter().map(|g| number(&shares[*g])).sum();
    assert!((sum / number(&c["area_m2"]) - 1.0).abs() < 1e-6);
    assert!((number(&c["lines"]["main_axis_deg"]) - 90.0).abs() < 1.0);
    assert!((number(&c["lines"]["across"]["median_m"]) - 37.07).abs() < 0.5, "{c:#}");
    assert!((number(&c["lines"]["along"]["median_m"]) - 2.476).abs() < 0.1);
    assert_eq!(number(&c["lines"]["cross_share"]), 0.0);
    // Ten metres more water: 3 × 15 m = 45 m are allowed.
    assert_eq!(number(&d.json(&["coverage", "--stage", "10"])["holiday_m2"]), 0.0);
    d.run(&["coverage"]).says(0, &["No shore was drawn", "holiday", "Cross lines: 0.0 %", "no stage given"]);
    d.run(&["coverage", "--units", "ft"]).says(0, &["ft deep"]);
}

#[test]
fn drawn_water_counts_what_nobody_sounded() {
    let d = striped_mere();
    let wide = "lon,lat\n7.410,48.208\n7.422,48.208\n7.422,48.214\n7.410,48.214\n";
    let area = d.write("wide.csv", wide);
    let c = d.json(&["coverage", "--area", area.to_str().expect("UTF-8")]);
    assert_eq!(c["drawn"], true);
    assert!(number(&c["grades_m2"]["unknown"]) > 0.5 * number(&c["area_m2"]), "{c:#}");
    // The same with an island of a quarter of it, as a shore is drawn.
    let ring =
        |w: f64, s: f64, e: f64, n: f64| format!("[[{w},{s}],[{e},{s}],[{e},{n}],[{w},{n}],[{w},{s}]]");
    let rings = format!("{},{}", ring(7.41, 48.208, 7.422, 48.214), ring(7.413, 48.2095, 7.419, 48.2125));
    let island = d.write("island.geojson", format!(r#"{{"type":"Polygon","coordinates":[{rings}]}}"#));
    let less = d.json(&["coverage", "--area", island.to_str().expect("UTF-8")]);
    assert!((number(&less["area_m2"]) / number(&c["area_m2"]) - 0.75).abs() < 0.01, "{less:#}");
    for name in ["c.svg", "c.png", "c.geojson", "c.gpkg", "c.kml", "c.gpx", "c.csv"] {
        d.run(&["coverage", "--area", "wide.csv", "-o", name]).says(0, &[name]);
    }
    let svg = std::fs::read_to_string(d.file("c.svg")).expect("written");
    for words in
        ["Stripemere: coverage", "Not for navigation", "zero of the test gauge", "Heron", "2026-05-04"]
    {
        assert!(svg.contains(words), "{words}");
    }
    let csv = std::fs::read_to_string(d.file("c.csv")).expect("written");
    assert!(csv.lines().count() == 1 + weak(&c, "holiday").len() && csv.contains("holiday"), "{csv}");
    let json: Value =
        serde_json::from_slice(&std::fs::read(d.file("c.geojson")).expect("written")).expect("JSON");
    let all = json["features"].as_array().expect("features");
    let spots = all.iter().filter(|f| f["properties"]["what"] == "holiday");
    assert_eq!(spots.count(), 2 * weak(&c, "holiday").len(), "an area and a place each");
    // A drawn water before the first sounding: all of it is one holiday.
    let empty = Device::new();
    empty.found("Blankmere");
    let c = empty.json(&["coverage", "--area", area.to_str().expect("UTF-8")]);
    assert_eq!(c["holiday_m2"], c["area_m2"]);
    assert_eq!(weak(&c, "holiday")[0]["widest_m"], Value::Null);
}

#[test]
fn coverage_says_no_with_the_next_step() {
    let d = Device::new();
    d.found("Stripemere");
    d.run(&["coverage"]).says(1, &["no depths yet", "leadline import"]);
    d.run(&["coverage", "--beam", "0"]).says(1, &["--beam 0", "0.5 to 90"]);
    d.run(&["coverage", "--stage", "NaN"]).says(1, &["--stage"]);
    d.run(&["coverage", "-o", "c.doc"]).says(1, &["c.doc"]);
    let dot = d.write("dot.csv", "lon,lat\n7.41,48.21\n7.4100001,48.21\n7.4100001,48.2100001\n");
    d.run(&["coverage", "--area", dot.to_str().expect("UTF-8")]).says(1, &["not one cell", "larger"]);
}
