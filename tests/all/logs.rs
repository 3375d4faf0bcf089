//! Logs as they come: gzipped, zipped, in folders; what each was taken for, and why.

use crate::home::{Device, small_log, small_log_on};
use flate2::Compression;
use flate2::write::GzEncoder;
use serde_json::Value;
use std::io::Write;
use std::path::Path;
use zip::ZipWriter;
use zip::write::SimpleFileOptions;

fn gz(bytes: &[u8]) -> Vec<u8> {
    let mut out = GzEncoder::new(Vec::new(), Compression::default());
    out.write_all(bytes).expect("packed");
    out.finish().expect("packed")
}

fn zip(files: &[(&str, &[u8])]) -> Vec<u8> {
    let mut out = ZipWriter::new(std::io::Cursor::new(Vec::new()));
    for (name, bytes) in files {
        out.start_file(*name, SimpleFileOptions::default()).expect("begun");
        out.write_all(bytes).expect("packed");
    }
    out.finish().expect("packed").into_inner()
}

fn device() -> Device {
    let d = Device::new();
    d.found("Testmere");
    d
}

fn known(done: &Value) -> Vec<(u64, u64)> {
    let files = done["files"].as_array().expect("files").iter();
    files.map(|f| (f["legs"].as_u64().expect("legs"), f["known"].as_u64().expect("known"))).collect()
}

#[test]
fn a_packed_log_is_the_plain_one() {
    let d = device();
    let log = small_log(1500, |s| 5.0 + f64::from(s % 100) * 0.01);
    let plain = d.write("plain.nmea", &log);
    assert_eq!(known(&d.import(&plain, "Heron")), [(3, 0)]);
    let before = d.json(&["status"]);
    let packed = d.write("a.nmea.gz", gz(log.as_bytes()));
    assert_eq!(known(&d.import(&packed, "Heron")), [(3, 3)]);
    let other = small_log_on(2, 700, |_| 4.0);
    let archive = d.write(
        "card.zip",
        zip(&[
            ("logs/one.nmea", log.as_bytes()),
            ("logs/two.nmea", other.as_bytes()),
            ("__MACOSX/logs/._one.nmea", b"finder"),
            (".hidden", b"nothing"),
        ]),
    );
    let done = d.import(&archive, "Heron");
    assert_eq!(known(&done), [(3, 3), (2, 0)]);
    assert!(done["files"][1]["path"].as_str().expect("a path").ends_with("card.zip/logs/two.nmea"));
    let after = d.json(&["status"]);
    assert_eq!(after["soundings"].as_u64(), before["soundings"].as_u64().map(|n| n + 700));
    // A folder holds all of these: nothing new.
    std::fs::create_dir_all(d.file("card/sub")).expect("made");
    for (from, to) in [("a.nmea.gz", "card/sub/a.nmea.gz"), ("card.zip", "card/card.zip")] {
        std::fs::copy(d.file(from), d.file(to)).expect("copied");
    }
    assert_eq!(known(&d.import(&d.file("card"), "Heron")), [(3, 3), (2, 2), (3, 3)]);
    assert_eq!(d.json(&["status"]), after);
}

#[test]
fn bombs_and_riddles_are_refused() {
    let d = device();
    let refuse = |path: &Path, words: &[&str]| {
        d.run(&["import", path.to_str().expect("UTF-8"), "--boat", "Heron"]).says(1, words);
    };
    // 64 MiB of blanks in 64 KiB.
    let blanks = vec![b' '; 64 << 20];
    refuse(&d.write("bomb.gz", gz(&blanks)), &["200 times its size", "nothing of this log was imported"]);
    refuse(&d.write("bomb.zip", zip(&[("x.nmea", &blanks)])), &["bomb.zip/x.nmea", "200 times its size"]);
    // An archive in an archive is named for what it is, not opened.
    let log = small_log(60, |_| 5.0);
    let inner = gz(log.as_bytes());
    refuse(&d.write("twice.gz", gz(&inner)), &["a gzip archive: unpack it first", "no sounding"]);
    refuse(&d.write("nested.zip", zip(&[("a.gz", &inner)])), &["a gzip archive: unpack it first"]);
    // An office document is no archive of logs.
    let sheet = zip(&[("[Content_Types].xml", b"<x/>"), ("sheet.nmea", log.as_bytes())]);
    refuse(&d.write("sheet.xlsx", sheet), &["office document", "unpack it, or save the sheet"]);
    // Cut short.
    let whole = gz(log.as_bytes());
    refuse(&d.write("cut.gz", &whole[..whole.len() / 2]), &["cut.gz", "cannot be unpacked"]);
    let whole = zip(&[("a.nmea", log.as_bytes())]);
    refuse(&d.write("cut.zip", &whole[..whole.len() / 2]), &["cut.zip", "cannot be read"]);
    // Too many files.
    let names: Vec<String> = (0..10_001).map(|n| n.to_string()).collect();
    let many: Vec<(&str, &[u8])> = names.iter().map(|n| (n.as_str(), &b""[..])).collect();
    refuse(&d.write("many.zip", zip(&many)), &["more than 10000 files"]);
    // A name that would climb out of the folder, or paint the terminal: nothing is written by name.
    let path = d.write("climb.zip", zip(&[("../../\u{1b}[31mx.nmea", log.as_bytes())]));
    let done = d.run(&["import", path.to_str().expect("UTF-8"), "--boat", "Heron"]);
    done.says(0, &["60 soundings"]);
    assert!(!done.out.contains('\u{1b}'), "{}", done.out);
}

#[test]
fn explain_says_what_and_why() {
    let d = device();
    let mut log = small_log(120, |_| 5.0);
    for body in ["GPGSV,1,1,00", "GPGSV,1,1,00", "QQXYZ,1"] {
        let sum = body.bytes().fold(0, |a, b| a ^ b);
        log.push_str(&format!("${body}*{sum:02X}\r\n"));
    }
    let nmea = d.write("a.nmea", &log);
    let said = d.run(&["import", nmea.to_str().expect("UTF-8"), "--boat", "Heron", "--explain"]);
    said.says(
        0,
        &[
            "NMEA 0183 log",
            "because it holds a sentence with a right checksum (GPRMC)",
            "GPGGA 120, GPRMC 120, SDDPT 120",
            "not needed  GPGSV 2",
            "not known   QQXYZ 1",
        ],
    );
    let file = &d.import(&nmea, "Heron")["files"][0];
    let sum: u64 =
        file["kinds"].as_array().expect("kinds").iter().map(|k| k["count"].as_u64().expect("n")).sum();
    assert_eq!(Some(sum), file["lines"].as_u64(), "every line is of one kind: {file}");
    let table = d.write("t.csv", "lon,lat,depth,time\n7.4,48.2,3.5,2026-05-01T10:00:00Z\n");
    d.run(&["import", table.to_str().expect("UTF-8"), "--boat", "Heron", "--explain"])
        .says(0, &["because it is text", "read as: "]);
    let picture = d.write("p.png", b"\x89PNG\r\n\x1a\n0000");
    d.run(&["import", picture.to_str().expect("UTF-8"), "--boat", "Heron", "--explain"])
        .says(1, &["because it looks like a PNG picture"]);
}

/// A boat that was towed away with its instruments on: what lies beyond the drawn shore is kept, marked, not charted.
#[test]
fn a_stretch_on_land_is_marked_and_not_charted() {
    let d = Device::new();
    d.found("Testmere");
    let ring = [[7.411, 48.205], [7.417, 48.205], [7.417, 48.215], [7.411, 48.215], [7.411, 48.205]];
    let shore = serde_json::json!({"type": "Polygon", "coordinates": [ring]}).to_string();
    let shore = d.write("shore.geojson", shore);
    d.run(&["survey", "shore", shore.to_str().expect("UTF-8"), "--stage", "0"]).says(0, &[]);
    // Eastward at 2 m/s: 0.00427° (the shore and 20 m) are passed after 160 of 300 seconds.
    let log = d.write("a.nmea", small_log(300, |s| 4.0 + f64::from(s % 9) * 0.1));
    let file = &d.import(&log, "Heron")["files"][0];
    let on_land = file["on_land"].as_u64().expect("a count");
    assert!((135..=142).contains(&on_land), "{file}");
    assert_eq!(file["soundings"], 300, "all are kept");
    let status = d.json(&["status"]);
    assert_eq!(status["soundings"], 300);
    d.run(&["status"]).says(0, &["on land, beyond the drawn shore", &on_land.to_string()]);
    let cells = status["cells"].as_u64().expect("a count");
    // A shore that is taken back takes the mark with it.
    d.run(&["survey", "shore", "--none"]).says(0, &[]);
    assert!(d.json(&["status"])["cells"].as_u64().expect("a count") > cells + 50);
    assert!(!d.run(&["status"]).out.contains("on land"));
}
