//! Putting a backup back: into an empty home, or beside what is there. What is here already stays as it is; a store
//! that is made new has a new epoch, so nothing written since the backup is ever forked.

use super::chain::{Content, check, find};
use super::head::{Keys, Private};
use super::scan::{Found, Item, Scanned, bad, scan};
use crate::store::Accepted;
use crate::{Error, Home, Store};
use leadline_logbook::strip_digest;
use leadline_model::{DeviceId, Digest, EntryId, StripDigest, SurveyId, Text};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What restoring did.
#[derive(Clone, Debug)]
pub struct Restored {
    /// The files that were read, oldest first.
    pub files: Vec<PathBuf>,
    /// What is missing or damaged in them, if that was let pass.
    pub faults: Vec<String>,
    /// The device that made the backup.
    pub from: DeviceId,
    /// Its name.
    pub from_name: String,
    /// This device has that one's identity; else it is in its place, with an identity of its own.
    pub same_device: bool,
    /// The backup held the key, and it was not taken, as this home has an identity of its own.
    pub key_not_taken: bool,
    /// By survey.
    pub surveys: Vec<RestoredSurvey>,
}

/// What became of one survey.
#[derive(Clone, Debug)]
pub struct RestoredSurvey {
    /// Its id.
    pub id: SurveyId,
    /// Its name.
    pub name: Option<String>,
    /// It was not in this home before.
    pub new: bool,
    /// This device is not of its crew, and reads it as a guest.
    pub guest: bool,
    /// What became of entries and strips.
    pub accepted: Accepted,
    /// Private marks that came.
    pub marks: usize,
    /// Entries and strips of the backup that are not held now.
    pub lacking: u64,
    /// Digest of what is in force now.
    pub digest: Digest,
    /// What is in force is exactly what was when the backup was made.
    pub as_it_was: bool,
}

/// Restores a backup, or the newest of a folder, into the home at `dir`. `damaged`: take what is whole of a damaged one.
pub fn restore(
    dir: Option<&Path>,
    target: &Path,
    words: Option<&str>,
    damaged: bool,
) -> Result<(Home, Restored), Error> {
    let (seen, last) = find(target, words)?;
    let (chain, mut faults) = seen.chain_to(last);
    let files = seen.paths(&chain);
    let checked = check(&files, words)?;
    faults.extend(checked.faults);
    if let (Some(first), false) = (faults.first(), damaged) {
        return Err(bad(
            target,
            &format!(
                "{first}. Nothing was restored; take another backup, or with --damaged what is whole of this one"
            ),
        ));
    }
    let Some(newest) = checked.last else {
        return Err(bad(target, "nothing in it can be read; take another backup"));
    };
    let (home, same_device, key_not_taken) = identity(dir, &newest)?;
    let mut stores = BTreeMap::new();
    for (id, said) in newest.said.surveys.iter().zip(&newest.head.surveys) {
        stores.insert(*id, begin(&home, id, said.name.as_deref(), newest.said.device)?);
    }
    for path in &files {
        put_back(path, words, &mut stores)?;
    }
    settings(&home, &newest.private, same_device)?;
    let mut surveys = Vec::new();
    for (id, said) in newest.said.surveys.iter().zip(&newest.head.surveys) {
        if let Some(begun) = stores.remove(id) {
            surveys.push(end(begun, &newest, &said.digest, &checked.content, id)?);
        }
    }
    let from_name = newest.head.device_name.clone();
    let restored =
        Restored { files, faults, from: newest.said.device, from_name, same_device, key_not_taken, surveys };
    Ok((home, restored))
}

/// The home, whether it is the device that made the backup, and whether a key was left out.
fn identity(dir: Option<&Path>, newest: &Scanned) -> Result<(Home, bool, bool), Error> {
    let seed = |k: &Keys| k.device.parse::<Digest>().ok().map(|d| d.0);
    let seed = newest.keys.as_ref().and_then(seed);
    // A key that is not the maker's would make this device another one.
    let seed = seed.filter(|s| leadline_logbook::DeviceKey::from_seed(s).id() == newest.said.device);
    let (home, taken) = match &seed {
        Some(seed) => Home::open_as(dir, seed)?,
        None => (Home::open(dir)?, true),
    };
    let same = home.key().id() == newest.said.device;
    if let (true, Some(keys)) = (same, &newest.keys) {
        for (survey, secrets) in &keys.secrets {
            let Ok(id) = survey.parse::<SurveyId>() else { continue };
            for (generation, secret) in secrets.iter().take(crate::SECRETS_MAX) {
                if let Ok(secret) = secret.parse::<Digest>() {
                    home.secret_ring(&id).keep(*generation, &secret.0)?;
                }
            }
        }
    }
    Ok((home, same, !taken))
}

/// A survey that is being restored.
struct Begun {
    store: Store,
    new: bool,
    accepted: Accepted,
}

fn begin(home: &Home, id: &SurveyId, name: Option<&str>, from: DeviceId) -> Result<Begun, Error> {
    let new = !home.holds(id);
    let mut store = home.store(id)?;
    // Without a secret nobody can be met: until it is invited, this device reads.
    if (new || store.is_blank()?) && home.secret(id).is_err() {
        let name = name.and_then(|n| Text::new(n).ok());
        store.begin_guest(&name.map_or_else(|| crate::home::text("name", "no name yet"), Ok)?)?;
    }
    store.succeed(&from)?;
    Ok(Begun { store, new, accepted: Accepted::default() })
}

/// Takes in one file. What is here already is known and stays.
fn put_back(path: &Path, words: Option<&str>, stores: &mut BTreeMap<SurveyId, Begun>) -> Result<(), Error> {
    let scanned = scan(path, words, |item| match item {
        Item::Entries(id, all) => match stores.get_mut(&id) {
            Some(begun) => {
                let accepted = begun.store.accept(all, Vec::new())?;
                begun.accepted.add(accepted);
                Ok(())
            }
            None => Ok(()),
        },
        Item::Strips(id, all) => stores.get_mut(&id).map_or(Ok(()), |begun| begun.take_strips(all)),
    });
    match scanned {
        Ok(Found::Here(_)) => Ok(()),
        // Checked before, and let pass if it was damaged.
        Ok(Found::Locked) | Err(Error::Backup { .. }) => Ok(()),
        Err(e) => Err(e),
    }
}

impl Begun {
    fn take_strips(&mut self, all: Vec<Vec<u8>>) -> Result<(), Error> {
        let limits = *self.store.limits();
        let named = |p: Vec<u8>| strip_digest(&p, &limits).ok().map(|d| (d, p));
        let named: Vec<(StripDigest, Vec<u8>)> = all.into_iter().filter_map(named).collect();
        let packed = named.iter().map(|(_, p)| p.clone()).collect();
        let mut accepted = self.store.accept(Vec::new(), packed)?;
        if !accepted.refused.is_empty() {
            // Those that nothing in force names: masked entries may.
            accepted.refused.clear();
            self.store.keep_aside(&named)?;
        }
        self.accepted.add(accepted);
        Ok(())
    }
}

fn settings(home: &Home, private: &Private, same_device: bool) -> Result<(), Error> {
    let (name, current) = home.settings()?;
    // Another device needs another name, so that the crew can tell them apart.
    if let (true, None, Some(said)) = (same_device, &name, &private.device_name)
        && let Ok(said) = Text::new(said)
    {
        home.name_device(&said)?;
    }
    if let (None, Some(said)) = (&current, &private.current)
        && let Ok(id) = said.parse()
        && home.holds(&id)
    {
        home.choose(&id)?;
    }
    let here = home.trims()?;
    let is_sound = |t: &crate::Trim| {
        t.lon.abs() <= 180.0 && t.lat.abs() <= 90.0 && (1.0..=20_000.0).contains(&t.radius_m)
    };
    let mut trims = here.clone();
    trims.extend(private.trims.iter().filter(|t| is_sound(t) && !here.contains(t)));
    trims.truncate(crate::MAX_TRIMS);
    if trims != here {
        home.keep_trims(&trims)?;
    }
    Ok(())
}

fn end(
    begun: Begun,
    newest: &Scanned,
    was: &str,
    content: &Content,
    id: &SurveyId,
) -> Result<RestoredSurvey, Error> {
    let Begun { mut store, new, accepted } = begun;
    let marks = match newest.private.stores.get(&id.to_string()) {
        Some(kept) => store.take_kept(kept)?,
        None => 0,
    };
    let mut lacking = 0;
    if let Some((entries, strips)) = content.0.get(id) {
        let lacks = |e: &&EntryId| store.keeps_entry(e).map(|kept| !kept);
        for entry in entries {
            lacking += u64::from(lacks(&entry)?);
        }
        for strip in strips {
            lacking += u64::from(store.kept_strip(strip)?.is_none());
        }
    }
    let digest = store.holdings_digest()?;
    Ok(RestoredSurvey {
        id: *id,
        name: store.name()?.map(|(n, _)| n.as_str().to_owned()).or(store.told_name()?),
        new,
        guest: store.is_guest()?,
        accepted,
        marks,
        lacking,
        as_it_was: digest.to_string() == was,
        digest,
    })
}
