//! A logger that writes what the instruments say, and everything that goes wrong on the way to the card.

use crate::days::{Moment, Style};
use crate::rng::Rng;
use crate::sentence;
use leadline_model::UtcMillis;

/// 1,024 weeks, by which a receiver without a fix may be wrong about the day.
const ROLL_OVER_MS: i64 = 1024 * 7 * 86_400_000;
/// How often a sentence is damaged, torn, or written twice.
const DAMAGED: f64 = 0.002;
const TORN: f64 = 0.0008;
const TWICE: f64 = 0.0015;

/// How a logger ends its lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ends {
    CrLf,
    Lf,
    Mixed,
}

/// The log's bytes. With `cut`, the power goes in the middle of the last sentence.
pub(crate) fn nmea(style: Style, ends: Ends, moments: &[Moment], cut: bool, rng: &mut Rng) -> Vec<u8> {
    let mut out = Vec::with_capacity(moments.len() * 170);
    put(&mut out, "# logger started", ends, rng);
    for (second, moment) in moments.iter().enumerate() {
        for line in sentences(style, second, moment) {
            write_line(&mut out, line, ends, rng);
        }
        if second == moments.len() / 3 {
            // The card hiccups: bytes that are no text.
            out.extend_from_slice(&[0, 0, 0, 0xff, 0xfe, 0x1b]);
            put(&mut out, "", ends, rng);
        }
    }
    if cut {
        out.truncate(out.len().saturating_sub(17));
    }
    out
}

fn sentences(style: Style, second: usize, m: &Moment) -> Vec<String> {
    let fix = m.fix.as_ref();
    let day = if m.old_date { UtcMillis(m.stamp.0 - ROLL_OVER_MS) } else { m.stamp };
    match style {
        Style::Dpt { offset_m } => {
            let mut all = vec![
                sentence::rmc(m.stamp, day, fix, 'A'),
                sentence::gga(m.stamp, fix, 1),
                sentence::dpt(m.depth, offset_m),
            ];
            if second % 10 == 4 {
                all.push(sentence::mtw(m.celsius));
            }
            all
        }
        Style::Dbt => {
            let mut all = vec![sentence::gll(m.stamp, fix, 'D'), sentence::rmc(m.stamp, day, fix, 'D')];
            if second.is_multiple_of(5) {
                all.push(sentence::gsa(fix));
            }
            if second % 20 == 7 {
                all.push(sentence::gsv(second));
            }
            all.push(sentence::dbt(m.depth));
            all
        }
    }
}

fn write_line(out: &mut Vec<u8>, line: String, ends: Ends, rng: &mut Rng) {
    if rng.chance(DAMAGED) {
        let mut bytes = line.into_bytes();
        // Behind the dollar sign and before the checksum.
        let hit = 1 + rng.below(bytes.len() - 4);
        bytes[hit] = b'0' + ((bytes[hit] + 1 + rng.below(9) as u8) % 10);
        put_bytes(out, &bytes, ends, rng);
    } else if rng.chance(TORN) {
        // The line end is lost as well: the next sentence follows at once.
        out.extend_from_slice(&line.as_bytes()[..3 + rng.below(line.len() - 4)]);
    } else {
        let times = if rng.chance(TWICE) { 2 } else { 1 };
        for _ in 0..times {
            put(out, &line, ends, rng);
        }
    }
}

fn put(out: &mut Vec<u8>, line: &str, ends: Ends, rng: &mut Rng) {
    put_bytes(out, line.as_bytes(), ends, rng);
}

fn put_bytes(out: &mut Vec<u8>, line: &[u8], ends: Ends, rng: &mut Rng) {
    out.extend_from_slice(line);
    let crlf = match ends {
        Ends::CrLf => true,
        Ends::Lf => false,
        Ends::Mixed => rng.chance(0.5),
    };
    out.extend_from_slice(if crlf { b"\r\n" } else { b"\n" });
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::receiver::Fix;

    fn moments(n: i64) -> Vec<Moment> {
        let fix = Fix { east: 1.0, north: 2.0, speed: 2.0, course_deg: 90.0, hdop: 0.9, sats: 9 };
        (0..n)
            .map(|i| Moment {
                stamp: UtcMillis(1_744_430_400_000 + i * 1000),
                old_date: false,
                fix: (i % 7 != 0).then_some(fix),
                depth: (i % 5 != 0).then_some(4.2),
                celsius: 9.0,
            })
            .collect()
    }

    fn sound(line: &[u8]) -> bool {
        let text = String::from_utf8_lossy(line);
        let body = text.trim_start_matches('$').split('*').next().unwrap_or_default().to_owned();
        sentence::framed(&body).as_bytes() == line
    }

    #[test]
    fn some_lines_are_bad_and_most_are_good() {
        for style in [Style::Dpt { offset_m: 0.3 }, Style::Dbt] {
            let log = nmea(style, Ends::Mixed, &moments(3000), false, &mut Rng::new(1, 9));
            let lines: Vec<&[u8]> = log.split(|c| *c == b'\n').map(<[u8]>::trim_ascii_end).collect();
            let bad = lines.iter().filter(|l| !sound(l)).count() as f64 / lines.len() as f64;
            assert!((0.001..0.01).contains(&bad), "{bad}");
            let crlf = log.windows(2).filter(|w| w == b"\r\n").count();
            assert!(crlf > lines.len() / 3 && crlf < lines.len() * 2 / 3);
        }
    }

    #[test]
    fn power_cut_leaves_half_a_sentence() {
        let log = nmea(Style::Dbt, Ends::Lf, &moments(50), true, &mut Rng::new(1, 9));
        assert_ne!(log.last(), Some(&b'\n'));
    }
}
