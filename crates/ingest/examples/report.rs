//! What is in a log: its report, its legs and, with `--soundings`, every sounding.
//!
//! `cargo run -p leadline-ingest --example report -- FILE [--date UTC] [--soundings | --json]`

#![allow(clippy::print_stdout, reason = "an example talks to its caller")]

use leadline_ingest::{Importer, Options};
use std::io::Read;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let path = args.first().ok_or("usage: report FILE [--date UTC] [--soundings]")?;
    let date = args.iter().position(|a| a == "--date").and_then(|i| args.get(i + 1));
    let assumed_date = date.map(|d| d.parse()).transpose()?;
    let mut importer = Importer::new(Options { assumed_date });
    let mut legs = Vec::new();
    let mut file = std::fs::File::open(path)?;
    let mut chunk = vec![0; 1 << 16];
    loop {
        let n = file.read(&mut chunk)?;
        if n == 0 {
            break;
        }
        importer.push(&chunk[..n], &mut legs);
    }
    let report = importer.finish(&mut legs);
    if args.iter().any(|a| a == "--json") {
        legs.iter().flat_map(|l| &l.soundings).for_each(|s| println!("{}", as_json(s)));
        return Ok(());
    }
    println!("{report:#?}");
    for leg in &legs {
        let n = leg.soundings.len();
        println!("leg {}: {n} soundings, {}, {:?}", leg.window.start(), leg.instrument, leg.counts);
        for s in leg.soundings.iter().filter(|_| args.iter().any(|a| a == "--soundings")) {
            let p = s.at.lonlat();
            println!("  {} {:.7} {:.7} {s:?}", s.time, p.lon, p.lat);
        }
    }
    Ok(())
}

fn as_json(s: &leadline_model::Sounding) -> serde_json::Value {
    let at = s.at.lonlat();
    serde_json::json!({
        "t_ms": s.time.0, "lon": at.lon, "lat": at.lat, "depth_mm": s.depth_mm, "offset_mm": s.offset_mm,
        "sats": s.sats, "hdop_centi": s.hdop_centi,
    })
}
