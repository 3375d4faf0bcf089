//! The main job by the real program: logs in, meeting, parcel, same digest, same chart bytes.

use crate::home::{Device, meet, small_log, small_log_on, two_boats};
use serde_json::Value;

fn number(v: &Value, key: &str) -> u64 {
    v[key].as_u64().unwrap_or_else(|| panic!("{key} in {v}"))
}

#[test]
fn two_boats_and_a_laptop_end_with_one_map() {
    let (heron, plover) = two_boats();
    heron.run(&["stage", "add", "--at", "2026-05-01T09:00Z", "--level", "0.50"]).says(0, &[]);
    plover.run(&["stage", "add", "--at", "2026-05-02T09:00Z", "--level", "0.10"]).says(0, &[]);
    meet(&heron, &plover);
    let (a, b) = (heron.json(&["status"]), plover.json(&["status"]));
    assert_eq!(a["digest"], b["digest"]);
    for key in ["passes", "legs", "soundings", "cells", "tiles", "entries", "strips", "grades", "disputed"] {
        assert_eq!(a[key], b[key], "{key}");
    }
    assert_eq!((number(&a, "passes"), number(&a, "soundings")), (2, 1500 + 900));
    // The laptop joins and gets everything by a file.
    let laptop = Device::new();
    laptop.join(&plover);
    let parcel = plover.file("all.parcel");
    plover.run(&["parcel", "write", parcel.to_str().expect("UTF-8")]).says(0, &[]);
    laptop.run(&["parcel", "read", parcel.to_str().expect("UTF-8")]).says(0, &[]);
    assert_eq!(laptop.digest(), plover.digest());
    // Same entries, same chart, to the byte.
    for (name, args) in [
        ("map.svg", vec!["chart", "--stage", "0.3", "-o", "map.svg"]),
        ("map.png", vec!["chart", "--stage", "0.3", "--draft", "0.5", "-o", "map.png"]),
        ("c.geojson", vec!["export", "contours", "--as", "geojson", "-o", "c.geojson"]),
        ("cells.csv", vec!["export", "cells", "--as", "csv", "-o", "cells.csv"]),
    ] {
        let files: Vec<_> = [&plover, &laptop]
            .map(|d| {
                d.run(&args).says(0, &[]);
                std::fs::read(d.file(name)).expect("written")
            })
            .into();
        assert!(files[0].len() > 500, "{name}");
        assert_eq!(files[0], files[1], "{name}");
    }
    laptop.run(&["verify"]).says(0, &["whole"]);
}

#[test]
fn nothing_twice() {
    let heron = Device::new();
    heron.found("Testmere");
    let log = small_log(1500, |s| 5.0 + f64::from(s % 200) * 0.01);
    let whole = heron.write("whole.nmea", &log);
    heron.import(&whole, "Heron");
    let before = heron.json(&["status"]);
    // The same log again, and twice in one file.
    let again = heron.import(&whole, "Heron");
    assert_eq!(again["files"][0]["known"], again["files"][0]["legs"]);
    assert_eq!(heron.json(&["status"]), before);
    // Joined with another day's log: every leg but the one at the seam is known already.
    let other = small_log_on(3, 1300, |s| 5.0 + f64::from(s % 170) * 0.01);
    heron.import(&heron.write("other.nmea", &other), "Heron");
    let before = heron.json(&["status"]);
    let joined = heron.import(&heron.write("joined.nmea", format!("{log}{other}")), "Heron");
    assert!(number(&joined["files"][0], "legs") - number(&joined["files"][0], "known") <= 1, "{joined}");
    let after = heron.json(&["status"]);
    assert!(
        number(&after, "soundings") - number(&before, "soundings") <= 1,
        "only the sounding at the seam may differ"
    );
    let before = after;
    // A copy cut short: only its last leg is new, and its soundings still count once.
    let cut = heron.import(&heron.write("cut.nmea", &log[..log.len() * 2 / 3]), "Heron");
    assert_eq!(number(&cut["files"][0], "legs") - number(&cut["files"][0], "known"), 1);
    let after = heron.json(&["status"]);
    assert_eq!(after["passes"], before["passes"]);
    assert!(
        number(&after, "soundings") - number(&before, "soundings") <= 1,
        "only the sounding at the cut may differ"
    );
    // Another device with the same log: one leg, two claims, nothing more on the map.
    let plover = Device::new();
    plover.join(&heron);
    plover.import(&plover.write("copy.nmea", &log), "Heron");
    meet(&heron, &plover);
    let met = plover.json(&["status"]);
    assert_eq!(met["digest"], heron.json(&["status"])["digest"]);
    for key in ["soundings", "cells", "grades", "legs"] {
        assert_eq!(met[key], after[key], "{key}");
    }
}

#[test]
fn a_second_meeting_moves_nothing() {
    let (heron, plover) = two_boats();
    meet(&heron, &plover);
    let again = meet(&heron, &plover);
    let m = &again["meetings"][0];
    assert_eq!(
        (number(m, "entries_received"), number(m, "strips_received"), number(m, "round_trips")),
        (0, 0, 1),
        "{m}"
    );
    let bytes = number(m, "bytes_sent") + number(m, "bytes_received");
    assert!(bytes <= 600, "{bytes} bytes for nothing new");
}

#[test]
fn documented_json() {
    let (heron, _) = two_boats();
    let status = heron.json(&["status"]);
    for key in [
        "survey",
        "device",
        "passes",
        "legs",
        "soundings",
        "cells",
        "tiles",
        "entries",
        "strips",
        "digest",
        "grades",
        "disputed",
        "copies",
        "waiting",
        "quarantined",
        "peers",
    ] {
        assert!(!status[key].is_null(), "{key}");
    }
    for key in ["id", "name", "datum"] {
        assert!(status["survey"][key].is_string(), "{key}");
    }
    for key in ["sure", "fair", "loose", "void"] {
        assert!(status["grades"][key].is_u64(), "{key}");
    }
    let csv = heron.run(&["export", "cells", "--as", "csv"]);
    let mut lines = csv.out.lines();
    assert_eq!(
        lines.next(),
        Some("lon,lat,depth_m,tvu95_m,grade,soundings,passes,devices,newest_utc,disputed")
    );
    let first: Vec<&str> = lines.next().expect("a cell").split(',').collect();
    assert_eq!(first.len(), 10);
    let at = format!("{},{}", first[0], first[1]);
    let depth = heron.json(&["depth", "--at", &at, "--stage", "0.25"]);
    let charted: f64 = first[2].parse().expect("a depth");
    assert!((depth["depth_m"].as_f64().expect("a depth") - charted - 0.25).abs() < 0.02, "{depth}");
    assert_eq!((depth["basis"].as_str(), depth["stage_m"].as_f64()), (Some("cell"), Some(0.25)));
    assert!(
        depth["tvu95_m"].as_f64().is_some_and(|u| u > 0.0)
            && depth["passes"].as_array().is_some_and(|p| !p.is_empty())
    );
    let nowhere = heron.json(&["depth", "--at", "0,0"]);
    assert!(nowhere["depth_m"].is_null() && nowhere["basis"] == "none", "{nowhere}");
    heron.write("spots.csv", format!("name,lon,lat\nhere,{at}\nfar,1.0,2.0\n"));
    let points = heron.run(&["depth", "--points", "spots.csv"]);
    let rows: Vec<&str> = points.out.lines().collect();
    assert_eq!(rows[0], "name,lon,lat,depth_m,tvu95_m,grade,basis");
    assert!(rows[1].starts_with(&format!("here,{at},")) && rows[1].ends_with(",cell"), "{}", rows[1]);
    assert_eq!(rows[2], "far,1.0,2.0,,,,none");
    let invite = heron.json(&["crew", "invite"]);
    assert!(
        invite["invite"].as_str().is_some_and(|i| i.starts_with("leadline:"))
            && invite["expires"].is_string()
    );
}
