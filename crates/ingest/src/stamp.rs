//! The time that one line of a log carries, for whoever plays it back in its own time.

use crate::n2k::line_stamp;
use crate::nmea::{Content, sentence};
use leadline_model::UtcMillis;

const DAY_MS: i64 = 86_400_000;

/// Time of day of a line, ms: of a sentence what its receiver says, of a frame of the bus when the logging computer saw
/// it, of a Signal K delta its first timestamp. `None` of a line without one.
pub fn time_of_line(line: &[u8]) -> Option<i64> {
    let line = line.trim_ascii();
    match line.first()? {
        b'$' | b'!' | b'\\' => match sentence(line).ok()?.content {
            Content::Fix(fix) => fix.time_of_day.map(i64::from),
            Content::Date(time, _) => time.map(i64::from),
            _ => None,
        },
        b'{' => delta(line),
        _ => line_stamp(line).map(|ms| ms.rem_euclid(DAY_MS)),
    }
}

fn delta(line: &[u8]) -> Option<i64> {
    const KEY: &[u8] = b"\"timestamp\"";
    let from = memchr::memmem::find(line, KEY)? + KEY.len();
    let mut parts = line.get(from..)?.split(|c| *c == b'"');
    // `:`, then the value.
    let colon = parts.next()?.trim_ascii();
    let text = std::str::from_utf8(parts.next()?).ok()?;
    let time: UtcMillis = (colon == b":").then(|| text.parse().ok())??;
    Some(time.millis_of_day())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_of_log_has_a_pace() {
        for (line, ms) in [
            ("$GPZDA,000010.50,20,08,2018,00,00\r\n", Some(10_500)),
            ("$SDDPT,5.3,0.4,*79\r\n", None),
            // 2015-07-09T15:08:29.053905Z (date -u -d @1436454509).
            ("(1436454509.053905) can0 09F8027F#36FC8A360400FFFF\n", Some(54_509_053)),
            ("2023-01-01-00:00:01.250,2,129026,127,255,8,36,fc,8a,36,04,00,ff,ff", Some(1_250)),
            (
                "{\"context\":\"vessels.self\",\"updates\":[{\"timestamp\": \"2023-05-01T08:00:02.500Z\",\"values\":[]}]}",
                Some(28_802_500),
            ),
            ("{\"updates\":[{\"values\":[]}]}", None),
            ("{\"timestamp\":12}", None),
            ("# remark", None),
            ("", None),
        ] {
            assert_eq!(time_of_line(line.as_bytes()), ms, "{line}");
        }
    }
}
