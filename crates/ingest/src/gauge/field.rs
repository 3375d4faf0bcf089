//! Lines, fields, levels and times of gauge files.

use super::{GaugeOptions, LevelUnit, MAX_GAUGE_LINE_BYTES, Skip, Zone};
use crate::csv::{Delimiter, MAX_FIELDS, split};
use crate::decimal::{Malformed, decimal_or_scientific};
use leadline_model::{TimeParseError, UtcMillis, escaped};
use std::fmt;

/// Levels beyond ±10 km are no water's.
const MAX_LEVEL_MM: i64 = 10_000_000;
/// Digits read behind the point of a level: a tenth of a millimetre.
const PLACES: usize = 4;

/// The line that names the columns.
pub(super) struct Head {
    pub(super) line: u64,
    pub(super) header: Vec<String>,
}

impl Head {
    /// The column with one of `names`.
    pub(super) fn column(&self, names: &[&str]) -> Option<usize> {
        self.header.iter().position(|h| names.contains(&h.as_str()))
    }
}

/// Numbered lines without their ends.
pub(super) struct Lines<'a> {
    rest: &'a [u8],
    number: u64,
}

impl<'a> Lines<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> Self {
        Self { rest: bytes, number: 0 }
    }
}

impl<'a> Iterator for Lines<'a> {
    type Item = (u64, &'a [u8]);

    fn next(&mut self) -> Option<Self::Item> {
        if self.rest.is_empty() {
            return None;
        }
        let end = memchr::memchr(b'\n', self.rest);
        let (line, rest) = self.rest.split_at(end.unwrap_or(self.rest.len()));
        self.rest = rest.get(1..).unwrap_or_default();
        self.number += 1;
        Some((self.number, line.strip_suffix(b"\r").unwrap_or(line)))
    }
}

/// A level that is none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum LevelFault {
    Blank,
    NoNumber,
    Range,
}

impl From<LevelFault> for Skip {
    fn from(fault: LevelFault) -> Self {
        match fault {
            LevelFault::Blank => Self::Blank,
            LevelFault::NoNumber => Self::Word,
            LevelFault::Range => Self::Range,
        }
    }
}

/// A level in whole mm, half away from zero, with the option's offset.
pub(super) fn level_mm(field: &[u8], unit: LevelUnit, options: &GaugeOptions) -> Result<i32, LevelFault> {
    let number = match decimal_or_scientific(field, PLACES, b'.') {
        Ok(Some(n)) => n,
        Ok(None) => return Err(LevelFault::Blank),
        Err(Malformed) => return Err(LevelFault::NoNumber),
    };
    // Hundred-thousandths of a mm: a metre has 10,000 tenths of a mm, a foot 3,048.
    let tenths = match unit {
        LevelUnit::Metres => 10_000,
        LevelUnit::Feet => 3_048,
    };
    let fine = number.checked_mul(tenths).ok_or(LevelFault::Range)?;
    let half = if fine < 0 { -50_000 } else { 50_000 };
    let mm = fine.saturating_add(half) / 100_000;
    let level = mm.saturating_add(i64::from(options.offset_mm));
    if mm.abs() > MAX_LEVEL_MM || level.abs() > MAX_LEVEL_MM {
        return Err(LevelFault::Range);
    }
    i32::try_from(level).map_err(|_| LevelFault::Range)
}

/// A time with its own zone, else in `zone`.
pub(super) fn time_in(text: &str, zone: Option<Zone>) -> Result<UtcMillis, TimeParseError> {
    match (text.parse::<UtcMillis>(), zone) {
        (Err(TimeParseError::NoZone), Some(zone)) => {
            let local: UtcMillis = format!("{}Z", text.trim()).parse()?;
            Ok(UtcMillis(local.0.saturating_sub(zone.millis())))
        }
        (read, _) => read,
    }
}

/// Fields of a line of a table: commas, else semicolons, else tabs.
pub(super) fn fields_of(line: &[u8]) -> Vec<&[u8]> {
    let delimiter = [b',', b';', b'\t'].into_iter().find(|d| line.contains(d)).unwrap_or(b',');
    let mut fields = [&[][..]; MAX_FIELDS];
    let n = split(line, Delimiter::Byte(delimiter), &mut fields);
    fields.get(..n).unwrap_or_default().to_vec()
}

/// A column's name: trimmed, in small letters.
pub(super) fn header_name(field: &[u8]) -> String {
    String::from_utf8_lossy(field.get(..256).unwrap_or(field)).trim().to_ascii_lowercase()
}

pub(super) fn is_comment(line: &[u8]) -> bool {
    line.trim_ascii_start().starts_with(b"#")
}

pub(super) fn too_long(line: &[u8]) -> bool {
    line.len() > MAX_GAUGE_LINE_BYTES
}

/// How a line begins, for people.
pub(super) fn start_of(line: &[u8]) -> String {
    escaped(String::from_utf8_lossy(line.get(..60).unwrap_or(line)).trim())
}

impl fmt::Display for LevelUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Metres => "metres",
            Self::Feet => "feet",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_in_both_units() {
        // Source: the international foot of 1959, 0.3048 m: 3.10 ft = 0.94488 m, 0.10 ft = 30.48 mm.
        let plain = GaugeOptions::default();
        let of = |text: &str, unit| level_mm(text.as_bytes(), unit, &plain);
        for (text, mm) in [("3.10", 945), ("0.1", 30), ("-2.50", -762), ("10000", 3_048_000), ("6.17", 1_881)]
        {
            assert_eq!(of(text, LevelUnit::Feet), Ok(mm), "{text}");
        }
        for (text, mm) in
            [("4.2", 4_200), ("-0.0005", -1), ("0.0004", 0), ("1e1", 10_000), ("10000", 10_000_000)]
        {
            assert_eq!(of(text, LevelUnit::Metres), Ok(mm), "{text}");
        }
        assert_eq!(of("10000.001", LevelUnit::Metres), Err(LevelFault::Range));
        assert_eq!(of("99999999999999", LevelUnit::Metres), Err(LevelFault::Range));
        assert_eq!(of(" ", LevelUnit::Metres), Err(LevelFault::Blank));
        assert_eq!(of("Ice", LevelUnit::Metres), Err(LevelFault::NoNumber));
        let shifted = GaugeOptions { offset_mm: -183_200, ..plain };
        assert_eq!(level_mm(b"183.45", LevelUnit::Metres, &shifted), Ok(250));
        let absurd = GaugeOptions { offset_mm: i32::MAX, ..shifted };
        assert_eq!(level_mm(b"1", LevelUnit::Metres, &absurd), Err(LevelFault::Range));
    }

    #[test]
    fn lines_are_numbered_whatever_ends_them() {
        let lines: Vec<_> = Lines::new(b"a\r\n\nb\nc").collect();
        assert_eq!(lines, [(1, &b"a"[..]), (2, b""), (3, b"b"), (4, b"c")]);
        assert_eq!(Lines::new(b"").count(), 0);
    }
}
