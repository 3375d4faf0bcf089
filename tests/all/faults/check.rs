//! What is promised of a device after a fault.

use super::homes::{Homes, copy};
use super::layer::{Layered, journal, scratch};
use super::table::Row;
use crate::home::Ran;
use leadline_survey::{Home, Store, backup_seen, inspect_parcel};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

/// What a device holds.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Holdings {
    /// Ids of entries, masked ones too, and digests of strips.
    pub(super) truth: BTreeSet<String>,
    /// What two runs of one command leave behind alike: everything but ids made by chance.
    pub(super) alike: Vec<String>,
    /// The same of what stands beside the stores: raw logs, backups and parcels.
    pub(super) beside: Vec<String>,
    /// Entries and strips that the best of the backups holds.
    backed_up: u64,
}

impl Holdings {
    /// Reads a device, every byte of its stores, and of the backups and parcels beside its home. An error is in words.
    pub(super) fn of(device: &Path) -> Result<Self, String> {
        let mut held = Self::of_home(&device.join("home"))?;
        held.files(device)?;
        held.beside.sort();
        Ok(held)
    }

    fn of_home(root: &Path) -> Result<Self, String> {
        let mut held = Self::default();
        if !root.is_dir() {
            held.alike.push("trims 0 doors 0".to_owned());
            return Ok(held);
        }
        let words = |e: leadline_survey::Error| e.to_string();
        let home = Home::open(Some(root)).map_err(words)?;
        for known in home.surveys().map_err(words)? {
            let mut store = home.store(&known.id.parse().expect("an id")).map_err(words)?;
            let line = held.read(&home, &mut store).map_err(words)??;
            held.alike.push(format!("{:?} guest {} {line}", known.name, known.guest));
            if known.current {
                held.alike.push(format!("current {:?}", known.name));
            }
        }
        let (trims, doors) = (home.trims().map_err(words)?.len(), home.doors().map_err(words)?.len());
        held.alike.push(format!("trims {trims} doors {doors}"));
        held.alike.sort();
        held.beside.push(format!("raw logs {}", endings(&home.originals(), "zst").len()));
        Ok(held)
    }

    /// What bears the name it was to have is whole.
    fn files(&mut self, device: &Path) -> Result<(), String> {
        for parcel in endings(device, "parcel") {
            let (_, end) = inspect_parcel(&parcel).map_err(|e| format!("half a parcel: {e}"))?;
            if end.torn + end.damaged > 0 {
                return Err(format!("half a parcel: {}", parcel.display()));
            }
            self.beside.push(format!("{} {} {}", name(&parcel), end.entries, end.strips));
        }
        for backup in endings(device, "backup") {
            self.backup(&backup)?;
        }
        let stick = device.join("stick");
        if !endings(&stick, "backup").is_empty() {
            self.backup(&stick)?;
        }
        Ok(())
    }

    fn backup(&mut self, target: &Path) -> Result<(), String> {
        let words = std::fs::read_to_string(target.with_file_name("words.txt")).ok();
        let words = words.as_deref().map(str::trim);
        let seen = backup_seen(target, words).map_err(|e| format!("half a backup: {e}"))?;
        if let Some(first) = seen.faults.iter().chain(&seen.failed).chain(&seen.unreadable).next() {
            return Err(format!("half a backup: {first}"));
        }
        let newest = seen.newest.last().and_then(|n| seen.files.get(*n)).ok_or("no newest backup")?;
        let count = |s: &leadline_survey::BackupSurvey| s.entries_in_all + s.strips_in_all;
        let held = newest.head.surveys.iter().map(count).sum();
        self.backed_up = self.backed_up.max(held);
        let (files, key) = (seen.files.len(), newest.head.with_key);
        self.beside.push(format!("{} {files} files hold {held}, key {key}", name(target)));
        Ok(())
    }

    fn read(
        &mut self,
        home: &Home,
        store: &mut Store,
    ) -> Result<Result<String, String>, leadline_survey::Error> {
        let report = home.check(store)?;
        if !report.faults.is_empty() {
            return Ok(Err(format!("verify: {}", report.faults.join("; "))));
        }
        for place in store.places()?.into_iter().chain(store.masked_places()?) {
            self.truth.insert(place.id.to_string());
        }
        let strips: Vec<String> = store.strip_digests()?.iter().map(ToString::to_string).collect();
        let (marks, back) = (store.private_marks()?.len(), store.held_back()?.len());
        let (invite, secrets) =
            (store.kept_invite()?.is_some(), home.secrets(&store.survey()).map_or(0, |s| s.len()));
        let line = format!(
            "{:?} strips {:?} marks {marks} held back {back} invite {invite} secrets {secrets}",
            store.counts()?,
            strips.iter().map(|s| &s[..8]).collect::<Vec<_>>(),
        );
        self.truth.extend(strips);
        Ok(Ok(line))
    }
}

/// A command, what was there before it and what it leaves behind if nothing goes wrong.
pub(super) struct Tried {
    pub(super) row: Row,
    pub(super) before: Holdings,
    pub(super) after: Holdings,
    pub(super) journal: Vec<super::layer::Op>,
}

impl Tried {
    pub(super) fn new(homes: &Homes, row: Row) -> Self {
        let dir = scratch();
        let device = dir.path().join("device");
        copy(homes.start(row.start), &device);
        let before = Holdings::of(&device).unwrap_or_else(|e| panic!("{}: {e}", row.name));
        let file = dir.path().join("journal");
        let layered = Layered { journal: Some(&file), ..Layered::on(&device) };
        let ran = layered.run(&row.args).expect("ends");
        ran.says(0, &[]);
        assert!(!ran.out.is_empty(), "{} says what it did", row.name);
        let after = Holdings::of(&device).unwrap_or_else(|e| panic!("{}: {e}", row.name));
        Self { row, before, after, journal: journal(&file) }
    }

    /// One after the other, if it is a meeting: two homes with one identity that meet one device at once cut each
    /// other off, as they should.
    pub(super) fn turn(&self) -> Option<MutexGuard<'static, ()>> {
        static MEETING: Mutex<()> = Mutex::new(());
        self.row.name.starts_with("sync").then(|| MEETING.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Holds a device against the promises, after a command was struck down; `acknowledged` if it had said that it was
    /// done. The command is repeated.
    pub(super) fn judge(&self, device: &Path, acknowledged: bool) -> Result<(), String> {
        let dir = scratch();
        let probe = dir.path().join("probe");
        copy(device, &probe);
        let left = Holdings::of(&probe)?;
        let done = (&left.alike, &left.beside) == (&self.after.alike, &self.after.beside);
        holds_all(&left, &self.before, "lost from before")?;
        if acknowledged && !done {
            return Err(format!("acknowledged and not there: {}", difference(&left, &self.after)));
        }
        if self.row.whole && !done && left.alike != self.before.alike {
            return Err(format!("half done: {}", difference(&left, &self.after)));
        }
        self.repeat(device, &left, done)
    }

    fn repeat(&self, device: &Path, left: &Holdings, done: bool) -> Result<(), String> {
        let ran = Layered::on(device).run(&self.row.args).ok_or("hangs when repeated")?;
        sober(&ran)?;
        // "It is done already" is an answer too.
        if ran.code != 0 && !(ran.code == 1 && done) {
            return Err(format!("cannot be repeated, exit code {}: {}", ran.code, ran.err.trim()));
        }
        let end = Holdings::of(device)?;
        holds_all(&end, left, "lost when repeated")?;
        let same = (&end.alike, &end.beside) == (&self.after.alike, &self.after.beside);
        if !same && !self.row.again {
            return Err(format!("repeated, it is another: {}", difference(&end, &self.after)));
        }
        Ok(())
    }
}

fn holds_all(now: &Holdings, before: &Holdings, what: &str) -> Result<(), String> {
    if now.backed_up < before.backed_up {
        return Err(format!("{what}: a backup of {}, now {}", before.backed_up, now.backed_up));
    }
    match before.truth.difference(&now.truth).count() {
        0 => Ok(()),
        n => Err(format!("{what}: {n} entries and strips")),
    }
}

/// The files of a folder whose name ends like that.
fn endings(dir: &Path, ending: &str) -> Vec<PathBuf> {
    let all = std::fs::read_dir(dir).into_iter().flatten().map(|e| e.expect("readable").path());
    let mut all: Vec<_> = all.filter(|p| p.extension().is_some_and(|e| e == ending)).collect();
    all.sort();
    all
}

fn name(path: &Path) -> String {
    path.file_name().expect("a name").to_string_lossy().into_owned()
}

/// No panic, and words for every failure.
pub(super) fn sober(ran: &Ran) -> Result<(), String> {
    if ran.err.contains("panicked")
        || (ran.code > 0 && ran.err.trim().is_empty() && ran.out.trim().is_empty())
    {
        return Err(format!("exit code {}: {}", ran.code, ran.err));
    }
    Ok(())
}

fn difference(is: &Holdings, should: &Holdings) -> String {
    let only = |a: &Holdings, b: &Holdings| {
        let all = a.alike.iter().chain(&a.beside);
        all.filter(|l| !b.alike.contains(l) && !b.beside.contains(l)).cloned().collect::<Vec<_>>().join(" / ")
    };
    format!("is [{}], should be [{}]", only(is, should), only(should, is))
}
