//! The journal: what came, as it came, on the disk before anything is made of it.
//!
//! It is a log like any other. Remarks (`#`, which every reader of logs passes over) say whose it is, and when and from
//! which source the lines after them came. Where sources are named again the recording had been cut off: nothing is
//! interpolated across that.
//!
//! ```text
//! # leadline recording 1
//! # of {"survey":"3f0c…","boat":"Heron","begun":"2026-05-01T10:02:03.004Z"}
//! # source 1 udp:0.0.0.0:10110
//! #2026-05-01T10:02:03.104Z 1
//! $SDDPT,5.3,0.4,*79
//! ```
//!
//! One process holds the file's lock while it records; a killed one leaves the file behind, unlocked.

use leadline_ingest::SOURCE;
use leadline_model::{SurveyId, UtcMillis};
use serde::{Deserialize, Serialize};
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{BufRead, BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

const FIRST_LINE: &str = "# leadline recording 1";
const HEAD: &str = "# of ";
/// A new stamp after so long, ms.
const STAMP_MS: i64 = 1_000;
/// Bytes that wait while the disk refuses them; beyond that what comes is counted as lost.
pub(crate) const MAX_WAITING: usize = 8 << 20;
/// Bytes after which what waits is written at once.
const WRITE_AT: usize = 64 << 10;

/// Whose recording it is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Head {
    pub(crate) survey: String,
    pub(crate) boat: String,
    pub(crate) begun: String,
    /// The typed day of a log that carries none, ms since 1970.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) date: Option<i64>,
}

impl Head {
    pub(crate) fn survey_id(&self) -> Option<SurveyId> {
        self.survey.parse().ok()
    }
}

/// A journal that is being written.
pub(crate) struct Journal {
    path: PathBuf,
    file: File,
    waiting: Vec<u8>,
    stamped: Option<(usize, i64)>,
    unsynced: bool,
    syncing: Option<std::thread::JoinHandle<std::io::Result<()>>>,
    /// Bytes that came while the disk refused and no room was left.
    pub(crate) lost: u64,
}

/// A journal that was found.
pub(crate) struct Found {
    pub(crate) path: PathBuf,
    pub(crate) head: Option<Head>,
    /// When it was last written.
    pub(crate) written: Option<UtcMillis>,
    /// Held open: its lock is this process's.
    pub(crate) file: File,
}

impl Journal {
    /// Begins one in `dir`.
    pub(crate) fn begin(dir: &Path, head: &Head, tag: &str) -> std::io::Result<(Self, Vec<u8>)> {
        std::fs::create_dir_all(dir)?;
        let stamp: String = head.begun.chars().filter(char::is_ascii_alphanumeric).collect();
        let path = dir.join(format!("{stamp}-{tag}.log"));
        let file = OpenOptions::new().read(true).append(true).create_new(true).open(&path)?;
        file.try_lock().map_err(|_| std::io::Error::other("another program holds it"))?;
        let mut journal = Self::of(path, file);
        let head = serde_json::to_string(head).map_err(std::io::Error::other)?;
        let text = format!("{FIRST_LINE}\n{HEAD}{head}\n");
        journal.waiting.extend_from_slice(text.as_bytes());
        journal.flush()?;
        journal.sync()?;
        // The name too must outlive a pulled plug.
        #[cfg(unix)]
        File::open(dir)?.sync_all()?;
        Ok((journal, text.into_bytes()))
    }

    fn of(path: PathBuf, file: File) -> Self {
        Self { path, file, waiting: Vec::new(), stamped: None, unsynced: false, syncing: None, lost: 0 }
    }

    /// Goes on with one that was found; `each` is given what stands in it, the torn last line closed.
    pub(crate) fn go_on(found: Found, mut each: impl FnMut(&[u8])) -> std::io::Result<Self> {
        let mut journal = Self::of(found.path, found.file);
        journal.file.seek(SeekFrom::Start(0))?;
        let (mut chunk, mut last) = (vec![0; 1 << 20], b'\n');
        loop {
            let n = journal.file.read(&mut chunk)?;
            if n == 0 {
                break;
            }
            each(&chunk[..n]);
            last = chunk[n - 1];
        }
        if last != b'\n' {
            journal.waiting.push(b'\n');
            each(b"\n");
        }
        Ok(journal)
    }

    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    /// Names the sources; what was written.
    pub(crate) fn name_sources(&mut self, names: impl Iterator<Item = String>) -> Vec<u8> {
        let text: String = names.enumerate().map(|(i, n)| format!("{SOURCE}{} {n}\n", i + 1)).collect();
        self.waiting.extend_from_slice(text.as_bytes());
        text.into_bytes()
    }

    /// Lays lines into the log; hands `each` every byte that was laid, the stamp included. Nothing is laid, and
    /// counted as lost, while the disk refuses and no room is left.
    pub(crate) fn lay(&mut self, source: usize, at: UtcMillis, lines: &[u8], mut each: impl FnMut(&[u8])) {
        if self.waiting.len() + lines.len() > MAX_WAITING {
            self.lost += lines.len() as u64;
            return;
        }
        let start = self.waiting.len();
        let due = self.stamped.is_none_or(|(s, t)| s != source || !(0..STAMP_MS).contains(&(at.0 - t)));
        if due {
            self.stamped = Some((source, at.0));
            // A `Vec` takes all that is written to it.
            drop(writeln!(self.waiting, "#{at} {}", source + 1));
        }
        self.waiting.extend_from_slice(lines);
        each(&self.waiting[start..]);
    }

    /// Whether so much waits that it should be written.
    pub(crate) fn is_full(&self) -> bool {
        self.waiting.len() >= WRITE_AT
    }

    /// Gives what waits to the operating system: a killed process loses nothing of it.
    pub(crate) fn flush(&mut self) -> std::io::Result<()> {
        let mut done = 0;
        let result = loop {
            if done == self.waiting.len() {
                break Ok(());
            }
            match self.file.write(&self.waiting[done..]) {
                Ok(0) => break Err(std::io::ErrorKind::WriteZero.into()),
                Ok(n) => done += n,
                Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
                Err(e) => break Err(e),
            }
        };
        self.waiting.drain(..done);
        self.unsynced |= done > 0;
        result
    }

    /// Puts it on the disk in a thread of its own, so that what comes need not wait for a slow one; the last attempt's
    /// error, if it is known by now.
    pub(crate) fn sync_aside(&mut self) -> std::io::Result<()> {
        let mut before = Ok(());
        if let Some(thread) = self.syncing.take_if(|t| t.is_finished()) {
            before = thread.join().unwrap_or_else(|_| Err(std::io::Error::other("it could not be written")));
            self.unsynced |= before.is_err();
        }
        if self.unsynced && self.syncing.is_none() {
            let file = self.file.try_clone()?;
            self.syncing = Some(std::thread::spawn(move || file.sync_data()));
            self.unsynced = false;
        }
        before
    }

    /// Puts it on the disk: a pulled plug loses nothing of it.
    pub(crate) fn sync(&mut self) -> std::io::Result<()> {
        let aside = self.syncing.take().is_some_and(|t| !matches!(t.join(), Ok(Ok(()))));
        if self.unsynced || aside {
            self.file.sync_data()?;
            self.unsynced = false;
        }
        Ok(())
    }
}

/// The journals in `dir` that no process holds, oldest first.
pub(crate) fn find(dir: &Path) -> std::io::Result<Vec<Found>> {
    let list = match std::fs::read_dir(dir) {
        Ok(list) => list,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(e),
    };
    let mut paths: Vec<PathBuf> = list.map(|e| e.map(|e| e.path())).collect::<Result<_, _>>()?;
    paths.retain(|p| p.extension().is_some_and(|e| e == "log"));
    paths.sort();
    let mut found = Vec::new();
    for path in paths {
        let file = OpenOptions::new().read(true).append(true).open(&path)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => continue,
            Err(TryLockError::Error(e)) => return Err(e),
        }
        let head = read_head(&file);
        let written = file.metadata()?.modified().ok().and_then(|t| {
            let since = t.duration_since(std::time::UNIX_EPOCH).ok()?;
            Some(UtcMillis(since.as_millis() as i64))
        });
        found.push(Found { path, head, written, file });
    }
    Ok(found)
}

fn read_head(file: &File) -> Option<Head> {
    let mut lines = BufReader::new(file.take(8 << 10)).lines();
    if lines.next()?.ok()? != FIRST_LINE {
        return None;
    }
    serde_json::from_str(lines.next()?.ok()?.strip_prefix(HEAD)?).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn head() -> Head {
        Head {
            survey: "00".repeat(16),
            boat: "He\"ron\n".into(),
            begun: "2026-05-01T10:02:03.004Z".into(),
            date: None,
        }
    }

    #[test]
    fn what_was_laid_is_found_again() {
        let dir = tempfile::tempdir().expect("a folder");
        let (mut journal, mut all) = Journal::begin(dir.path(), &head(), "ab").expect("begun");
        let text = journal.name_sources(["udp:1".to_owned(), "-".to_owned()].into_iter());
        all.extend(text);
        for (source, at, lines) in [
            (0, 1_000, "$A\n"),
            (0, 1_999, "$B\r\n"),
            (1, 1_999, "$C\n"),
            (1, 2_999, "$D\n"),
            (1, 2_000, "$E"),
        ] {
            journal.lay(source, UtcMillis(at), lines.as_bytes(), |b| all.extend_from_slice(b));
        }
        journal.flush().expect("written");
        journal.sync().expect("synced");
        let stamps = all.split(|c| *c == b'\n').filter(|l| l.starts_with(b"#19")).count();
        assert_eq!(stamps, 4, "a change of source, a second, or a clock set back");
        assert!(find(dir.path()).expect("listed").is_empty(), "its process holds it");
        drop(journal);

        let mut found = find(dir.path()).expect("listed");
        assert_eq!(found[0].head, Some(head()));
        let mut read = Vec::new();
        let again = Journal::go_on(found.remove(0), |b| read.extend_from_slice(b)).expect("gone on");
        all.push(b'\n');
        assert_eq!(read, all);
        assert_eq!(again.waiting, b"\n", "the torn line is closed");
    }

    #[test]
    fn what_finds_no_room_is_counted() {
        let dir = tempfile::tempdir().expect("a folder");
        let (mut journal, _) = Journal::begin(dir.path(), &head(), "ab").expect("begun");
        let line = vec![b'x'; 1 << 20];
        let mut laid = 0;
        (0..10).for_each(|_| journal.lay(0, UtcMillis(0), &line, |_| laid += 1));
        assert_eq!((laid, journal.lost), (7, 3 << 20));
        journal.flush().expect("written");
        journal.lay(0, UtcMillis(0), &line, |_| laid += 1);
        assert_eq!(laid, 8);
    }
}
