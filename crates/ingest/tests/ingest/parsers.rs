//! One sentence as this crate and as two independent parsers read it; panics with the line where they differ.

use leadline_ingest::nmea::{Content, Fix};
use nmea::ParseResult;
use nmea_0183_rs::NmeaSentence;

fn close(a: Option<f64>, b: Option<f64>, tolerance: f64, line: &str) {
    match (a, b) {
        (Some(a), Some(b)) => assert!((a - b).abs() <= tolerance, "{line}: {a} {b}"),
        (a, b) => assert_eq!(a, b, "{line}"),
    }
}

fn same_place(ours: &Fix, lat: Option<f64>, lon: Option<f64>, line: &str) {
    let p = ours.position.map(|p| p.lonlat());
    // 1e-8 degrees are about a millimetre.
    close(p.map(|p| p.lat), lat, 1e-8, line);
    close(p.map(|p| p.lon), lon, 1e-8, line);
}

/// Compares one sentence with the `nmea` crate's reading; false where only one of both knows it.
pub(crate) fn agrees_with_nmea(line: &str, ours: Option<Content>, theirs: &ParseResult) -> bool {
    let depth = |mm: Option<f64>| match ours {
        Some(Content::Depth(d)) => close(Some(f64::from(d.depth_mm) / 1000.0), mm, 1e-4, line),
        None => close(None, mm, 0.0, line),
        other => panic!("{line}: {other:?}"),
    };
    let seconds = |t: chrono_time::Time| f64::from(t.0);
    match (ours, theirs) {
        (Some(Content::Fix(f)), ParseResult::RMC(r)) => {
            same_place(&f, r.lat, r.lon, line);
            close(
                f.time_of_day.map(|t| f64::from(t) / 1000.0),
                r.fix_time.map(chrono_time::of).map(seconds),
                1.0,
                line,
            );
        }
        (Some(Content::Fix(f)), ParseResult::GGA(g)) => {
            same_place(&f, g.latitude, g.longitude, line);
            close(f.hdop_centi.map(|h| f64::from(h) / 100.0), g.hdop.map(f64::from), 1e-3, line);
            assert_eq!(f.sats.map(u32::from), g.fix_satellites, "{line}");
        }
        (Some(Content::Fix(f)), ParseResult::GLL(g)) => same_place(&f, g.latitude, g.longitude, line),
        (Some(Content::Fix(f)), ParseResult::GNS(g)) => same_place(&f, g.lat, g.lon, line),
        (_, ParseResult::DPT(d)) => depth(d.water_depth),
        (_, ParseResult::DBK(d)) => depth(d.depth_meters),
        (Some(Content::Temperature(t)), ParseResult::MTW(m)) => {
            close(t.map(|t| f64::from(t) / 100.0), m.temperature, 0.005, line);
        }
        (Some(Content::Speed(v)), ParseResult::VTG(g)) => {
            close(
                v.map(|v| f64::from(v) / 1000.0 * 3600.0 / 1852.0),
                g.speed_over_ground.map(f64::from),
                2e-3,
                line,
            );
        }
        _ => return false,
    }
    true
}

/// The other crate's times without naming its date library.
mod chrono_time {
    pub(super) struct Time(pub(super) u32);
    pub(super) fn of(t: impl std::fmt::Display) -> Time {
        let text = t.to_string();
        let part = |i: usize| text[i..i + 2].parse::<u32>().expect("digits");
        Time(part(0) * 3600 + part(3) * 60 + part(6))
    }
}

/// The same with the `nmea-0183-rs` crate.
pub(crate) fn agrees_with_nmea_0183(line: &str, ours: Option<Content>, theirs: &NmeaSentence) -> bool {
    let minutes = |v: Option<f64>, letter: Option<char>| {
        // This crate gives ddmm.mmmm as written.
        v.map(|v| (v / 100.0).trunc() + v % 100.0 / 60.0)
            .map(|d| if matches!(letter, Some('S' | 'W')) { -d } else { d })
    };
    let depth = |metres: Option<f32>| match ours {
        Some(Content::Depth(d)) => {
            close(Some(f64::from(d.depth_mm) / 1000.0), metres.map(f64::from), 1e-4, line)
        }
        None => close(None, metres.map(f64::from), 0.0, line),
        other => panic!("{line}: {other:?}"),
    };
    let time = |ms: Option<u32>, text: &Option<String>| {
        let seconds = text.as_ref().map(|t| {
            let v: f64 = t.parse().expect("digits");
            (v / 1e4).trunc() * 3600.0 + (v / 100.0).trunc() % 100.0 * 60.0 + v % 100.0
        });
        close(ms.map(|t| f64::from(t) / 1000.0), seconds, 1e-3, line);
    };
    match (ours, theirs) {
        (Some(Content::Fix(f)), NmeaSentence::Rmc(r)) => {
            same_place(&f, minutes(r.lat, r.ns), minutes(r.lon, r.ew), line);
            time(f.time_of_day, &r.time);
            let speed = f.speed_mm_s.map(|v| f64::from(v) / 1000.0 * 3600.0 / 1852.0);
            close(speed, r.sog.map(f64::from), 2e-3, line);
        }
        (Some(Content::Fix(f)), NmeaSentence::Gga(g)) => {
            same_place(&f, minutes(g.lat, g.ns), minutes(g.lon, g.ew), line);
            time(f.time_of_day, &g.time);
            assert_eq!(f.sats, g.num_sats, "{line}");
        }
        (Some(Content::Fix(f)), NmeaSentence::Gll(g)) => {
            same_place(&f, minutes(g.lat, g.ns), minutes(g.lon, g.ew), line);
            time(f.time_of_day, &g.time);
        }
        (Some(Content::Fix(f)), NmeaSentence::Gns(g)) => {
            same_place(&f, minutes(g.lat, g.ns), minutes(g.lon, g.ew), line);
            close(f.hdop_centi.map(|h| f64::from(h) / 100.0), g.hdop.map(f64::from), 1e-3, line);
        }
        (_, NmeaSentence::Dpt(d)) => {
            depth(d.depth);
            if let Some(Content::Depth(o)) = ours {
                let offset = d.offset.filter(|o| *o != 0.0).map(f64::from);
                close(o.offset_mm.map(|o| f64::from(o) / 1000.0), offset, 1e-4, line);
            }
        }
        (_, NmeaSentence::Dbt(d)) => depth(d.depth_meters),
        (_, NmeaSentence::Dbs(d)) => depth(d.depth_meters),
        (_, NmeaSentence::Dbk(d)) => depth(d.depth_meters),
        (Some(Content::Temperature(t)), NmeaSentence::Mtw(m)) => {
            close(t.map(|t| f64::from(t) / 100.0), m.temperature.map(f64::from), 0.005, line);
        }
        (Some(Content::Date(t, _)), NmeaSentence::Zda(z)) => time(t, &z.time),
        (Some(Content::Speed(v)), NmeaSentence::Vtg(g)) => {
            let knots = v.map(|v| f64::from(v) / 1000.0 * 3600.0 / 1852.0);
            close(knots, g.speed_kts.map(f64::from), 2e-3, line);
        }
        _ => return false,
    }
    true
}
