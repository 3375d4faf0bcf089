//! Trimming: what was measured near home does not leave this device.
//!
//! Logs that are imported from then on lose the soundings near home before anything is packed or signed, so nothing
//! tells where home is. What was signed before cannot be changed; its strips near home are held back.

use crate::{Error, Home, Store, replace_file};
use leadline_model::{GridPos, LocalFrame, LonLat, Sounding, StripDigest};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// Most places of a home.
pub const MAX_TRIMS: usize = 16;

/// A place that is kept to this device.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trim {
    /// Longitude of its middle, degrees.
    pub lon: f64,
    /// Latitude, degrees.
    pub lat: f64,
    /// Its radius, metres.
    pub radius_m: f64,
}

impl Trim {
    fn middle(&self) -> Option<GridPos> {
        GridPos::from_lonlat(LonLat { lon: self.lon, lat: self.lat })
    }
}

/// The places, ready to be asked.
#[derive(Debug, Default)]
pub(crate) struct Trims(Vec<(LocalFrame, f64)>);

impl Trims {
    pub(crate) fn of(trims: &[Trim]) -> Self {
        Self(trims.iter().filter_map(|t| Some((LocalFrame::new(t.middle()?), t.radius_m))).collect())
    }

    pub(crate) fn covers(&self, at: GridPos) -> bool {
        self.0.iter().any(|(frame, radius)| {
            let (e, n) = frame.metres(at);
            e * e + n * n <= radius * radius
        })
    }

    /// Takes out what lies near home; how many.
    pub(crate) fn cut(&self, soundings: &mut Vec<Sounding>) -> u64 {
        let before = soundings.len();
        if !self.0.is_empty() {
            soundings.retain(|s| !self.covers(s.at));
        }
        (before - soundings.len()) as u64
    }
}

impl Home {
    /// Whether a place is one of those whose soundings stay on this device.
    pub fn is_near_home(&self, at: GridPos) -> Result<bool, Error> {
        Ok(Trims::of(&self.trims()?).covers(at))
    }

    /// The places whose soundings stay on this device.
    pub fn trims(&self) -> Result<Vec<Trim>, Error> {
        let path = self.root().join("trim.json");
        match std::fs::read(&path) {
            Ok(bytes) => serde_json::from_slice(&bytes)
                .map_err(|_| Error::KeyFile { path, why: "it is not the JSON this program writes" }),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(Vec::new()),
            Err(e) => Err(Error::file(&path)(e)),
        }
    }

    /// Sets the places, and holds back in every survey of this home the strips with soundings there. How many strips
    /// that are.
    pub fn set_trims(&self, trims: &[Trim]) -> Result<usize, Error> {
        if trims.len() > MAX_TRIMS {
            return Err(Error::Request(format!(
                "at most {MAX_TRIMS} places can be trimmed; take one back first"
            )));
        }
        let bytes = serde_json::to_vec_pretty(trims).expect("plain numbers");
        replace_file(&self.root().join("trim.json"), &bytes)?;
        let trims = Trims::of(trims);
        let mut held = 0;
        for known in self.surveys()? {
            let Ok(id) = known.id.parse() else { continue };
            let mut store = self.store(&id)?;
            let strips = store.strips_within(&trims)?;
            held += strips.len();
            store.hold_back(&strips)?;
        }
        Ok(held)
    }
}

impl Store {
    /// The strips of this device's own legs with a sounding in one of the places. Those of others are theirs to give.
    fn strips_within(&self, trims: &Trims) -> Result<BTreeSet<StripDigest>, Error> {
        let mut found = BTreeSet::new();
        let me = self.device();
        let claims = self.survey_writes()?.claims;
        for claim in claims.values().flatten().filter(|c| c.device == me).map(|c| &c.what) {
            for strip in &claim.strips {
                let held = self.strip(claim.window, strip)?.unwrap_or_default();
                if held.iter().any(|s| trims.covers(s.at)) {
                    found.insert(strip.digest);
                }
            }
        }
        Ok(found)
    }
}
