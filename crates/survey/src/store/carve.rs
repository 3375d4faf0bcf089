//! Reading a damaged SQLite file page by page, without SQLite: whatever still stands in a leaf page is found, however
//! much of the tree above it is gone. Nothing that comes of this is believed: entries are signed and strips are named
//! by their content.
//!
//! Source: "Database File Format" (sqlite.org/fileformat2.html), sections 1.3 (header), 1.6 (b-tree pages), 2.1 (record
//! format) and 4.1, 4.2 (write-ahead log).

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;

/// What our stores have, where the header does not say.
const PAGE: usize = 16_384;
/// A longer row is a document, which is made again from the entries.
const LONGEST: usize = 1 << 20;

/// A value of a row.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Value {
    Null,
    Int(i64),
    Text(String),
    Blob(Vec<u8>),
    /// A float, or text that is no UTF-8: our tables hold none.
    Other,
}

/// One state of a database: its file, and over it the pages of a log, if that is wanted.
#[derive(Debug)]
pub(super) struct Image {
    file: File,
    log: Option<File>,
    page: usize,
    /// Bytes of a page that hold content: our stores keep none back.
    usable: usize,
    /// Pages of the file; the last one may be cut.
    pages: u32,
    /// Where the newest committed version of a page stands in the log.
    newer: BTreeMap<u32, u64>,
}

impl Image {
    /// Opens a file without its log.
    pub(super) fn open(path: &Path) -> io::Result<Self> {
        let mut file = File::open(path)?;
        let head = read_at(&mut file, 0, 100)?;
        let length = file.metadata()?.len();
        let stated = match head.get(16..18) {
            Some([0, 1]) => 65_536,
            Some([a, b]) => usize::from(*a) << 8 | usize::from(*b),
            _ => 0,
        };
        let is_page = head.starts_with(b"SQLite format 3\0") && stated >= 512 && stated.is_power_of_two();
        let page = if is_page { stated } else { PAGE };
        let pages = u32::try_from(length.div_ceil(page as u64)).unwrap_or(u32::MAX);
        Ok(Self { file, log: None, page, usable: page, pages, newer: BTreeMap::new() })
    }

    /// The format that the header states: what `PRAGMA user_version` gives.
    pub(super) fn user_version(&mut self) -> io::Result<Option<i64>> {
        let head = read_at(&mut self.file, 0, 100)?;
        let is_ours = head.starts_with(b"SQLite format 3\0");
        Ok(head.get(60..64).filter(|_| is_ours).map(|b| i64::from(number(b))))
    }

    /// The same file with its log over it. `None` if there is no log with pages that belong together.
    pub(super) fn with_log(path: &Path, log: &Path) -> io::Result<Option<Self>> {
        let mut image = Self::open(path)?;
        let Ok(mut log) = File::open(log) else { return Ok(None) };
        let head = read_at(&mut log, 0, 32)?;
        let (Some(salts), Some(stated)) = (head.get(16..24), head.get(8..12)) else { return Ok(None) };
        if number(stated) as usize != image.page {
            return Ok(None);
        }
        let (mut at, mut waiting) = (32u64, BTreeMap::new());
        loop {
            let frame = read_at(&mut log, at, 24)?;
            if frame.len() < 24 || frame[8..16] != *salts {
                break;
            }
            waiting.insert(number(&frame[..4]), at + 24);
            // Pages come into force with the frame that ends their transaction.
            if number(&frame[4..8]) != 0 {
                image.newer.append(&mut waiting);
            }
            at += 24 + image.page as u64;
        }
        let last = image.newer.last_key_value().map_or(0, |(n, _)| *n);
        if last == 0 {
            return Ok(None);
        }
        image.pages = image.pages.max(last);
        image.log = Some(log);
        Ok(Some(image))
    }

    fn read(&mut self, page: u32) -> io::Result<Vec<u8>> {
        let mut bytes = match (self.newer.get(&page), &mut self.log) {
            (Some(at), Some(log)) => read_at(log, *at, self.page)?,
            _ => read_at(&mut self.file, (u64::from(page) - 1) * self.page as u64, self.page)?,
        };
        bytes.resize(self.page, 0);
        Ok(bytes)
    }

    /// Gives out every row of every page that can be read, deleted pages too. Pages that cannot are counted.
    pub(super) fn rows(&mut self, mut each: impl FnMut(Vec<Value>)) -> u32 {
        let mut unreadable = 0;
        for page in 1..=self.pages {
            match self.read(page) {
                Ok(bytes) => self.rows_of(page, &bytes, &mut each),
                Err(_) => unreadable += 1,
            }
        }
        unreadable
    }

    fn rows_of(&mut self, page: u32, bytes: &[u8], each: &mut impl FnMut(Vec<Value>)) {
        let head = if page == 1 { 100 } else { 0 };
        let Some(kind) = bytes.get(head) else { return };
        // Bytes of the page's own head; what stands before a cell's payload; the longest payload that lies whole in it.
        let index = (self.usable - 12) * 64 / 255 - 23;
        let (own, cell, most) = match kind {
            2 => (12, Before::Child, index),
            5 => return,
            10 => (8, Before::Nothing, index),
            // A leaf of a table, or a page whose first byte is damaged.
            _ => (8, Before::Row, self.usable - 35),
        };
        let count = bytes.get(head + 3..head + 5).map_or(0, short);
        for n in 0..count.min(self.page / 4) {
            let at = head + own + 2 * n;
            let Some(start) = bytes.get(at..at + 2).map(short) else { return };
            if let Some(row) = self.payload(bytes, start, cell, most).as_deref().and_then(record) {
                each(row);
            }
        }
    }

    /// The payload of the cell at `start`, with what overflowed into other pages.
    fn payload(&mut self, page: &[u8], start: usize, before: Before, most: usize) -> Option<Vec<u8>> {
        let mut rest = page.get(start..)?;
        if before == Before::Child {
            rest = rest.get(4..)?;
        }
        let length = usize::try_from(varint(&mut rest)?).ok().filter(|n| *n <= LONGEST)?;
        if before == Before::Row {
            varint(&mut rest)?;
        }
        let here = if length <= most { length } else { self.kept_here(length, most) };
        let mut payload = rest.get(..here)?.to_vec();
        let mut next = if here < length { number(rest.get(here..here + 4)?) } else { 0 };
        while payload.len() < length {
            if next == 0 || next > self.pages {
                return None;
            }
            let more = self.read(next).ok()?;
            let take = (length - payload.len()).min(self.usable - 4);
            payload.extend_from_slice(more.get(4..4 + take)?);
            next = number(more.get(..4)?);
        }
        Some(payload)
    }

    /// How much of a long payload stands in its cell.
    fn kept_here(&self, length: usize, most: usize) -> usize {
        let least = (self.usable - 12) * 32 / 255 - 23;
        let tail = least + (length - least) % (self.usable - 4);
        if tail <= most { tail } else { least }
    }
}

/// What stands before a cell's payload besides its length.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Before {
    Nothing,
    /// The number of a page.
    Child,
    /// The number of the row.
    Row,
}

/// The values of a record.
fn record(payload: &[u8]) -> Option<Vec<Value>> {
    let mut head = payload;
    let length = usize::try_from(varint(&mut head)?).ok()?;
    let own = payload.len() - head.len();
    let mut kinds = payload.get(own..length)?;
    let mut body = payload.get(length..)?;
    let mut values = Vec::new();
    while !kinds.is_empty() {
        values.push(value(varint(&mut kinds)?, &mut body)?);
    }
    Some(values)
}

fn value(kind: u64, body: &mut &[u8]) -> Option<Value> {
    let mut take = |n: usize| {
        let (part, rest) = body.split_at_checked(n)?;
        *body = rest;
        Some(part)
    };
    Some(match kind {
        0 => Value::Null,
        1..=6 => {
            let bytes = take([1, 2, 3, 4, 6, 8][kind as usize - 1])?;
            let first = if bytes[0] & 0x80 == 0 { 0 } else { -1 };
            Value::Int(bytes.iter().fold(first, |sum, b| sum << 8 | i64::from(*b)))
        }
        7 => take(8).map(|_| Value::Other)?,
        8 | 9 => Value::Int(kind as i64 - 8),
        10 | 11 => return None,
        _ => {
            let bytes = take(usize::try_from((kind - 12) / 2).ok()?)?;
            if kind.is_multiple_of(2) {
                Value::Blob(bytes.to_vec())
            } else {
                String::from_utf8(bytes.to_vec()).map_or(Value::Other, Value::Text)
            }
        }
    })
}

/// A number of one to nine bytes, as SQLite packs it.
fn varint(rest: &mut &[u8]) -> Option<u64> {
    let mut sum = 0u64;
    for n in 0..9 {
        let (byte, after) = rest.split_first()?;
        *rest = after;
        if n == 8 {
            return Some(sum << 8 | u64::from(*byte));
        }
        sum = sum << 7 | u64::from(byte & 0x7f);
        if byte & 0x80 == 0 {
            break;
        }
    }
    Some(sum)
}

fn short(bytes: &[u8]) -> usize {
    bytes.iter().fold(0, |sum, b| sum << 8 | usize::from(*b))
}

fn number(bytes: &[u8]) -> u32 {
    bytes.iter().fold(0, |sum, b| sum << 8 | u32::from(*b))
}

/// At most `n` bytes; fewer where the file ends.
fn read_at(file: &mut File, at: u64, n: usize) -> io::Result<Vec<u8>> {
    file.seek(SeekFrom::Start(at))?;
    let mut bytes = Vec::with_capacity(n);
    file.take(n as u64).read_to_end(&mut bytes)?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rusqlite::Connection;

    fn table(dir: &Path, page: u32) -> (std::path::PathBuf, Connection) {
        let path = dir.join("a.sqlite");
        let db = Connection::open(&path).expect("opens");
        db.pragma_update(None, "page_size", page).expect("set");
        db.query_row("PRAGMA journal_mode = WAL", [], |r| r.get::<_, String>(0)).expect("set");
        db.execute_batch("CREATE TABLE t (n INTEGER PRIMARY KEY, a BLOB UNIQUE, i INTEGER, s TEXT)")
            .expect("made");
        db.execute_batch("CREATE TABLE w (k TEXT PRIMARY KEY, v BLOB) WITHOUT ROWID").expect("made");
        (path, db)
    }

    /// What SQLite wrote is read as SQLite reads it: short and long rows, all sizes of numbers, both kinds of tables,
    /// from the file and from the log.
    #[test]
    fn what_sqlite_wrote_is_found() {
        for page in [512, 4096, 16_384] {
            let dir = tempfile::tempdir().expect("a temporary folder");
            let (path, db) = table(dir.path(), page);
            let numbers = [0, 1, -1, 127, 40_000, -9_000_000, 1 << 40, i64::MIN];
            let row = |n: usize| (vec![n as u8; n * n * 7], numbers[n % 8], format!("row {n}"));
            for n in 0..60 {
                let (a, i, s) = row(n);
                db.execute("INSERT INTO t (a, i, s) VALUES (?1, ?2, ?3)", (a, i, s)).expect("written");
                db.execute("INSERT INTO w VALUES (?1, ?2)", (format!("key {n}"), vec![7u8; n * 50]))
                    .expect("written");
            }
            let log = path.with_extension("sqlite-wal");
            let mut image = Image::with_log(&path, &log).expect("reads").expect("a log");
            let mut found = Vec::new();
            assert_eq!(image.rows(|r| found.push(r)), 0);
            drop(db);
            let mut plain = Vec::new();
            Image::open(&path).expect("reads").rows(|r| plain.push(r));
            assert!(!log.exists() && Image::with_log(&path, &log).expect("reads").is_none());
            for rows in [found, plain] {
                for n in 0..60 {
                    let (a, i, s) = row(n);
                    let whole = [Value::Null, Value::Blob(a), Value::Int(i), Value::Text(s)];
                    assert!(rows.iter().any(|r| *r == whole), "row {n}, pages of {page}");
                    let pair = [Value::Text(format!("key {n}")), Value::Blob(vec![7; n * 50])];
                    assert!(rows.iter().any(|r| *r == pair), "key {n}, pages of {page}");
                }
            }
        }
    }

    #[test]
    fn rubbish_is_no_row_and_no_panic() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let (path, db) = table(dir.path(), 512);
        for n in 0..40u8 {
            db.execute("INSERT INTO t (a, i) VALUES (?1, 1)", [vec![n; 300]]).expect("written");
        }
        drop(db);
        let whole = std::fs::read(&path).expect("reads");
        let mut state = 1u64;
        let mut next = move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (state >> 33) as usize
        };
        for _ in 0..300 {
            let mut bytes = whole.clone();
            for _ in 0..1 + next() % 60 {
                let at = next() % bytes.len();
                bytes[at] = next() as u8;
            }
            bytes.truncate(next() % (bytes.len() + 1));
            std::fs::write(&path, &bytes).expect("written");
            Image::open(&path).expect("reads").rows(drop);
        }
    }
}
