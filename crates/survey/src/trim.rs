//! Trimming: what was measured near home does not leave this device.
//!
//! Logs that are imported from then on lose the soundings near home before anything is packed or signed, so nothing
//! tells where home is. What was signed before cannot be changed; its strips near home are held back.

use crate::{Error, Home, Store, StoreReport, replace_file};
use leadline_model::{GridPos, LocalFrame, LonLat, Sounding, StripDigest, SurveyId};
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

    /// Writes the places down; what is held back stays as it is.
    pub(crate) fn keep_trims(&self, trims: &[Trim]) -> Result<(), Error> {
        let bytes = serde_json::to_vec_pretty(trims).expect("plain numbers");
        replace_file(&self.root().join("trim.json"), &bytes)
    }

    /// Sets the places, and holds back in every survey of this home the strips with soundings there. How many strips
    /// that are.
    pub fn set_trims(&self, trims: &[Trim]) -> Result<usize, Error> {
        if trims.len() > MAX_TRIMS {
            return Err(Error::Request(format!(
                "at most {MAX_TRIMS} places can be trimmed; take one back first"
            )));
        }
        // Held back before the places are known, and let go after they are not any more: whenever this is cut off, more
        // is kept back than must be.
        let (mut stores, mut held, mut failed) = (Vec::new(), 0, None);
        let hold = |id: &SurveyId| {
            let mut store = self.store(id)?;
            store.hold_back_too(trims)?;
            Ok(store)
        };
        for known in self.surveys()? {
            let Ok(id) = known.id.parse() else { continue };
            // A disk that stumbles is asked twice.
            match hold(&id).or_else(|_: Error| hold(&id)) {
                Ok(store) => stores.push(store),
                // One damaged store must not keep the others from holding back.
                Err(e) if e.is_damage() => failed = Some(e),
                // Places that are written down and not kept would be worse than none.
                Err(e) => return Err(e),
            }
        }
        self.keep_trims(trims)?;
        for mut store in stores {
            match store.hold_back_near(trims) {
                Ok(n) => held += n,
                Err(e) => failed = Some(e),
            }
        }
        failed.map_or(Ok(held), Err)
    }
}

impl Home {
    /// Checks every byte of a store, and that what lies near home is kept back.
    pub fn check(&self, store: &mut Store) -> Result<StoreReport, Error> {
        let mut report = store.check()?;
        let trims = self.trims()?;
        // What cannot be read is named already.
        if trims.is_empty() || !report.faults.is_empty() {
            return Ok(report);
        }
        let loose = store.strips_within(&Trims::of(&trims))?.difference(&store.held_back()?).count();
        if loose > 0 {
            report
                .faults
                .push(format!("{loose} strips with soundings near home (leadline trim) are not kept back"));
        }
        Ok(report)
    }
}

impl Store {
    /// Holds back the strips with soundings in these places, and no others. How many that are.
    pub(crate) fn hold_back_near(&mut self, trims: &[Trim]) -> Result<usize, Error> {
        let strips = self.strips_within(&Trims::of(trims))?;
        if strips != self.held_back()? {
            self.hold_back(&strips)?;
        }
        Ok(strips.len())
    }

    /// Holds back those strips beside what is held back already.
    pub(crate) fn hold_back_too(&mut self, trims: &[Trim]) -> Result<(), Error> {
        let before = self.held_back()?;
        let mut strips = self.strips_within(&Trims::of(trims))?;
        strips.extend(&before);
        if strips == before { Ok(()) } else { self.hold_back(&strips) }
    }

    /// The strips of this device's own legs, and of those in whose place it is, with a sounding in one of the places. Those of others are theirs to give.
    fn strips_within(&self, trims: &Trims) -> Result<BTreeSet<StripDigest>, Error> {
        let mut found = BTreeSet::new();
        let own = self.own_devices()?;
        let claims = self.survey_writes()?.claims;
        for claim in claims.values().flatten().filter(|c| own.contains(&c.device)).map(|c| &c.what) {
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
