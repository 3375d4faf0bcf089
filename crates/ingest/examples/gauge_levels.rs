//! The levels in a file of gauge readings, for comparison with other readers (`tests/outside/water.py`): lines
//! `take GAUGE MILLISECONDS MILLIMETRES`, then `skip COUNT REASON`; or `refused WHY`.
//!
//! `cargo run -p leadline-ingest --example gauge_levels -- FILE [ft|m] [ZONE]`
//! `cargo run -p leadline-ingest --example gauge_levels -- --zones` prints `CODE MINUTES` of every zone code.

#![allow(clippy::print_stdout, reason = "an example talks to its caller")]

use leadline_ingest::gauge::{GaugeOptions, LevelUnit, Zone, read};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let path = args.first().ok_or("usage: gauge_levels FILE [ft|m] [ZONE]")?;
    if path == "--zones" {
        Zone::codes().for_each(|(code, zone)| println!("{code} {}", zone.minutes()));
        return Ok(());
    }
    let unit = args.get(1).map(|u| if u == "ft" { LevelUnit::Feet } else { LevelUnit::Metres });
    let zone = args.get(2).map(|z| z.parse()).transpose()?;
    let options = GaugeOptions { unit, zone, ..GaugeOptions::default() };
    match read(&std::fs::read(path)?, &options) {
        Ok(file) => {
            for series in &file.series {
                let gauge = series.gauge.as_ref().map_or("-", |g| g.as_str());
                series.readings.iter().for_each(|(at, mm)| println!("take {gauge} {} {mm}", at.0));
            }
            file.skipped.iter().for_each(|(reason, n)| println!("skip {n} {reason}"));
        }
        Err(error) => println!("refused {error}"),
    }
    Ok(())
}
