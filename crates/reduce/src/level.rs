//! Levelling: solving boats' and days' vertical offsets together from where their tracks cross.
//!
//! [`level`] proposes; nothing changes until a person applies the [`Levelling`] it gives. `docs/method.md` has the
//! formulas. What it cannot do: bring a cluster to the datum in which nobody knew the stage.

mod clusters;
mod crossing;
mod model;
mod noise;
mod normal;
mod parts;
mod solve;
mod stats;
mod tie;
mod track;

pub use solve::{Equation, Robust, least_squares, robust};
pub use stats::{Differences, Spread};

use crate::budget::ONE_DIMENSION_95;
use crate::passes::{self, Grouped};
use crate::prepare::{Prepared, prepare};
use crate::statements::Statements;
use crate::{Input, Settings};
use leadline_model::{BoatLevel, ClusterLevel, DayLevel, Digest, Levelling, MAX_BOAT_DAYS, Text};
use model::{Model, OfBoat};
use noise::Noise;
use solve::Solved;
use std::cmp::Ordering;
use tie::Tie;

/// More crossings than these are not kept, about 200 bytes each: fewer level as well.
const MOST_CROSSINGS: usize = 1_000_000;
/// A parameter is applied when crossings leave less than this share of its prior uncertainty.
const DETERMINED: f64 = 0.4;
/// Ties know this many times less than their residuals say: those of one track share wave, helm and the receiver's
/// slow error (judgement; on 200 synthetic waters the offsets then hold what they state).
const NOT_INDEPENDENT: f64 = 3.5;
/// A lag is never known better than this, 95 %, ms: receivers themselves differ from update to update (judgement).
const LEAST_LAG95_MS: u32 = 100;
/// The noise of a survey is never taken for less than this share of the budget.
const LEAST_PERCENT: f64 = 35.0;

/// What levelling found.
#[derive(Clone, Debug, PartialEq)]
pub struct Proposal {
    /// What a person may apply: everything rounded to whole units.
    pub levelling: Levelling,
    /// Boat-days, by boat and day.
    pub days: Vec<DayFound>,
    /// Boats, by name.
    pub boats: Vec<BoatFound>,
    /// Differences at crossings as they are, and with the proposal.
    pub before: Differences,
    /// The same with the proposal.
    pub after: Differences,
    /// Places where tracks cross or come near, as far as they were used.
    pub crossings: u64,
    /// One of so many was used, drawn by lot: 1 unless there are more than a million.
    pub one_of: u64,
    /// Of these, near ones.
    pub near: u64,
    /// Datums of the adopted surveys, in the order given.
    pub datums: Vec<DatumFound>,
}

/// Where the datum of an adopted survey lies.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DatumFound {
    /// It lies so much above this survey's datum, metres: its depths are too deep by that.
    pub offset_m: f64,
    /// Uncertainty of `offset_m`, 95 %, metres.
    pub uncertainty95_m: f64,
    /// Crossings of its boat-days with those of other surveys.
    pub crossings: u32,
}

/// One boat-day.
#[derive(Clone, Debug, PartialEq)]
pub struct DayFound {
    /// The boat.
    pub boat: Text,
    /// Days since 1970-01-01 (UTC).
    pub day: i32,
    /// Its depths are too deep by this, metres.
    pub offset_m: f64,
    /// Uncertainty of `offset_m`, 95 %, metres.
    pub uncertainty95_m: f64,
    /// What the budget said before, 95 %, metres.
    pub prior95_m: f64,
    /// The stage was known.
    pub known: bool,
    /// Index of its cluster.
    pub cluster: u16,
    /// Its cluster hangs on no datum.
    pub floating: bool,
    /// Crossings with other boat-days.
    pub crossings: u32,
}

/// One boat.
#[derive(Clone, Debug, PartialEq)]
pub struct BoatFound {
    /// The boat.
    pub boat: Text,
    /// Delay of the position behind the depth beyond the typed one, seconds.
    pub lag: Found,
    /// Error of the depth below the transducer, as a share of it.
    pub scale: Found,
}

/// A parameter: a value if the crossings determine it, the reason if not.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Found {
    /// Best estimate.
    pub value: f64,
    /// Its uncertainty, 95 %.
    pub uncertainty95: f64,
    /// Uncertainty before, 95 %.
    pub prior95: f64,
    /// Whether it is determined well enough to be applied.
    pub determined: bool,
}

/// Solves the offsets of all boat-days of `input`; a levelling in it is not looked at. `inputs` names what it was
/// solved from.
pub fn level(input: Input, inputs: Digest) -> Proposal {
    let (statements, legs) = Statements::of(Input { levelling: None, ..input });
    let Grouped { groups, sets, .. } = passes::group(legs, &statements.verdicts);
    of(&prepare(&statements, groups, sets), &statements, inputs)
}

fn of(prepared: &Prepared, statements: &Statements, inputs: Digest) -> Proposal {
    let settings = &statements.settings;
    let tracks = track::tracks(prepared, settings);
    let crossing::Crossings { found: crossings, of } = crossing::find(&tracks, settings, MOST_CROSSINGS);
    let model = Model::new(&prepared.passes, &prepared.days, statements);
    let boat_of = |pass: u32| {
        let pass = prepared.passes.get(pass as usize)?;
        model.boats.binary_search(&pass.boat).ok()
    };
    let mut ties: Vec<(Tie, [usize; 2])> = Vec::new();
    let mut equations = Vec::new();
    for tie in tie::ties(&crossings) {
        let [a, b] = tie.ends.map(|e| boat_of(e.pass));
        if let Some((a, b)) = a.zip(b)
            && let Some(equation) = model.equation(&tie, [a, b])
        {
            ties.push((tie, [a, b]));
            equations.push(equation);
        }
    }
    let solved = solve::solve(&equations, &model.priors, NOT_INDEPENDENT);
    let Some(solved) = solved else { return empty(inputs) };
    let clusters = clusters::Clusters::new(&model, &ties, &solved.weights);
    let noise = Noise::of(&model, &ties, &equations, &solved);
    let boats = boats(&model, &solved);
    let datums = datums(&model, &solved, &ties, statements.adopted.len());
    let (levels, days, cluster_levels) = days(&model, &solved, &clusters, &ties, settings);
    let levelling = Levelling {
        inputs,
        boats: boats.iter().zip(0..).map(|(b, i)| boat_level(b, &noise, i)).collect(),
        days: levels,
        clusters: cluster_levels,
    };
    let passes = &prepared.passes;
    Proposal {
        before: stats::differences(&crossings, passes, None),
        after: stats::differences(&crossings, passes, Some(&levelling)),
        near: crossings.iter().filter(|c| c.near).count() as u64,
        crossings: crossings.len() as u64,
        one_of: of,
        levelling,
        days,
        boats,
        datums,
    }
}

fn datums(model: &Model, solved: &Solved, ties: &[(Tie, [usize; 2])], adopted: usize) -> Vec<DatumFound> {
    let survey = |boat: usize, day: i32| {
        model.day_index(boat, day).and_then(|i| model.days.get(i)).map_or(0, |d| d.survey)
    };
    let crossings = |number: usize| {
        let of = ties.iter().filter(|(tie, boats)| {
            let [a, b] = &tie.ends;
            let (a, b) = (survey(boats[0], a.day), survey(boats[1], b.day));
            a != b && (a == number || b == number)
        });
        of.map(|(tie, _)| tie.crossings).sum()
    };
    let found = |number: usize| {
        let i = model.datum_index(number)?;
        let variance = solved.covariance(&[(i, 1.0)]).get(i).copied().unwrap_or(0.0).max(0.0);
        Some(DatumFound {
            offset_m: solved.x.get(i).copied().unwrap_or(0.0),
            uncertainty95_m: ONE_DIMENSION_95 * variance.sqrt(),
            crossings: crossings(number),
        })
    };
    (1..=adopted).filter_map(found).collect()
}

/// Finite positive variances always solve; this is for a matrix that is not one.
fn empty(inputs: Digest) -> Proposal {
    let levelling = Levelling { inputs, boats: Vec::new(), days: Vec::new(), clusters: Vec::new() };
    let none = stats::differences(&[], &[], None);
    Proposal {
        levelling,
        days: Vec::new(),
        boats: Vec::new(),
        before: none,
        after: none,
        crossings: 0,
        near: 0,
        one_of: 1,
        datums: Vec::new(),
    }
}

fn boats(model: &Model, solved: &Solved) -> Vec<BoatFound> {
    let found = |i: usize| {
        let variance = solved.covariance(&[(i, 1.0)]).get(i).copied().unwrap_or(0.0).max(0.0);
        let prior = model.priors.get(i).copied().unwrap_or(0.0);
        Found {
            value: solved.x.get(i).copied().unwrap_or(0.0),
            uncertainty95: ONE_DIMENSION_95 * variance.sqrt(),
            prior95: ONE_DIMENSION_95 * prior.sqrt(),
            determined: variance.sqrt() < DETERMINED * prior.sqrt(),
        }
    };
    let boats = model.boats.iter().enumerate();
    boats
        .map(|(b, name)| BoatFound {
            boat: name.clone(),
            lag: found(model.of_boat(b, OfBoat::Lag)),
            scale: found(model.of_boat(b, OfBoat::Scale)),
        })
        .collect()
}

fn boat_level(found: &BoatFound, noise: &Noise, index: usize) -> BoatLevel {
    let (noise_percent, place_percent) = noise.percent(index);
    let whole = |v: f64| libm::round(v) as i32;
    BoatLevel {
        boat: found.boat.clone(),
        lag_ms: found.lag.determined.then(|| whole(found.lag.value * 1000.0)),
        lag95_ms: whole(found.lag.uncertainty95 * 1000.0).unsigned_abs().max(LEAST_LAG95_MS),
        scale_ppm: found.scale.determined.then(|| whole(found.scale.value * 1e6)),
        scale95_ppm: whole(found.scale.uncertainty95 * 1e6).unsigned_abs(),
        noise_percent,
        place_percent,
    }
}

type Days = (Vec<DayLevel>, Vec<DayFound>, Vec<ClusterLevel>);

fn days(
    model: &Model,
    solved: &Solved,
    clusters: &clusters::Clusters,
    ties: &[(Tie, [usize; 2])],
    settings: &Settings,
) -> Days {
    let terms: Vec<Vec<(usize, f64)>> =
        (0..model.days.len()).map(|i| model.offset_terms(i).unwrap_or_default()).collect();
    let dot = |t: &[(usize, f64)], v: &[f64]| {
        t.iter().map(|(i, c)| c * v.get(*i).copied().unwrap_or(0.0)).sum::<f64>()
    };
    let counts = clusters::crossings_of(model, ties);
    let mut levels = Vec::new();
    let mut found = Vec::new();
    let mut cluster_levels = Vec::new();
    for (number, members) in (0u16..).zip(clusters.members()) {
        let floating = !members.iter().any(|i| model.days.get(*i).is_some_and(|d| d.known && d.survey == 0));
        let mean = mean_terms(&terms, members);
        let with_mean = solved.covariance(&mean);
        let common = dot(&mean, &with_mean).max(0.0);
        let common95 =
            if floating { settings.defaults.stage_unknown } else { ONE_DIMENSION_95 * common.sqrt() };
        cluster_levels.push(ClusterLevel { common95_mm: millimetres(common95).unsigned_abs(), floating });
        for &i in members {
            let (Some(day), Some(t)) = (model.days.get(i), terms.get(i)) else { continue };
            let variance = dot(t, &solved.covariance(t)).max(0.0);
            let relative = variance + common - 2.0 * dot(t, &with_mean);
            let own = relative.max(variance - common).max(0.0);
            let offset_m = dot(t, &solved.x);
            let own95 = ONE_DIMENSION_95 * own.sqrt();
            levels.push(DayLevel {
                boat: u16::try_from(day.boat).unwrap_or(u16::MAX),
                day: day.day,
                cluster: number,
                offset_mm: millimetres(offset_m),
                own95_mm: millimetres(own95).unsigned_abs(),
                pivot_mm: millimetres(day.mean.range),
                speed_mm_s: millimetres(day.mean.speed2.sqrt()).unsigned_abs(),
            });
            let prior: f64 =
                t.iter().map(|(j, c)| c * c * model.priors.get(*j).copied().unwrap_or(0.0)).sum();
            found.push(DayFound {
                boat: model.boats.get(day.boat).cloned().unwrap_or_else(|| Text::new("?").expect("short")),
                day: day.day,
                offset_m,
                uncertainty95_m: if floating { own95 } else { ONE_DIMENSION_95 * variance.sqrt() },
                prior95_m: ONE_DIMENSION_95 * prior.sqrt(),
                known: day.known,
                cluster: number,
                floating,
                crossings: counts.get(i).copied().unwrap_or(0),
            });
        }
    }
    levels.sort_by_key(|l| (l.boat, l.day));
    levels.truncate(MAX_BOAT_DAYS);
    found.sort_by(|p, q| p.boat.cmp(&q.boat).then(p.day.cmp(&q.day)).then(Ordering::Equal));
    (levels, found, cluster_levels)
}

/// The mean of the offsets of `members`.
fn mean_terms(terms: &[Vec<(usize, f64)>], members: &[usize]) -> Vec<(usize, f64)> {
    let share = 1.0 / members.len().max(1) as f64;
    let mut sum = std::collections::BTreeMap::new();
    for (i, c) in members.iter().filter_map(|m| terms.get(*m)).flatten() {
        *sum.entry(*i).or_insert(0.0) += c * share;
    }
    sum.into_iter().collect()
}

fn millimetres(metres: f64) -> i32 {
    libm::round(metres * 1000.0) as i32
}
