//! Logs inside gzip files and ZIP archives, unpacked as a stream and within bounds.
//!
//! Nothing is ever written to a file while unpacking, so a member's name leads nowhere. An archive inside an archive
//! is not opened: it is reported as the kind of file it is.

use crate::Error;
use flate2::read::MultiGzDecoder;
use leadline_model::escaped;
use std::cell::Cell;
use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::rc::Rc;
use zip::ZipArchive;

/// Most bytes that one archive may unpack to: forty days of a busy bus (judgement).
const MAX_UNPACKED_BYTES: u64 = 8 << 30;
/// Most bytes out for one byte in. Deflate gives at most 1,032; logs give 5 to 20 (judgement).
const MAX_RATIO: u64 = 200;
/// Bytes that are unpacked before the ratio counts.
const FREE_BYTES: u64 = 16 << 20;
/// Most files in one archive.
const MAX_MEMBERS: usize = 10_000;

/// A file that may hold several logs.
pub(super) enum Container {
    /// One log as it is.
    Plain(Counted),
    /// One log, gzipped.
    Gzip(Box<Bounded<MultiGzDecoder<BufReader<Counted>>>>),
    Zip(Box<Zip>),
}

/// A file that counts what is read of it.
pub(super) struct Counted {
    file: File,
    read: Rc<Cell<u64>>,
}

impl Read for Counted {
    fn read(&mut self, buf: &mut [u8]) -> std::io::Result<usize> {
        let n = self.file.read(buf)?;
        self.read.set(self.read.get() + n as u64);
        Ok(n)
    }
}

impl Seek for Counted {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        self.file.seek(to)
    }
}

/// Opens a file and looks at its first bytes; the second is the count of bytes read so far.
pub(super) fn open(path: &Path) -> Result<(Container, Rc<Cell<u64>>), Error> {
    let unreadable = |source| Error::Unreadable { path: path.to_owned(), source };
    let mut file = File::open(path).map_err(unreadable)?;
    let mut magic = Vec::new();
    // A pipe cannot be read twice: it is taken as it is.
    if file.metadata().map_err(unreadable)?.is_file() {
        (&mut file).take(4).read_to_end(&mut magic).map_err(unreadable)?;
        file.rewind().map_err(unreadable)?;
    }
    let read = Rc::new(Cell::new(0));
    let counted = Counted { file, read: Rc::clone(&read) };
    let container = match magic.as_slice() {
        [0x1f, 0x8b, ..] => {
            let inner = MultiGzDecoder::new(BufReader::new(counted));
            Container::Gzip(Box::new(Bounded { inner, packed: Rc::clone(&read), out: Rc::default() }))
        }
        b"PK\x03\x04" => zip_or_plain(path, counted)?,
        _ => Container::Plain(counted),
    };
    Ok((container, read))
}

/// Sheets and letters of office programs are ZIP archives too: they are no logs, and are read as what they are not.
fn zip_or_plain(path: &Path, file: Counted) -> Result<Container, Error> {
    let refuse = |why: &str| {
        Error::Request(format!(
            "{}: {why}; unpack it and import the logs themselves (nothing of it was imported)",
            path.display()
        ))
    };
    let packed = Rc::clone(&file.read);
    let mut zip =
        ZipArchive::new(file).map_err(|e| refuse(&format!("this ZIP archive cannot be read: {e}")))?;
    if zip.len() > MAX_MEMBERS {
        return Err(refuse(&format!("this ZIP archive has more than {MAX_MEMBERS} files")));
    }
    let office = |n: &[u8]| n == b"[Content_Types].xml" || n == b"mimetype";
    if zip.file_names_raw().any(office) {
        let mut file = zip.into_inner();
        file.rewind().map_err(|source| Error::Unreadable { path: path.to_owned(), source })?;
        return Ok(Container::Plain(file));
    }
    if zip.has_overlapping_files().unwrap_or(true) {
        return Err(refuse("files overlap in this ZIP archive, as in one made to do harm"));
    }
    Ok(Container::Zip(Box::new(Zip { zip, path: path.to_owned(), packed, out: Rc::default() })))
}

/// The files of an archive.
pub(super) struct Zip {
    zip: ZipArchive<Counted>,
    path: PathBuf,
    packed: Rc<Cell<u64>>,
    out: Rc<Cell<u64>>,
}

impl Zip {
    pub(super) fn len(&self) -> usize {
        self.zip.len()
    }

    /// Hands file `n` to `take`, unless it is a folder, a link or hidden.
    pub(super) fn member<T>(
        &mut self,
        n: usize,
        take: impl FnOnce(PathBuf, &mut dyn Read) -> Result<T, Error>,
    ) -> Result<Option<T>, Error> {
        let raw = self.zip.file_names_raw().nth(n).map(String::from_utf8_lossy).unwrap_or_default();
        let name = PathBuf::from(format!("{}/{}", self.path.display(), escaped(&raw)));
        let is_hidden = |p: &str| p.starts_with('.') && p != "." && p != ".." || p == "__MACOSX";
        let hidden = raw.split(['/', '\\']).any(is_hidden);
        let (packed, out) = (Rc::clone(&self.packed), Rc::clone(&self.out));
        let file = self.zip.by_index(n).map_err(|e| cannot_unpack(&name, &e))?;
        if hidden || file.is_dir() || file.is_symlink() {
            return Ok(None);
        }
        take(name, &mut Bounded { inner: file, packed, out }).map(Some)
    }
}

/// Why a log in an archive cannot be had.
pub(super) fn cannot_unpack(name: &Path, why: &dyn std::fmt::Display) -> Error {
    Error::Request(format!(
        "{}: cannot be unpacked: {why}; nothing of this log was imported, logs before it in the archive were",
        name.display()
    ))
}

/// Stops what unpacks to more than any log would.
pub(super) struct Bounded<R> {
    inner: R,
    packed: Rc<Cell<u64>>,
    out: Rc<Cell<u64>>,
}

impl<R: Read> Read for Bounded<R> {
    fn read(&mut self, buf: &mut [u8]) -> std::io::Result<usize> {
        let n = self.inner.read(buf)?;
        let out = self.out.get() + n as u64;
        self.out.set(out);
        check(out, self.packed.get()).map_err(std::io::Error::other)?;
        Ok(n)
    }
}

fn check(out: u64, packed: u64) -> Result<(), String> {
    if out > MAX_UNPACKED_BYTES {
        return Err(format!("it unpacks to more than {} GiB", MAX_UNPACKED_BYTES >> 30));
    }
    if out > FREE_BYTES && out / MAX_RATIO > packed {
        return Err(format!("it unpacks to more than {MAX_RATIO} times its size, as no log does"));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bounds_of_unpacking() {
        assert_eq!(check(FREE_BYTES, 0), Ok(()));
        assert!(check(FREE_BYTES + 1, 0).is_err_and(|e| e.contains("200 times")));
        assert_eq!(check(MAX_UNPACKED_BYTES, MAX_UNPACKED_BYTES), Ok(()));
        assert!(check(MAX_UNPACKED_BYTES + 1, MAX_UNPACKED_BYTES).is_err_and(|e| e.contains("8 GiB")));
    }
}
