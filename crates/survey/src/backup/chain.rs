//! A folder of backups: which there are, which of them build on each other, and which can go.

use super::BACKUP_ENDING;
use super::head::{BackupHead, Said};
use super::scan::{Found, Scanned, bad, look, scan};
use crate::Error;
use leadline_logbook::{Limits, entry_id, strip_digest};
use leadline_model::{DeviceId, Digest, EntryId, Nonce, StripDigest, SurveyId};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// Files of a folder that are looked at, at most.
const FILES_MAX: usize = 10_000;

/// One backup of a folder.
#[derive(Clone, Debug)]
pub struct ChainFile {
    /// Where.
    pub path: PathBuf,
    /// Its size, bytes.
    pub bytes: u64,
    /// What it says of itself.
    pub head: BackupHead,
    /// It is locked by a passphrase.
    pub locked: bool,
    pub(super) said: Said,
}

/// What is seen of a backup or a folder of them.
#[derive(Clone, Debug, Default)]
pub struct FolderSeen {
    /// The backups in the order in which they were made.
    pub files: Vec<ChainFile>,
    /// The newest one and those it builds on, as numbers in `files`.
    pub newest: Vec<usize>,
    /// Files that are locked and were not opened.
    pub locked: Vec<PathBuf>,
    /// Files of such a name that are no backup, or whose beginning is damaged: why, in words.
    pub unreadable: Vec<String>,
    /// Files that the disk did not give: why, in words.
    pub failed: Vec<String>,
    /// What is missing or damaged, in words; empty = the newest backup can be restored.
    pub faults: Vec<String>,
    /// All of the newest chain was read and is whole.
    pub checked: bool,
}

/// Entries and strips by survey.
pub(crate) type Held = BTreeMap<SurveyId, (BTreeSet<EntryId>, BTreeSet<StripDigest>)>;

/// What a chain holds of each survey.
#[derive(Default)]
pub(super) struct Content(pub(super) Held);

/// A chain that was read from start to end.
pub(super) struct Checked {
    pub(super) content: Content,
    /// Its last file.
    pub(super) last: Option<Scanned>,
    pub(super) faults: Vec<String>,
}

/// Looks at all backups of a folder. Those that cannot be read are named.
pub(super) fn folder(dir: &Path, words: Option<&str>) -> Result<FolderSeen, Error> {
    let unreadable = |source| Error::Unreadable { path: dir.to_owned(), source };
    let mut paths: Vec<PathBuf> = std::fs::read_dir(dir)
        .map_err(unreadable)?
        .map(|e| e.map(|e| e.path()))
        .collect::<Result<_, _>>()
        .map_err(unreadable)?;
    paths.retain(|p| p.extension().is_some_and(|e| e == BACKUP_ENDING));
    paths.sort();
    if paths.len() > FILES_MAX {
        return Err(bad(dir, &format!("it has more than {FILES_MAX} backups; take a folder of its own")));
    }
    let mut seen = FolderSeen::default();
    for path in paths {
        match look(&path, words) {
            Ok(Found::Here((head, said, locked))) => {
                let bytes = std::fs::metadata(&path).map_or(0, |m| m.len());
                seen.files.push(ChainFile { path, bytes, head, locked, said });
            }
            Ok(Found::Locked) => seen.locked.push(path),
            Err(e @ Error::Unreadable { .. }) => seen.failed.push(e.to_string()),
            Err(e) => seen.unreadable.push(e.to_string()),
        }
    }
    seen.files
        .sort_by(|a, b| (a.head.serial, a.head.made, &a.path).cmp(&(b.head.serial, b.head.made, &b.path)));
    Ok(seen)
}

impl FolderSeen {
    /// The newest backup of `device` (of any without one).
    pub(super) fn newest_of(&self, device: Option<&DeviceId>) -> Option<usize> {
        self.files.iter().rposition(|f| device.is_none_or(|d| f.said.device == *d))
    }

    /// A file and those it builds on, oldest first; what is missing, in words.
    pub(super) fn chain_to(&self, last: usize) -> (Vec<usize>, Vec<String>) {
        let Some(end) = self.files.get(last) else { return (Vec::new(), Vec::new()) };
        let mut chain = Vec::new();
        let mut faults = Vec::new();
        for number in 1..end.head.number {
            let is_it = |f: &ChainFile| {
                (f.said.chain, f.said.device, f.head.number) == (end.said.chain, end.said.device, number)
            };
            match self.files.iter().position(is_it) {
                Some(at) => chain.push(at),
                None => faults.push(format!(
                    "{} builds on number {number} of its chain, which is missing",
                    end.path.display()
                )),
            }
        }
        chain.push(last);
        (chain, faults)
    }

    pub(super) fn paths(&self, chain: &[usize]) -> Vec<PathBuf> {
        chain.iter().filter_map(|n| self.files.get(*n)).map(|f| f.path.clone()).collect()
    }

    /// The number that the next file gets.
    pub(super) fn next_serial(&self) -> u32 {
        self.files.last().map_or(0, |f| f.head.serial).saturating_add(1)
    }

    /// Those of `device` that the newest `keep` do not need.
    pub(super) fn superfluous(&self, device: &DeviceId, keep: usize) -> Vec<PathBuf> {
        let own: Vec<&ChainFile> = self.files.iter().filter(|f| f.said.device == *device).collect();
        let kept = own.get(own.len().saturating_sub(keep)..).unwrap_or_default();
        let needed: BTreeSet<Nonce> = kept.iter().map(|f| f.said.chain).collect();
        own.iter().filter(|f| !needed.contains(&f.said.chain)).map(|f| f.path.clone()).collect()
    }
}

/// Reads a chain from start to end.
pub(super) fn check(paths: &[PathBuf], words: Option<&str>) -> Result<Checked, Error> {
    let mut checked = Checked { content: Content::default(), last: None, faults: Vec::new() };
    let limits = Limits::default();
    let mut before: Option<Digest> = None;
    for path in paths {
        let mut wrong = 0u64;
        let scanned = scan(path, words, |item| {
            wrong += checked.content.note(&item, &limits);
            Ok(())
        });
        let name = path.display();
        match scanned {
            Ok(Found::Here(scanned)) => {
                checked.faults.extend(scanned.damage.iter().map(|d| format!("{name}: {d}")));
                if wrong > 0 {
                    checked.faults.push(format!("{name}: {wrong} of its entries or strips cannot be read"));
                }
                if scanned.said.before != before && checked.faults.is_empty() {
                    checked.faults.push(format!("{name} does not build on the one before it"));
                }
                before = Some(scanned.digest);
                checked.last = Some(scanned);
            }
            Ok(Found::Locked) => {
                return Err(bad(path, "it is locked: give --passphrase-file FILE, or - to type it"));
            }
            Err(e) => checked.faults.push(e.to_string()),
        }
    }
    Ok(checked)
}

/// Reads one file; `None` if it is locked.
pub(super) fn read_one(path: &Path, words: Option<&str>) -> Result<(Content, Option<Scanned>), Error> {
    let (mut content, limits) = (Content::default(), Limits::default());
    let scanned = scan(path, words, |item| {
        content.note(&item, &limits);
        Ok(())
    })?;
    Ok(match scanned {
        Found::Here(scanned) => (content, Some(scanned)),
        Found::Locked => (content, None),
    })
}

impl Content {
    /// Notes what an item holds; how much of it is nothing.
    fn note(&mut self, item: &super::scan::Item, limits: &Limits) -> u64 {
        use super::scan::Item;
        let mut wrong = 0;
        match item {
            Item::Entries(survey, all) => {
                let (ids, _) = self.0.entry(*survey).or_default();
                for bytes in all {
                    match entry_id(bytes) {
                        Some(id) => drop(ids.insert(id)),
                        None => wrong += 1,
                    }
                }
            }
            Item::Strips(survey, all) => {
                let (_, digests) = self.0.entry(*survey).or_default();
                for packed in all {
                    match strip_digest(packed, limits) {
                        Ok(digest) => drop(digests.insert(digest)),
                        Err(_) => wrong += 1,
                    }
                }
            }
        }
        wrong
    }
}

/// Looks at a backup or a folder of them, and reads what the newest builds on from start to end.
pub fn backup_seen(target: &Path, words: Option<&str>) -> Result<FolderSeen, Error> {
    let (mut seen, last) = find(target, words)?;
    let (chain, missing) = seen.chain_to(last);
    seen.faults.extend(missing);
    let checked = check(&seen.paths(&chain), words)?;
    seen.faults.extend(checked.faults);
    seen.newest = chain;
    seen.checked = true;
    Ok(seen)
}

/// What a backup, or the newest of a folder, holds, read from start to end; an error if anything of it is missing.
pub(crate) fn held_in(target: &Path, words: Option<&str>) -> Result<Held, Error> {
    let (seen, last) = find(target, words)?;
    let (chain, mut faults) = seen.chain_to(last);
    let checked = check(&seen.paths(&chain), words)?;
    faults.extend(checked.faults);
    match faults.first() {
        None => Ok(checked.content.0),
        Some(first) => Err(bad(target, &format!("{first}; make a new backup first"))),
    }
}

/// The backups that `target` means, and which of them is meant: that file, or the newest of a folder.
pub(super) fn find(target: &Path, words: Option<&str>) -> Result<(FolderSeen, usize), Error> {
    let unreadable = |source| Error::Unreadable { path: target.to_owned(), source };
    if std::fs::metadata(target).map_err(unreadable)?.is_dir() {
        let seen = folder(target, words)?;
        let last = seen.newest_of(None);
        return match last {
            Some(last) => Ok((seen, last)),
            None if !seen.locked.is_empty() => {
                Err(bad(target, "its backups are locked: give --passphrase-file FILE, or - to type it"))
            }
            None => Err(bad(
                target,
                &seen
                    .failed
                    .first()
                    .map_or_else(|| "there is no backup in this folder".to_owned(), Clone::clone),
            )),
        };
    }
    match look(target, words)? {
        Found::Locked => Err(bad(target, "it is locked: give --passphrase-file FILE, or - to type it")),
        Found::Here((head, said, locked)) => {
            let bytes = std::fs::metadata(target).map_or(0, |m| m.len());
            let one = ChainFile { path: target.to_owned(), bytes, head, locked, said };
            if one.head.number == 1 {
                let seen = FolderSeen { files: vec![one], ..FolderSeen::default() };
                return Ok((seen, 0));
            }
            // What it builds on lies beside it.
            let beside = target.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
            let mut seen = folder(beside, words)?;
            let is_it = |f: &ChainFile| {
                (f.said.chain, f.said.device, f.head.number)
                    == (one.said.chain, one.said.device, one.head.number)
            };
            let at = seen.files.iter().position(is_it).unwrap_or_else(|| {
                seen.files.push(one.clone());
                seen.files.len() - 1
            });
            Ok((seen, at))
        }
    }
}
