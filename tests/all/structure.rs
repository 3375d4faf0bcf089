//! Forms of the bed, by the real program.

use crate::home::Device;
use serde_json::Value;

/// Knots that make 0.002' of longitude a second at 48.21° N (2.476 m).
const KNOTS: f64 = 4.81;

/// A log of `lines` lines eastward and back, 18.5 m apart, 150 soundings each.
fn log(lines: u32, depth: impl Fn(f64, f64) -> f64) -> String {
    let mut out = String::new();
    for i in 0..lines * 150 {
        let (line, k) = (i / 150, i % 150);
        let step = if line % 2 == 0 { k } else { 149 - k };
        let (h, m, s) = (10 + i / 3600, i / 60 % 60, i % 60);
        let (east, north) = (f64::from(step) * 0.002, f64::from(line) * 0.01);
        let (lon, lat) = (24.78 + east, 12.6 + north);
        let course = if line % 2 == 0 { 90.0 } else { 270.0 };
        // 48.21° N: 1' of longitude is 1238.2 m, of latitude 1853.3 m.
        let d = depth(east * 1238.2, north * 1853.3);
        for body in [
            format!(
                "GPRMC,{h:02}{m:02}{s:02}.00,A,48{lat:07.4},N,007{lon:07.4},E,{KNOTS},{course:.1},040526,,,D"
            ),
            format!("GPGGA,{h:02}{m:02}{s:02}.00,48{lat:07.4},N,007{lon:07.4},E,2,09,0.9,340.0,M,47.0,M,,"),
            format!("SDDPT,{d:.2},0.0"),
        ] {
            let sum = body.bytes().fold(0, |a, b| a ^ b);
            out.push_str(&format!("${body}*{sum:02X}\r\n"));
        }
    }
    out
}

/// A hump of 3 m, 25 m wide (σ), 190 m east and 110 m north of the first sounding, on a bed of 7 m.
fn humped() -> Device {
    let d = Device::new();
    d.found("Testmere");
    d.run(&["boat", "set", "Heron", "--draft", "0", "--sound-speed", "1465.943", "--temperature", "15"])
        .says(0, &[]);
    for day in [1, 8] {
        let at = format!("2026-05-{day:02}T08:00Z");
        d.run(&["stage", "add", "--at", &at, "--level", "0"]).says(0, &[]);
    }
    let bed = |e: f64, n: f64| {
        let r2 = (e - 190.0).powi(2) + (n - 110.0).powi(2);
        7.0 - 3.0 * (-r2 / 1250.0).exp()
    };
    d.import(&d.write("a.nmea", log(13, bed)), "Heron");
    d
}

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap_or_else(|| panic!("a number: {v}"))
}

#[test]
fn a_hump_is_found_with_its_size() {
    let d = humped();
    let all = d.json(&["structure", "--stage", "0.5"]);
    let forms = all["forms"].as_array().expect("forms");
    let humps: Vec<&Value> = forms.iter().filter(|f| f["kind"] == "hump").collect();
    assert_eq!(humps.len(), 1, "{all}");
    let h = humps[0];
    // Half way of the log: 24.78' + 190/1238.2' east, 12.6' + 110/1853.3' north of 7° E, 48° N.
    let (lon, lat) = (7.0 + (24.78 + 190.0 / 1238.2) / 60.0, 48.0 + (12.6 + 110.0 / 1853.3) / 60.0);
    assert!((number(&h["at"][0]) - lon).abs() * 74_300.0 < 8.0, "{h} {lon}");
    assert!((number(&h["at"][1]) - lat).abs() * 111_200.0 < 8.0, "{h} {lat}");
    // At stage 0.5 m its top is 4.5 m deep; the beam and the averaging take a little off.
    assert!((number(&h["shoal_m"]) - 4.5).abs() < 0.3, "{h}");
    assert!((number(&h["relief_m"]) - 3.0).abs() < 0.5, "{h}");
    // By hand: 2 π ln 2 σ² at half its height.
    assert!((number(&h["area_m2"]) / 2722.0 - 1.0).abs() < 0.25, "{h}");
    assert!(number(&h["visits"]) >= 2.0 && h["open"] == false && h["disputed"] == false);
    d.run(&["structure"]).says(0, &["hump 1", "relief, m", "sounding datum", "stands out"]);
    d.run(&["structure", "--units", "ft"]).says(0, &["relief, ft"]);
    d.run(&["structure", "--kind", "hole", "--scale", "fine"]).says(0, &["by more than the depths' own"]);
    d.run(&["structure", "-o", "f.svg"]).says(0, &["f.svg"]);
    let svg = std::fs::read_to_string(d.file("f.svg")).expect("written");
    assert!(svg.contains("hump 1") && svg.contains("Heron") && svg.contains("Not for navigation"));
    d.run(&["structure", "-o", "f.png", "--json"]).says(0, &["f.png"]);
    d.run(&["structure", "--kind", "hump", "-o", "f.geojson"]).says(0, &["f.geojson"]);
    let file = std::fs::read_to_string(d.file("f.geojson")).expect("written");
    let file: Value = serde_json::from_str(&file).expect("JSON");
    // RFC 7946 §3.1.6: rings are closed and the outer one runs counter-clockwise.
    let ring = file["features"][1]["geometry"]["coordinates"][0].as_array().expect("a ring");
    let at = |k: usize, i: usize| number(&ring[k][i]) - number(&ring[0][i]);
    let twice: f64 = (1..ring.len()).map(|k| at(k - 1, 0) * at(k, 1) - at(k, 0) * at(k - 1, 1)).sum();
    assert!(twice > 0.0 && ring.first() == ring.last() && ring.len() > 8, "{file}");
    assert_eq!(file["features"][0]["properties"]["name"], "hump 1");
    assert!(file["leadline"]["caution"].as_str().is_some_and(|c| c.contains("not for navigation")), "{file}");
    let far = d.write("far.csv", "lon,lat\n7.4125,48.20\n7.4135,48.20\n7.4135,48.22\n7.4125,48.22\n");
    let part = d.json(&["structure", "--area", far.to_str().expect("UTF-8")]);
    assert_eq!(part["forms"].as_array().map(Vec::len), Some(0), "the hump lies east of the area: {part}");
}

#[test]
fn structure_says_no_with_the_next_step() {
    let d = Device::new();
    d.found("Testmere");
    d.run(&["structure"]).says(1, &["no depths yet", "leadline import"]);
    let d = humped();
    d.run(&["structure", "--most", "0"]).says(1, &["--most", "between 1 and"]);
    d.run(&["structure", "--stage", "NaN"]).says(1, &["--stage"]);
    d.run(&["structure", "-o", "f.doc"]).says(1, &["f.doc", ".geojson, .png"]);
    d.run(&["structure", "--area", "none.geojson"]).says(1, &["none.geojson"]);
    assert!(!d.file("f.doc").exists());
}
