//! Every parser on its corpus and on thousands of mutations of it: it never panics, accounts for every line, and does
//! not care where the chunks are cut. Seeds are fixed, so that a finding stays found.
//!
//! `LEADLINE_MUTATIONS=100000` makes it that many for each file of the corpus.

use crate::common::{read, read_assuming, read_chunks};
use leadline_ingest::gauge::{self, GaugeOptions};
use leadline_ingest::{Format, Options};

/// Files of one kind each, of invented water.
const CORPUS: [(&str, &[u8], Option<Format>); 12] = [
    ("sentences.nmea", include_bytes!("../corpus/sentences.nmea"), Some(Format::Nmea0183)),
    ("named.csv", include_bytes!("../corpus/named.csv"), Some(Format::Csv)),
    ("decimal-comma.csv", include_bytes!("../corpus/decimal-comma.csv"), Some(Format::Csv)),
    ("points.xyz", include_bytes!("../corpus/points.xyz"), Some(Format::Csv)),
    ("bus-log.txt", include_bytes!("../corpus/bus-log.txt"), Some(Format::Nmea2000)),
    ("bus-screen.txt", include_bytes!("../corpus/bus-screen.txt"), Some(Format::Nmea2000)),
    ("bus-plain.txt", include_bytes!("../corpus/bus-plain.txt"), Some(Format::Nmea2000)),
    ("deltas.json", include_bytes!("../corpus/deltas.json"), Some(Format::SignalK)),
    ("track.gpx", include_bytes!("../corpus/track.gpx"), Some(Format::Gpx)),
    ("points.geojson", include_bytes!("../corpus/points.geojson"), Some(Format::GeoJson)),
    ("gauge.csv", include_bytes!("../corpus/gauge.csv"), None),
    ("gauge.rdb", include_bytes!("../corpus/gauge.rdb"), None),
];

/// What has broken parsers before: borders of numbers, ends, marks of structure.
const TOKENS: [&[u8]; 30] = [
    b"",
    b"0",
    b"-1",
    b"-0.0",
    b"99999999999999999999",
    b"1e308",
    b"-1e-308",
    b"NaN",
    b"inf",
    b"2147483648",
    b",",
    b";",
    b"\t",
    b"\"",
    b"{",
    b"}",
    b"[",
    b"]",
    b"<",
    b"/>",
    b"&#x0;",
    b"\\",
    b"\r",
    b"\n",
    b"\0",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"*",
    b"$",
    b"2026-02-30T25:61:61Z",
];

/// A generator of numbers that needs nothing but its seed.
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % n.max(1) as u64) as usize
    }

    fn range(&mut self, len: usize) -> std::ops::Range<usize> {
        let from = self.below(len + 1);
        from..(from + self.below(40)).min(len)
    }
}

fn mutate(text: &mut Vec<u8>, other: &[u8], dice: &mut Dice) {
    let at = dice.below(text.len());
    match dice.below(9) {
        0 if !text.is_empty() => text[at] ^= 1 << dice.below(8),
        1 if !text.is_empty() => text[at] = dice.below(256) as u8,
        2 => drop(text.drain(dice.range(text.len()))),
        3 => {
            let part = text[dice.range(text.len())].to_vec();
            drop(text.splice(at..at, part));
        }
        4 => drop(text.splice(at..at, TOKENS[dice.below(TOKENS.len())].iter().copied())),
        5 => swap_field(text, dice),
        6 => {
            let part = other[dice.range(other.len())].to_vec();
            drop(text.splice(at..at, part));
        }
        7 => swap_lines(text, dice),
        _ if dice.below(20) == 0 => text.truncate(at),
        _ => {}
    }
}

/// A field becomes a token.
fn swap_field(text: &mut Vec<u8>, dice: &mut Dice) {
    let at = dice.below(text.len());
    let is_mark = |c: &u8| b",;:\t\n \"<>{}[]()".contains(c);
    let from = text[..at].iter().rposition(is_mark).map_or(0, |i| i + 1);
    let to = text[at..].iter().position(is_mark).map_or(text.len(), |i| at + i);
    drop(text.splice(from..to, TOKENS[dice.below(TOKENS.len())].iter().copied()));
}

fn swap_lines(text: &mut Vec<u8>, dice: &mut Dice) {
    let mut lines: Vec<Vec<u8>> = text.split_inclusive(|c| *c == b'\n').map(<[u8]>::to_vec).collect();
    let (a, b) = (dice.below(lines.len()), dice.below(lines.len()));
    if a < lines.len() && b < lines.len() {
        lines.swap(a, b);
    }
    *text = lines.concat();
}

fn check(text: &[u8], dice: &mut Dice) {
    // `read` and its sisters check the account.
    let (legs, report) = read(text);
    let (a, b) = (dice.below(text.len() + 1), dice.below(text.len() + 1));
    let (a, b) = (a.min(b), a.max(b));
    let cut = read_chunks(&[&text[..a], &text[a..b], &text[b..]], Options::default());
    assert_eq!((&legs, &report), (&cut.0, &cut.1), "cut at {a} and {b}");
    assert!(report.kinds.len() < 256 && report.kinds.iter().all(|k| k.name.len() < 512));
    if dice.below(8) == 0 {
        read_assuming(text, "2026-05-01T00:00:00Z");
    }
}

fn mutations() -> usize {
    std::env::var("LEADLINE_MUTATIONS").ok().and_then(|n| n.parse().ok()).unwrap_or(1_500)
}

#[test]
fn the_corpus_is_understood() {
    for (name, text, format) in CORPUS {
        match format {
            Some(format) => {
                let (_, report) = read_assuming(text, "2026-05-01T00:00:00Z");
                assert_eq!(report.format, format, "{name}");
                assert!(report.soundings >= 7, "{name}: {report:?}");
                assert!(!report.why.is_empty());
            }
            None => {
                let file = gauge::read(text, &GaugeOptions::default()).expect(name);
                assert!(file.readings() >= 20, "{name}");
            }
        }
    }
}

fn fuzz(name: &str) {
    let (_, text, format) = CORPUS.into_iter().find(|(n, ..)| *n == name).expect("in the corpus");
    for seed in 0..mutations() as u64 {
        let mut dice = Dice(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
        let other = CORPUS[dice.below(CORPUS.len())].1;
        let mut mutant = text.to_vec();
        for _ in 0..1 + dice.below(6) {
            mutate(&mut mutant, other, &mut dice);
        }
        let shown = || String::from_utf8_lossy(&mutant).into_owned();
        let done = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| match format {
            Some(_) => check(&mutant, &mut dice),
            // An error is an answer.
            None => drop(gauge::read(&mutant, &GaugeOptions::default())),
        }));
        assert!(done.is_ok(), "{name}, seed {seed}:\n{}", shown());
    }
}

macro_rules! fuzz {
    ($($test:ident: $name:literal),* $(,)?) => { $(#[test] fn $test() { fuzz($name); })* };
}

fuzz! {
    mutations_of_sentences: "sentences.nmea",
    mutations_of_a_named_table: "named.csv",
    mutations_of_decimal_commas: "decimal-comma.csv",
    mutations_of_bare_points: "points.xyz",
    mutations_of_a_bus_log: "bus-log.txt",
    mutations_of_a_bus_screen: "bus-screen.txt",
    mutations_of_plain_messages: "bus-plain.txt",
    mutations_of_deltas: "deltas.json",
    mutations_of_a_track: "track.gpx",
    mutations_of_geojson: "points.geojson",
    mutations_of_levels: "gauge.csv",
    mutations_of_rdb: "gauge.rdb",
}
