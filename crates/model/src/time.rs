//! UTC times in whole milliseconds, and the ten-minute windows that cut legs.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// Length of a leg's window in milliseconds: ten minutes.
pub const LEG_MILLIS: i64 = 600_000;

/// Milliseconds since 1970-01-01T00:00:00Z, leap seconds not counted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct UtcMillis(pub i64);

/// One whole ten minutes of UTC (00, 10, 20 …), counted from 1970.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct LegWindow(pub i64);

impl LegWindow {
    /// First moment of the window.
    pub fn start(self) -> UtcMillis {
        UtcMillis(self.0.saturating_mul(LEG_MILLIS))
    }
}

/// Why a time could not be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum TimeParseError {
    /// Not of the form `2026-05-01T10:00:00Z`.
    #[error("not a time like 2026-05-01T10:00:00Z")]
    Shape,
    /// A field is out of its range, or the day does not exist.
    #[error("no such day or time of day")]
    Range,
    /// No `Z` and no offset: local times are not guessed.
    #[error("the time needs Z or an offset like +02:00 at its end")]
    NoZone,
}

impl UtcMillis {
    /// From calendar fields, proleptic Gregorian; `None` if the day or the time of day does not exist.
    /// Second 60 (a leap second) is taken as the first second of the next minute.
    pub fn from_civil(y: i32, mo: u32, d: u32, h: u32, mi: u32, s: u32, ms: u32) -> Option<Self> {
        let ok = (1..=9999).contains(&y) && (1..=12).contains(&mo) && d >= 1 && d <= days_in_month(y, mo);
        if !ok || h > 23 || mi > 59 || s > 60 || ms > 999 {
            return None;
        }
        let secs = days_from_civil(y, mo, d) * 86_400 + i64::from(h * 3600 + mi * 60 + s);
        Some(Self(secs * 1000 + i64::from(ms)))
    }

    /// Year, month, day of this moment.
    pub fn date(self) -> (i32, u32, u32) {
        civil_from_days(self.0.div_euclid(86_400_000))
    }

    /// Midnight (UTC) at the start of this moment's day.
    pub fn day_start(self) -> Self {
        Self(self.0.div_euclid(86_400_000) * 86_400_000)
    }

    /// Milliseconds since this moment's midnight.
    pub fn millis_of_day(self) -> i64 {
        self.0.rem_euclid(86_400_000)
    }

    /// The ten-minute window that holds this moment.
    pub fn leg_window(self) -> LegWindow {
        LegWindow(self.0.div_euclid(LEG_MILLIS))
    }

    /// Only the date, `2026-05-01`.
    pub fn date_text(self) -> String {
        let (y, m, d) = self.date();
        format!("{y:04}-{m:02}-{d:02}")
    }

    /// Date and minute, `2026-05-01 10:00`, as people read it (UTC).
    pub fn minute_text(self) -> String {
        let m = self.millis_of_day() / 60_000;
        format!("{} {:02}:{:02}", self.date_text(), m / 60, m % 60)
    }
}

impl fmt::Display for UtcMillis {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (y, mo, d) = self.date();
        let ms = self.millis_of_day();
        let (s, frac) = (ms / 1000, ms % 1000);
        write!(f, "{y:04}-{mo:02}-{d:02}T{:02}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)?;
        if frac != 0 {
            write!(f, ".{frac:03}")?;
        }
        f.write_str("Z")
    }
}

impl FromStr for UtcMillis {
    type Err = TimeParseError;

    /// RFC 3339: `T` or a blank between date and time, seconds and their fraction optional, `Z` or an offset
    /// required.
    fn from_str(text: &str) -> Result<Self, TimeParseError> {
        let b = text.trim().as_bytes();
        if b.len() < 16
            || b[4] != b'-'
            || b[7] != b'-'
            || !matches!(b[10], b'T' | b't' | b' ')
            || b[13] != b':'
        {
            return Err(TimeParseError::Shape);
        }
        let y = digits(&b[0..4])?;
        let (mo, d, h, mi) =
            (digits(&b[5..7])?, digits(&b[8..10])?, digits(&b[11..13])?, digits(&b[14..16])?);
        let mut rest = &b[16..];
        let (mut s, mut ms) = (0, 0);
        if rest.first() == Some(&b':') {
            s = digits(rest.get(1..3).ok_or(TimeParseError::Shape)?)?;
            rest = &rest[3..];
            if rest.first() == Some(&b'.') {
                let n = rest[1..].iter().take_while(|c| c.is_ascii_digit()).count();
                if n == 0 {
                    return Err(TimeParseError::Shape);
                }
                let mut scale = 100;
                for c in rest[1..=n].iter().take(3) {
                    ms += u32::from(c - b'0') * scale;
                    scale /= 10;
                }
                rest = &rest[1 + n..];
            }
        }
        let local = Self::from_civil(y as i32, mo, d, h, mi, s, ms).ok_or(TimeParseError::Range)?;
        Ok(Self(local.0 - offset_millis(rest)?))
    }
}

fn offset_millis(rest: &[u8]) -> Result<i64, TimeParseError> {
    match rest {
        [b'Z' | b'z'] => Ok(0),
        [] => Err(TimeParseError::NoZone),
        [sign @ (b'+' | b'-'), hh @ ..] => {
            let (h, m) = match hh {
                [a, b, b':', c, d] | [a, b, c, d] => (digits(&[*a, *b])?, digits(&[*c, *d])?),
                [a, b] => (digits(&[*a, *b])?, 0),
                _ => return Err(TimeParseError::Shape),
            };
            if h > 15 || m > 59 {
                return Err(TimeParseError::Range);
            }
            let ms = i64::from(h * 60 + m) * 60_000;
            Ok(if *sign == b'-' { -ms } else { ms })
        }
        _ => Err(TimeParseError::Shape),
    }
}

fn digits(b: &[u8]) -> Result<u32, TimeParseError> {
    b.iter().try_fold(0u32, |n, c| {
        if c.is_ascii_digit() { Ok(n * 10 + u32::from(c - b'0')) } else { Err(TimeParseError::Shape) }
    })
}

fn days_in_month(y: i32, m: u32) -> u32 {
    match m {
        2 if y % 4 == 0 && (y % 100 != 0 || y % 400 == 0) => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    }
}

/// Days since 1970-01-01 of a proleptic Gregorian date (years start in March, eras of 400 years).
fn days_from_civil(y: i32, m: u32, d: u32) -> i64 {
    let y = i64::from(y) - i64::from(m <= 2);
    let era = y.div_euclid(400);
    let yoe = y - era * 400;
    let mp = i64::from((m + 9) % 12);
    let doy = (153 * mp + 2) / 5 + i64::from(d) - 1;
    era * 146_097 + yoe * 365 + yoe / 4 - yoe / 100 + doy - 719_468
}

fn civil_from_days(z: i64) -> (i32, u32, u32) {
    let z = z + 719_468;
    let era = z.div_euclid(146_097);
    let doe = z - era * 146_097;
    let yoe = (doe - doe / 1460 + doe / 36_524 - doe / 146_096) / 365;
    let doy = doe - (365 * yoe + yoe / 4 - yoe / 100);
    let mp = (5 * doy + 2) / 153;
    let d = (doy - (153 * mp + 2) / 5 + 1) as u32;
    let m = if mp < 10 { mp + 3 } else { mp - 9 } as u32;
    ((yoe + era * 400 + i64::from(m <= 2)) as i32, m, d)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> UtcMillis {
        text.parse().expect(text)
    }

    #[test]
    fn unix_seconds_of_known_days() {
        // Source: candump sample of the gpsd test data: 1436509053 s.
        assert_eq!(at("2015-07-10T06:17:33Z").0, 1_436_509_053_000);
        assert_eq!(at("1970-01-01T00:00:00Z").0, 0);
        // POSIX: 2000-02-29 exists, 86400-second days.
        assert_eq!(at("2000-03-01T00:00:00Z").0 - at("2000-02-28T00:00:00Z").0, 2 * 86_400_000);
    }

    #[test]
    fn zones_of_the_gauge_samples() {
        // Source: zones of the government's RDB text, worked by hand: 1988-01-01 00:00 PST = 08:00 UTC; 1988-07-01 12:00 PDT = 19:00 UTC.
        assert_eq!(at("1988-01-01T00:00-08:00"), at("1988-01-01T08:00:00Z"));
        assert_eq!(at("1988-07-01T12:00:00-0700"), at("1988-07-01T19:00:00Z"));
    }

    #[test]
    fn text_round_trip_and_refusals() {
        for t in ["2015-08-06T22:00:00Z", "2026-12-31T23:59:59.999Z", "1999-02-28T00:00:00.010Z"] {
            assert_eq!(at(t).to_string(), t);
        }
        assert_eq!("2026-05-01T10:00:00".parse::<UtcMillis>(), Err(TimeParseError::NoZone));
        assert_eq!("2026-02-29T10:00:00Z".parse::<UtcMillis>(), Err(TimeParseError::Range));
        assert_eq!("yesterday".parse::<UtcMillis>(), Err(TimeParseError::Shape));
        assert_eq!("2026-05-01T10:00:0é".parse::<UtcMillis>(), Err(TimeParseError::Shape));
    }

    #[test]
    fn windows_are_half_open() {
        assert_eq!(at("2026-05-01T10:09:59.999Z").leg_window(), at("2026-05-01T10:00:00Z").leg_window());
        assert_ne!(at("2026-05-01T10:10:00Z").leg_window(), at("2026-05-01T10:00:00Z").leg_window());
        assert_eq!(UtcMillis(-1).leg_window(), LegWindow(-1));
    }
}
