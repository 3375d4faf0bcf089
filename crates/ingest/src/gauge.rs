//! Levels of gauges from files: the open government RDB text, the water-level CSV, and plain CSV.
//!
//! Unlike a log of soundings, a file of levels is taken as a whole or refused: half of a record taken for the whole
//! would give wrong depths for days. What the two public formats themselves mark as no measurement (ice, a broken
//! gauge, a hole) is left out and counted. Nothing is guessed: a unit or a time zone that the file does not state
//! comes from [`GaugeOptions`] or the file is refused.
//!
//! ```
//! use leadline_ingest::gauge::{GaugeOptions, read};
//! let file = read(b"time,level_m\n2026-05-01T10:00:00Z,4.20\n", &GaugeOptions::default()).expect("sound");
//! assert_eq!(file.series[0].readings[0].1, 4_200);
//! ```

mod error;
mod field;
mod file;
mod levels;
mod plain;
mod rdb;
mod zone;

pub use error::{GaugeError, RowFault};
pub use file::{GaugeFile, GaugeFormat, GaugeNote, GaugeSeries, Skip, SkippedLine};
pub use zone::{Zone, ZoneError};

use field::{Lines, fields_of, header_name, is_comment, start_of};

/// Largest file of levels read.
pub const MAX_GAUGE_BYTES: usize = 64 << 20;
/// Most readings taken from one file: nine years of one every five minutes.
pub const MAX_GAUGE_READINGS: usize = 1_000_000;
/// Most gauges in one file.
pub const MAX_GAUGES: usize = 64;
/// Longest line read, without its end: RDB rows have a column for each thing measured.
pub const MAX_GAUGE_LINE_BYTES: usize = 4_096;

/// Unit of a level.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LevelUnit {
    /// Metres.
    Metres,
    /// International feet.
    Feet,
}

/// What the importer says of a file of levels.
#[derive(Clone, Debug, Default)]
pub struct GaugeOptions {
    /// Unit of the levels, where the file does not state it.
    pub unit: Option<LevelUnit>,
    /// Zone of times that do not state one.
    pub zone: Option<Zone>,
    /// Added to every level, mm: height of the file's zero above the survey's sounding datum.
    pub offset_mm: i32,
    /// Which column holds the levels, where an RDB file has several.
    pub column: Option<String>,
}

/// Reads the levels in `bytes`.
pub fn read(bytes: &[u8], options: &GaugeOptions) -> Result<GaugeFile, GaugeError> {
    if bytes.len() > MAX_GAUGE_BYTES {
        return Err(GaugeError::TooLarge(bytes.len()));
    }
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let Some((line, first)) = Lines::new(bytes).find(|(_, l)| !l.trim_ascii().is_empty() && !is_comment(l))
    else {
        return Err(GaugeError::Empty);
    };
    let tabbed: Vec<String> = first.split(|c| *c == b'\t').take(256).map(header_name).collect();
    if tabbed.len() > 1 && tabbed.iter().any(|name| name == "site_no") {
        return rdb::read(bytes, options);
    }
    let header: Vec<String> = fields_of(first).into_iter().map(header_name).collect();
    let head = field::Head { line, header };
    match head.header.first().map(String::as_str) {
        Some("date time") => levels::read(bytes, &head, options),
        _ if head.header.iter().any(|name| plain::TIMES.contains(&name.as_str())) => {
            plain::read(bytes, &head, options)
        }
        _ => Err(GaugeError::NoColumns { line, start: start_of(first) }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_is_no_file_of_levels_is_refused_with_its_beginning() {
        let refused = |text: &str| read(text.as_bytes(), &GaugeOptions::default()).expect_err("no levels");
        assert_eq!(refused(" \n# only a remark\n"), GaugeError::Empty);
        let error = refused("\n{\"error\":\"\u{1b}[31mNo data was found\"}\n");
        assert_eq!(error.line(), Some(2));
        let words = error.to_string();
        assert!(words.contains("No data was found") && !words.contains('\u{1b}'), "{words}");
        let long = vec![b'a'; MAX_GAUGE_BYTES + 1];
        assert_eq!(read(&long, &GaugeOptions::default()), Err(GaugeError::TooLarge(MAX_GAUGE_BYTES + 1)));
    }

    proptest! {
        #[test]
        fn never_panics(
            head in prop_oneof![
                Just("time,level_m,gauge\n"),
                Just("Date Time, Water Level, Sigma\n"),
                Just("agency_cd\tsite_no\tdatetime\ttz_cd\t1_00065\t1_00065_cd\n5s\t15s\t20d\t6s\t14n\t10s\n"),
                Just(""),
            ],
            body in prop_oneof![
                proptest::collection::vec(any::<u8>(), 0..300),
                "[-0-9TZ:,\t.eaISTPD +\n\"]{0,300}".prop_map(String::into_bytes),
            ],
            feet in any::<bool>(),
            offset_mm in any::<i32>(),
        ) {
            let unit = Some(if feet { LevelUnit::Feet } else { LevelUnit::Metres });
            let options = GaugeOptions { unit, zone: Some(Zone::UTC), offset_mm, column: None };
            let bytes = [head.as_bytes(), &body].concat();
            if let Ok(file) = read(&bytes, &options) {
                let readings: usize = file.series.iter().map(|s| s.readings.len()).sum();
                let skipped: u64 = file.skipped.values().sum();
                prop_assert!(readings > 0 && readings as u64 + skipped <= file.lines);
            }
        }
    }
}
