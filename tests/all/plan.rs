//! `plan` by the real program.

use crate::chart_tools::{known_boat, number, survey_log};
use crate::home::Device;
use serde_json::Value;

/// About 300 m square.
const BOX: &str = "lon,lat\n7.4130,48.2100\n7.4170,48.2100\n7.4170,48.2127\n7.4130,48.2127\n";

fn legs<'a>(plan: &'a Value, kind: &str) -> Vec<&'a Value> {
    plan["legs"].as_array().expect("legs").iter().filter(|l| l["kind"] == kind).collect()
}

#[test]
fn a_first_day_on_drawn_water() {
    let d = Device::new();
    d.found("Blankmere");
    let area = d.write("box.csv", BOX);
    let area = area.to_str().expect("UTF-8");
    let p = d.json(&["plan", "--area", area, "--spacing", "50", "--start", "7.4131,48.2101", "--speed", "2"]);
    // 297 m by 300 m: six lines of about 297 m, 50 m apart; everything unknown; back to the start at the end.
    assert_eq!(legs(&p, "main line").len(), 6, "{p:#}");
    assert!((number(&p["main_m"]) / (6.0 * 298.0) - 1.0).abs() < 0.04, "{p:#}");
    assert!((number(&p["seconds"]) - number(&p["total_m"]) / 2.0).abs() < 1e-6);
    assert!((number(&p["unknown_m"]) / number(&p["total_m"]) - 1.0).abs() < 1e-6);
    let all = p["legs"].as_array().expect("legs");
    let (first, last) =
        (&all[0]["coordinates"][0], all[all.len() - 1]["coordinates"].as_array().expect("places"));
    assert_eq!(Some(first), last.last());
    d.run(&["plan", "--area", area]).says(0, &["go slow, look out", "25 m apart", "nothing said: --draft"]);
    let crossed = d.json(&["plan", "--area", area, "--cross", "--direction", "90"]);
    assert!(number(&crossed["cross_m"]) > 250.0 && (number(&crossed["axis_deg"]) - 90.0).abs() < 1e-9);
    d.run(&["plan", "--area", area, "-o", "p.svg", "-o", "p.png", "-o", "p.gpx"])
        .says(0, &["p.svg", "p.gpx"]);
    let gpx = std::fs::read_to_string(d.file("p.gpx")).expect("written");
    assert_eq!((gpx.matches("<rte>").count(), gpx.matches("<trk>").count()), (1, 2 * 12 - 1), "{gpx}");
    let svg = std::fs::read_to_string(d.file("p.svg")).expect("written");
    for words in ["Blankmere: what to drive", "Not for navigation", "go slow", "zero of the test gauge"] {
        assert!(svg.contains(words), "{words}");
    }
}

#[test]
fn the_weak_spots_of_a_survey() {
    let d = Device::new();
    d.found("Stripemere");
    known_boat(&d, "Heron");
    d.run(&["stage", "add", "--at", "2026-05-04T08:00Z", "--level", "0"]).says(0, &[]);
    // 37 m apart over 4 m at the southern and 0.5 m at the northern end.
    let bed = |e: f64, n: f64| 4.0 - n * 0.0135 + (e * 0.5).sin() * 0.02;
    d.import(&d.write("a.nmea", survey_log(4, 8, 20, bed)), "Heron");
    let p = d.json(&["plan", "--draft", "0.7"]);
    let weak = d.json(&["coverage"])["weak"].as_array().expect("a list").clone();
    let missed = p["not_reached"].as_array().expect("a list");
    assert!(legs(&p, "touch-up").len() + missed.len() >= weak.len(), "{p:#}");
    assert!(missed.iter().any(|m| m["why"].as_str().is_some_and(|w| w.contains("too shoal"))), "{p:#}");
    assert!(number(&p["least_depth_m"]) >= 1.0 && number(&p["unknown_m"]) < 1.0);
    // With more water under it, the boat gets everywhere.
    let high = d.json(&["plan", "--draft", "0.7", "--stage", "1"]);
    assert_eq!(high["not_reached"].as_array().map(Vec::len), Some(0), "{high:#}");
    assert!(number(&high["total_m"]) > number(&p["total_m"]));
    d.run(&["plan", "--draft", "0.7"]).says(0, &["Not reached:", "it needs 1.00 m", "touch-up"]);
}

#[test]
fn plan_says_no_with_the_next_step() {
    let d = Device::new();
    d.found("Blankmere");
    d.run(&["plan"]).says(1, &["no water to plan for", "--area"]);
    d.run(&["plan", "--speed", "12"]).says(1, &["--speed 12", "no sounding counts"]);
    d.run(&["plan", "--spacing", "0"]).says(1, &["--spacing 0"]);
    d.run(&["plan", "--draft", "-1"]).says(2, &[]);
    d.run(&["plan", "--draft=-1"]).says(1, &["--draft -1"]);
    d.run(&["plan", "--start", "48"]).says(1, &["--start 48"]);
    d.run(&["plan", "--weak"]).says(2, &["--area"]);
    let area = d.write("box.csv", BOX);
    let area = area.to_str().expect("UTF-8");
    d.run(&["plan", "--area", area, "--spacing", "1", "--cross"]).says(0, &["main line"]);
    let wide = d.write("wide.csv", "lon,lat\n7,48\n7.5,48\n7.5,48.3\n7,48.3\n");
    d.run(&["plan", "--area", wide.to_str().expect("UTF-8")]).says(1, &["too large", "--area"]);
    d.run(&["plan", "--area", area, "-o", "p.doc"]).says(1, &["p.doc", ".gpx"]);
    d.run(&["plan", "--area", area, "-o", "p.csv"]).says(1, &["do not fit into a table"]);
}
