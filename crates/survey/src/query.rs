//! Questions to a survey: its legs, passes, cells, and what is known of one place.

use crate::{Error, Ground, Store};
use leadline_logbook::{LegClaim, Said, SurveyWrites};
use leadline_model::{DeviceId, LegId, Sounding, Text};
use leadline_reduce::{DeviceSet, Input, LegInput, Reduced, Settings, reduce};
use std::collections::{BTreeMap, BTreeSet};

/// A survey brought to its datum: a pure function of the entries in force and their strips.
#[derive(Debug)]
pub struct Computed {
    /// Cells, soundings, passes, tallies.
    pub reduced: Reduced,
    /// Setups, stages and conflicts that went in.
    pub ground: Ground,
    /// Claims of each leg.
    pub claims: BTreeMap<LegId, Vec<Said<LegClaim>>>,
    /// Legs of which some strip is not held yet, or is not what its claim says.
    pub partial_legs: usize,
}

impl Store {
    /// Screens, reduces, grades and combines everything held.
    pub fn compute(&self) -> Result<Computed, Error> {
        let writes = self.survey_writes()?;
        let ground = Ground::of(&writes);
        let SurveyWrites { claims, .. } = writes;
        let (legs, partial_legs) = self.legs(&claims)?;
        let reduced = reduce(Input {
            legs,
            setups: ground.setups.clone(),
            stages: ground.stages.clone(),
            settings: Settings::default(),
            ..Input::default()
        });
        Ok(Computed { reduced, ground, claims, partial_legs })
    }

    /// The legs of the tile documents with the soundings of the strips held, and how many legs lack a strip.
    fn legs(&self, claims: &BTreeMap<LegId, Vec<Said<LegClaim>>>) -> Result<(Vec<LegInput>, usize), Error> {
        let mut soundings: BTreeMap<LegId, Vec<Sounding>> = BTreeMap::new();
        let mut partial = BTreeSet::new();
        for tile in self.tiles()? {
            for (leg, strip) in self.tile_strips(tile)? {
                // A leg's id covers its window, so all claims of it name the same.
                let Some(window) = claims.get(&leg).and_then(|c| c.first()).map(|c| c.what.window) else {
                    continue;
                };
                match self.strip(window, &strip)? {
                    Some(s) => soundings.entry(leg).or_default().extend(s),
                    None => {
                        partial.insert(leg);
                    }
                }
            }
        }
        let devices: BTreeSet<DeviceId> = claims.values().flatten().map(|c| c.device).collect();
        // The survey's limit is 256 devices, so a number fits a byte; beyond it devices share the last number.
        let numbers: BTreeMap<DeviceId, u8> =
            devices.into_iter().enumerate().map(|(i, d)| (d, u8::try_from(i).unwrap_or(u8::MAX))).collect();
        let legs = soundings
            .into_iter()
            .filter_map(|(id, mut soundings)| {
                soundings.sort_unstable();
                let said = claims.get(&id)?;
                let devices = said
                    .iter()
                    .filter_map(|c| numbers.get(&c.device))
                    .fold(DeviceSet::default(), |set, n| set.with(*n));
                Some(LegInput { id, boat: boat_of(said)?, devices, soundings })
            })
            .collect();
        Ok((legs, partial.len()))
    }
}

/// The boat of a leg: all claims should name the same; of several the first by name, so that every device agrees.
fn boat_of(said: &[Said<LegClaim>]) -> Option<Text> {
    said.iter().map(|c| c.what.boat.clone()).min()
}
