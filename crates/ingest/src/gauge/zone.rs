//! Time zones as offsets, and the codes that gauge files write for them.

use std::fmt;
use std::str::FromStr;

/// Offset of a clock from UTC. Always a fixed one: whether a clock was on summer time is not guessed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Zone {
    /// Minutes east of UTC.
    minutes: i16,
}

/// Why a text is no zone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("not a zone; give UTC, an offset such as -05:00, or a code such as EST")]
pub struct ZoneError;

/// Codes of `tz_cd`, minutes east of UTC. Source: the code list of the open package dataretrieval 1.4.0
/// (`codes/timezones.py`), where a code means one offset only; it is compared with in `tests/outside/water.sh`.
const CODES: [(&str, i16); 18] = [
    ("UTC", 0),
    ("GMT", 0),
    ("Z", 0),
    ("NDT", -150),
    ("NST", -210),
    ("ADT", -180),
    ("AST", -240),
    ("EDT", -240),
    ("EST", -300),
    ("CDT", -300),
    ("CST", -360),
    ("MDT", -360),
    ("MST", -420),
    ("PDT", -420),
    ("PST", -480),
    ("AKDT", -480),
    ("AKST", -540),
    ("HST", -600),
];

impl Zone {
    /// Universal time.
    pub const UTC: Self = Self { minutes: 0 };

    /// All codes known, with their zones.
    pub fn codes() -> impl Iterator<Item = (&'static str, Self)> {
        CODES.into_iter().map(|(code, minutes)| (code, Self { minutes }))
    }

    /// The zone of a code such as `EST`.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::codes().find(|(c, _)| c.eq_ignore_ascii_case(code)).map(|(_, zone)| zone)
    }

    /// `minutes` east of UTC; `None` beyond ±15 h.
    pub fn from_minutes(minutes: i16) -> Option<Self> {
        (-900..=900).contains(&minutes).then_some(Self { minutes })
    }

    /// Minutes east of UTC.
    pub fn minutes(self) -> i16 {
        self.minutes
    }

    /// What is taken from a clock of this zone to get UTC, ms.
    pub(super) fn millis(self) -> i64 {
        i64::from(self.minutes) * 60_000
    }
}

impl FromStr for Zone {
    type Err = ZoneError;

    /// `UTC`, `EST` …, `+02:00`, `-0500`, `+2`.
    fn from_str(text: &str) -> Result<Self, ZoneError> {
        let text = text.trim();
        if let Some(zone) = Self::from_code(text) {
            return Ok(zone);
        }
        let (sign, digits) = match text.as_bytes() {
            [b'+', rest @ ..] => (1, rest),
            [b'-', rest @ ..] => (-1, rest),
            _ => return Err(ZoneError),
        };
        let (h, m) = match digits {
            [h] => (number(&[*h])?, 0),
            [a, b] => (number(&[*a, *b])?, 0),
            [a, b, b':', c, d] | [a, b, c, d] => (number(&[*a, *b])?, number(&[*c, *d])?),
            _ => return Err(ZoneError),
        };
        if m > 59 {
            return Err(ZoneError);
        }
        Self::from_minutes(sign * (h * 60 + m)).ok_or(ZoneError)
    }
}

impl fmt::Display for Zone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.minutes < 0 { '-' } else { '+' };
        let minutes = self.minutes.unsigned_abs();
        write!(f, "{sign}{:02}:{:02}", minutes / 60, minutes % 60)
    }
}

fn number(digits: &[u8]) -> Result<i16, ZoneError> {
    digits.iter().try_fold(0, |n, c| {
        if c.is_ascii_digit() { Ok(n * 10 + i16::from(c - b'0')) } else { Err(ZoneError) }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_and_offsets() {
        // Source: the RDB text's tz_cd codes: PST is 8 h, PDT 7 h behind UTC.
        for (text, minutes) in
            [("PST", -480), ("pdt", -420), (" UTC ", 0), ("-05:00", -300), ("+0530", 330), ("+2", 120)]
        {
            assert_eq!(text.parse::<Zone>().map(Zone::minutes), Ok(minutes), "{text}");
        }
        for text in ["", "local", "5", "+24", "-05:60", "+1é", "++1", "EST5EDT"] {
            assert_eq!(text.parse::<Zone>(), Err(ZoneError), "{text}");
        }
        assert_eq!("-03:30".parse::<Zone>().expect("an offset").to_string(), "-03:30");
    }
}
