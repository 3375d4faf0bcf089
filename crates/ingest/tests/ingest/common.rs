//! What the suites share: reading a log, and making one.

use leadline_ingest::{Importer, Leg, Options, Problem, Report};
use leadline_model::{Sounding, UtcMillis};

/// Reads `log` in one piece and checks the account.
pub(crate) fn read(log: &[u8]) -> (Vec<Leg>, Report) {
    read_with(log, Options::default())
}

/// As [`read`], with a stated date.
pub(crate) fn read_assuming(log: &[u8], date: &str) -> (Vec<Leg>, Report) {
    read_with(log, Options { assumed_date: Some(date.parse().expect("a time")) })
}

/// As [`read`], with options.
pub(crate) fn read_with(log: &[u8], options: Options) -> (Vec<Leg>, Report) {
    read_chunks(&[log], options)
}

/// Reads a log that comes in pieces and checks the account.
pub(crate) fn read_chunks(chunks: &[&[u8]], options: Options) -> (Vec<Leg>, Report) {
    let mut importer = Importer::new(options);
    let mut legs = Vec::new();
    for chunk in chunks {
        importer.push(chunk, &mut legs);
    }
    let report = importer.finish(&mut legs);
    assert_accounts(&legs, &report);
    (legs, report)
}

fn assert_accounts(legs: &[Leg], report: &Report) {
    let problems: u64 = report.problems.values().sum();
    assert_eq!(report.lines, report.uses.total() + problems, "{report:?}");
    assert_eq!(report.soundings, legs.iter().map(|l| l.soundings.len() as u64).sum::<u64>());
    for leg in legs {
        assert!(!leg.soundings.is_empty());
        assert!(leg.soundings.windows(2).all(|w| w[0] < w[1]), "canonical order, no twins");
        assert!(leg.soundings.iter().all(|s| s.time.leg_window() == leg.window));
    }
    let each = |p: Problem| report.examples.iter().filter(|e| e.problem == p).count() as u64;
    // Twins found when a leg is closed have no line number any more.
    for p in report.problems.keys().filter(|p| **p != Problem::Duplicate) {
        assert!((1..=3).contains(&each(*p)), "{p}: {report:?}");
    }
    assert!(report.examples.iter().all(|e| e.line >= 1 && e.line <= report.lines));
    assert!(report.examples.iter().all(|e| e.detail.chars().count() <= 80));
}

/// All soundings of all legs.
pub(crate) fn soundings(legs: &[Leg]) -> Vec<Sounding> {
    legs.iter().flat_map(|l| l.soundings.iter().copied()).collect()
}

/// How often `problem` was counted.
pub(crate) fn n(report: &Report, problem: Problem) -> u64 {
    report.problems.get(&problem).copied().unwrap_or(0)
}

/// `body` as a sentence with checksum and CRLF.
pub(crate) fn sentence(body: &str) -> String {
    format!("${body}*{:02X}\r\n", body.bytes().fold(0, |sum, c| sum ^ c))
}

/// A time.
pub(crate) fn at(text: &str) -> UtcMillis {
    text.parse().expect(text)
}

/// A boat that goes east at 2.8 m/s and sounds once a second between the fixes; one RMC, GGA, DPT and DBT each.
pub(crate) fn drive(start: UtcMillis, seconds: i64) -> String {
    let mut log = String::new();
    for s in 0..seconds {
        log += &second(UtcMillis(start.0 + 1000 * s), s);
    }
    log
}

/// One second of [`drive`]: the burst of fixes, then the depth.
pub(crate) fn second(t: UtcMillis, s: i64) -> String {
    // There and back again, an hour each way.
    let place = 3600 - ((t.0 / 1000) % 7200 - 3600).abs();
    let depth_cm = 300 + (s * 7) % 150;
    fixes(t, place) + &depths(depth_cm)
}

/// RMC and GGA of a moment; the place is a number of seconds driven.
pub(crate) fn fixes(t: UtcMillis, place: i64) -> String {
    let (y, m, d) = t.date();
    let ms = t.millis_of_day();
    let time =
        format!("{:02}{:02}{:02}.{:02}", ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60, ms % 1000 / 10);
    let lon = 18.0 + place as f64 * 0.0025;
    let lon = format!("{:03}{lon:07.4}", 5 + (lon / 60.0) as i32, lon = lon % 60.0);
    let rmc = format!("GPRMC,{time},A,5251.0093,N,{lon},E,5.4,90.0,{d:02}{m:02}{:02},,,A", y % 100);
    let gga = format!("GPGGA,{time},5251.0093,N,{lon},E,1,12,0.90,-4,M,46.8,M,,");
    sentence(&rmc) + &sentence(&gga) + &sentence("SDHDG,231.3,,,1.3,E")
}

/// DPT and DBT of one reading.
pub(crate) fn depths(cm: i64) -> String {
    let metres = cm as f64 / 100.0;
    let dbt = format!("SDDBT,{:.1},f,{metres:.2},M,{:.1},F", metres / 0.3048, metres / 1.8288);
    sentence(&format!("SDDPT,{metres:.2},0.4")) + &sentence(&dbt)
}
