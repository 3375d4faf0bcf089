//! Prints what strips cost: bytes a sounding, against the same columns in one file under zstd 19, and the time to
//! pack and to read a million soundings.
//!
//! `cargo run --release -p leadline-logbook --example packing [SOUNDINGS]`

#![allow(clippy::print_stdout, reason = "its output is its purpose")]

mod survey;

use leadline_logbook::{Limits, PackedLeg, StripError, unpack_strip};
use leadline_model::{LegWindow, Sounding};
use std::collections::BTreeMap;
use std::time::Instant;
use survey::Rounding;

fn main() -> Result<(), StripError> {
    let n = std::env::args().nth(1).and_then(|n| n.parse().ok()).unwrap_or(1_000_000);
    println!(
        "depths to | strips | soundings each | strips B/sounding | one file | ratio | pack s/M | read s/M"
    );
    for rounding in [Rounding(100), Rounding(10)] {
        report(rounding, &survey::soundings(n, rounding, 1))?;
    }
    Ok(())
}

fn report(Rounding(mm): Rounding, soundings: &[Sounding]) -> Result<(), StripError> {
    let limits = Limits::default();
    let per = |x: f64| x / soundings.len() as f64;
    let mut windows: BTreeMap<LegWindow, Vec<Sounding>> = BTreeMap::new();
    soundings.iter().for_each(|s| windows.entry(s.time.leg_window()).or_default().push(*s));

    let started = Instant::now();
    let mut legs = Vec::new();
    for (window, part) in windows {
        legs.extend(PackedLeg::of(window, part, &limits)?);
    }
    let pack = started.elapsed().as_secs_f64();

    let started = Instant::now();
    let (mut read, mut n_strips, mut bytes) = (0, 0, 0);
    for strip in legs.iter().flat_map(|l| &l.strips) {
        read += unpack_strip(&strip.packed, &strip.digest, &limits)?.1.len();
        n_strips += 1;
        bytes += strip.packed.len();
    }
    let unpack = started.elapsed().as_secs_f64();
    assert_eq!(read, soundings.len());

    let file = zstd::bulk::compress(&one_file(soundings), 19).map_or(0, |f| f.len());
    println!(
        "{mm} mm | {n_strips} | {:.0} | {:.3} | {:.3} | {:.2} | {:.2} | {:.2}",
        read as f64 / f64::from(n_strips),
        per(bytes as f64),
        per(file as f64),
        bytes as f64 / file as f64,
        per(pack) * 1e6,
        per(unpack) * 1e6,
    );
    Ok(())
}

/// Every column whole, one after the other, as varints of first differences (of the times: differences of
/// differences).
fn one_file(soundings: &[Sounding]) -> Vec<u8> {
    let optional = |v: Option<i64>| v.unwrap_or(-1);
    let columns: [&dyn Fn(&Sounding) -> i64; 12] = [
        &|s| s.time.0,
        &|s| s.at.x().into(),
        &|s| s.at.y().into(),
        &|s| i64::from(s.depth_mm) / 10,
        &|s| s.from as i64,
        &|s| optional(s.offset_mm.map(i64::from)),
        &|s| optional(s.speed_mm_s.map(i64::from)),
        &|s| optional(s.hdop_centi.map(i64::from)),
        &|s| s.fix as i64,
        &|s| optional(s.sats.map(i64::from)),
        &|s| optional(s.temp_centi.map(i64::from)),
        &|s| s.flags.0.into(),
    ];
    let mut out = Vec::new();
    for (i, column) in columns.iter().enumerate() {
        let (mut last, mut slope) = (0, 0);
        for v in soundings.iter().map(column) {
            let d = v - last - slope;
            let mut n = ((d << 1) ^ (d >> 63)) as u64;
            while n >= 0x80 {
                out.push(n as u8 | 0x80);
                n >>= 7;
            }
            out.push(n as u8);
            slope = if i == 0 && last != 0 { v - last } else { 0 };
            last = v;
        }
    }
    out
}
