//! Writing a backup: under a temporary name, synced, read back, then renamed.

use super::chain::{Checked, Content, FolderSeen, check, folder};
use super::container::{Sections, kind};
use super::head::{BackupHead, Keys};
use super::plan::{Held, Plan, StorePlan};
use super::scan::{Found, bad, look};
use super::{BACKUP_ENDING, chain, head};
use crate::durable::{is_beside, sweep_leftovers, sync_folder_of};
use crate::parcel::lock::Sink;
use crate::{Error, Home};
use leadline_logbook::{entry_id, strip_digest};
use leadline_model::{DeviceId, Digest, Nonce, SurveyId, UtcMillis};
use leadline_sync::{ParcelHeader, ParcelWriteError, ParcelWriter};
use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};

/// What is to be backed up, and how.
#[derive(Clone, Default)]
pub struct BackupRequest {
    /// Only these surveys; empty = all of the home.
    pub surveys: Vec<SurveyId>,
    /// Lock it with a passphrase.
    pub passphrase: Option<String>,
    /// Take the device's key and the surveys' secrets along; only with a passphrase.
    pub with_key: bool,
    /// In a folder: everything, whatever is there.
    pub full: bool,
    /// In a folder: keep the newest so many, and what they need.
    pub keep: Option<usize>,
    /// The device's claim of the time.
    pub now: UtcMillis,
    /// The program's version.
    pub program: String,
}

impl std::fmt::Debug for BackupRequest {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // The passphrase stays out of every log.
        f.debug_struct("BackupRequest").field("with_key", &self.with_key).finish_non_exhaustive()
    }
}

/// What was done.
#[derive(Clone, Debug)]
pub struct BackedUp {
    /// The file; with `head` `None` the newest one, to which nothing was to be added.
    pub path: PathBuf,
    /// Its size, bytes.
    pub bytes: u64,
    /// What it says of itself; `None` = nothing was new, so nothing was written.
    pub head: Option<BackupHead>,
    /// Strips that the disk has damaged, so that they are not in it.
    pub damaged_strips: u64,
    /// Why a full one was begun though there was one before.
    pub begun_anew: Option<String>,
    /// Files that were removed as no longer needed.
    pub removed: Vec<PathBuf>,
    /// Files that should have been removed and could not be.
    pub not_removed: Vec<PathBuf>,
    /// Files that the disk did not give when older ones were looked for, in words.
    pub failed: Vec<String>,
}

/// What was written.
struct Written {
    head: BackupHead,
    bytes: u64,
    damaged_strips: u64,
}

impl BackedUp {
    fn of(path: &Path, written: Written, begun_anew: Option<String>) -> Self {
        Self {
            path: path.to_owned(),
            bytes: written.bytes,
            head: Some(written.head),
            damaged_strips: written.damaged_strips,
            begun_anew,
            removed: Vec::new(),
            not_removed: Vec::new(),
            failed: Vec::new(),
        }
    }
}

/// Backs up the home to a file, or to a folder that is there already.
pub fn back_up(home: &Home, target: &Path, request: &BackupRequest) -> Result<BackedUp, Error> {
    may_hold_the_key(request)?;
    if request.keep == Some(0) {
        return Err(Error::Request("--keep 0 would keep nothing; give at least 1".to_owned()));
    }
    let surveys = surveys(home, request)?;
    outside(home, target)?;
    if target.is_dir() {
        into_folder(home, target, &surveys, request)
    } else {
        into_file(home, target, &surveys, request)
    }
}

fn may_hold_the_key(request: &BackupRequest) -> Result<(), Error> {
    if request.with_key && request.passphrase.is_none() {
        return Err(Error::Request(
            "the device's key is only put into a locked backup: give --passphrase-file FILE, or - to type it"
                .to_owned(),
        ));
    }
    Ok(())
}

fn surveys(home: &Home, request: &BackupRequest) -> Result<Vec<SurveyId>, Error> {
    let all: Vec<SurveyId> = home.surveys()?.iter().filter_map(|s| s.id.parse().ok()).collect();
    match (all.is_empty(), request.surveys.is_empty()) {
        (true, _) => Err(Error::NoSurvey),
        (_, true) => Ok(all),
        _ => Ok(request.surveys.clone()),
    }
}

/// A backup inside what it backs up is lost with it.
fn outside(home: &Home, target: &Path) -> Result<(), Error> {
    let dir = if target.is_dir() { Some(target) } else { target.parent() };
    let real = |p: &Path| std::fs::canonicalize(if p.as_os_str().is_empty() { Path::new(".") } else { p });
    match (dir.map(real), real(home.root())) {
        (Some(Ok(dir)), Ok(root)) if dir.starts_with(&root) => Err(bad(
            target,
            "it lies inside the folder that is backed up, and would be lost with it; take another disk or a stick",
        )),
        _ => Ok(()),
    }
}

fn into_file(
    home: &Home,
    path: &Path,
    surveys: &[SurveyId],
    request: &BackupRequest,
) -> Result<BackedUp, Error> {
    if path.extension().is_none_or(|e| e != BACKUP_ENDING) {
        return Err(bad(
            path,
            "there is no such folder (is the stick there?); make it first, or name a file that ends with .backup",
        ));
    }
    // Only a backup may be replaced.
    if path.exists()
        && !matches!(look(path, request.passphrase.as_deref()), Ok(Found::Here(_) | Found::Locked))
    {
        return Err(bad(
            path,
            "there is another file of that name, which is not a backup that can be opened; take another name",
        ));
    }
    let written = write_full(home, path, surveys, request)?;
    Ok(BackedUp::of(path, written, None))
}

/// A backup of everything that stands alone, under any name.
fn write_full(
    home: &Home,
    path: &Path,
    surveys: &[SurveyId],
    request: &BackupRequest,
) -> Result<Written, Error> {
    let place = Place { chain: Nonce(crate::home::random()), number: 1, serial: 1, before: None };
    let plan = Plan::of(home, surveys, &Content::default())?;
    write(home, path, &plan, place, request)
}

/// The same for a moment, inside the home: for a browser that takes it elsewhere.
pub(crate) fn back_up_for_a_moment(home: &Home, path: &Path, request: &BackupRequest) -> Result<u64, Error> {
    Ok(write_full(home, path, &surveys(home, request)?, request)?.bytes)
}

fn into_folder(
    home: &Home,
    dir: &Path,
    surveys: &[SurveyId],
    request: &BackupRequest,
) -> Result<BackedUp, Error> {
    let words = request.passphrase.as_deref();
    let seen = folder(dir, words)?;
    if let (Some(first), None) = (seen.locked.first(), words) {
        return Err(bad(
            first,
            "the backups of this folder are locked: give the same --passphrase-file, or take another folder",
        ));
    }
    let me = home.key().id();
    let (on, begun_anew) = goes_on(&seen, &me, request)?;
    let (place, content, last) = match &on {
        Some((at, checked)) => (next_place(&seen, *at, checked), &checked.content, checked.last.as_ref()),
        None => {
            let place = Place {
                chain: Nonce(crate::home::random()),
                number: 1,
                serial: seen.next_serial(),
                before: None,
            };
            (place, &Content::default(), None)
        }
    };
    let plan = Plan::of(home, surveys, content)?;
    let is_same = last.is_some_and(|l| {
        plan.is_empty() && l.private_bytes == plan.private && l.keys.is_some() == request.with_key
    });
    let done = if let (true, Some((at, _))) = (is_same, &on) {
        let newest = seen.files.get(*at).ok_or(Error::NoHome)?;
        BackedUp {
            path: newest.path.clone(),
            bytes: newest.bytes,
            head: None,
            damaged_strips: 0,
            begun_anew,
            removed: Vec::new(),
            not_removed: Vec::new(),
            failed: Vec::new(),
        }
    } else {
        let name = format!("leadline-{}-{:03}.{BACKUP_ENDING}", request.now.date_text(), place.serial);
        let path = dir.join(name);
        if path.exists() {
            return Err(bad(&path, "it is there already and cannot be read; move it away, then repeat"));
        }
        BackedUp::of(&path, write(home, &path, &plan, place, request)?, begun_anew)
    };
    retire(dir, &me, request, done)
}

/// The number of the newest backup, and what its chain holds.
type GoesOn = Option<(usize, Checked)>;

/// The newest backup of this device, and what its chain holds, if it can be gone on with; why not, if there is one.
fn goes_on(
    seen: &FolderSeen,
    me: &DeviceId,
    request: &BackupRequest,
) -> Result<(GoesOn, Option<String>), Error> {
    let words = request.passphrase.as_deref();
    let Some(last) = seen.newest_of(Some(me)) else {
        return Ok((None, seen.failed.iter().chain(&seen.unreadable).next().cloned()));
    };
    if request.full {
        return Ok((None, Some("asked for".to_owned())));
    }
    let (chain, mut faults) = seen.chain_to(last);
    if request.keep.is_some_and(|keep| chain.len() >= keep) {
        return Ok((None, Some("so that older ones can go (--keep)".to_owned())));
    }
    if seen.files.get(last).is_some_and(|f| f.locked != words.is_some()) {
        return Ok((None, Some("the ones before are not locked".to_owned())));
    }
    let checked = check(&seen.paths(&chain), words)?;
    faults.extend(checked.faults.iter().cloned());
    match faults.first() {
        None => Ok((Some((last, checked)), None)),
        Some(first) => Ok((None, Some(first.clone()))),
    }
}

fn next_place(seen: &FolderSeen, last: usize, checked: &Checked) -> Place {
    let before = checked.last.as_ref();
    Place {
        chain: before.map_or(Nonce([0; 16]), |l| l.said.chain),
        number: seen.files.get(last).map_or(0, |f| f.head.number).saturating_add(1),
        serial: seen.next_serial(),
        before: before.map(|l| l.digest),
    }
}

/// Removes what the newest do not need; only now, as the new one has been read back.
fn retire(dir: &Path, me: &DeviceId, request: &BackupRequest, mut done: BackedUp) -> Result<BackedUp, Error> {
    let Some(keep) = request.keep else { return Ok(done) };
    let seen = folder(dir, request.passphrase.as_deref())?;
    for path in seen.superfluous(me, keep) {
        match std::fs::remove_file(&path) {
            Ok(()) => done.removed.push(path),
            Err(_) => done.not_removed.push(path),
        }
    }
    done.failed = seen.failed;
    // Gone from the disk, too, when it is said.
    if let Some(path) = done.removed.last() {
        sync_folder_of(path).map_err(output(path))?;
    }
    Ok(done)
}

/// A backup's place among others.
#[derive(Clone, Copy)]
struct Place {
    chain: Nonce,
    number: u32,
    serial: u32,
    before: Option<Digest>,
}

/// Writes the file, reads it back, and gives it its name.
fn write(
    home: &Home,
    path: &Path,
    plan: &Plan,
    place: Place,
    request: &BackupRequest,
) -> Result<Written, Error> {
    // Whichever way it came here.
    may_hold_the_key(request)?;
    sweep(path);
    let temp = path.with_extension(format!("{}.tmp", std::process::id()));
    let done = write_temp(home, &temp, plan, place, request).and_then(|written| {
        std::fs::rename(&temp, path).and_then(|()| sync_folder_of(path)).map_err(output(path))?;
        Ok(written)
    });
    if done.is_err() {
        drop(std::fs::remove_file(&temp));
    }
    done
}

/// What killed backups left beside `path`: on a stick that would be most of it one day.
fn sweep(path: &Path) {
    let stem = path.file_stem().and_then(|s| s.to_str()).unwrap_or_default();
    let numbered = |name: &str| {
        name.rsplit_once('.').is_some_and(|(s, _)| s.starts_with("leadline-") && is_beside(name, s))
    };
    let here = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    sweep_leftovers(here, |name| is_beside(name, stem) || numbered(name));
}

fn output(path: &Path) -> impl Fn(std::io::Error) -> Error {
    let path = path.to_owned();
    move |source| Error::Output { path: path.clone(), source }
}

fn write_temp(
    home: &Home,
    temp: &Path,
    plan: &Plan,
    place: Place,
    request: &BackupRequest,
) -> Result<Written, Error> {
    let io = output(temp);
    let head = BackupHead {
        made: request.now.0,
        device: home.key().id().to_string(),
        device_name: home.device_name()?.as_str().to_owned(),
        program: request.program.clone(),
        chain: place.chain.to_string(),
        number: place.number,
        serial: place.serial,
        before: place.before.map(|d| d.to_string()),
        with_key: request.with_key,
        surveys: plan.stores.iter().map(|s| s.chosen.survey.clone()).collect(),
    };
    let file = private_file(temp).map_err(&io)?;
    let sink = Sink::by_passphrase(request.passphrase.as_deref(), file)?;
    let mut sections = Sections::begin(sink).map_err(&io)?;
    let said = head::bounded(serde_json::to_vec(&head).unwrap_or_default())?;
    sections.section(kind::HEAD, &said).map_err(&io)?;
    sections.section(kind::PRIVATE, &plan.private).map_err(&io)?;
    if request.with_key {
        let surveys: Vec<SurveyId> = plan.stores.iter().map(|s| s.store.survey()).collect();
        sections.section(kind::KEYS, &Keys::of(home, &surveys)?.bytes()?).map_err(&io)?;
    }
    let (mut written, mut damaged_strips) = (BTreeMap::new(), 0);
    for store in &plan.stores {
        let section = sections.open(kind::PARCEL);
        let (section, held) = parcel(home, store, section, request.now, temp)?;
        damaged_strips += store.chosen.strips.len().saturating_sub(held.1.len()) as u64;
        section.close().map_err(&io)?;
        written.insert(store.store.survey(), held);
    }
    let (sink, digest) = sections.seal(home.key()).map_err(&io)?;
    sink.finish().map_err(&io)?;
    read_back(temp, request, digest, &written)?;
    Ok(Written { head, bytes: std::fs::metadata(temp).map_err(&io)?.len(), damaged_strips })
}

/// What is in it is for its owner alone.
fn private_file(path: &Path) -> std::io::Result<File> {
    let mut options = File::options();
    options.write(true).create(true).truncate(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path)
}

/// The survey's new entries and strips as a parcel; what was written of them.
fn parcel<W: Write>(
    home: &Home,
    plan: &StorePlan,
    to: W,
    now: UtcMillis,
    path: &Path,
) -> Result<(W, Held), Error> {
    let failed = |e: ParcelWriteError| match e {
        ParcelWriteError::Io(source) => Error::Output { path: path.to_owned(), source },
        other => Error::Request(other.to_string()),
    };
    let (store, chosen) = (&plan.store, &plan.chosen);
    let limits = *store.limits();
    let header = ParcelHeader {
        survey: store.survey(),
        name: chosen.name.clone(),
        maker: store.device(),
        maker_name: home.device_name()?,
        made: now,
        presupposes: None,
        holds: chosen.holds.clone(),
    };
    let mut writer = ParcelWriter::begin(to, header, limits).map_err(failed)?;
    let (mut entries, mut strips) = (BTreeSet::new(), BTreeSet::new());
    store.each_kept_entry(|bytes, _| match entry_id(&bytes) {
        Some(id) if chosen.entries.contains(&id) && entries.insert(id) => {
            writer.entry(&bytes).map_err(failed)
        }
        _ => Ok(()),
    })?;
    for digest in &chosen.strips {
        let packed = store.kept_strip(digest)?;
        // What the disk has damaged would be refused on the way back.
        if let Some(packed) = packed.filter(|p| strip_digest(p, &limits).is_ok_and(|d| d == *digest)) {
            writer.strip(&packed).map_err(failed)?;
            strips.insert(*digest);
        }
    }
    let (to, _) = writer.finish(store.key()).map_err(failed)?;
    Ok((to, (entries, strips)))
}

/// Reads the file from start to end, and holds what is in it against what was put in.
fn read_back(
    temp: &Path,
    request: &BackupRequest,
    digest: Digest,
    written: &BTreeMap<SurveyId, Held>,
) -> Result<(), Error> {
    let failed = |why: &str| {
        bad(
            temp,
            &format!(
                "read back, it is not what was written ({why}): the disk or stick is failing; nothing was replaced, take another one"
            ),
        )
    };
    let (content, scanned) = chain::read_one(temp, request.passphrase.as_deref())?;
    let Some(scanned) = scanned else { return Err(failed("it is locked")) };
    if let Some(first) = scanned.damage.first() {
        return Err(failed(first));
    }
    let nothing = (BTreeSet::new(), BTreeSet::new());
    let same = written.iter().all(|(id, held)| content.0.get(id).unwrap_or(&nothing) == held);
    if scanned.digest != digest || !same {
        return Err(failed("other content"));
    }
    Ok(())
}
