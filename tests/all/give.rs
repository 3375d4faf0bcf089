//! A gift over the air: a code, the same check words on both sides, and what has come is read as a guest.

use crate::home::{Device, small_log};
use serde_json::Value;
use std::io::{BufRead, BufReader, Read};
use std::process::{Child, Stdio};

/// A running `parcel give`: its code, where it waits, and what it says from then on.
struct Giver {
    child: Child,
    code: String,
    at: String,
    said: std::thread::JoinHandle<String>,
}

impl Giver {
    fn start(d: &Device, more: &[&str]) -> Self {
        let args = [&["parcel", "give", "--listen", "127.0.0.1:0"][..], more].concat();
        let mut command = d.command(&args);
        let mut child =
            command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("the program starts");
        let mut out = BufReader::new(child.stdout.take().expect("piped"));
        let mut code = String::new();
        out.read_line(&mut code).expect("a code");
        let mut lines = BufReader::new(child.stderr.take().expect("piped")).lines();
        let at = loop {
            let line = lines.next().expect("an address before the end").expect("UTF-8");
            if let Some((_, at)) = line.split_once("--at ")
                && at.starts_with("127.0.0.1:")
            {
                break at.trim().to_owned();
            }
        };
        let said = std::thread::spawn(move || {
            let mut all: String = lines.map_while(Result::ok).map(|l| l + "\n").collect();
            out.read_to_string(&mut all).expect("UTF-8");
            all
        });
        Self { child, code: code.trim().to_owned(), at, said }
    }

    fn end(mut self) -> (i32, String) {
        let code = self.child.wait().expect("it ends").code().unwrap_or(-1);
        (code, self.said.join().expect("read"))
    }
}

fn boat(name: &str, day: f64) -> Device {
    let d = Device::new();
    d.found(name);
    d.import(&d.write("a.nmea", small_log(900, |s| day + f64::from(s % 300) * 0.01)), "Heron");
    d
}

fn words(text: &str) -> String {
    let line =
        text.lines().find(|l| l.contains("Check words: ")).unwrap_or_else(|| panic!("no words: {text}"));
    let (_, words) = line.split_once("Check words: ").expect("found");
    words.split_whitespace().take(2).collect::<Vec<_>>().join(" ")
}

fn gpkg(d: &Device, survey: &str) -> Vec<u8> {
    d.run(&["export", "cells", "--as", "csv", "-o", "cells.csv", "--survey", survey]).says(0, &[]);
    std::fs::read(d.file("cells.csv")).expect("written")
}

#[test]
fn a_survey_is_given_between_strangers_and_swapped() {
    let (heron, wren) = (boat("Testmere", 4.0), boat("Far tarn", 6.0));
    let giver = Giver::start(&heron, &["--pass-on", "no"]);
    // A wrong code opens nothing and leaves nothing.
    let mut wrong = giver.code.clone();
    let last = wrong.pop().expect("a digit");
    wrong.push(if last == '0' { '1' } else { '0' });
    wren.run(&["parcel", "take", &wrong, "--at", &giver.at]).says(3, &["code"]);
    assert_eq!(wren.json(&["survey", "list"])["surveys"].as_array().map(Vec::len), Some(1));
    let taken = wren.run(&["parcel", "take", &giver.code, "--at", &giver.at]);
    taken.says(0, &["as a gift", "not to pass it on"]);
    let (code, said) = giver.end();
    assert_eq!(code, 0, "{said}");
    assert_eq!(words(&said), words(&taken.err), "the same words on both screens");
    assert!(said.contains("Given: "), "{said}");
    assert_eq!(gpkg(&wren, "Testmere"), gpkg(&heron, "Testmere"));
    wren.run(&["parcel", "write", "on.parcel", "--survey", "Testmere"]).says(1, &["not to pass it on"]);
    // Both ways through one door.
    let giver = Giver::start(&heron, &["--swap"]);
    let taken: Value =
        wren.json(&["parcel", "take", &giver.code, "--at", &giver.at, "--swap", "--survey", "Far tarn"]);
    assert!(taken["given_bytes"].as_u64() > Some(0) && taken["taken"][0]["guest"] == true, "{taken}");
    let (code, said) = giver.end();
    assert_eq!(code, 0, "{said}");
    assert_eq!(gpkg(&heron, "Far tarn"), gpkg(&wren, "Far tarn"));
    // Nothing half-way stays in either home.
    for d in [&heron, &wren] {
        let left = std::fs::read_dir(d.home()).expect("a home").filter_map(Result::ok);
        assert!(left.map(|e| e.file_name().to_string_lossy().into_owned()).all(|n| !n.ends_with(".tmp")));
    }
    wren.run(&["parcel", "take", "12"]).says(1, &["nine digits"]);
}
