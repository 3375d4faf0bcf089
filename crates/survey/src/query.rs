//! Questions to a survey: its legs, passes, cells, and what is known of one place.

use crate::{Error, Ground, Store};
use leadline_logbook::{LegClaim, Said, SurveyWrites};
use leadline_model::{DeviceId, LegId, Sounding};
use leadline_reduce::{DeviceSet, Input, LegInput, Reduced, Settings, reduce};
use std::collections::{BTreeMap, BTreeSet};

/// A survey brought to its datum: a pure function of the entries in force and their strips.
#[derive(Debug)]
pub struct Computed {
    /// Cells, soundings, passes, tallies.
    pub reduced: Reduced,
    /// The statements that went in, and their conflicts.
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
        let (legs, partial_legs) = self.legs(&claims, &ground)?;
        let reduced = reduce(ground.input(legs));
        Ok(Computed { reduced, ground, claims, partial_legs })
    }

    /// The legs of the tile documents with the soundings of the strips held, and how many legs lack a strip.
    fn legs(
        &self,
        claims: &BTreeMap<LegId, Vec<Said<LegClaim>>>,
        ground: &Ground,
    ) -> Result<(Vec<LegInput>, usize), Error> {
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
                Some(LegInput { id, boat: ground.boat_of(said)?, devices, soundings })
            })
            .collect();
        Ok((legs, partial.len()))
    }
}

impl Ground {
    /// What reduction is given.
    fn input(&self, legs: Vec<LegInput>) -> Input {
        Input {
            legs,
            setups: self.setups.clone(),
            stages: self.stages.clone(),
            casts: self.casts.clone(),
            gauges: self.gauges.clone(),
            river: self.river.clone(),
            verdicts: self.verdicts.iter().map(|s| s.what.clone()).collect(),
            levelling: self.levelling.as_ref().map(|l| l.what.clone()),
            settings: Settings::default(),
        }
    }
}
