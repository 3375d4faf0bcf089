//! What a backup says of itself, and what of a home is in no parcel: JSON, so that a later program may say more.

use crate::store::Kept;
use crate::{Error, Home, KnownSecret, Trim};
use leadline_model::{DeviceId, Digest, Nonce, SurveyId, UtcMillis};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Bytes of a section that is kept in memory at most.
pub(super) const SECTION_MAX: usize = 32 << 20;
/// Surveys of one backup at most.
pub(super) const SURVEYS_MAX: usize = 1000;

/// What a backup says of itself. Ids are hex, times ms since 1970.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BackupHead {
    /// When it was made, by that device's clock.
    pub made: i64,
    /// The device that made it.
    pub device: String,
    /// Its name.
    pub device_name: String,
    /// The program's version.
    pub program: String,
    /// The chain it belongs to: a full backup and what came after it.
    pub chain: String,
    /// Its place in the chain, from 1 (the full one).
    pub number: u32,
    /// Its place in its folder, from 1.
    pub serial: u32,
    /// Digest of the one before it in the chain.
    pub before: Option<String>,
    /// Whether the device's key and the surveys' secrets are in it.
    pub with_key: bool,
    /// What it holds of each survey, in the order of its parcels.
    pub surveys: Vec<BackupSurvey>,
}

/// What a backup holds of a survey.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BackupSurvey {
    /// Its id.
    pub id: String,
    /// Its name, as far as the device knew it.
    pub name: Option<String>,
    /// The device read it as a guest.
    pub guest: bool,
    /// Entries in this file.
    pub entries: u64,
    /// Strips in this file.
    pub strips: u64,
    /// Soundings in these strips.
    pub soundings: u64,
    /// Time of the first of them.
    pub from: Option<i64>,
    /// And of the last.
    pub to: Option<i64>,
    /// Entries in the chain up to this file.
    pub entries_in_all: u64,
    /// Strips in the chain up to this file.
    pub strips_in_all: u64,
    /// Devices whose entries are in the chain up to this file.
    pub devices: Vec<String>,
    /// Digest of what was in force when it was made, as `leadline status` says it.
    pub digest: String,
    /// Private marks in it.
    pub marks: u64,
    /// Entries and strips that the store has damaged: they are in no backup of this chain.
    pub damaged: u64,
}

/// A head, checked.
#[derive(Clone, Debug)]
pub(super) struct Said {
    pub(super) device: DeviceId,
    pub(super) chain: Nonce,
    pub(super) before: Option<Digest>,
    pub(super) surveys: Vec<SurveyId>,
}

impl BackupHead {
    /// Reads a head; `None` if it is not as it should be.
    pub(super) fn read(bytes: &[u8]) -> Option<(Self, Said)> {
        let head: Self = serde_json::from_slice(bytes).ok()?;
        let known = Said {
            device: head.device.parse().ok()?,
            chain: head.chain.parse().ok()?,
            before: head.before.as_deref().map(str::parse).transpose().ok()?,
            surveys: head.surveys.iter().map(|s| s.id.parse()).collect::<Result<_, _>>().ok()?,
        };
        let counted = head.number > 0 && head.serial > 0 && (head.number == 1) == known.before.is_none();
        let each_once = known.surveys.iter().collect::<std::collections::BTreeSet<_>>().len();
        (counted && head.surveys.len() <= SURVEYS_MAX && each_once == head.surveys.len())
            .then_some((head, known))
    }

    /// When it was made.
    pub fn made(&self) -> UtcMillis {
        // Years 1970 to 9999: whatever a file says can be shown.
        UtcMillis(self.made.clamp(0, 253_402_300_799_999))
    }
}

/// What of a home is in no parcel.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Private {
    /// This device's name, if one was set.
    pub(super) device_name: Option<String>,
    /// The survey that commands take.
    pub(super) current: Option<String>,
    pub(super) trims: Vec<Trim>,
    /// By survey.
    pub(super) stores: BTreeMap<String, Kept>,
}

impl Private {
    pub(super) fn of(home: &Home, stores: BTreeMap<String, Kept>) -> Result<Self, Error> {
        let (device_name, current) = home.settings()?;
        Ok(Self { device_name, current, trims: home.trims()?, stores })
    }

    pub(super) fn bytes(&self) -> Result<Vec<u8>, Error> {
        bounded(serde_json::to_vec(self).unwrap_or_default())
    }
}

/// The device's key and the surveys' secrets, hex.
#[derive(Default, Serialize, Deserialize)]
pub(super) struct Keys {
    pub(super) device: String,
    /// By survey: which change of the secret, and the secret.
    pub(super) secrets: BTreeMap<String, Vec<(u32, String)>>,
}

impl Keys {
    pub(super) fn of(home: &Home, surveys: &[SurveyId]) -> Result<Self, Error> {
        let mut keys = Self { device: Digest(home.key().seed()).to_string(), secrets: BTreeMap::new() };
        for id in surveys {
            // A guest has none.
            if let Ok(all) = home.secret_ring(id).all() {
                let hex = |s: KnownSecret| (s.generation, Digest(s.secret).to_string());
                keys.secrets.insert(id.to_string(), all.into_iter().map(hex).collect());
            }
        }
        Ok(keys)
    }

    pub(super) fn bytes(&self) -> Result<Vec<u8>, Error> {
        bounded(serde_json::to_vec(self).unwrap_or_default())
    }
}

pub(super) fn bounded(bytes: Vec<u8>) -> Result<Vec<u8>, Error> {
    if bytes.len() > SECTION_MAX {
        return Err(Error::Request(format!(
            "what is private to this device has {} bytes, more than a backup takes ({SECTION_MAX}); remove marks that are not needed",
            bytes.len()
        )));
    }
    Ok(bytes)
}
