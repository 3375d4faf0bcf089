//! Questions to the chart: volume, coverage, change, structure; by the real program.

use crate::home::Device;
use serde_json::Value;

/// Knots that make 0.002' of longitude a second at 48.21° N (2.476 m).
const KNOTS: f64 = 4.81;

/// NMEA lines of a boat that drives `lines` lines eastward and back, `apart` thousandths of a minute of latitude from
/// each other, 150 soundings each, on a day of May 2026. `depth` takes metres east and north of the first sounding.
pub(crate) fn survey_log(day: u32, lines: u32, apart: u32, depth: impl Fn(f64, f64) -> f64) -> String {
    let mut out = String::new();
    for i in 0..lines * 150 {
        let (line, k) = (i / 150, i % 150);
        let step = if line % 2 == 0 { k } else { 149 - k };
        let (h, m, s) = (10 + i / 3600, i / 60 % 60, i % 60);
        let east = f64::from(step) * 0.002;
        let north = f64::from(line * apart) / 1000.0;
        let (lon, lat) = (24.78 + east, 12.6 + north);
        let course = if line % 2 == 0 { 90.0 } else { 270.0 };
        // 48.21° N: 1' of longitude is 1238.2 m, of latitude 1853.3 m.
        let d = depth(east * 1238.2, north * 1853.3);
        for body in [
            format!(
                "GPRMC,{h:02}{m:02}{s:02}.00,A,48{lat:07.4},N,007{lon:07.4},E,{KNOTS},{course:.1},{day:02}0526,,,D"
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

/// Draft 0, sounder and water at 1465.943 m/s (15 °C), the gauge at zero all month: depths come in as they are.
pub(crate) fn known_boat(d: &Device, boat: &str) {
    d.run(&["boat", "set", boat, "--draft", "0", "--sound-speed", "1465.943", "--temperature", "15"])
        .says(0, &[]);
}

pub(crate) fn number(v: &Value) -> f64 {
    v.as_f64().unwrap_or_else(|| panic!("a number: {v}"))
}

pub(crate) fn flat_mere() -> Device {
    let d = Device::new();
    d.found("Testmere");
    known_boat(&d, "Heron");
    for day in [1, 12, 24] {
        let at = format!("2026-05-{day:02}T08:00Z");
        d.run(&["stage", "add", "--at", &at, "--level", "0"]).says(0, &[]);
    }
    // Slopes from 4 m in the south to 6 m in the north.
    d.import(
        &d.write("a.nmea", survey_log(4, 12, 10, |e, n| 4.0 + n * 0.01 + (e * 0.5).sin() * 0.03)),
        "Heron",
    );
    d
}

#[test]
fn volume_of_a_sloping_bed() {
    let d = flat_mere();
    let v = d.json(&["volume", "--from", "-4.5", "--to", "1", "--step", "0.5"]);
    let rows = v["rows"].as_array().expect("rows");
    assert_eq!(rows.len(), 12);
    let last = &rows[11];
    // 149 x 2.476 m by 11 x 18.53 m, at stage 1 m: mean depth 4 + 0.01 · 101.9 + 1 m (by hand).
    let area = 149.0 * 2.4764 * 11.0 * 18.533;
    assert!((number(&last["area_m2"]["best"]) / area - 1.0).abs() < 0.06, "{last} {area}");
    assert!((number(&last["mean_depth_m"]) - 6.02).abs() < 0.1, "{last}");
    assert_eq!(last["open_rim"], 1.0);
    assert!(number(&last["volume_m3"]["low95"]) < number(&last["volume_m3"]["best"]));
    assert!(number(&v["unknown_m2"]) >= 0.0);
    d.run(&["volume"]).says(0, &["volume, m³", "rim under water", "Unknown"]);
    d.run(&["volume", "--units", "ft"]).says(0, &["stage, ft"]);
    d.run(&["volume", "-o", "v.csv"]).says(0, &["v.csv"]);
    let csv = std::fs::read_to_string(d.file("v.csv")).expect("written");
    assert!(csv.contains("stage_m,area_m2") && csv.contains("not for navigation"));
    d.run(&["volume", "-o", "v.svg"]).says(0, &[]);
    assert!(std::fs::read_to_string(d.file("v.svg")).expect("written").starts_with("<svg"));
    d.run(&["volume", "-o", "v.png"]).says(0, &[]);
    let half = "lon,lat\n7.4125,48.20\n7.415,48.20\n7.415,48.22\n7.4125,48.22\n";
    let part = d.json(&["volume", "--area", d.write("half.csv", half).to_str().expect("UTF-8")]);
    assert!(number(&part["known_m2"]) < 0.9 * number(&v["known_m2"]), "{part}");
}

#[test]
fn volume_says_no_with_the_next_step() {
    let d = Device::new();
    d.found("Testmere");
    d.run(&["volume"]).says(1, &["no depths yet", "leadline import"]);
    let d = flat_mere();
    d.run(&["volume", "-o", "v.doc"]).says(1, &[".csv, .svg or .png"]);
    d.run(&["volume", "--from", "2", "--to", "1"]).says(1, &["no stage between"]);
    d.run(&["volume", "--step", "0"]).says(1, &["--step"]);
    d.run(&["volume", "--from", "NaN"]).says(1, &["--from"]);
    d.run(&["volume", "--from", "-9", "--to", "9", "--step", "0.001"]).says(1, &["larger --step"]);
    let far = d.write("far.csv", "lon,lat\n1,1\n1.001,1\n1.001,1.001\n");
    d.run(&["volume", "--area", far.to_str().expect("UTF-8")]).says(1, &["nothing is known inside"]);
}

/// Waves of 2 m over 140 m across tracks 37 m apart: asked half way between two of them. By hand: straight lines cut
/// a crest by 2 (1 − cos(18.5 m / 22 m)) = 0.67 m.
#[test]
fn learned_depths_are_nearer_than_straight_ones() {
    let bed = |n: f64| 6.0 + 2.0 * (n / 22.0).sin();
    let d = Device::new();
    d.found("Testmere");
    known_boat(&d, "Heron");
    d.run(&["stage", "add", "--at", "2026-05-04T08:00Z", "--level", "0"]).says(0, &[]);
    d.import(&d.write("a.nmea", survey_log(4, 16, 20, |_, n| bed(n))), "Heron");
    // 37.066 m of latitude a track, 2.476 m of longitude a sounding.
    let half_way = |k: u32| (f64::from(k % 13 + 1) + 0.5) * 37.066;
    let mut points = String::from("lon,lat\n");
    for k in 0..130 {
        let (lon, lat) = (7.4145 + f64::from(k) * 1e-5, 48.21 + half_way(k) / 1853.3 / 60.0);
        points.push_str(&format!("{lon:.7},{lat:.7}\n"));
    }
    d.write("points.csv", points);
    let wrong = |way: &[&str]| {
        let ran = d.run(&[&["depth", "--points", "points.csv"], way].concat());
        let mut rows = ran.says(0, &["depth_m"]).out.lines();
        let column = rows.next().expect("a head").split(',').position(|c| c == "depth_m").expect("depths");
        let off = |(k, row): (u32, &str)| {
            let told: f64 = row.split(',').nth(column).expect("a cell").parse().expect("a depth");
            (told - bed(half_way(k))).powi(2)
        };
        (0..).zip(rows).map(off).sum::<f64>()
    };
    let (learned, straight) = (wrong(&[]), wrong(&["--between", "straight"]));
    assert_eq!(learned.to_bits(), wrong(&["--between", "learned"]).to_bits());
    assert!(learned < 0.5 * straight, "{learned} against {straight}");
    d.run(&["depth", "--at", "7.4145,48.2101", "--between", "wavy"]).says(2, &["learned", "straight"]);
}
