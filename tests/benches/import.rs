//! Import of a large NMEA log end to end (parse, pack, sign, commit) against merely parsing it with the `nmea`
//! crate in the same run; the size of the store; growth from 30,000 to 3,000,000 soundings.
//!
//! `cargo bench --bench import` (add `-- 3000000` for the largest size).
#![allow(clippy::print_stdout, reason = "a bench prints its table")]

mod common;

use common::{NOW, peak_rss_mb, request, sizes, text};
use leadline_survey::{Home, found_survey, import_file};
use std::path::Path;
use std::time::Instant;

fn main() {
    let dir = tempfile::tempdir().expect("a folder");
    println!(
        "| soundings | log MB | nmea crate s | import s | ratio | store B/sounding | packed strips B/sounding | zstd-19 one file B | ratio | peak RSS MB |"
    );
    println!("|---|---|---|---|---|---|---|---|---|---|");
    for n in sizes() {
        one(dir.path(), n);
    }
}

fn one(dir: &Path, n: u64) {
    let log = dir.join(format!("{n}.nmea"));
    let bytes = leadline_demo_data::synthetic_bytes(7, n as usize);
    std::fs::write(&log, &bytes).expect("written");
    let mb = bytes.len() as f64 / 1e6;
    let mut parse: Vec<f64> = (0..3).map(|_| nmea_only(&bytes)).collect();
    drop(bytes);
    let mut imports = Vec::new();
    let mut stored = (0.0, 0.0, 0.0);
    for run in 0..3 {
        let home_dir = dir.join(format!("home-{n}-{run}"));
        let home = Home::open(Some(&home_dir)).expect("a home");
        let id = found_survey(&home, &text("Bench"), &text("datum"), NOW).expect("founded");
        let mut store = home.store(&id).expect("a store");
        let t = Instant::now();
        let done = import_file(&home, &mut store, &log, &request(), &mut |_| {}).expect("imported");
        imports.push(t.elapsed().as_secs_f64());
        let found = done.report.soundings as f64;
        assert!(found > 0.99 * n as f64, "{found} of {n}");
        stored = store_sizes(store, found);
        std::fs::remove_dir_all(&home_dir).expect("removed");
    }
    let (p, i) = (median(&mut parse), median(&mut imports));
    let (store, strips, best) = stored;
    println!(
        "| {n} | {mb:.0} | {p:.2} | {i:.2} | {:.2} | {store:.2} | {strips:.2} | {best:.2} | {:.2} | {:.0} |",
        i / p,
        strips / best,
        peak_rss_mb()
    );
    std::fs::remove_file(&log).expect("removed");
}

fn nmea_only(bytes: &[u8]) -> f64 {
    let text = std::str::from_utf8(bytes).expect("ASCII");
    let t = Instant::now();
    let ok = text.lines().filter(|l| nmea::parse_str(l).is_ok()).count();
    let s = t.elapsed().as_secs_f64();
    assert!(ok > 0);
    s
}

/// Bytes a sounding: the whole store after a checkpoint; its packed strips; the same columns in one file at level 19.
fn store_sizes(store: leadline_survey::Store, soundings: f64) -> (f64, f64, f64) {
    let limits = *store.limits();
    let (mut packed_bytes, mut columns) = (0usize, Vec::<Vec<u8>>::new());
    for digest in store.strip_digests().expect("read") {
        let packed = store.packed_strip(&digest).expect("read").expect("held");
        packed_bytes += packed.len();
        let (tile, soundings) = leadline_logbook::unpack_strip(&packed, &digest, &limits).expect("whole");
        columns.push(leadline_logbook::canonical(tile, &soundings));
    }
    let best = zstd::bulk::compress(&columns.concat(), 19).expect("packs").len();
    let path = store.path().to_owned();
    drop(store);
    let size = std::fs::metadata(&path).expect("there").len();
    (size as f64 / soundings, packed_bytes as f64 / soundings, best as f64 / soundings)
}

fn median(v: &mut [f64]) -> f64 {
    v.sort_by(f64::total_cmp);
    v[v.len() / 2]
}
