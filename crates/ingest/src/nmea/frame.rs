//! The frame of a sentence: `$` or `!`, address, fields, `*` and two hex digits, with an optional tag block
//! before it. Source: gpsd "NMEA Revealed" and "AIVDM" (tag blocks).

use crate::Problem;
use memchr::{memchr, memchr2, memrchr, memrchr2};

/// A sentence whose frame is sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Frame<'a> {
    /// Talker and formatter, such as `SDDPT`.
    pub(crate) address: &'a [u8],
    /// What follows the address' comma.
    pub(crate) fields: &'a [u8],
    /// Whether it had a checksum, which then is right.
    pub(crate) checked: bool,
}

/// Finds the sentence of a line. Text before it (time stamps of loggers, the remains of a torn sentence) is
/// passed over; a tag block must be sound.
pub(crate) fn frame(line: &[u8]) -> Result<Frame<'_>, Problem> {
    let start = match line.first() {
        Some(b'$' | b'!') => 0,
        _ => memchr2(b'$', b'!', line).ok_or_else(|| without_start(line))?,
    };
    if start > 0 && !tag_block_is_sound(&line[..start]) {
        return Err(Problem::BadChecksum);
    }
    let rest = &line[start + 1..];
    body(rest).or_else(|problem| match memrchr2(b'$', b'!', rest) {
        Some(again) => body(&rest[again + 1..]),
        None => Err(problem),
    })
}

/// Whether `address` has the shape of a talker of two letters and a formatter of three.
pub(crate) fn is_address(address: &[u8]) -> bool {
    address.len() == 5 && address.iter().all(|c| c.is_ascii_uppercase() || c.is_ascii_digit())
}

fn body(body: &[u8]) -> Result<Frame<'_>, Problem> {
    let n = body.len();
    let star = match body {
        [.., b'*', _, _] => Some(n - 3),
        _ => memchr(b'*', body),
    };
    let Some(star) = star else { return unchecked(body) };
    let stated = match body.get(star + 1..star + 3) {
        Some(&[high, low]) => hex(high).zip(hex(low)).map(|(h, l)| h << 4 | l),
        _ => None,
    };
    let more_digits = body.get(star + 3).is_some_and(u8::is_ascii_alphanumeric);
    let Some(stated) = stated.filter(|_| !more_digits) else { return Err(Problem::TornLine) };
    let text = &body[..star];
    if xor(text) != stated {
        return Err(Problem::BadChecksum);
    }
    Ok(split(text, true))
}

fn unchecked(body: &[u8]) -> Result<Frame<'_>, Problem> {
    let body = body.trim_ascii_end();
    if !body.iter().all(|c| matches!(c, b' '..=b'~')) {
        return Err(Problem::NotText);
    }
    let frame = split(body, false);
    if frame.fields.is_empty() { Err(Problem::TornLine) } else { Ok(frame) }
}

fn split(text: &[u8], checked: bool) -> Frame<'_> {
    let comma = match text.get(5) {
        Some(b',') if !text[..5].contains(&b',') => 5,
        _ => text.iter().position(|c| *c == b',').unwrap_or(text.len()),
    };
    Frame { address: &text[..comma], fields: text.get(comma + 1..).unwrap_or_default(), checked }
}

/// The exclusive or of all bytes.
fn xor(text: &[u8]) -> u8 {
    let (words, rest) = text.as_chunks::<8>();
    let mut folded = words.iter().fold(0, |sum, w| sum ^ u64::from_ne_bytes(*w));
    let (fours, rest) = rest.as_chunks::<4>();
    folded = fours.iter().fold(folded, |sum, w| sum ^ u64::from(u32::from_ne_bytes(*w)));
    let folded = folded ^ folded >> 32;
    let folded = folded ^ folded >> 16;
    let folded = (folded ^ folded >> 8) as u8;
    rest.iter().fold(folded, |sum, c| sum ^ c)
}

fn hex(digit: u8) -> Option<u8> {
    match digit {
        b'0'..=b'9' => Some(digit - b'0'),
        b'A'..=b'F' => Some(digit - b'A' + 10),
        b'a'..=b'f' => Some(digit - b'a' + 10),
        _ => None,
    }
}

fn without_start(line: &[u8]) -> Problem {
    let text = line.iter().all(|c| matches!(c, b' '..=b'~' | b'\t'));
    if text { Problem::TornLine } else { Problem::NotText }
}

/// `\key:value,…*hh\` before the sentence; anything else is not a tag block and none of our business.
fn tag_block_is_sound(prefix: &[u8]) -> bool {
    let Some((open, close)) = memchr(b'\\', prefix).zip(memrchr(b'\\', prefix)) else { return true };
    match prefix.get(open + 1..close) {
        Some([text @ .., b'*', high, low]) => {
            hex(*high).zip(hex(*low)).is_some_and(|(h, l)| xor(text) == (h << 4 | l))
        }
        // Several blocks in one line, or a lone backslash.
        _ => open == close,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn address(line: &str) -> Result<String, Problem> {
        frame(line.as_bytes()).map(|f| String::from_utf8_lossy(f.address).into_owned())
    }

    #[test]
    fn tag_blocks_of_the_reference() {
        // Source: gpsd AIVDM.adoc; checksums 4A and 79.
        let depth = "$SDDPT,5.3,0.4,*79";
        for block in
            [r"\g:1-2-73874,n:157036,s:r003669945,c:1241544035*4A\", r"\s:r003669945,c:1241544035*79\"]
        {
            assert_eq!(address(&format!("{block}{depth}")), Ok("SDDPT".to_owned()));
            let bad = block.replacen("s:r", "s:q", 1);
            assert_eq!(address(&format!("{bad}{depth}")), Err(Problem::BadChecksum));
        }
    }

    #[test]
    fn what_stands_around_a_sentence() {
        let ok = Ok("SDDPT".to_owned());
        assert_eq!(address("2018-08-20T09:47:36Z $SDDPT,5.3,0.4,*79"), ok);
        assert_eq!(address("$GPGGA,094736,52$SDDPT,5.3,0.4,*79"), ok);
        assert_eq!(address("$SDDPT,5.3,0.4,*79  "), ok);
        assert_eq!(address("$SDDPT,5.3,0.4,*79,1534758456"), ok);
        assert_eq!(address("$SDDPT,5.3,0.4,"), ok);
        assert_eq!(address("$SDDPT,5.3,0.4,*7"), Err(Problem::TornLine));
        assert_eq!(address("$SDDPT,5.3,0.4,*"), Err(Problem::TornLine));
        assert_eq!(address("$SDDPT,5.3,0.4,*795"), Err(Problem::TornLine));
        assert_eq!(address("5.3,0.4,*79"), Err(Problem::TornLine));
        assert_eq!(address("$SDDPT,5.4,0.4,*79"), Err(Problem::BadChecksum));
        assert_eq!(address("$SDDPT,5.\u{1},"), Err(Problem::NotText));
        assert_eq!(address("\u{1}\u{2}"), Err(Problem::NotText));
        assert_eq!(address("$"), Err(Problem::TornLine));
    }

    #[test]
    fn xor_of_any_length() {
        let text: Vec<u8> = (0..100u8).map(|i| i.wrapping_mul(37)).collect();
        for n in 0..text.len() {
            assert_eq!(xor(&text[..n]), text[..n].iter().fold(0, |s, c| s ^ c));
        }
    }
}
