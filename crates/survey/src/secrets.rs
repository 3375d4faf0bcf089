//! A survey's secrets on this device: the newest one, and former ones that still open the door to devices that were
//! away when it was changed.

use crate::Error;
use crate::crew::secret_digest;
use crate::home::{read_secret, write_secret};
use leadline_model::SurveyId;
use std::cmp::Reverse;
use std::path::{Path, PathBuf};

/// So many secrets open the door: who was away for more changes needs a new invite.
pub const SECRETS_MAX: usize = 4;

/// One secret.
#[derive(Clone, PartialEq, Eq)]
pub struct KnownSecret {
    /// Which change of the survey's secret made it; 0 = it came with the survey or an invite.
    pub generation: u32,
    /// The secret itself.
    pub secret: [u8; 32],
}

impl std::fmt::Debug for KnownSecret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // The secret stays out of every log.
        f.debug_struct("KnownSecret").field("generation", &self.generation).finish_non_exhaustive()
    }
}

/// The secrets of one survey: files in `keys/`.
#[derive(Clone, Debug)]
pub struct SecretRing {
    keys: PathBuf,
    survey: SurveyId,
}

impl SecretRing {
    pub(crate) fn new(keys: PathBuf, survey: SurveyId) -> Self {
        Self { keys, survey }
    }

    /// All that are known, newest first, at most [`SECRETS_MAX`]; at least one.
    pub fn all(&self) -> Result<Vec<KnownSecret>, Error> {
        let first = self.first_path();
        let missing = || Error::KeyFile { path: first.clone(), why: "the survey's secret is missing" };
        let mut all = Vec::new();
        for (generation, path) in self.later_files()? {
            all.extend(read_secret(&path)?.map(|secret| KnownSecret { generation, secret }));
        }
        // Of equals the smaller digest, as the crew decides it; what came with a later invite before the first one.
        all.sort_by_key(|s| (Reverse(s.generation), secret_digest(&s.secret)));
        all.extend(read_secret(&first)?.map(|secret| KnownSecret { generation: 0, secret }));
        let mut seen = std::collections::BTreeSet::new();
        all.retain(|s| seen.insert(s.secret));
        all.truncate(SECRETS_MAX);
        if all.is_empty() { Err(missing()) } else { Ok(all) }
    }

    /// The newest one.
    pub fn newest(&self) -> Result<KnownSecret, Error> {
        Ok(self.all()?.swap_remove(0))
    }

    /// Keeps a secret. 0 is for those that come with a survey or an invite.
    pub fn keep(&self, generation: u32, secret: &[u8; 32]) -> Result<(), Error> {
        let first = self.first_path();
        if generation == 0 && read_secret(&first)?.is_none_or(|held| held == *secret) {
            return write_secret(&first, secret);
        }
        write_secret(&self.later_path(generation, secret), secret)
    }

    /// Takes one back that was never announced.
    pub(crate) fn forget(&self, generation: u32, secret: &[u8; 32]) {
        drop(std::fs::remove_file(self.later_path(generation, secret)));
    }

    fn first_path(&self) -> PathBuf {
        self.keys.join(format!("{}.secret", self.survey))
    }

    fn later_path(&self, generation: u32, secret: &[u8; 32]) -> PathBuf {
        let digest = &secret_digest(secret).to_string()[..16];
        self.keys.join(format!("{}.{generation}.{digest}.secret", self.survey))
    }

    fn later_files(&self) -> Result<Vec<(u32, PathBuf)>, Error> {
        let prefix = format!("{}.", self.survey);
        let generation = |path: &Path| {
            let name = path.file_name()?.to_str()?.strip_prefix(&prefix)?.strip_suffix(".secret")?.to_owned();
            name.split_once('.')?.0.parse().ok()
        };
        let mut found = Vec::new();
        for file in std::fs::read_dir(&self.keys).map_err(Error::file(&self.keys))? {
            let path = file.map_err(Error::file(&self.keys))?.path();
            found.extend(generation(&path).map(|g| (g, path)));
        }
        Ok(found)
    }
}
