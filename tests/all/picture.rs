//! The chart in every form, by the real program.

use crate::home::{Device, small_log};

fn surveyed() -> Device {
    let d = Device::new();
    d.found("Testmere");
    d.import(&d.write("a.nmea", small_log(600, |s| 3.0 + f64::from(s % 90) * 0.03)), "Heron");
    d
}

#[test]
fn every_form_is_written_whole() {
    let d = surveyed();
    for (name, args, magic) in [
        ("a.png", &["--dark", "--tracks"][..], &b"\x89PNG\r\n\x1a\n"[..]),
        ("a.svg", &["--size", "letter", "--portrait"], b"<svg "),
        ("a.pdf", &["--landscape", "--draft", "0.5"], b"%PDF-1.7"),
        ("a.html", &["--stage", "0.2"], b"<!doctype html>"),
    ] {
        let path = d.file(name);
        let file = path.display().to_string();
        let told = d.json(&[&["chart", "-o", &file][..], args].concat());
        assert_eq!(told["path"], file.as_str());
        let first = std::fs::read(&path).expect("written");
        assert!(first.starts_with(magic), "{name}");
        d.run(&[&["chart", "-o", &file][..], args].concat()).says(0, &[name]);
        assert!(first == std::fs::read(&path).expect("written"), "{name}: the same bytes again");
    }
    let html = std::fs::read_to_string(d.file("a.html")).expect("written");
    for words in ["Testmere", "stage +0.20 m", "Heron", "not for navigation"] {
        assert!(html.contains(words), "{words}");
    }
}

#[test]
fn what_cannot_be_drawn_is_refused_and_says_what_can() {
    let d = surveyed();
    let file = d.file("a.pdf").display().to_string();
    for (args, words) in [
        (vec!["chart", "-o", &file, "--scale", "60"], &["a.pdf", "does not fit on A4", "1 : "][..]),
        (vec!["chart", "-o", &file, "--scale", "-5"], &["1 : -5", "50 to 1000000"]),
        (vec!["chart", "-o", "map.docx"], &["map.docx", ".png", ".html"]),
    ] {
        d.run(&args).says(1, words);
    }
    d.run(&["chart", "-o", &file, "--landscape", "--portrait"]).says(2, &["--portrait"]);
    d.run(&["chart", "-o", &file, "--size", "A0"]).says(2, &["letter"]);
    assert!(!d.file("a.pdf").exists(), "nothing is written");
}

#[test]
fn private_marks_stay_out_of_what_is_made_to_be_handed_on() {
    let d = surveyed();
    let cells = d.file("cells.csv");
    d.run(&["export", "cells", "--as", "csv", "-o", &cells.display().to_string()]).says(0, &[]);
    let text = std::fs::read_to_string(&cells).expect("written");
    let row = text.lines().find(|l| l.starts_with(|c: char| c.is_ascii_digit() || c == '-')).expect("a cell");
    let place = row.split(',').take(2).collect::<Vec<_>>().join(",");
    d.run(&["mark", "add", "hazard", &place, "--name", "grandfathers post"]).says(0, &[]);
    let drawn = |name: &str, more: &[&str]| {
        let path = d.file(name);
        let told = d.json(&[&["chart", "-o", &path.display().to_string()][..], more].concat());
        (told, std::fs::read_to_string(&path).expect("written"))
    };
    let (told, sheet) = drawn("all.svg", &["--draft", "0.5"]);
    assert!(sheet.contains("grandfathers post") && sheet.contains("Hazard: in the dotted ring"));
    assert_eq!((&told["marks"], &told["private_marks"]), (&1.into(), &1.into()));
    let (told, sheet) = drawn("shared.svg", &["--marks", "shared"]);
    assert!(!sheet.contains("grandfathers") && told["marks"] == 0);
    assert!(!drawn("pocket.html", &[]).1.contains("grandfathers"));
    let again = d.file("again.html").display().to_string();
    d.run(&["chart", "-o", &again, "--marks", "all"]).says(1, &["pocket chart", "mark share all"]);
    d.run(&["mark", "share", "all"]).says(0, &[]);
    assert!(drawn("pocket.html", &[]).1.contains("grandfathers"));
}
