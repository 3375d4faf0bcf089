//! The device's folder: where it is, its identity, its surveys and the secrets that open them.
//!
//! `keys/` (mode 0700) holds the device key and the survey secrets, apart from the stores, so that a copied store
//! carries no identity. `surveys/` holds one SQLite store a survey, `originals/` the imported logs by digest.

use crate::durable::{make_folder, replace_file, sync_folder_of};
use crate::{Error, SecretRing, Store};
use leadline_logbook::DeviceKey;
use leadline_model::{SurveyId, Text};
use serde::{Deserialize, Serialize};
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

/// A device's folder.
#[derive(Debug)]
pub struct Home {
    root: PathBuf,
    key: DeviceKey,
}

#[derive(Debug, Default, Serialize, Deserialize)]
struct Config {
    #[serde(skip_serializing_if = "Option::is_none")]
    device_name: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    current: Option<String>,
}

/// A survey known in a home.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct KnownSurvey {
    /// Its id.
    pub id: String,
    /// Its name, if its first entry has come.
    pub name: Option<String>,
    /// Whether commands take it when none is named.
    pub current: bool,
    /// Whether it came as a gift and this device is not of its crew.
    pub guest: bool,
}

impl Home {
    /// Opens the folder, making it and its key if they are not there: `dir`, else the platform's data folder.
    pub fn open(dir: Option<&Path>) -> Result<Self, Error> {
        let root = match dir {
            Some(d) => d.to_owned(),
            None => {
                directories::ProjectDirs::from("", "", "leadline").ok_or(Error::NoHome)?.data_dir().to_owned()
            }
        };
        let keys = root.join("keys");
        private_dir(&keys)?;
        let key = device_key(&keys.join("device.key"))?;
        Ok(Self { root, key })
    }

    /// The folder.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// The device's key.
    pub fn key(&self) -> &DeviceKey {
        &self.key
    }

    /// This device's name: as set, else made of its key.
    pub fn device_name(&self) -> Result<Text, Error> {
        let name = self.config()?.device_name.unwrap_or_else(|| format!("device-{}", self.key.id().short()));
        text("device name", &name)
    }

    /// Sets this device's name for surveys begun or joined from now on.
    pub fn name_device(&self, name: &Text) -> Result<(), Error> {
        let mut c = self.config()?;
        c.device_name = Some(name.as_str().to_owned());
        self.save_config(&c)
    }

    /// All surveys of this home.
    pub fn surveys(&self) -> Result<Vec<KnownSurvey>, Error> {
        let current = self.config()?.current;
        let dir = self.root.join("surveys");
        let mut ids: Vec<String> = match fs::read_dir(&dir) {
            Ok(list) => list
                .filter_map(|e| Some(e.ok()?.file_name().to_str()?.strip_suffix(".sqlite")?.to_owned()))
                .filter(|n| n.parse::<SurveyId>().is_ok())
                .collect(),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => Vec::new(),
            Err(e) => return Err(Error::file(&dir)(e)),
        };
        ids.sort();
        ids.into_iter()
            .filter_map(|id| {
                let store = id.parse().map_err(|_| Error::UnknownSurvey(id.clone()));
                let store = match store.and_then(|id| self.store(&id)) {
                    Ok(store) => store,
                    Err(e) => return Some(Err(e)),
                };
                // A command that was to begin it was cut off.
                match store.is_blank() {
                    Ok(true) => None,
                    Ok(false) => Some(Ok((id, store))),
                    Err(e) => Some(Err(e)),
                }
            })
            .map(|known| {
                let (id, store) = known?;
                let name = store.name()?.map(|(name, _)| name.as_str().to_owned()).or(store.told_name()?);
                let guest = store.is_guest()?;
                Ok(KnownSurvey { current: current.as_deref() == Some(&id), id, name, guest })
            })
            .collect()
    }

    /// The survey that `pick` (name, id or start of an id) means; without it the current or only one.
    pub fn pick(&self, pick: Option<&str>) -> Result<SurveyId, Error> {
        let all = self.surveys()?;
        let found: Vec<_> = match pick {
            Some(p) => all
                .iter()
                .filter(|s| s.name.as_deref() == Some(p) || (p.len() >= 4 && s.id.starts_with(p)))
                .collect(),
            None if all.len() == 1 => all.iter().collect(),
            None => all.iter().filter(|s| s.current).collect(),
        };
        match (found.as_slice(), pick) {
            ([one], _) => one.id.parse().map_err(|_| Error::UnknownSurvey(one.id.clone())),
            ([], Some(p)) => Err(Error::UnknownSurvey(p.to_owned())),
            ([], None) if all.is_empty() => Err(Error::NoSurvey),
            _ => Err(Error::WhichSurvey(
                all.iter().map(|s| s.name.clone().unwrap_or_else(|| s.id.clone())).collect(),
            )),
        }
    }

    /// Makes `id` the survey that commands take when none is named.
    pub fn choose(&self, id: &SurveyId) -> Result<(), Error> {
        let mut c = self.config()?;
        c.current = Some(id.to_string());
        self.save_config(&c)
    }

    /// What was last chosen.
    pub(crate) fn chosen(&self) -> Result<Option<String>, Error> {
        Ok(self.config()?.current)
    }

    /// Goes back to what was chosen before.
    pub(crate) fn choose_again(&self, before: Option<String>) -> Result<(), Error> {
        let mut c = self.config()?;
        c.current = before;
        self.save_config(&c)
    }

    /// Opens the store of a survey, making it if it is not there.
    pub fn store(&self, id: &SurveyId) -> Result<Store, Error> {
        let dir = self.root.join("surveys");
        make_folder(&dir)?;
        Store::open(&dir.join(format!("{id}.sqlite")), *id, DeviceKey::from_seed(&self.key.seed()))
    }

    /// Whether this home has a store of the survey.
    pub fn holds(&self, id: &SurveyId) -> bool {
        self.root.join("surveys").join(format!("{id}.sqlite")).is_file()
    }

    /// Removes a store that nothing was ever put into.
    pub(crate) fn forget(&self, store: Store) -> Result<(), Error> {
        let path = store.path().to_owned();
        drop(store);
        for ending in ["sqlite-wal", "sqlite-shm"] {
            drop(fs::remove_file(path.with_extension(ending)));
        }
        fs::remove_file(&path).map_err(Error::file(&path))
    }

    /// The secret that opens meetings of a survey: the newest one.
    pub fn secret(&self, id: &SurveyId) -> Result<[u8; 32], Error> {
        Ok(self.secret_ring(id).newest()?.secret)
    }

    /// The secrets that open meetings of a survey, newest first, at most four: devices that were away when the secret
    /// was changed still know only a former one.
    pub fn secrets(&self, id: &SurveyId) -> Result<Vec<[u8; 32]>, Error> {
        Ok(self.secret_ring(id).all()?.into_iter().map(|s| s.secret).collect())
    }

    /// Keeps the secret that came with a survey or an invite.
    pub fn keep_secret(&self, id: &SurveyId, secret: &[u8; 32]) -> Result<(), Error> {
        self.secret_ring(id).keep(0, secret)
    }

    /// The secrets of a survey.
    pub fn secret_ring(&self, id: &SurveyId) -> SecretRing {
        SecretRing::new(self.root.join("keys"), *id)
    }

    /// Where imported logs are kept.
    pub fn originals(&self) -> PathBuf {
        self.root.join("originals")
    }

    fn config(&self) -> Result<Config, Error> {
        let path = self.root.join("config.json");
        match fs::read(&path) {
            Ok(bytes) => serde_json::from_slice(&bytes)
                .map_err(|_| Error::KeyFile { path, why: "it is not the JSON this program writes" }),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(Config::default()),
            Err(e) => Err(Error::file(&path)(e)),
        }
    }

    fn save_config(&self, c: &Config) -> Result<(), Error> {
        let bytes = serde_json::to_vec_pretty(c).expect("plain strings");
        replace_file(&self.root.join("config.json"), &bytes)
    }
}

/// Random bytes of the operating system.
pub(crate) fn random<const N: usize>() -> [u8; N] {
    let mut b = [0; N];
    getrandom::fill(&mut b).expect("the operating system gives random bytes");
    b
}

pub(crate) fn text(what: &'static str, s: &str) -> Result<Text, Error> {
    Text::new(s).map_err(|source| Error::Text { what, source })
}

fn device_key(path: &Path) -> Result<DeviceKey, Error> {
    if let Some(seed) = read_secret(path)? {
        return Ok(DeviceKey::from_seed(&seed));
    }
    // Two commands may start at once in a new home: the first to create the file wins.
    write_secret(path, &random())?;
    let seed = read_secret(path)?.ok_or(Error::KeyFile { path: path.to_owned(), why: "it vanished" })?;
    Ok(DeviceKey::from_seed(&seed))
}

pub(crate) fn read_secret(path: &Path) -> Result<Option<[u8; 32]>, Error> {
    let text = match fs::read_to_string(path) {
        Ok(t) => t,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(e) => return Err(Error::file(path)(e)),
    };
    let id: leadline_model::Digest = text
        .trim()
        .parse()
        .map_err(|_| Error::KeyFile { path: path.to_owned(), why: "it should hold 64 hex digits" })?;
    Ok(Some(id.0))
}

/// Mode 0600, never overwritten: a lost race or a second join leaves the first in place.
pub(crate) fn write_secret(path: &Path, secret: &[u8; 32]) -> Result<(), Error> {
    let temp = path.with_extension(format!("{}.tmp", std::process::id()));
    let write = || -> std::io::Result<()> {
        let mut options = fs::OpenOptions::new();
        options.write(true).create(true).truncate(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let mut f = options.open(&temp)?;
        f.write_all(format!("{}\n", leadline_model::Digest(*secret)).as_bytes())?;
        f.sync_all()?;
        match fs::hard_link(&temp, path) {
            Err(e) if e.kind() != std::io::ErrorKind::AlreadyExists => fs::rename(&temp, path)?,
            _ => {}
        }
        sync_folder_of(path)
    };
    let done = write().map_err(Error::file(path));
    drop(fs::remove_file(&temp));
    done
}

fn private_dir(dir: &Path) -> Result<(), Error> {
    make_folder(dir)?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = fs::metadata(dir).map_err(Error::file(dir))?.permissions().mode();
        if mode & 0o077 != 0 {
            fs::set_permissions(dir, fs::Permissions::from_mode(0o700)).map_err(Error::file(dir))?;
        }
    }
    Ok(())
}
