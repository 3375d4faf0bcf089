//! Exports for other programs, by the real program.

use crate::chart_tools::flat_mere;
use crate::home::Device;
use serde_json::Value;
use std::path::Path;

fn read(path: &Path) -> String {
    std::fs::read_to_string(path).expect("written")
}

fn features(text: &str) -> Vec<Value> {
    let v: Value = serde_json::from_str(text).expect("JSON");
    v["features"].as_array().expect("features").clone()
}

#[test]
fn every_layer_in_every_format_that_holds_it() {
    let d = flat_mere();
    for what in ["cells", "soundings", "passes", "contours", "areas", "all"] {
        for ending in ["geojson", "kml", "gpx", "gpkg", "csv", "xyz"] {
            let file = format!("{what}.{ending}");
            let ran = d.run(&["export", what, "--stage", "0.25", "-o", &file]);
            let points = matches!(what, "cells" | "soundings");
            let fits = match ending {
                "csv" | "xyz" => points,
                "gpx" => !matches!(what, "areas" | "all"),
                _ => true,
            };
            if !fits {
                ran.says(1, &["fit into", "gpkg"]);
                assert!(!d.file(&file).exists(), "{file}");
                continue;
            }
            ran.says(0, &[&file, "0.25 m"]);
            let bytes = std::fs::read(d.file(&file)).expect("written");
            let said = if matches!(ending, "csv" | "xyz") {
                std::fs::read(d.file(&format!("{file}.txt"))).expect("statements beside the table")
            } else {
                bytes.clone()
            };
            for words in ["not for navigation", "Heron", "0.250", "Testmere"] {
                let found = said.windows(words.len()).any(|w| w == words.as_bytes());
                assert!(found, "{file} says {words}");
            }
            d.run(&["export", what, "--stage", "0.25", "-o", &file]).says(0, &[]);
            assert!(
                std::fs::read(d.file(&file)).expect("written") == bytes,
                "{file}: same entries, same bytes"
            );
        }
    }
}

#[test]
fn contours_stand_at_the_levels_asked_for() {
    let d = flat_mere();
    let levels = |args: &[&str]| -> Vec<f64> {
        let all = [&["export", "contours", "--as", "geojson"], args].concat();
        let out = d.run(&all);
        out.says(0, &[]);
        features(&out.out).iter().map(|f| f["properties"]["VALDCO"].as_f64().expect("a level")).collect()
    };
    // The bed falls from 4 m to a little over 6 m.
    assert_eq!(levels(&["--levels", "4.5,4.25,99"]), [4.25, 4.5]);
    // 15 ft = 4.572 m (1 ft = 0.3048 m, 1959).
    assert_eq!(levels(&["--levels", "15ft"]), [4.572]);
    assert_eq!(levels(&["--levels", "15", "--units", "ft"]), [4.572]);
    assert_eq!(levels(&["--step", "0.5"]), [4.0, 4.5, 5.0, 5.5, 6.0]);
    assert_eq!(levels(&["--step", "0.5", "--stage", "1"]), [5.0, 5.5, 6.0, 6.5, 7.0]);
    for (args, words) in [
        (["--levels", "1,x"], "is no depth"),
        (["--levels", "NaN"], "no depth"),
        (["--levels", "1e9"], "no water is that deep"),
        (["--levels", "2km"], "is no depth"),
        (["--levels", ""], "is no depth"),
        (["--step", "0"], "more than 0"),
        (["--step", "-1"], "more than 0"),
        (["--step", "0.0001"], "larger step"),
    ] {
        let ran = d.run(&[&["export", "contours", "-o", "c.kml"][..], &args].concat());
        ran.says(1, &[args[0], words]);
    }
    let many: Vec<String> = (0..501).map(|i| format!("{i}")).collect();
    d.run(&["export", "areas", "-o", "a.kml", "--levels", &many.join(",")]).says(1, &["501 contour levels"]);
    assert!(!d.file("c.kml").exists() && !d.file("a.kml").exists());
}

#[test]
fn soundings_are_all_there_or_chosen_for_a_scale() {
    let d = flat_mere();
    let all = d.run(&["export", "soundings", "--as", "geojson"]);
    let accepted = features(&all.out);
    let counted = d.json(&["status"])["soundings"].as_u64().expect("a count");
    let void = features(&d.run(&["export", "soundings", "--void", "--as", "geojson"]).out);
    assert_eq!(void.len() as u64, counted);
    let why = |f: &&Value| f["properties"]["void"].is_string();
    assert_eq!(void.iter().filter(why).count(), void.len() - accepted.len());
    assert_eq!(accepted[0]["properties"]["boat"], "Heron");
    assert_eq!(accepted[0]["properties"]["pass"], 1);
    let chosen = features(&d.run(&["export", "soundings", "--scale", "5000", "--as", "geojson"]).out);
    assert!(chosen.len() > 5 && chosen.len() * 20 < accepted.len(), "{} of {}", chosen.len(), accepted.len());
    for scale in ["0", "-5", "NaN", "1e12"] {
        d.run(&["export", "soundings", "--scale", scale, "-o", "s.csv"]).says(1, &["--scale", "denominator"]);
    }
    let track = features(&d.run(&["export", "passes", "--as", "geojson"]).out);
    // Twelve lines of 149 steps of 2.476 m, and eleven of 18.53 m between them (by hand); the leap from line to line
    // within a second costs some of its ends.
    let length = track[0]["properties"]["length_m"].as_f64().expect("a length");
    assert!((length / (12.0 * 149.0 * 2.4764 + 11.0 * 18.533) - 1.0).abs() < 0.01, "{length}");
}

#[test]
fn refusals_say_what_to_do() {
    let d = flat_mere();
    d.run(&["export", "cells", "-o", "cells.doc"]).says(1, &["cells.doc", ".geojson", "--as"]);
    d.run(&["export", "cells"]).says(2, &["--as"]);
    d.run(&["export", "cells", "--as", "gpkg"]).says(1, &["-o FILE.gpkg"]);
    d.run(&["export", "all", "--as", "gpkg", "-o", "no/such/x.gpkg"]).says(4, &["cannot write", "x.gpkg"]);
    d.run(&["export", "cells", "--stage", "NaN", "-o", "c.csv"]).says(1, &["--stage"]);
    let empty = Device::new();
    empty.found("Testmere");
    empty.run(&["export", "contours", "-o", "c.geojson"]).says(0, &["no surface"]);
    assert!(features(&read(&empty.file("c.geojson"))).is_empty());
    empty.run(&["export", "all", "-o", "c.gpkg"]).says(0, &["no surface"]);
}
