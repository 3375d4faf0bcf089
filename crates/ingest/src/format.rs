//! What a file is, by its first 4 KiB.

use crate::csv::Table;
use crate::n2k::looks_like_frames;
use crate::nmea::{frame, is_address};
use crate::signalk::looks_like_deltas;
use std::fmt;

/// Bytes looked at before anything is read.
pub(crate) const SAMPLE_BYTES: usize = 4_096;

/// What the content of a log is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Format {
    /// Sentences of NMEA 0183.
    Nmea0183,
    /// A table of columns, one sounding a row.
    Csv,
    /// Frames of NMEA 2000 as text.
    Nmea2000,
    /// Signal K deltas, one a line.
    SignalK,
    /// A GPX file.
    Gpx,
    /// A GeoJSON file.
    GeoJson,
    /// Nothing but blanks.
    Empty,
    /// Something this crate does not read.
    Unknown,
}

impl Format {
    /// A short name for files and programs.
    pub fn code(self) -> &'static str {
        match self {
            Self::Nmea0183 => "nmea-0183",
            Self::Csv => "csv",
            Self::Nmea2000 => "nmea-2000",
            Self::SignalK => "signal-k",
            Self::Gpx => "gpx",
            Self::GeoJson => "geojson",
            Self::Empty => "empty",
            Self::Unknown => "unknown",
        }
    }
}

impl fmt::Display for Format {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.code())
    }
}

/// What was found in a sample.
pub(crate) enum Sniffed {
    Nmea0183,
    Nmea2000,
    SignalK,
    Gpx,
    GeoJson,
    Csv(Box<Table>),
    Empty,
    /// With what it looks like.
    Unknown(String),
}

/// Decides on a file's first bytes; `whole` if there are no more.
pub(crate) fn sniff(sample: &[u8], whole: bool) -> Sniffed {
    if is_gpx(sample) {
        return Sniffed::Gpx;
    }
    if let Some(kind) = known_magic(sample) {
        return Sniffed::Unknown(kind.to_owned());
    }
    if sample.iter().all(u8::is_ascii_whitespace) && whole {
        return Sniffed::Empty;
    }
    if is_geojson(sample) {
        return Sniffed::GeoJson;
    }
    if looks_like_deltas(sample) {
        return Sniffed::SignalK;
    }
    if is_nmea(sample, whole) {
        return Sniffed::Nmea0183;
    }
    if looks_like_frames(sample, whole) {
        return Sniffed::Nmea2000;
    }
    let printable = sample.iter().filter(|c| !matches!(c, 0..=8 | 14..=31 | 127..)).count();
    if sample.contains(&0) || printable * 10 < sample.len() * 7 {
        return Sniffed::Unknown("binary data".to_owned());
    }
    match Table::sniff(sample, whole) {
        Ok(table) => Sniffed::Csv(Box::new(table)),
        Err(why) => Sniffed::Unknown(why),
    }
}

/// Whole lines of a sample, without blank ones; of a full sample without a line's end, all of it.
pub(crate) fn sample_lines(sample: &[u8], whole: bool) -> impl Iterator<Item = &[u8]> {
    const BOM_BYTES: usize = 3;
    let end = match memchr::memrchr2(b'\n', b'\r', sample) {
        Some(last) if !whole => last,
        // What has not ended yet may turn out to be something else.
        None if !whole && sample.len() < SAMPLE_BYTES - BOM_BYTES => 0,
        _ => sample.len(),
    };
    sample[..end].split(|c| matches!(c, b'\n' | b'\r')).map(<[u8]>::trim_ascii).filter(|l| !l.is_empty())
}

/// Whether a sample of fewer than [`SAMPLE_BYTES`] already shows what all of it would: a sentence with a right checksum,
/// and nothing that another kind of file begins with. A live source need not be waited for.
pub(crate) fn is_plainly_nmea(sample: &[u8]) -> bool {
    const LONGEST_MAGIC: usize = 64;
    let begins = sample.strip_prefix(b"\xef\xbb\xbf").unwrap_or(sample).trim_ascii_start();
    let other = matches!(begins.first(), None | Some(b'<' | b'{'));
    sample.len() >= LONGEST_MAGIC
        && !other
        && known_magic(sample).is_none()
        && !looks_like_deltas(sample)
        && sample_lines(sample, false).any(is_checked_sentence)
}

fn is_checked_sentence(line: &[u8]) -> bool {
    frame(line).is_ok_and(|f| f.checked && (is_address(f.address) || f.address.starts_with(b"P")))
}

/// What decided, in words.
pub(crate) fn why(sniffed: &Sniffed, sample: &[u8], whole: bool) -> String {
    match sniffed {
        Sniffed::Gpx => "it begins with < and holds a <gpx> element".to_owned(),
        Sniffed::GeoJson => "it begins with { and holds a \"FeatureCollection\"".to_owned(),
        Sniffed::SignalK => {
            "its lines are JSON objects with \"updates\", or a server's greeting with \"self\"".to_owned()
        }
        Sniffed::Nmea0183 => match sample_lines(sample, whole).find(|l| is_checked_sentence(l)) {
            Some(line) => {
                let address = frame(line).map(|f| f.address).unwrap_or_default();
                let address = leadline_model::escaped(&String::from_utf8_lossy(address));
                format!("it holds a sentence with a right checksum ({address})")
            }
            None => "most of its lines have the shape of sentences, without checksums".to_owned(),
        },
        Sniffed::Nmea2000 => "most of its lines are frames or messages of the bus".to_owned(),
        Sniffed::Csv(_) => {
            "it is text, no line is a sentence, a frame or JSON, and its columns can be told".to_owned()
        }
        Sniffed::Empty => "there is nothing in it but blanks".to_owned(),
        Sniffed::Unknown(reading) => format!("it looks like {reading}"),
    }
}

fn is_nmea(sample: &[u8], whole: bool) -> bool {
    let (mut lines, mut remarks, mut unchecked) = (0, 0, 0);
    for line in sample_lines(sample, whole) {
        lines += 1;
        remarks += usize::from(line.starts_with(b"#"));
        match frame(line) {
            Ok(f) if f.checked && (is_address(f.address) || f.address.starts_with(b"P")) => return true,
            Ok(f) if is_address(f.address) => unchecked += 1,
            _ => {}
        }
    }
    unchecked > 0 && unchecked * 2 >= lines - remarks
}

fn is_gpx(sample: &[u8]) -> bool {
    let text = sample.trim_ascii_start();
    let root = |name: &[u8]| memchr::memmem::find(text, name).is_some();
    text.starts_with(b"<") && (root(b"<gpx") || root(b":gpx "))
}

fn is_geojson(sample: &[u8]) -> bool {
    let has = |word: &[u8]| memchr::memmem::find(sample, word).is_some();
    sample.trim_ascii_start().starts_with(b"{") && has(b"\"FeatureCollection\"")
}

fn known_magic(sample: &[u8]) -> Option<&'static str> {
    const MAGIC: [(&[u8], &str); 17] = [
        (b"\x89PNG", "a PNG picture"),
        (b"\xff\xd8\xff", "a JPEG picture"),
        (b"GIF8", "a GIF picture"),
        (b"BM", "a BMP picture"),
        (b"II*\0", "a TIFF picture"),
        (b"MM\0*", "a TIFF picture"),
        (b"RIFF", "a RIFF file (sound or picture)"),
        (b"%PDF", "a PDF document"),
        (b"PK\x03\x04", "a ZIP archive (or an office document): unpack it, or save the sheet as CSV"),
        (b"\x1f\x8b", "a gzip archive: unpack it first"),
        (b"\xfd7zXZ", "an xz archive: unpack it first"),
        (b"\x28\xb5\x2f\xfd", "a zstd archive: unpack it first"),
        (b"SQLite format 3", "an SQLite database"),
        (b"\x7fELF", "a program"),
        (b"\xff\xfe", "UTF-16 text: save it as UTF-8"),
        (b"\xfe\xff", "UTF-16 text: save it as UTF-8"),
        (b"<", "XML, but no GPX: save the points as CSV with lon,lat,depth,time"),
    ];
    let starts = |m: &[u8]| match m {
        // Two letters are too few for a text that may begin so.
        b"BM" => sample.starts_with(m) && sample.get(..64).unwrap_or(sample).contains(&0),
        _ => sample.starts_with(m),
    };
    MAGIC.into_iter().find(|(m, _)| starts(m)).map(|(_, kind)| kind)
}
