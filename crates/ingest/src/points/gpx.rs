//! GPX tracks: each `trkpt` with a depth in it, in any namespace. Source: GPX 1.1 (Topografix): `lat`, `lon`, `time`,
//! `hdop`, `sat`; `extensions` may hold anything, and `depth`, in metres, is what loggers write there (common practice,
//! no source).

use super::{MAX_POINT_BYTES, Piece, Row, cell};
use crate::Problem;
use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};

/// Cuts points out of a stream of bytes.
#[derive(Default)]
pub(super) struct Cutter {
    buffer: Vec<u8>,
    /// Inside a point that is longer than a point may be.
    skips: Option<Vec<u8>>,
}

impl Cutter {
    pub(super) fn push(&mut self, bytes: &[u8], out: &mut Vec<Piece>) {
        self.buffer.extend_from_slice(bytes);
        let mut at = 0;
        while let Some(used) = self.step(at, out) {
            at = used;
        }
        self.buffer.drain(..at.min(self.buffer.len()));
    }

    pub(super) fn is_torn(&self) -> bool {
        self.skips.is_some() || point_tag(&self.buffer).is_some()
    }

    /// Goes on from `at`; where to go on next, or `None` when more bytes are needed.
    fn step(&mut self, at: usize, out: &mut Vec<Piece>) -> Option<usize> {
        let rest = &self.buffer[at..];
        if let Some(close) = &self.skips {
            return match memchr::memmem::find(rest, close) {
                Some(end) => {
                    let next = at + end + close.len();
                    self.skips = None;
                    Some(next)
                }
                // As much of the closing tag as may be there already.
                None => keep_tail(at, rest.len(), close.len()),
            };
        }
        let start = memchr::memchr(b'<', rest)?;
        let tag = &rest[start..];
        if tag.starts_with(b"<!--") {
            return match memchr::memmem::find(tag, b"-->") {
                Some(end) => Some(at + start + end + 3),
                None if tag.len() > MAX_POINT_BYTES => {
                    self.skips = Some(b"-->".to_vec());
                    Some(at + start)
                }
                None => stay(at, start),
            };
        }
        let Some(name) = point_tag(tag) else {
            // Too short to tell, or another tag.
            return if tag.len() < 64 && memchr::memchr(b'>', tag).is_none() {
                stay(at, start)
            } else {
                Some(at + start + 1)
            };
        };
        let close = [b"</", name, b">"].concat();
        match end_of(tag, &close) {
            Some(end) if end <= MAX_POINT_BYTES => {
                out.push(read(&tag[..end]));
                Some(at + start + end)
            }
            _ if tag.len() > MAX_POINT_BYTES => {
                out.push(Piece::Problem(Problem::TooLongLine, "a point longer than 64 KiB".to_owned()));
                self.skips = Some(close);
                Some(at + start)
            }
            _ => stay(at, start),
        }
    }
}

/// Drops what is before `start`, if anything is, and waits.
fn stay(at: usize, start: usize) -> Option<usize> {
    (start > 0).then_some(at + start)
}

fn keep_tail(at: usize, len: usize, tail: usize) -> Option<usize> {
    (len > tail).then(|| at + len - tail)
}

/// The tag's name, if `text` begins with a track point's.
fn point_tag(text: &[u8]) -> Option<&[u8]> {
    let name = text.strip_prefix(b"<")?;
    let end = name.iter().take(64).position(|c| c.is_ascii_whitespace() || matches!(c, b'>' | b'/'))?;
    let local = name[..end].rsplit(|c| *c == b':').next()?;
    (local == b"trkpt").then_some(&name[..end])
}

/// Bytes up to the end of the element, if it is all there.
fn end_of(tag: &[u8], close: &[u8]) -> Option<usize> {
    let first = memchr::memchr(b'>', tag)?;
    if first > 0 && tag[first - 1] == b'/' {
        return Some(first + 1);
    }
    memchr::memmem::find(tag, close).map(|end| end + close.len())
}

/// One point.
fn read(xml: &[u8]) -> Piece {
    let torn = || Piece::Problem(Problem::TornLine, cell(&String::from_utf8_lossy(xml)));
    let Ok(text) = str::from_utf8(xml) else {
        return Piece::Problem(Problem::NotText, cell(&String::from_utf8_lossy(xml)));
    };
    match values(text) {
        Some(row) if row.iter().any(|(name, _)| name == "depth") => Piece::Point(in_order(row)),
        Some(_) => Piece::NotNeeded,
        None => torn(),
    }
}

/// All points of a file have the same columns, whatever order they write them in.
fn in_order(row: Row) -> Row {
    ["lon", "lat", "depth", "time_utc", "hdop", "sats", "speed m/s", "temperature"]
        .into_iter()
        .map(|name| {
            let value = row.iter().find(|(n, _)| n == name).map(|(_, v)| v.clone());
            (name.to_owned(), value.unwrap_or_default())
        })
        .collect()
}

fn values(xml: &str) -> Option<Row> {
    let mut reader = Reader::from_str(xml);
    let mut row = Row::new();
    let mut inside: Option<&'static str> = None;
    loop {
        match reader.read_event().ok()? {
            Event::Start(tag) | Event::Empty(tag) if is_point(&tag) => {
                for attribute in tag.attributes() {
                    let attribute = attribute.ok()?;
                    let name = match attribute.key.as_ref() {
                        "lat" => "lat",
                        "lon" => "lon",
                        _ => continue,
                    };
                    row.push((name.to_owned(), cell(&attribute.value)));
                }
            }
            Event::Start(tag) => inside = column(tag.local_name().as_ref()),
            Event::Text(text) => {
                if let Some(name) = inside.filter(|name| row.iter().all(|(n, _)| n != name)) {
                    row.push((name.to_owned(), cell(&text)));
                }
            }
            Event::End(_) => inside = None,
            Event::Eof => break,
            _ => {}
        }
    }
    let has = |name: &str| row.iter().any(|(n, _)| n == name);
    (has("lat") && has("lon")).then_some(row)
}

fn is_point(tag: &BytesStart<'_>) -> bool {
    tag.local_name().as_ref() == "trkpt"
}

fn column(local: &str) -> Option<&'static str> {
    match local {
        "depth" => Some("depth"),
        "time" => Some("time_utc"),
        "hdop" => Some("hdop"),
        "sat" => Some("sats"),
        "speed" => Some("speed m/s"),
        "wtemp" | "watertemp" | "temp" | "temperature" => Some("temperature"),
        _ => None,
    }
}
