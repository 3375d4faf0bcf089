//! The same measurements give the same legs, however the bytes came.

use super::common::{at, drive, read, read_chunks, read_with, second};
use leadline_ingest::{Leg, Options};
use leadline_model::{LegWindow, Sounding, UtcMillis};
use proptest::prelude::*;
use std::collections::BTreeMap;

const START: &str = "2026-05-01T23:35:17Z";

fn merged(legs: &[Leg]) -> BTreeMap<LegWindow, Vec<Sounding>> {
    let mut all = BTreeMap::<LegWindow, Vec<Sounding>>::new();
    for leg in legs {
        all.entry(leg.window).or_default().extend(&leg.soundings);
    }
    for soundings in all.values_mut() {
        soundings.sort_unstable();
        soundings.dedup();
    }
    all
}

/// Asserts that all windows of `part` but its first and last are windows of `whole`; how many there were.
fn shares_whole_legs(part: &[Leg], whole: &[Leg]) -> usize {
    let (part, whole) = (merged(part), merged(whole));
    let edges = (part.keys().next().copied(), part.keys().next_back().copied());
    let inner: Vec<_> = part.iter().filter(|(w, _)| Some(**w) != edges.0 && Some(**w) != edges.1).collect();
    for (window, soundings) in &inner {
        assert!(whole.get(window) == Some(soundings), "leg {}", window.start());
    }
    inner.len()
}

#[test]
fn cut_anywhere() {
    let log = drive(at(START), 4000);
    let bytes = log.as_bytes();
    let (whole, report) = read(bytes);
    assert_eq!((whole.len(), report.soundings), (8, 4000));
    for (from, to) in [(0, bytes.len() - 100_123), (77_777, bytes.len()), (150_001, bytes.len() - 200_002)] {
        assert!(shares_whole_legs(&read(&bytes[from..to]).0, &whole) >= 3);
    }
}

#[test]
fn joined_and_twice() {
    let (a, b) = (drive(at(START), 2000), drive(at("2026-05-03T06:00:00Z"), 2000));
    let (legs_a, legs_b) = (read(a.as_bytes()).0, read(b.as_bytes()).0);
    for joined in [a.clone() + &b, b.clone() + &a] {
        let (legs, _) = read(joined.as_bytes());
        let both: Vec<Leg> = legs_a.iter().chain(&legs_b).cloned().collect();
        assert_eq!(merged(&legs), merged(&both));
    }
    let (twice, report) = read((a.clone() + &a).as_bytes());
    assert_eq!(merged(&twice), merged(&legs_a));
    assert_eq!(report.soundings, 2 * 2000);
}

#[test]
fn joined_with_a_log_that_begins_without_a_date() {
    // The second log's first lines have a time only: they must not inherit the first log's day.
    let a = drive(at("2026-05-01T12:00:00Z"), 1300);
    let b: String = drive(at("2026-05-03T12:30:00Z"), 1300)
        .lines()
        .enumerate()
        .filter(|(i, l)| *i > 60 || !l.contains("RMC"))
        .map(|(_, l)| format!("{l}\r\n"))
        .collect();
    let both: Vec<Leg> = [read(a.as_bytes()).0, read(b.as_bytes()).0].concat();
    assert_eq!(merged(&read((a + &b).as_bytes()).0), merged(&both));
}

#[test]
fn recorded_live_byte_by_byte() {
    let log = drive(at(START), 700);
    let bytes: Vec<&[u8]> = log.as_bytes().chunks(1).collect();
    assert_eq!(read_chunks(&bytes, Options::default()), read(log.as_bytes()));
}

#[test]
fn a_pause_changes_no_other_leg() {
    let start = at("2026-05-01T12:00:00Z");
    let with_pause: String = (0..3600)
        .filter(|s| !(1000..1100).contains(s))
        .map(|s| second(UtcMillis(start.0 + 1000 * s), s))
        .collect();
    let (paused, whole) = (read(with_pause.as_bytes()).0, read(drive(start, 3600).as_bytes()).0);
    let (paused, whole) = (merged(&paused), merged(&whole));
    let differ: Vec<_> = whole.keys().filter(|w| paused.get(w) != whole.get(w)).collect();
    assert_eq!(differ, [&LegWindow(start.leg_window().0 + 1)]);
}

/// Lines of every kind, damaged ones among them.
fn dirty_log() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        8 => (0i64..1200, 0i64..30).prop_map(|(t, n)| {
            (0..n).map(|s| second(UtcMillis(at(START).0 + 1000 * (t + s)), t + s)).collect::<String>().into_bytes()
        }),
        2 => proptest::collection::vec(any::<u8>(), 0..60),
        1 => Just(b"\r".to_vec()),
        1 => Just(b"\n".to_vec()),
        1 => Just(b"# remark\n".to_vec()),
        1 => Just(b"$SDDPT,5.3,0.4\n".to_vec()),
        1 => Just(b"$GPGLL,5251.0093,N,00518.8170,E,094736,A\r".to_vec()),
        1 => Just(b"$GPRMC,094737,V,,,,,,,200818,,,N*5E\n".to_vec()),
        1 => Just(b"$SDDPT,,0.4,*51\n".to_vec()),
        1 => (1000usize..1100).prop_map(|n| vec![b'x'; n]),
        1 => "[ -~]{0,90}\n".prop_map(String::into_bytes),
    ];
    proptest::collection::vec(piece, 0..14).prop_map(|p| p.concat())
}

fn table() -> impl Strategy<Value = Vec<u8>> {
    let rows = proptest::collection::vec(
        prop_oneof![
            6 => (0i64..3600, 0u32..999).prop_map(|(s, d)| {
                format!("5.{d:03},52.8{d:03},{}.{},{}\n", d % 30, d % 7, UtcMillis(at(START).0 + 1000 * s))
            }),
            1 => "[0-9,;\" a-z.-]{0,50}\n",
        ],
        0..40,
    );
    rows.prop_map(|r| format!("lon,lat,depth,time\n{}", r.concat()).into_bytes())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn chunks_make_no_difference(
        log in prop_oneof![dirty_log(), table(), proptest::collection::vec(any::<u8>(), 0..9000)],
        cuts in proptest::collection::vec(any::<prop::sample::Index>(), 0..12),
        assumed in proptest::option::of(Just(at("2026-05-01T00:00:00Z"))),
    ) {
        let options = Options { assumed_date: assumed };
        let mut cuts: Vec<usize> = cuts.iter().map(|i| i.index(log.len() + 1)).collect();
        cuts.sort_unstable();
        let mut chunks = Vec::new();
        let mut from = 0;
        for cut in cuts {
            chunks.push(&log[from..cut]);
            from = cut;
        }
        chunks.push(&log[from..]);
        prop_assert_eq!(read_chunks(&chunks, options.clone()), read_with(&log, options));
    }

    #[test]
    fn any_bytes_are_accounted_for(bytes in proptest::collection::vec(any::<u8>(), 0..6000), kind in 0usize..3) {
        // `read` checks the sum; a first line makes the rest be read as a log or a table.
        let head: &[u8] = [&b""[..], b"$SDDPT,5.3,0.4,*79\n", b"lon,lat,depth\n5.1,52.1,3\n"][kind];
        read(&[head, &bytes].concat());
    }

    #[test]
    fn cut_logs_share_whole_legs(from in 0usize..150_000, to in 300_000usize..480_000, start in 0i64..600) {
        let log = drive(UtcMillis(at(START).0 + 1000 * start), 2600);
        let bytes = log.as_bytes();
        let part = &bytes[from..to.min(bytes.len())];
        shares_whole_legs(&read(part).0, &read(bytes).0);
    }
}
