//! Questions to a survey: its legs, passes, cells, and what is known of one place.

use crate::{Error, Ground, Store};
use leadline_logbook::{LegClaim, Said, SurveyWrites};
use leadline_model::{DeviceId, GridPos, LegId, ReducedSounding, Sounding, Text};
use leadline_reduce::{
    Basis, DeviceSet, Input, LegInput, Proposal, Reduced, Settings, Term, explain, level, reduce,
};
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

/// Why one sounding has the depth it has.
#[derive(Clone, Debug, PartialEq)]
pub struct Explained {
    /// The boat that measured.
    pub boat: Text,
    /// The reduced sounding.
    pub sounding: ReducedSounding,
    /// Its terms.
    pub terms: Vec<Term>,
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

    /// Solves a levelling of everything held; nothing changes until it is applied.
    pub fn propose_levelling(&self) -> Result<(Proposal, Ground), Error> {
        let writes = self.survey_writes()?;
        let ground = Ground::of(&writes);
        let (legs, _) = self.legs(&writes.claims, &ground)?;
        let inputs = ground.inputs;
        Ok((level(ground.input(legs), inputs), ground))
    }

    /// The terms of one sounding of each pass in the cell of `at`: accepted ones first, the one nearest to the depth
    /// of the cell. Empty where nothing was measured.
    pub fn explain(&self, computed: &Computed, at: GridPos) -> Result<Vec<Explained>, Error> {
        let reduced = &computed.reduced;
        let Some(cell) = reduced.cell(at.cell()) else { return Ok(Vec::new()) };
        let slope = reduced.slope(cell.id).unwrap_or(0.0);
        let mut best: BTreeMap<u32, ReducedSounding> = BTreeMap::new();
        let off = |s: &ReducedSounding| (s.void.is_some(), (s.depth_m - cell.depth_m).abs());
        for s in reduced.soundings_of(cell) {
            let kept = best.entry(s.pass).or_insert(*s);
            if off(s) < off(kept) {
                *kept = *s;
            }
        }
        let ground = &computed.ground;
        let basis = Basis {
            settings: &ground.settings(),
            setups: &ground.setups,
            stages: &ground.stages,
            casts: &ground.casts,
            gauges: &ground.gauges,
            river: &ground.river,
            levelling: ground.levelling.as_ref().map(|l| &l.what),
        };
        let mut out = Vec::new();
        for s in best.into_values() {
            let Some(pass) = reduced.passes.get(s.pass as usize) else { continue };
            if let Some(raw) = self.raw(computed, &pass.legs, &s)? {
                let terms = explain(&basis, &pass.boat, &raw, slope);
                out.push(Explained { boat: pass.boat.clone(), sounding: s, terms });
            }
        }
        Ok(out)
    }

    /// The sounding as the instruments gave it: of `legs` the one with that moment, nearest to that place.
    fn raw(
        &self,
        computed: &Computed,
        legs: &[LegId],
        s: &ReducedSounding,
    ) -> Result<Option<Sounding>, Error> {
        let mut found: Option<(i64, Sounding)> = None;
        for claim in legs.iter().filter_map(|l| computed.claims.get(l)?.first()).map(|c| &c.what) {
            if claim.window != s.time.leg_window() {
                continue;
            }
            for strip in &claim.strips {
                let held = self.strip(claim.window, strip)?.unwrap_or_default();
                for raw in held.into_iter().filter(|r| r.time == s.time) {
                    let way = |a: u32, b: u32| i64::from(a.abs_diff(b));
                    let far = way(raw.at.x(), s.at.x()) + way(raw.at.y(), s.at.y());
                    if found.as_ref().is_none_or(|(d, _)| far < *d) {
                        found = Some((far, raw));
                    }
                }
            }
        }
        Ok(found.map(|(_, raw)| raw))
    }

    /// The legs of the tile documents with the soundings of the strips held, and how many legs lack a strip.
    pub(crate) fn legs(
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
    /// Thresholds of the survey, and defaults.
    pub fn settings(&self) -> Settings {
        let plain = Settings::default();
        let metres = |mm_s: u32| f64::from(mm_s) / 1000.0;
        self.speeds.map_or(plain, |s| Settings {
            fair_speed: metres(s.fair_mm_s),
            max_speed: metres(s.void_mm_s),
            ..plain
        })
    }

    /// What reduction is given.
    pub(crate) fn input(&self, legs: Vec<LegInput>) -> Input {
        Input {
            legs,
            setups: self.setups.clone(),
            stages: self.stages.clone(),
            casts: self.casts.clone(),
            gauges: self.gauges.clone(),
            river: self.river.clone(),
            verdicts: self.verdicts.iter().map(|s| s.what.clone()).collect(),
            levelling: self.levelling.as_ref().map(|l| l.what.clone()),
            settings: self.settings(),
        }
    }
}
