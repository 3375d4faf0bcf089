//! What people decide and state, by the real program: verdicts, names of boats, gauges, water. Whatever was decided on
//! one device holds on the other, to the byte.

use crate::home::{self, Device, meet, small_log, small_log_on};
use serde_json::Value;

/// Two boats that have met.
fn two_boats() -> (Device, Device) {
    let (heron, plover) = home::two_boats();
    meet(&heron, &plover);
    (heron, plover)
}

/// The bytes of the map: cells and chart.
#[derive(PartialEq)]
struct Map {
    cells: String,
    chart: Vec<u8>,
}

/// A failed comparison should not print them.
impl std::fmt::Debug for Map {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} cells, {} bytes of chart", self.cells.lines().count(), self.chart.len())
    }
}

fn map(d: &Device) -> Map {
    let cells = d.run(&["export", "cells", "--as", "csv"]);
    cells.says(0, &[]);
    d.run(&["chart", "--stage", "0.3", "-o", "map.svg"]).says(0, &[]);
    Map { cells: cells.out.clone(), chart: std::fs::read(d.file("map.svg")).expect("written") }
}

/// Longitude and latitude of each cell of an export.
fn places(cells: &str) -> Vec<(f64, f64)> {
    let number = |t: Option<&str>| t.and_then(|t| t.parse().ok()).expect("a number");
    let place = |row: &str| {
        let mut fields = row.split(',');
        (number(fields.next()), number(fields.next()))
    };
    cells.lines().skip(1).map(place).collect()
}

fn conflicts(d: &Device) -> Vec<String> {
    let list = d.json(&["status"])["conflicts"].clone();
    list.as_array().expect("a list").iter().map(|c| c.as_str().expect("words").to_owned()).collect()
}

/// Seconds 400 to 600 of the track.
const AREA: &str = r#"{"type":"Feature","properties":{},"geometry":{"type":"Polygon","coordinates":
    [[[7.42367,48.2090],[7.4290,48.2090],[7.4290,48.2115],[7.42367,48.2115],[7.42367,48.2090]]]}}"#;

/// Leaves out on one device, meets, takes back on the other, meets: the same bytes on both each time, and at the end
/// those from before. Returns what was said when leaving out, and the cells that were left.
fn there_and_back(scope: &[&str]) -> (Value, String) {
    let (heron, plover) = two_boats();
    for d in [&heron, &plover] {
        d.write("area.geojson", AREA);
    }
    let before = map(&heron);
    assert_eq!(map(&plover), before);
    let out = heron.json(&[&["leave-out", "--why", "weed, not bottom"], scope].concat());
    meet(&heron, &plover);
    let without = map(&heron);
    assert!(without.cells != before.cells, "something is left out");
    assert_eq!(map(&plover), without);
    // The other device names who, when and why.
    let listed = plover.json(&["leave-out", "--list"]);
    let verdict = &listed["verdicts"][0];
    assert_eq!(verdict["decision"], "leave-out", "{listed}");
    assert_eq!(verdict["why"], "weed, not bottom");
    assert_eq!(verdict["device"], heron.json(&["status"])["device"]);
    assert!(verdict["by"].is_string() && verdict["claimed"].is_string(), "{listed}");
    plover.run(&[&["take-back", "--why", "it was bottom"], scope].concat()).says(0, &["Taken back"]);
    meet(&heron, &plover);
    assert_eq!(map(&heron), before, "taking back restores every byte");
    assert_eq!(map(&plover), before);
    assert_eq!(conflicts(&heron), [] as [&str; 0]);
    // It can be left out again, and by its id taken back again.
    let again = heron.json(&[&["leave-out", "--why", "weed after all"], scope].concat());
    assert_eq!(map(&heron), without);
    let id = again["verdicts"][0]["id"].as_str().expect("an id");
    heron.run(&["take-back", "--verdict", &id[..8], "--why", "no"]).says(0, &["Taken back"]);
    assert_eq!(map(&heron), before);
    (out, without.cells)
}

#[test]
fn a_stretch_of_time_is_left_out_and_taken_back() {
    let stretch = ["--boat", "Heron", "--from", "2026-05-01T10:05Z", "--to", "2026-05-01T10:10Z"];
    let (out, _) = there_and_back(&stretch);
    assert_eq!(out["left_out"], 300, "a sounding a second, for five minutes");
}

#[test]
fn an_area_is_left_out_and_taken_back() {
    let (out, cells) = there_and_back(&["--area", "area.geojson"]);
    // A degree of longitude is 60 / 0.0016 seconds of the track; two boats drove it.
    let seconds = (7.4290 - 7.42367) * 60.0 / 0.0016;
    let left_out = out["left_out"].as_f64().expect("a number");
    assert!((left_out - 2.0 * seconds).abs() < 4.0, "{left_out} of {seconds} twice");
    let inside = |(lon, _): &(f64, f64)| (7.42370..7.42897).contains(lon);
    assert_eq!(places(&cells).iter().filter(|p| inside(p)).count(), 0);
}

#[test]
fn a_cell_is_left_out_and_taken_back() {
    let (heron, _) = two_boats();
    let whole = places(&map(&heron).cells);
    let (lon, lat) = whole[whole.len() / 2];
    let (out, cells) = there_and_back(&["--cell", &format!("{lon},{lat}")]);
    assert!((1..20).contains(&out["left_out"].as_u64().expect("a number")), "{out}");
    assert_eq!(places(&cells).len(), whole.len() - 1);
}

#[test]
fn a_filter_leaves_out_only_what_is_shoaler_or_deeper() {
    let (heron, _) = two_boats();
    heron.write("area.geojson", AREA);
    let depths = |cells: &str| -> Vec<f64> {
        cells
            .lines()
            .skip(1)
            .map(|r| r.split(',').nth(2).and_then(|d| d.parse().ok()).expect("a depth"))
            .collect()
    };
    let before = depths(&map(&heron).cells);
    let (deepest, shoalest) = before.iter().fold((f64::MIN, f64::MAX), |(d, s), x| (d.max(*x), s.min(*x)));
    let middle = format!("{:.2}", (deepest + shoalest) / 2.0);
    let area = ["leave-out", "--area", "area.geojson", "--why", "weed"];
    let all = heron.json(&area)["left_out"].as_u64().expect("a number");
    heron.run(&["take-back", "--area", "area.geojson", "--why", "all of it was too much"]).says(0, &[]);
    let shoaler = heron.json(&[&area[..], &["--shoaler-than", &middle]].concat())["left_out"].as_u64();
    heron.run(&["take-back", "--area", "area.geojson", "--why", "the other ones"]).says(0, &[]);
    let deeper = heron.json(&[&area[..], &["--deeper-than", &middle]].concat())["left_out"].as_u64();
    let (shoaler, deeper) = (shoaler.expect("a number"), deeper.expect("a number"));
    assert!(shoaler > 20 && deeper > 20, "{shoaler} {deeper}");
    assert!(
        (shoaler + deeper).abs_diff(all) <= 4,
        "{shoaler} and {deeper} of {all}: those at the bound are in neither"
    );
}

#[test]
fn what_is_measured_later_votes_anew() {
    let (heron, _) = two_boats();
    heron.write("area.geojson", AREA);
    heron.run(&["leave-out", "--area", "area.geojson", "--why", "weed"]).says(0, &["Left out"]);
    let inside =
        |d: &Device| places(&map(d).cells).iter().filter(|(lon, _)| (7.42370..7.42897).contains(lon)).count();
    assert_eq!(inside(&heron), 0);
    heron.import(&heron.write("c.nmea", small_log_on(20, 900, |_| 5.0)), "Heron");
    assert!(inside(&heron) > 50, "the weed was cut, the boat came again");
}

#[test]
fn two_who_decide_oppositely_apart_both_see_it_until_one_settles_it() {
    let (heron, plover) = two_boats();
    let stretch = ["--boat", "Heron", "--from", "2026-05-01T10:05Z", "--to", "2026-05-01T10:10Z"];
    let decide = |d: &Device, what: &str, why: &str| {
        d.run(&[&[what, "--why", why], &stretch[..]].concat()).says(0, &[]);
    };
    decide(&heron, "leave-out", "fouled");
    meet(&heron, &plover);
    // Apart: one makes it anew, the other takes it back.
    decide(&heron, "leave-out", "fouled, I looked again");
    decide(&plover, "take-back", "it was clean");
    assert_eq!((conflicts(&heron).len(), conflicts(&plover).len()), (0, 0));
    meet(&heron, &plover);
    for d in [&heron, &plover] {
        let said = conflicts(d);
        assert_eq!(said.len(), 1, "{said:?}");
        for words in
            ["Heron from 2026-05-01T10:05:00Z", "fouled, I looked again", "it was clean", "settles it"]
        {
            assert!(said[0].contains(words), "{said:?}");
        }
        d.run(&["leave-out", "--list"]).says(0, &["left out", "kept", "Conflict"]);
    }
    assert_eq!(conflicts(&heron), conflicts(&plover));
    assert_eq!(map(&heron), map(&plover));
    decide(&plover, "take-back", "we both looked");
    meet(&heron, &plover);
    assert_eq!((conflicts(&heron).len(), conflicts(&plover).len()), (0, 0));
    assert_eq!(map(&heron), map(&plover));
}

#[test]
fn one_boat_under_two_names_becomes_one() {
    let (heron, plover) = (Device::new(), Device::new());
    heron.found("Testmere");
    plover.join(&heron);
    let log = small_log(1500, |s| 4.0 + f64::from(s % 300) * 0.01);
    heron.run(&["boat", "set", "Heron", "--draft", "0.40"]).says(0, &[]);
    heron.import(&heron.write("a.nmea", &log), "Heron");
    plover.import(&plover.write("a.nmea", &log), "the blue one");
    plover.import(&plover.write("b.nmea", small_log_on(2, 900, |_| 4.5)), "the blue one");
    meet(&heron, &plover);
    assert!(
        conflicts(&heron)[0].contains("claimed for Heron and for the blue one"),
        "{:?}",
        conflicts(&heron)
    );
    let boats = |d: &Device| d.json(&["boat", "list"])["boats"].as_array().map_or(0, Vec::len);
    assert_eq!(boats(&heron), 2);
    plover
        .run(&["boat", "rename", "the blue one", "Heron"])
        .says(0, &["Heron (formerly the blue one)", "one boat now"]);
    meet(&heron, &plover);
    for d in [&heron, &plover] {
        assert_eq!(boats(d), 1);
        assert_eq!(conflicts(d), [] as [&str; 0]);
        let passes = d.json(&["passes"])["passes"].clone();
        assert!(
            passes.as_array().is_some_and(|p| p.len() == 2 && p.iter().all(|p| p["boat"] == "Heron")),
            "{passes}"
        );
        let renames = &d.json(&["boat", "list"])["renames"];
        assert_eq!(renames[0], serde_json::json!({"boat": "the blue one", "to": "Heron"}), "{renames}");
    }
    assert_eq!(map(&heron), map(&plover));
    // A setup of the old name is one of the boat; a verdict on the old name too.
    heron.run(&["boat", "set", "the blue one", "--draft", "0.45"]).says(0, &["0.45 m below"]);
    let stretch = ["--from", "2026-05-02T10:00Z", "--to", "2026-05-02T10:05Z", "--why", "fouled"];
    let out = heron.json(&[&["leave-out", "--boat", "the blue one"], &stretch[..]].concat());
    assert_eq!((&out["left_out"], &out["verdicts"][0]["scope"]["boat"]), (&300.into(), &"Heron".into()));
    // And the name can be given back.
    heron.run(&["boat", "rename", "the blue one", "the blue one"]).says(0, &[]);
    assert_eq!(boats(&heron), 2);
}

/// Shape of the file and its unit: USGS Open-File Report 03-123 §6.4 (RDB, gauge height in feet, `Ice` in place of a value).
const RDB: &str = "# a gauge of the test\n\
    agency_cd\tsite_no\tdatetime\ttz_cd\t99_00065\t99_00065_cd\n5s\t15s\t20d\t6s\t14n\t10s\n\
    TEST\t01234500\t2026-05-01 04:00\tEST\t10.00\tP\n\
    TEST\t01234500\t2026-05-01 04:30\tEST\tIce\tP\n\
    TEST\t01234500\t2026-05-01 06:00\tEST\t11.00\tP\n";

#[test]
fn a_gauge_record_moves_the_map_on_both_devices() {
    let (heron, plover) = two_boats();
    let depth = |d: &Device| {
        let (lon, lat) = places(&map(d).cells)[10];
        d.json(&["depth", "--at", &format!("{lon},{lat}")])["depth_m"].as_f64().expect("a depth")
    };
    heron
        .run(&[
            "leave-out",
            "--boat",
            "Plover",
            "--from",
            "2026-05-02T00:00Z",
            "--to",
            "2026-05-03T00:00Z",
            "--why",
            "one day is enough here",
        ])
        .says(0, &[]);
    let before = depth(&heron);
    heron.write("gauge.rdb", RDB);
    heron
        .run(&["stage", "import", "gauge.rdb", "--gauge", "weir"])
        .says(0, &["2 readings of weir, 2 of them new", "ice", "line 5", "gauge add"]);
    let again = heron.json(&["stage", "import", "gauge.rdb", "--gauge", "weir"]);
    assert_eq!(again["gauges"][0], serde_json::json!({"gauge": "weir", "readings": 2, "new": 0}), "{again}");
    // 1 ft = 0.3048 m (1959): 10.00 ft at 09:00 UTC, 11.00 ft at 11:00 UTC; the zero lies 3 m below the datum.
    let shown = heron.json(&["stage", "show"]);
    let levels: Vec<_> = shown["stages"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|s| (s["at"].clone(), s["level_m"].clone()))
        .collect();
    let at = |t: &str, m: f64| (Value::from(t), Value::from(m));
    assert_eq!(levels, [at("2026-05-01T09:00:00Z", 3.048), at("2026-05-01T11:00:00Z", 3.353)]);
    heron
        .run(&["gauge", "add", "weir", "--zero", "-3", "--at", "7.4130,48.2100"])
        .says(0, &["zero -3.00 m", "2 readings"]);
    assert_eq!(heron.json(&["stage", "show"])["stages"][0]["stage_m"], 0.048);
    heron.run(&["stage", "show"]).says(0, &["0.05 m", "0.35 m", "zeros of the gauges"]);
    // At 10:00 the water stood half-way, at 3.2005 - 3 m; the track begins there.
    let moved = before - depth(&heron);
    assert!((0.19..0.24).contains(&moved), "{moved}");
    meet(&heron, &plover);
    assert_eq!(map(&heron), map(&plover));
    let gauges = plover.json(&["gauge", "list"]);
    assert_eq!(
        (&gauges["gauges"][0]["name"], &gauges["gauges"][0]["zero_m"]),
        (&"weir".into(), &(-3.0).into())
    );
    // A reading typed at one of its moments says otherwise.
    plover
        .run(&["stage", "add", "--gauge", "weir", "--at", "2026-05-01T11:00Z", "--level", "3.40"])
        .says(0, &[]);
    assert_eq!(conflicts(&plover), [] as [&str; 0], "who states it having seen the record settles it");
    assert_eq!(plover.json(&["stage", "show"])["stages"][1]["level_m"], 3.4);
}

#[test]
fn a_river_and_casts_are_stated_and_listed() {
    let (heron, plover) = two_boats();
    heron.write("centre.csv", "lon,lat\n7.40,48.21\n7.42,48.21\n7.45,48.212\n");
    heron.run(&["gauge", "river", "centre.csv"]).says(0, &["river of 3 points"]);
    heron.run(&["gauge", "river", "centre.csv"]).says(0, &["stands already"]);
    heron.write("cast.csv", "depth_m,temperature_c\n0,18.25\n6,11\n");
    heron
        .run(&["water", "add", "--at", "2026-05-01T09:00Z", "--salinity", "12", "--profile", "cast.csv"])
        .says(0, &["salinity 12.00", "18.2 °C at 0.00 m", "11.0 °C at 6.00 m"]);
    meet(&heron, &plover);
    let water = plover.json(&["water", "list"]);
    assert_eq!(
        water["casts"][0],
        serde_json::json!({"at": "2026-05-01T09:00:00Z", "salinity": 12.0, "layers": [
            {"depth_m": 0.0, "temperature_c": 18.25}, {"depth_m": 6.0, "temperature_c": 11.0}]}),
    );
    assert_eq!(plover.json(&["gauge", "list"])["river"].as_array().map(Vec::len), Some(3));
    assert_eq!(map(&heron), map(&plover));
    plover.run(&["gauge", "river", "--none"]).says(0, &[]);
    assert_eq!(plover.json(&["gauge", "list"])["river"], serde_json::json!([]));
    // Two casts of one moment, stated apart.
    let warm = ["water", "add", "--at", "2026-05-02T09:00Z", "--temperature"];
    heron.run(&[&warm[..], &["19"]].concat()).says(0, &[]);
    plover.run(&[&warm[..], &["14"]].concat()).says(0, &[]);
    meet(&heron, &plover);
    for d in [&heron, &plover] {
        assert!(conflicts(d)[0].contains("casts of the water at 2026-05-02T09:00:00Z"), "{:?}", conflicts(d));
        assert_eq!(d.json(&["water", "list"])["casts"][1]["layers"][0]["temperature_c"], 14.0);
    }
}

#[test]
fn refusals_name_what_where_and_the_next_step() {
    let (heron, _) = two_boats();
    let before = heron.digest();
    let no = |args: &[&str], words: &[&str]| {
        heron.run(args).says(1, words);
    };
    let day = ["--from", "2026-05-01T10:00Z", "--to", "2026-05-01T11:00Z", "--why", "x"];
    no(&[&["leave-out", "--boat", "Hern"], &day[..]].concat(), &["Hern", "boat list"]);
    let other = ["--from", "2027-05-01T10:00Z", "--to", "2027-05-01T11:00Z", "--why", "x"];
    no(&[&["leave-out", "--boat", "Heron"], &other[..]].concat(), &["no soundings", "leadline passes"]);
    let turned = ["--from", "2026-05-01T11:00Z", "--to", "2026-05-01T10:00Z", "--why", "x"];
    no(&[&["leave-out", "--boat", "Heron"], &turned[..]].concat(), &["not before"]);
    no(&["leave-out", "--cell", "48.21,7.41", "--why", "x"], &["longitude comes before latitude"]);
    no(&["leave-out", "--cell", "7.41", "--why", "x"], &["--cell 7.41"]);
    no(&["leave-out", "--area", "nothing.geojson", "--why", "x"], &["nothing.geojson", "check the name"]);
    heron.write("point.geojson", r#"{"type":"Point","coordinates":[7,48]}"#);
    no(&["leave-out", "--area", "point.geojson", "--why", "x"], &["point.geojson", "a Point", "Polygon"]);
    let none = ["--shoaler-than", "1", "--deeper-than", "2"];
    no(&[&["leave-out", "--cell", "7.4131,48.21", "--why", "x"], &none[..]].concat(), &["swap them"]);
    no(&[&["take-back", "--boat", "Heron"], &day[..]].concat(), &["nothing to take back"]);
    no(&["take-back", "--verdict", "0123abcd", "--why", "x"], &["no verdict 0123abcd"]);
    no(&["boat", "rename", "Hern", "Heron"], &["no boat called Hern", "boat list"]);
    no(&["water", "add", "--at", "now", "--salinity", "350"], &["between 0 and 50"]);
    heron.write("cast.csv", "depth_m,temperature_c\n3,18\n1,11\n");
    no(&["water", "add", "--at", "now", "--profile", "cast.csv"], &["cast.csv", "line 3", "grow"]);
    no(&["gauge", "river", "point.geojson"], &["point.geojson", "LineString"]);
    no(&["gauge", "add", "weir", "--zero", "20000"], &["--zero"]);
    heron.write("levels.csv", "time,level_m\n2026-05-01T10:00:00,1\n");
    no(&["stage", "import", "levels.csv"], &["levels.csv", "line 2"]);
    no(&["stage", "import", "levels.csv", "--zone", "here"], &["--zone here"]);
    heron.run(&["leave-out", "--cell", "7.4131,48.21"]).says(2, &["--why"]);
    heron.run(&["leave-out", "--boat", "Heron", "--why", "x"]).says(2, &["--from"]);
    heron.run(&["leave-out", "--why", "x"]).says(2, &["--boat"]);
    assert_eq!(heron.digest(), before, "nothing was written");
    // What stands is named where something else is taken back.
    let stands = ["--from", "2026-05-01T10:00Z", "--to", "2026-05-01T10:10Z", "--why", "x"];
    heron.run(&[&["leave-out", "--boat", "Heron"], &stands[..]].concat()).says(0, &[]);
    no(
        &[&["take-back", "--boat", "Heron"], &day[..]].concat(),
        &["there is Heron from 2026-05-01T10:00:00Z", "--list"],
    );
    no(&["boat", "rename", "Plover", "Plover", "--survey", "Othermere"], &["Othermere"]);
}
