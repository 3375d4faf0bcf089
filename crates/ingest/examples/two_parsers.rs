//! Every sentence of a log against two independent parsers from the package registry.
//!
//! `cargo run -p leadline-ingest --example two_parsers -- FILE` prints how many sentences each compared, and panics with
//! the line at the first difference.

#![allow(clippy::print_stdout, reason = "an example talks to its caller")]

#[path = "../tests/ingest/parsers.rs"]
mod parsers;

use leadline_ingest::nmea::sentence;
use nmea_0183_rs::{NmeaSentence, parse_frame_strict};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args().nth(1).ok_or("usage: two_parsers FILE")?;
    let log = String::from_utf8_lossy(&std::fs::read(path)?).into_owned();
    let (mut first, mut second) = (0, 0);
    for line in log.lines().map(str::trim).filter(|l| l.starts_with('$')) {
        let ours = sentence(line.as_bytes()).ok().map(|s| s.content);
        if let Ok(theirs) = nmea::parse_str(line) {
            first += usize::from(parsers::agrees_with_nmea(line, ours, &theirs));
        }
        if let Ok(frame) = parse_frame_strict(&format!("{line}\r\n")) {
            second += usize::from(parsers::agrees_with_nmea_0183(line, ours, &NmeaSentence::parse(&frame)));
        }
    }
    println!("{first} {second}");
    Ok(())
}
