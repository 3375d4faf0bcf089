//! Files handed over as bytes, as a browser does: under a name of their own in the device's folder while they are
//! read or made, then gone.

use crate::backup::{back_up_for_a_moment, is_locked};
use crate::durable::sweep_leftovers;
use crate::home::random;
use crate::{
    BackupRequest, Error, Home, ImportRequest, Imported, ParcelRead, ParcelRequest, Restored, Store,
    import_file, read_parcels, restore, write_parcels,
};
use leadline_model::{Epoch, SurveyId, UtcMillis};
use std::path::{Path, PathBuf};

/// A file that is gone when it is dropped.
struct Handed {
    path: PathBuf,
}

impl Handed {
    fn new(home: &Home) -> Result<Self, Error> {
        let dir = home.root().join("incoming");
        std::fs::create_dir_all(&dir).map_err(Error::file(&dir))?;
        sweep_leftovers(&dir, |_| true);
        Ok(Self { path: dir.join(format!("{}-{}.tmp", std::process::id(), Epoch(random()))) })
    }

    fn with(home: &Home, bytes: &[u8]) -> Result<Self, Error> {
        let new = Self::new(home)?;
        std::fs::write(&new.path, bytes).map_err(Error::file(&new.path))?;
        Ok(new)
    }

    /// An error under the name the file has for people.
    fn named(&self, name: &str, e: Error) -> Error {
        let name = || PathBuf::from(leadline_model::escaped(name));
        match e {
            Error::Unreadable { path, source } if path == self.path => {
                Error::Unreadable { path: name(), source }
            }
            Error::Parcel { path, why } if path == self.path => Error::Parcel { path: name(), why },
            Error::Backup { path, why } if path == self.path => Error::Backup { path: name(), why },
            other => other,
        }
    }
}

impl Drop for Handed {
    fn drop(&mut self) {
        drop(std::fs::remove_file(&self.path));
    }
}

/// Imports one log that is handed over; `name` is what people call it.
pub fn import_bytes(
    home: &Home,
    store: &mut Store,
    name: &str,
    bytes: &[u8],
    request: &ImportRequest,
) -> Result<Imported, Error> {
    let handed = Handed::with(home, bytes)?;
    let done = import_file(home, store, &handed.path, request, &mut |_| {});
    done.map(|d| Imported { path: Path::new(name).to_owned(), ..d }).map_err(|e| handed.named(name, e))
}

/// Takes in what is whole in a parcel of `survey` that is handed over.
pub fn read_parcel_bytes(home: &Home, survey: SurveyId, bytes: &[u8]) -> Result<ParcelRead, Error> {
    let handed = Handed::with(home, bytes)?;
    let read = read_parcels(home, Some(survey), std::slice::from_ref(&handed.path), None);
    let mut read = read.map_err(|e| handed.named("the parcel", e))?;
    read.pop().ok_or_else(|| Error::Request("no parcel was handed over".to_owned()))
}

/// Everything held of the survey as one parcel of at most `most` bytes.
pub fn parcel_bytes(home: &Home, store: &Store, most: u64, now: UtcMillis) -> Result<Vec<u8>, Error> {
    let handed = Handed::new(home)?;
    let written = write_parcels(home, store, &handed.path, &ParcelRequest::default(), now)?;
    let size: u64 = written.iter().map(|w| w.bytes).sum();
    if size > most {
        return Err(Error::Request(format!(
            "the parcel has {size} bytes, more than fits here; write it with `leadline parcel write FILE`"
        )));
    }
    std::fs::read(&handed.path).map_err(Error::file(&handed.path))
}

/// A backup of the home of at most `most` bytes.
pub fn backup_bytes(home: &Home, request: &BackupRequest, most: u64) -> Result<Vec<u8>, Error> {
    let handed = Handed::new(home)?;
    let size = back_up_for_a_moment(home, &handed.path, request)?;
    if size > most {
        return Err(Error::Request(format!(
            "the backup has {size} bytes, more than fits here; write it with `leadline backup FILE`"
        )));
    }
    std::fs::read(&handed.path).map_err(Error::file(&handed.path))
}

/// Puts back a backup that is handed over, beside what is there.
pub fn restore_bytes(home: &Home, bytes: &[u8], words: Option<&str>) -> Result<Restored, Error> {
    let handed = Handed::with(home, bytes)?;
    let named = |e| handed.named("the backup", e);
    if words.is_none() && is_locked(&handed.path).map_err(named)? {
        return Err(Error::Request("the backup is locked; say its passphrase".to_owned()));
    }
    restore(Some(home.root()), &handed.path, words, false).map(|(_, restored)| restored).map_err(named)
}
