//! Every sentence of a log as one JSON line, for comparison with other parsers
//! (`tests/outside/compare_nmea.py`): line number, type and what was read, units as in the keys.
//!
//! `cargo run -p leadline-ingest --example sentences -- FILE`

#![allow(clippy::print_stdout, reason = "an example talks to its caller")]

use leadline_ingest::nmea::{Content, Day, Fix, FixKind, sentence};
use std::fmt::Write as _;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args().nth(1).ok_or("usage: sentences FILE")?;
    let log = std::fs::read(path)?;
    for (i, line) in log.split(|c| *c == b'\n').enumerate() {
        let line = line.trim_ascii();
        if line.is_empty() || line.starts_with(b"#") {
            continue;
        }
        let number = i + 1;
        match sentence(line) {
            Ok(s) => println!("{{\"line\":{number},{}}}", json(&s.content)),
            Err(problem) => println!("{{\"line\":{number},\"problem\":\"{problem}\"}}"),
        }
    }
    Ok(())
}

fn json(content: &Content) -> String {
    match content {
        Content::Fix(fix) => of_fix(fix),
        Content::Date(time, day) => format!("\"type\":\"ZDA\"{}{}", time_s(*time), date(*day)),
        Content::Speed(v) => {
            format!("\"type\":\"VTG\"{}", number("speed_m_s", v.map(|v| f64::from(v) / 1e3)))
        }
        Content::Dop(v) => format!("\"type\":\"GSA\"{}", number("hdop", v.map(|v| f64::from(v) / 1e2))),
        Content::Temperature(v) => {
            format!("\"type\":\"MTW\"{}", number("temp_c", v.map(|v| f64::from(v) / 1e2)))
        }
        Content::Depth(d) => format!(
            "\"type\":\"{}\"{}{}",
            d.kind.formatter(),
            number("depth_m", Some(f64::from(d.depth_mm) / 1e3)),
            number("offset_m", d.offset_mm.map(|o| f64::from(o) / 1e3))
        ),
        _ => "\"type\":\"not needed\"".to_owned(),
    }
}

fn of_fix(fix: &Fix) -> String {
    let kind = match fix.kind {
        FixKind::Gll => "GLL",
        FixKind::Rmc => "RMC",
        FixKind::Gns => "GNS",
        FixKind::Gga => "GGA",
    };
    let p = fix.position.map(|p| p.lonlat());
    let mut text = format!("\"type\":\"{kind}\"{}", time_s(fix.time_of_day));
    text += &number("lat", p.map(|p| p.lat));
    text += &number("lon", p.map(|p| p.lon));
    text += &number("hdop", fix.hdop_centi.map(|h| f64::from(h) / 1e2));
    text += &number("sats", fix.sats.map(f64::from));
    text += &number("speed_m_s", fix.speed_mm_s.map(|v| f64::from(v) / 1e3));
    text + &fix.day.map_or_else(String::new, date)
}

fn time_s(ms: Option<u32>) -> String {
    number("time_s", ms.map(|t| f64::from(t) / 1e3))
}

fn date(day: Day) -> String {
    match day {
        Day::Start(t) => format!(",\"date\":\"{}\"", t.date_text()),
        _ => String::new(),
    }
}

fn number(key: &str, value: Option<f64>) -> String {
    let mut text = String::new();
    if let Some(v) = value {
        let _ = write!(text, ",\"{key}\":{v}");
    }
    text
}
