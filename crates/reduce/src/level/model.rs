//! What levelling solves for, and what is believed of it before any crossing is looked at.
//!
//! A reduced depth is too deep by: the boat's draft error + its settlement · v² + the water's stage error of that day +
//! what is the boat-day's own (load, trim, wandering level) + the boat's sound-speed error · range + its lag · speed ·
//! slope along the track. Each is an unknown with the budget's variance as prior; crossings see differences.

use super::solve::Equation;
use super::tie::{End, Tie};
use crate::Defaults;
use crate::budget::ONE_DIMENSION_95;
use crate::days::{DayMean, DayPart};
use crate::statements::Statements;
use leadline_model::{Pass, Text};
use std::collections::{BTreeMap, BTreeSet};

/// A boat-day: the unit that is levelled.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct BoatDay {
    pub(crate) boat: usize,
    /// 0 = this survey's, else the number of the adopted one.
    pub(crate) survey: usize,
    pub(crate) day: i32,
    /// A stage was known for most of it.
    pub(crate) known: bool,
    pub(crate) mean: DayMean,
}

/// All unknowns, in the order: boat-days, waters, then draft, settlement, scale and lag of each boat, then the datum of
/// each adopted survey.
#[derive(Debug)]
pub(crate) struct Model {
    pub(crate) boats: Vec<Text>,
    pub(crate) days: Vec<BoatDay>,
    /// (survey, day, known) of each unknown of the water: each survey has gauges of its own.
    waters: Vec<(usize, i32, bool)>,
    /// Adopted surveys.
    adopted: usize,
    pub(crate) priors: Vec<f64>,
    settlement_speed2: f64,
}

/// An unknown of a boat.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum OfBoat {
    Draft,
    Settlement,
    Scale,
    Lag,
}

const OF_BOAT: usize = 4;

impl Model {
    pub(crate) fn new(passes: &[Pass], parts: &[DayPart], statements: &Statements) -> Self {
        let settings = &statements.settings;
        let names: BTreeSet<&Text> = passes.iter().map(|p| &p.boat).collect();
        let boats: Vec<Text> = names.into_iter().cloned().collect();
        let boat_of = |pass: u32| passes.get(pass as usize).and_then(|p| boats.binary_search(&p.boat).ok());
        let mut by_day: BTreeMap<(usize, i32), Vec<&DayPart>> = BTreeMap::new();
        for part in parts {
            if let Some(boat) = boat_of(part.pass) {
                by_day.entry((boat, part.day)).or_default().push(part);
            }
        }
        let days: Vec<BoatDay> = by_day
            .into_iter()
            .map(|((boat, day), parts)| {
                let (with, all) =
                    parts.iter().fold((0u32, 0u32), |(w, a), p| (w + u32::from(p.known) * p.n, a + p.n));
                let known = 2 * with > all;
                // Where the stage is known for most of a day, the rest must not spoil what is said of it.
                let used = parts.iter().copied().filter(|p| p.known == known);
                let survey = boats.get(boat).map_or(0, |b| statements.survey_of(b));
                BoatDay { boat, survey, day, known, mean: DayPart::mean(used) }
            })
            .collect();
        let waters: Vec<(usize, i32, bool)> =
            days.iter().map(|d| (d.survey, d.day, d.known)).collect::<BTreeSet<_>>().into_iter().collect();
        let mut model = Self {
            boats,
            days,
            waters,
            adopted: statements.adopted.len(),
            priors: Vec::new(),
            settlement_speed2: settings.defaults.settlement_speed * settings.defaults.settlement_speed,
        };
        model.priors = model.prior_variances(&settings.defaults);
        model
    }

    /// Index of an unknown of a boat.
    pub(crate) fn of_boat(&self, boat: usize, what: OfBoat) -> usize {
        self.days.len() + self.waters.len() + boat * OF_BOAT + what as usize
    }

    /// Index of the unknown that lifts the datum of adopted survey `number` (from 1) above this survey's.
    pub(crate) fn datum_index(&self, number: usize) -> Option<usize> {
        let first = self.days.len() + self.waters.len() + self.boats.len() * OF_BOAT;
        (1..=self.adopted).contains(&number).then(|| first + number - 1)
    }

    pub(crate) fn day_index(&self, boat: usize, day: i32) -> Option<usize> {
        self.days.binary_search_by_key(&(boat, day), |d| (d.boat, d.day)).ok()
    }

    fn water_index(&self, day: &BoatDay) -> Option<usize> {
        self.waters.binary_search(&(day.survey, day.day, day.known)).ok().map(|i| self.days.len() + i)
    }

    fn prior_variances(&self, d: &Defaults) -> Vec<f64> {
        let variance = |u95: f64| {
            let sigma = u95.max(1e-4) / ONE_DIMENSION_95;
            sigma * sigma
        };
        let mut priors = vec![variance(d.load); self.days.len()];
        priors.extend(self.waters.iter().map(|(survey, day, known)| {
            if !known {
                return variance(d.level_unknown);
            }
            let of = self.days.iter().filter(|x| x.known && (x.survey, x.day) == (*survey, *day));
            variance(of.map(|x| x.mean.stage95).fold(0.0, f64::max))
        }));
        for boat in 0..self.boats.len() {
            let of = || self.days.iter().filter(move |x| x.boat == boat);
            let greatest = |f: fn(&DayMean) -> f64| of().map(|x| f(&x.mean)).fold(0.0, f64::max);
            priors.push(variance(greatest(|m| m.draft95)));
            priors.push(variance(d.settlement));
            priors.push(variance(greatest(|m| m.sound_share95)));
            priors.push(variance(greatest(|m| m.lag95_s)));
        }
        priors.extend((0..self.adopted).map(|_| variance(d.datum_unknown)));
        priors
    }

    /// The unknowns in the depth error of one end of a tie.
    fn end_terms(&self, end: &End, boat: usize) -> Option<Vec<(usize, f64)>> {
        let index = self.day_index(boat, end.day)?;
        let mut terms = self.level_terms(index, end.speed2, end.range)?;
        terms.push((self.of_boat(boat, OfBoat::Lag), end.lag_rate));
        Some(terms)
    }

    /// The unknowns in the vertical offset of a boat-day at `range` and mean square speed `speed2`.
    pub(crate) fn level_terms(&self, index: usize, speed2: f64, range: f64) -> Option<Vec<(usize, f64)>> {
        let day = self.days.get(index)?;
        let mut terms = vec![
            (index, 1.0),
            (self.water_index(day)?, 1.0),
            (self.of_boat(day.boat, OfBoat::Draft), 1.0),
            (self.of_boat(day.boat, OfBoat::Settlement), speed2 / self.settlement_speed2),
            (self.of_boat(day.boat, OfBoat::Scale), range),
        ];
        terms.extend(self.datum_index(day.survey).map(|i| (i, 1.0)));
        Some(terms)
    }

    /// The unknowns in the offset of a boat-day at its own mean range and speed.
    pub(crate) fn offset_terms(&self, index: usize) -> Option<Vec<(usize, f64)>> {
        let mean = self.days.get(index)?.mean;
        self.level_terms(index, mean.speed2, mean.range)
    }

    /// The equation of a tie between boats `of[0]` and `of[1]`.
    pub(crate) fn equation(&self, tie: &Tie, of: [usize; 2]) -> Option<Equation> {
        let [a, b] = &tie.ends;
        let mut terms: BTreeMap<usize, f64> = self.end_terms(a, of[0])?.into_iter().collect();
        for (i, c) in self.end_terms(b, of[1])? {
            *terms.entry(i).or_insert(0.0) -= c;
        }
        terms.retain(|_, c| *c != 0.0);
        Some(Equation {
            terms: terms.into_iter().collect(),
            value: tie.difference,
            variance: tie.noise + tie.place,
        })
    }
}
