//! One line of text to one frame or message of the bus.
//!
//! Three ways of writing are read: a bus tool's log form, `(1436509053.762905) can0 09F8027F#36FC8A360400FFFF`; its
//! screen form, `can0  09F8027F   [8]  36 FC 8A 36 04 00 FF FF`, with or without a stamp before it; and an analyser's
//! plain form, `2023-01-01-00:00:00.000,2,129026,127,255,8,36,fc,8a,36,04,00,ff,ff`.

use crate::Problem;
use crate::format::sample_lines;
use leadline_model::UtcMillis;

/// Longest message: a fast packet's 223 bytes.
pub(crate) const MAX_MESSAGE: usize = 223;

/// Bytes from the bus: a frame of up to 8, or a message that the analyser has put together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct BusLine {
    /// When the logging computer saw it, ms since 1970 by that computer's clock.
    pub(crate) stamp: Option<i64>,
    pub(crate) pgn: u32,
    pub(crate) source: u8,
    pub(crate) len: usize,
    data: [u8; MAX_MESSAGE],
}

impl BusLine {
    pub(crate) fn data(&self) -> &[u8] {
        &self.data[..self.len]
    }

    /// Reads one line.
    pub(crate) fn of(line: &[u8]) -> Result<Self, Problem> {
        let line = line.trim_ascii();
        if line.first().is_some_and(u8::is_ascii_digit) {
            return plain(line).ok_or(Problem::TornLine);
        }
        frame_line(line).ok_or(Problem::TornLine)
    }
}

/// When the logging computer saw a line, ms since 1970, if it says so.
pub(crate) fn line_stamp(line: &[u8]) -> Option<i64> {
    BusLine::of(line).ok()?.stamp
}

/// Whether most whole lines of a sample are frames of the bus.
pub(crate) fn looks_like_frames(sample: &[u8], whole: bool) -> bool {
    let (mut lines, mut frames) = (0, 0);
    for line in sample_lines(sample, whole).filter(|l| !l.starts_with(b"#")) {
        lines += 1;
        frames += usize::from(BusLine::of(line).is_ok());
    }
    frames > 0 && frames * 2 > lines
}

/// The log form and the screen form.
fn frame_line(line: &[u8]) -> Option<BusLine> {
    let (stamp, rest) = match line.strip_prefix(b"(") {
        Some(rest) => {
            let end = rest.iter().position(|c| *c == b')')?;
            (Some(seconds(&rest[..end])?), rest[end + 1..].trim_ascii_start())
        }
        None => (None, line),
    };
    // The interface's name tells nothing.
    let end = rest.iter().position(u8::is_ascii_whitespace)?;
    let rest = rest[end..].trim_ascii_start();
    match rest.iter().position(|c| *c == b'#') {
        Some(at) => {
            let data = rest[at + 1..].split(u8::is_ascii_whitespace).next()?;
            of_id(stamp, &rest[..at], data.chunks(2))
        }
        None => {
            let mut words = rest.split(u8::is_ascii_whitespace).filter(|w| !w.is_empty());
            let (id, count) = (words.next()?, words.next()?);
            let count = count.strip_prefix(b"[")?.strip_suffix(b"]")?;
            let frame = of_id(stamp, id, words)?;
            (whole(count)? == frame.len as i64).then_some(frame)
        }
    }
}

fn of_id<'a>(stamp: Option<i64>, id: &[u8], bytes: impl Iterator<Item = &'a [u8]>) -> Option<BusLine> {
    // Eight digits: an extended identifier; the bus has no others.
    let id = (id.len() == 8).then(|| hex(id)).flatten().filter(|id| *id < 1 << 29)?;
    let (pgn, source) = pgn_of(id);
    let frame = gather(stamp, pgn, source, bytes)?;
    (frame.len <= 8).then_some(frame)
}

/// `TIME,priority,PGN,source,destination,length,byte,byte…`
fn plain(line: &[u8]) -> Option<BusLine> {
    let mut fields = line.split(|c| *c == b',').map(<[u8]>::trim_ascii);
    let stamp = plain_time(fields.next()?)?;
    let _priority = whole(fields.next()?).filter(|p| (0..8).contains(p))?;
    let pgn = u32::try_from(whole(fields.next()?)?).ok().filter(|p| *p < 1 << 18)?;
    let source = u8::try_from(whole(fields.next()?)?).ok()?;
    let _destination = u8::try_from(whole(fields.next()?)?).ok()?;
    let len = usize::try_from(whole(fields.next()?)?).ok()?;
    let message = gather(Some(stamp), pgn, source, fields)?;
    (message.len == len).then_some(message)
}

fn gather<'a>(
    stamp: Option<i64>,
    pgn: u32,
    source: u8,
    bytes: impl Iterator<Item = &'a [u8]>,
) -> Option<BusLine> {
    let mut out = BusLine { stamp, pgn, source, len: 0, data: [0; MAX_MESSAGE] };
    for byte in bytes {
        let value = (byte.len() == 2).then(|| hex(byte)).flatten()?;
        *out.data.get_mut(out.len)? = value as u8;
        out.len += 1;
    }
    (out.len > 0).then_some(out)
}

/// Parameter group number and source address of a 29-bit identifier. Below format 240 the low byte is a destination
/// and no part of the number.
pub(crate) fn pgn_of(id: u32) -> (u32, u8) {
    let group = id >> 8 & 0x3_ffff;
    let addressed = group >> 8 & 0xff < 240;
    (if addressed { group & 0x3_ff00 } else { group }, id as u8)
}

fn hex(text: &[u8]) -> Option<u32> {
    if text.is_empty() || !text.iter().all(u8::is_ascii_hexdigit) {
        return None;
    }
    u32::from_str_radix(str::from_utf8(text).ok()?, 16).ok()
}

fn whole(text: &[u8]) -> Option<i64> {
    if text.is_empty() || text.len() > 12 || !text.iter().all(u8::is_ascii_digit) {
        return None;
    }
    str::from_utf8(text).ok()?.parse().ok()
}

/// `1436509053.762905` to ms.
fn seconds(text: &[u8]) -> Option<i64> {
    let (s, fraction) = match text.iter().position(|c| *c == b'.') {
        Some(dot) => (&text[..dot], &text[dot + 1..]),
        None => (text, &[][..]),
    };
    let thousandths = (0..3).try_fold(0, |sum, i| match fraction.get(i) {
        None => Some(sum * 10),
        Some(c) if c.is_ascii_digit() => Some(sum * 10 + i64::from(c - b'0')),
        Some(_) => None,
    })?;
    Some(whole(s)? * 1000 + thousandths)
}

/// `2023-01-01-00:00:00.000`, or with a `T` and a `Z`.
fn plain_time(text: &[u8]) -> Option<i64> {
    if text.len() < 19 || !text.is_ascii() {
        return None;
    }
    let mut iso = text.to_vec();
    iso[10] = b'T';
    if iso.last() != Some(&b'Z') {
        iso.push(b'Z');
    }
    String::from_utf8(iso).ok()?.parse::<UtcMillis>().ok().map(|t| t.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identifiers of real buses; the parts by the rule of SAE J1939-21 (as the published examples give them).
    #[test]
    fn identifiers() {
        assert_eq!(pgn_of(0x09F8_027F), (129_026, 0x7f));
        assert_eq!(pgn_of(0x09F5_0374), (128_259, 0x74));
        assert_eq!(pgn_of(0x0DF5_0B23), (128_267, 35));
        assert_eq!(pgn_of(0x18EE_FF01), (60_928, 1));
    }

    #[test]
    fn three_ways_of_writing_are_one_frame() {
        let log = BusLine::of(b"(1436509053.762905) can0 09F8027F#36FC8A360400FFFF").expect("a frame");
        assert_eq!((log.stamp, log.pgn, log.source), (Some(1_436_509_053_762), 129_026, 127));
        assert_eq!(log.data(), [0x36, 0xfc, 0x8a, 0x36, 4, 0, 0xff, 0xff]);
        let screen = BusLine::of(b"  can0  09F8027F   [8]  36 FC 8A 36 04 00 FF FF").expect("a frame");
        assert_eq!((screen.stamp, screen.data()), (None, log.data()));
        let stamped = BusLine::of(b" (1436509053.762905)  can0  09F8027F   [8]  36 FC 8A 36 04 00 FF FF")
            .expect("a frame");
        assert_eq!(stamped, log);
        let plain = BusLine::of(b"2015-07-10-06:17:33.762,2,129026,127,255,8,36,fc,8a,36,04,00,ff,ff");
        assert_eq!(plain.expect("a message"), log);
        let zulu = BusLine::of(b"2015-07-10T06:17:33.762Z,2,129026,127,255,8,36,fc,8a,36,04,00,ff,ff");
        assert_eq!(zulu.expect("a message"), log);
    }

    #[test]
    fn torn_and_foreign_lines_are_refused() {
        for bad in [
            &b"(1436509053.762905) can0 09F8027F#36FC8A36040"[..],
            b"(1436509053.7x) can0 09F8027F#36FC",
            b"(1436509053.762905) can0 7F#36FC",
            b"(1436509053.762905) can0 29F8027F#36FC",
            b"(1436509053.762905) can0 09F8027F#R",
            b"(1436509053.762905) can0 09F8027F##136FC",
            b"can0  09F8027F   [8]  36 FC 8A 36 04 00 FF",
            b"2015-07-10-06:17:33.762,2,129026,127,255,8,36,fc,8a,36,04,00,ff",
            b"2015-07-10-06:17:33.762,9,129026,127,255,1,36",
            b"lon,lat,depth",
            b"$SDDPT,5.3,0.4,*79",
            b"",
        ] {
            assert_eq!(BusLine::of(bad), Err(Problem::TornLine), "{}", String::from_utf8_lossy(bad));
        }
    }
}
