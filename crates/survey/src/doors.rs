//! Doors of the map page: which browsers on other devices may look at it. Only digests of their keys are kept, in the
//! folder of keys, apart from the stores.

use crate::{Error, Home, replace_file};
use leadline_model::{Digest, Text, UtcMillis};
use serde::{Deserialize, Serialize};
use std::io::ErrorKind;

/// Browsers that may be let in at once.
pub const MAX_DOORS: usize = 64;

/// A browser that was let in.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Door {
    /// Its number, by which it is shut.
    pub number: u32,
    /// What it said of itself, for the person who shuts it.
    pub name: Text,
    /// When it was let in.
    pub since: UtcMillis,
    /// Digest of its key.
    pub key: Digest,
}

impl Home {
    /// All open doors, by number.
    pub fn doors(&self) -> Result<Vec<Door>, Error> {
        let path = self.doors_file();
        match std::fs::read(&path) {
            Ok(bytes) => serde_json::from_slice(&bytes)
                .map_err(|_| Error::KeyFile { path, why: "it is not the JSON this program writes" }),
            Err(e) if e.kind() == ErrorKind::NotFound => Ok(Vec::new()),
            Err(e) => Err(Error::file(&path)(e)),
        }
    }

    /// Opens a door for the key with this digest.
    pub fn open_door(&self, name: Text, key: Digest, now: UtcMillis) -> Result<u32, Error> {
        let mut doors = self.doors()?;
        if doors.len() >= MAX_DOORS {
            return Err(Error::Request(format!(
                "{MAX_DOORS} browsers are let in already; shut some with `leadline view --revoke N`"
            )));
        }
        let number = doors.iter().map(|d| d.number).max().unwrap_or(0).saturating_add(1);
        doors.push(Door { number, name, since: now, key });
        self.keep_doors(&doors)?;
        Ok(number)
    }

    /// Shuts a door, or all. Returns how many were open.
    pub fn shut_doors(&self, number: Option<u32>) -> Result<usize, Error> {
        let mut doors = self.doors()?;
        let before = doors.len();
        doors.retain(|d| number.is_some_and(|n| d.number != n));
        let shut = before - doors.len();
        if shut > 0 {
            self.keep_doors(&doors)?;
        }
        Ok(shut)
    }

    fn keep_doors(&self, doors: &[Door]) -> Result<(), Error> {
        let bytes = serde_json::to_vec_pretty(doors).expect("plain values");
        replace_file(&self.doors_file(), &bytes)
    }

    fn doors_file(&self) -> std::path::PathBuf {
        self.root().join("keys").join("doors.json")
    }
}
