//! Original logs that can go: read again, they give nothing that is not held as signed entries and strips, here and in
//! a backup that was read from start to end.
//!
//! What other devices hold is no reason: a device may have asked for an area or for entries only, so that nobody here
//! knows which strips it has.

use crate::backup::Held;
use crate::durable::sync_folder_of;
use crate::import::legs_of;
use crate::{Error, Home, Store};
use leadline_logbook::{Op, PackedLeg};
use leadline_model::{Digest, EntryId, LegId, StripDigest, SurveyId};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// A log that is kept as it was imported.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptOriginal {
    /// Where.
    pub path: PathBuf,
    /// Its size, compressed, bytes.
    pub bytes: u64,
    /// Legs it gives when it is read again.
    pub legs: usize,
    /// It cannot be read, or is not what its name says.
    pub damaged: bool,
    /// Why it stays; `None` = it can go.
    pub stays: Option<String>,
}

/// What one survey holds of legs.
struct Legs {
    survey: SurveyId,
    claimed_by: BTreeMap<LegId, BTreeSet<EntryId>>,
    strips: BTreeSet<StripDigest>,
}

/// Looks at every original of the home. `backup`: a backup or a folder of them, and its passphrase; without one all stay.
pub fn kept_originals(
    home: &Home,
    backup: Option<(&Path, Option<&str>)>,
) -> Result<Vec<KeptOriginal>, Error> {
    let held = backup.map(|(target, words)| crate::backup::held_in(target, words)).transpose()?;
    let mut surveys = Vec::new();
    for known in home.surveys()? {
        if let Ok(id) = known.id.parse() {
            surveys.push(Legs::of(&home.store(&id)?)?);
        }
    }
    let mut all = Vec::new();
    for path in originals(home)? {
        let bytes = std::fs::metadata(&path).map_err(Error::file(&path))?.len();
        let (damaged, legs, stays) = match read_again(home, &path) {
            Ok(Ok(legs)) => (false, legs.len(), why_it_stays(&legs, &surveys, held.as_ref())),
            Ok(Err(why)) => (false, 0, Some(why)),
            Err(why) => (true, 0, Some(why)),
        };
        all.push(KeptOriginal { path, bytes, legs, damaged, stays });
    }
    Ok(all)
}

/// Removes originals; those are gone from the disk when this has returned.
pub fn remove_originals<'a>(originals: impl IntoIterator<Item = &'a KeptOriginal>) -> Result<(), Error> {
    let mut last = None;
    for o in originals {
        std::fs::remove_file(&o.path).map_err(Error::file(&o.path))?;
        last = Some(&o.path);
    }
    last.map_or(Ok(()), |path| sync_folder_of(path).map_err(Error::file(path)))
}

fn originals(home: &Home) -> Result<Vec<PathBuf>, Error> {
    let dir = home.originals();
    let list = match std::fs::read_dir(&dir) {
        Ok(list) => list,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(Error::file(&dir)(e)),
    };
    let mut all = Vec::new();
    for file in list {
        let path = file.map_err(Error::file(&dir))?.path();
        if path.extension().is_some_and(|e| e == "zst") {
            all.push(path);
        }
    }
    all.sort();
    Ok(all)
}

/// The legs the log gives, or in words why it stays whatever is held; an error if it cannot be read.
fn read_again(home: &Home, path: &Path) -> Result<Result<Vec<PackedLeg>, String>, String> {
    let unreadable = |e: std::io::Error| format!("it cannot be read: {e}");
    let file = std::fs::File::open(path).map_err(unreadable)?;
    let mut log = zstd::stream::read::Decoder::new(file).map_err(unreadable)?;
    let (source, legs, trimmed) = legs_of(home, path, &mut log).map_err(|e| e.to_string())?;
    let named: Option<Digest> = path.file_stem().and_then(|s| s.to_str()).and_then(|s| s.parse().ok());
    match named {
        Some(named) if named == source => {}
        _ => return Err("its content is not what its name says: it is damaged".to_owned()),
    }
    Ok(if legs.is_empty() {
        Err("read alone it gives no soundings (as a log without a date, or one without depths)".to_owned())
    } else if trimmed > 0 {
        Err(format!("{trimmed} soundings near home are in it and in no entry (leadline trim)"))
    } else {
        Ok(legs)
    })
}

fn why_it_stays(legs: &[PackedLeg], surveys: &[Legs], held: Option<&Held>) -> Option<String> {
    let here = |l: &PackedLeg| surveys.iter().any(|s| s.holds(l));
    let missing = legs.iter().filter(|l| !here(l)).count();
    if missing > 0 {
        return Some(format!("{missing} of its {} legs are not held in this home", legs.len()));
    }
    let Some(held) = held else {
        return Some("name a backup that holds its legs too: --backup FILE|DIR".to_owned());
    };
    let elsewhere = |l: &PackedLeg| surveys.iter().any(|s| s.holds(l) && s.is_in(l, held));
    match legs.iter().filter(|l| !elsewhere(l)).count() {
        0 => None,
        n => Some(format!("{n} of its {} legs are not in the backup", legs.len())),
    }
}

impl Legs {
    fn of(store: &Store) -> Result<Self, Error> {
        let mut claimed_by: BTreeMap<LegId, BTreeSet<EntryId>> = BTreeMap::new();
        for entry in store.entries_in_force()? {
            for op in entry.ops() {
                if let Op::Leg(claim) = op {
                    claimed_by.entry(claim.leg()).or_default().insert(entry.id());
                }
            }
        }
        Ok(Self { survey: store.survey(), claimed_by, strips: store.strip_digests()?.into_iter().collect() })
    }

    fn holds(&self, leg: &PackedLeg) -> bool {
        self.claimed_by.contains_key(&leg.id) && leg.strips.iter().all(|s| self.strips.contains(&s.digest))
    }

    fn is_in(&self, leg: &PackedLeg, held: &Held) -> bool {
        let Some((entries, strips)) = held.get(&self.survey) else { return false };
        let claimed = self.claimed_by.get(&leg.id);
        claimed.is_some_and(|by| by.iter().any(|e| entries.contains(e)))
            && leg.strips.iter().all(|s| strips.contains(&s.digest))
    }
}
