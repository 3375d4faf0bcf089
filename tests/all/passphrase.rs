//! A passphrase that is typed is not shown: the program on a terminal of its own (`script` of util-linux).

use crate::home::{Device, program, small_log};
use std::io::{Read, Write};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const WORDS: &str = "nine herons on a weir";

#[test]
fn what_is_typed_is_not_shown() {
    if Command::new("script").arg("--version").output().is_err() {
        eprintln!("skipped: no `script` (util-linux) here");
        return;
    }
    let (heron, wren) = (Device::new(), Device::new());
    heron.found("Testmere");
    heron.import(&heron.write("a.nmea", small_log(700, |_| 4.0)), "Heron");
    heron.write("words.txt", WORDS);
    let lock = ["--lock", "passphrase", "--passphrase-file", "words.txt", "--gift"];
    heron.run(&[&["parcel", "write", "a.parcel"][..], &lock].concat()).says(0, &[]);
    wren.write("a.parcel", std::fs::read(heron.file("a.parcel")).expect("written"));
    let line = format!("'{}' parcel read a.parcel --passphrase-file -", program().display());
    let mut child = Command::new("script")
        .args(["-q", "-e", "-c", &line, "/dev/null"])
        .env("LEADLINE_HOME", wren.home())
        .current_dir(wren.dir.path())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("starts");
    let (mut keys, mut screen) = (child.stdin.take().expect("piped"), child.stdout.take().expect("piped"));
    let (end, mut shown) = (Instant::now() + Duration::from_secs(60), Vec::new());
    let mut piece = [0; 4096];
    while !String::from_utf8_lossy(&shown).contains("then Enter:") {
        assert!(Instant::now() < end, "no prompt: {}", String::from_utf8_lossy(&shown));
        let n = screen.read(&mut piece).expect("reads");
        assert!(n > 0, "ended early: {}", String::from_utf8_lossy(&shown));
        shown.extend(&piece[..n]);
    }
    // The terminal is told not to show what is typed after the question is out.
    std::thread::sleep(Duration::from_secs(1));
    keys.write_all(format!("{WORDS}\n").as_bytes()).expect("typed");
    screen.read_to_end(&mut shown).expect("reads");
    let shown = String::from_utf8_lossy(&shown);
    assert!(child.wait().expect("ends").success(), "{shown}");
    assert!(!shown.contains(WORDS), "{shown}");
    assert_eq!(wren.json(&["survey", "list"])["surveys"].as_array().map(Vec::len), Some(1));
}
