//! What is in a log: its report, its legs and, with `--soundings`, every sounding.
//!
//! `cargo run -p leadline-ingest --example report -- FILE [--date UTC] [--soundings]`

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
