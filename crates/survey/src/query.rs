//! Questions to a survey: its legs, passes, cells, and what is known of one place.

use crate::{AdoptedSurvey, Error, Ground, Only, Standing, Store};
use leadline_logbook::{LegClaim, Said, WriteRef};
use leadline_model::{
    DeviceId, GridPos, LegId, Nonce, ReducedSounding, Setup, Sounding, SurveyId, Text, UtcMillis,
};
use leadline_reduce::{
    Adopted, Basis, DeviceSet, Input, LegInput, Proposal, Reduced, Settings, Term, explain, level, reduce,
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
    /// Adopted surveys that are in this home.
    pub adopted: Vec<AdoptedSurvey>,
}

/// This survey and those it adopts, ready for reduction.
pub(crate) struct Union {
    pub(crate) ground: Ground,
    pub(crate) claims: BTreeMap<LegId, Vec<Said<LegClaim>>>,
    pub(crate) adopted: Vec<AdoptedSurvey>,
    pub(crate) legs: Vec<LegInput>,
    pub(crate) partial_legs: usize,
}

impl Union {
    pub(crate) fn input(&mut self) -> Input {
        let mut input = self.ground.input(std::mem::take(&mut self.legs));
        let settings = self.ground.settings();
        for a in &self.adopted {
            let (stretches, verdicts) = a.verdicts();
            input.setups.extend(a.setups());
            input.verdicts.extend(stretches);
            input.adopted.push(Adopted {
                boats: a.boats.clone(),
                stages: a.ground.stages.clone(),
                casts: a.ground.casts.clone(),
                gauges: a.ground.gauges.clone(),
                river: a.ground.river.clone(),
                verdicts,
            });
        }
        if !self.adopted.is_empty() {
            input.levelling = self.ground.levelling_with(&self.adopted, &settings);
        }
        input
    }

    pub(crate) fn computed(mut self) -> Computed {
        let reduced = reduce(self.input());
        let Self { ground, claims, adopted, partial_legs, .. } = self;
        Computed { reduced, ground, claims, partial_legs, adopted }
    }
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
        Ok(self.union(&Only::default())?.computed())
    }

    /// Solves a levelling of everything held, adopted surveys included (they come along in the order of the proposal's
    /// datums); nothing changes until it is applied.
    pub fn propose_levelling(&self) -> Result<(Proposal, Ground, Vec<AdoptedSurvey>), Error> {
        let (proposal, union) = self.propose(None)?;
        Ok((proposal, union.ground, union.adopted))
    }

    /// The same with one more survey adopted, and the adopted surveys in the order of the proposal's datums.
    pub(crate) fn propose_with(
        &self,
        other: &SurveyId,
        name: &Text,
    ) -> Result<(Proposal, Vec<AdoptedSurvey>), Error> {
        let (proposal, union) = self.propose(Some((*other, name.clone())))?;
        Ok((proposal, union.adopted))
    }

    fn propose(&self, more: Option<(SurveyId, Text)>) -> Result<(Proposal, Union), Error> {
        let mut union = self.union_with(&Only::default(), more)?;
        let inputs = union.ground.inputs;
        let proposal = level(union.input(), inputs);
        Ok((proposal, union))
    }

    /// What is held of this survey and of those it adopts, as far as it is asked for.
    pub(crate) fn union(&self, only: &Only) -> Result<Union, Error> {
        self.union_with(only, None)
    }

    fn union_with(&self, only: &Only, more: Option<(SurveyId, Text)>) -> Result<Union, Error> {
        let mut writes = self.survey_writes()?;
        let mut ground = Ground::of(&writes);
        if let Some((survey, name)) = more {
            ground.suppose_adopted(survey, name);
        }
        let (adopted, missing) = self.adopted(&ground, &writes)?;
        let devices =
            Numbers::of(writes.claims.values().chain(adopted.iter().flat_map(|(a, _)| a.claims.values())));
        writes.claims.retain(|leg, said| {
            only.names(leg) && only.touches(said, ground.boat_of(said), &ground.whose(only))
        });
        let (mut legs, mut partial_legs) =
            self.legs(&writes.claims, &devices, &|said| ground.boat_of(said))?;
        let mut surveys = Vec::with_capacity(adopted.len());
        for (mut a, store) in adopted {
            let mut claims = std::mem::take(&mut a.claims);
            let boat = |said: &[Said<LegClaim>]| a.boat_of(said);
            claims.retain(|leg, said| only.names(leg) && only.touches(said, boat(said), &only.boat));
            let (theirs, partial) = store.legs(&claims, &devices, &boat)?;
            legs.extend(theirs);
            partial_legs += partial;
            surveys.push(AdoptedSurvey { claims, ..a });
        }
        only.cut(&mut legs);
        let ground = ground.joined(&surveys, &missing);
        Ok(Union { ground, claims: writes.claims, adopted: surveys, legs, partial_legs })
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
        let own = &computed.ground;
        let settings = own.settings();
        let levelling = own.levelling_with(&computed.adopted, &settings);
        let setups: Vec<Setup> = own
            .setups
            .iter()
            .cloned()
            .chain(computed.adopted.iter().flat_map(AdoptedSurvey::setups))
            .collect();
        let mut out = Vec::new();
        for s in best.into_values() {
            let Some(pass) = reduced.passes.get(s.pass as usize) else { continue };
            let foreign =
                computed.adopted.iter().find(|a| pass.legs.iter().any(|l| a.claims.contains_key(l)));
            let ground = foreign.map_or(own, |a| &a.ground);
            let basis = Basis {
                settings: &settings,
                setups: &setups,
                stages: &ground.stages,
                casts: &ground.casts,
                gauges: &ground.gauges,
                river: &ground.river,
                levelling: levelling.as_ref(),
                adopted: foreign.is_some(),
            };
            let raw = match foreign {
                None => self.raw(&computed.claims, &pass.legs, &s)?,
                Some(a) => match self.beside(&a.survey)? {
                    Some(store) => store.raw(&a.claims, &pass.legs, &s)?,
                    None => None,
                },
            };
            if let Some(raw) = raw {
                let terms = explain(&basis, &pass.boat, &raw, slope);
                out.push(Explained { boat: pass.boat.clone(), sounding: s, terms });
            }
        }
        Ok(out)
    }

    /// The sounding as the instruments gave it: of `legs` the one with that moment, nearest to that place.
    fn raw(
        &self,
        claims: &BTreeMap<LegId, Vec<Said<LegClaim>>>,
        legs: &[LegId],
        s: &ReducedSounding,
    ) -> Result<Option<Sounding>, Error> {
        let mut found: Option<(i64, Sounding)> = None;
        for claim in legs.iter().filter_map(|l| claims.get(l)?.first()).map(|c| &c.what) {
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
        numbers: &Numbers,
        boat_of: &dyn Fn(&[Said<LegClaim>]) -> Option<Text>,
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
        let legs = soundings
            .into_iter()
            .filter_map(|(id, mut soundings)| {
                soundings.sort_unstable();
                let said = claims.get(&id)?;
                let devices = said
                    .iter()
                    .filter_map(|c| numbers.0.get(&c.device))
                    .fold(DeviceSet::default(), |set, n| set.with(*n));
                Some(LegInput { id, boat: boat_of(said)?, devices, soundings })
            })
            .collect();
        Ok((legs, partial.len()))
    }
}

/// A number for each device.
pub(crate) struct Numbers(BTreeMap<DeviceId, u8>);

impl Numbers {
    /// The set of one device; of one that claims nothing yet the next number.
    pub(crate) fn own(&self, device: &DeviceId) -> DeviceSet {
        let next = u8::try_from(self.0.len()).unwrap_or(u8::MAX);
        DeviceSet::one(self.0.get(device).copied().unwrap_or(next))
    }

    pub(crate) fn of<'a>(claims: impl Iterator<Item = &'a Vec<Said<LegClaim>>>) -> Self {
        let devices: BTreeSet<DeviceId> = claims.flatten().map(|c| c.device).collect();
        // The survey's limit is 256 devices, so a number fits a byte; beyond it devices share the last number.
        let number = |(i, d)| (d, u8::try_from(i).unwrap_or(u8::MAX));
        Self(devices.into_iter().enumerate().map(number).collect())
    }
}

impl Ground {
    /// Takes a survey for adopted, without writing it.
    fn suppose_adopted(&mut self, survey: SurveyId, name: Text) {
        if !self.adopted().contains_key(&survey) {
            let write = WriteRef { nonce: Nonce([0; 16]), n: 0 };
            let device = DeviceId([0; 32]);
            self.adoptions.push(Standing { write, device, claimed: UtcMillis(0), what: (survey, name) });
        }
    }

    /// The name in force of the boat that is asked for.
    fn whose(&self, only: &Only) -> Option<Text> {
        only.boat.as_ref().map(|b| self.boat(b))
    }

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
            shore: self.shore.clone(),
            levelling: self.levelling.as_ref().map(|l| l.what.clone()),
            settings: self.settings(),
            adopted: Vec::new(),
        }
    }
}
