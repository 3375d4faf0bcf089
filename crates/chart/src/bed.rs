//! How rough this survey's bed is: learned by leaving out stretches of track and predicting them.
//!
//! A few hundred cells are predicted without any cell of their own track: those in a lane along it, on both sides
//! less than half the usual gap away. Of a few exponents and noises the pair with the least squared error is
//! kept. The 95th percentile of the errors over what the model expects makes its uncertainty honest.

use crate::krige::{Known, MOST_USED, Model, Patch};
use crate::mesh::{distance, twice_area};
use crate::near::Near;
use crate::nodes::Node;
use crate::spread::quantile;

/// Exponents and noises tried.
const ALPHAS: [f64; 4] = [1.0, 1.5, 2.0, 3.0];
const NOISES: [f64; 3] = [0.001, 0.01, 0.1];
/// Cells left out and predicted, at most; fewer than [`ENOUGH`] teach nothing.
const TRIES: usize = 500;
const ENOUGH: usize = 40;
/// Half the width of the lane left out, and how far cells are looked for, in usual gaps.
const LANE: f64 = 0.4;
const REACH: f64 = 2.5;
/// A track's direction is that of the cells this near, metres.
const TRACK_M: f64 = 15.0;
/// Sides (of eight) with cells that a place needs to be between the tracks rather than beside them.
const SIDES: usize = 6;
/// Least fall of the bed, so that a flat place does not promise a flat bed (judgement: 1 in 100).
const LEAST_FALL: f64 = 0.01;

/// What was learned.
#[derive(Clone, Debug)]
pub(crate) struct Bed {
    pub(crate) model: Model,
    reach_m: f64,
    base_fall: f64,
    /// 95 % error over fall × standard deviation expected.
    factor: f64,
    /// Usual variance of a cell, and what a square metre is in the model's units.
    usual: f64,
    per_m2: f64,
}

/// Indexes and coordinates of the cells.
pub(crate) struct Ground<'a> {
    nodes: &'a [Node],
    xy: Vec<[f64; 2]>,
    near: Near,
}

impl<'a> Ground<'a> {
    pub(crate) fn new(nodes: &'a [Node], gap_m: f64) -> Self {
        let xy: Vec<[f64; 2]> = nodes.iter().map(|n| n.xy).collect();
        let near = Near::new(&xy, (gap_m / 3.0).max(4.0));
        Self { nodes, xy, near }
    }
}

/// The usual distance of neighbouring tracks: the longest edges of triangles, weighted by their area.
pub(crate) fn usual_gap(nodes: &[Node], triangles: &[[u32; 3]]) -> f64 {
    let (mut area, mut sum) = (0.0, 0.0);
    for t in triangles {
        let [a, b, c] = t.map(|v| nodes[v as usize].xy);
        let size = twice_area(a, b, c);
        area += size;
        sum += size * distance(a, b).max(distance(b, c)).max(distance(c, a));
    }
    if area > 0.0 { (sum / area).max(1.0) } else { 1.0 }
}

struct Try {
    at: [f64; 2],
    depth_m: f64,
    known: Vec<Known>,
    fall: f64,
}

/// Mean square error of a model, the model, and each error with the variance it stated.
type Tried = (f64, Model, Vec<(f64, f64)>);

impl Bed {
    /// Learns from the cells; `None` if too few can be left out.
    pub(crate) fn learn(ground: &Ground<'_>, gap_m: f64) -> Option<Self> {
        let reach_m = REACH * gap_m;
        let tries = tries(ground, gap_m, 2.0 * reach_m);
        if tries.len() < ENOUGH {
            return None;
        }
        let mut best: Option<Tried> = None;
        for alpha in ALPHAS {
            for noise in NOISES {
                let model = Model { alpha, noise, unit_m: gap_m };
                let errors: Vec<(f64, f64)> = tries.iter().filter_map(|t| t.error(model)).collect();
                let sum: f64 = errors.iter().map(|e| e.0 * e.0).sum();
                let mean = sum / errors.len().max(1) as f64;
                if errors.len() >= ENOUGH && best.as_ref().is_none_or(|b| mean < b.0) {
                    best = Some((mean, model, errors));
                }
            }
        }
        let (mean, model, errors) = best?;
        let mut falls: Vec<f64> = tries.iter().map(|t| t.fall).collect();
        let base_fall = quantile(&mut falls, 0.5).max(LEAST_FALL);
        let expected: f64 = errors.iter().map(|e| e.1 + model.noise).sum::<f64>() / errors.len() as f64;
        let mut ratios: Vec<f64> = tries
            .iter()
            .filter_map(|t| {
                let (error, variance) = t.error(model)?;
                Some(error.abs() / ((t.fall + base_fall) * libm::sqrt(variance + model.noise)))
            })
            .collect();
        let mut usual: Vec<f64> = ground.nodes.iter().map(|n| variance(n.tvu95_m)).collect();
        Some(Self {
            model,
            reach_m,
            base_fall,
            factor: quantile(&mut ratios, 0.95),
            usual: quantile(&mut usual, 0.5),
            per_m2: expected / mean.max(1e-6),
        })
    }

    /// A model solved for the cells around `middle`, with the bed's fall there; `None` beside the tracks.
    pub(crate) fn patch(
        &self,
        ground: &Ground<'_>,
        middle: [f64; 2],
        found: &mut Found,
    ) -> Option<(Patch, f64)> {
        ground.near.around(&ground.xy, middle, self.reach_m, |_| true, found);
        let known: Vec<Known> = found.iter().map(|f| self.known(&ground.nodes[f.2 as usize])).collect();
        let fall = fall(&known);
        Patch::new(self.model, middle, &known).map(|p| (p, fall))
    }

    fn known(&self, n: &Node) -> Known {
        let extra = (variance(n.tvu95_m) - self.usual).max(0.0) * self.per_m2;
        Known { xy: n.xy, depth_m: n.best_m, extra }
    }

    /// 95 % error where the model expects `variance`.
    pub(crate) fn error95(&self, variance: f64, fall: f64) -> f64 {
        self.factor * (fall + self.base_fall) * libm::sqrt(variance)
    }

    /// 95 % error of straight lines `distance` metres from a cell or a place solved for.
    pub(crate) fn straight95(&self, distance: f64, fall: f64) -> f64 {
        self.error95(0.5 * libm::pow(distance / self.model.unit_m, self.model.alpha), fall)
    }
}

/// Scratch for neighbours: sector, distance, index.
pub(crate) type Found = Vec<(u8, f64, u32)>;

impl Try {
    fn error(&self, model: Model) -> Option<(f64, f64)> {
        let (depth, variance) = Patch::new(model, self.at, &self.known)?.at(self.at);
        Some((depth - self.depth_m, variance))
    }
}

fn range(known: &[Known]) -> (f64, f64) {
    known.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |r, k| (r.0.min(k.depth_m), r.1.max(k.depth_m)))
}

/// How much the bed changes a metre among the cells used: range over extent.
fn fall(known: &[Known]) -> f64 {
    let Some(first) = known.first() else { return 0.0 };
    let extent = known.iter().map(|k| distance(k.xy, first.xy)).fold(0.0, f64::max);
    let (low, high) = range(known);
    if extent > 0.0 { (high - low) / extent } else { 0.0 }
}

fn variance(tvu95_m: f64) -> f64 {
    (tvu95_m / 1.96) * (tvu95_m / 1.96)
}

fn tries(ground: &Ground<'_>, gap_m: f64, reach_m: f64) -> Vec<Try> {
    let mut found = Found::with_capacity(4 * MOST_USED);
    let mut out = Vec::new();
    let step = ground.nodes.len().div_ceil(TRIES).max(1);
    for n in ground.nodes.iter().step_by(step) {
        let along = direction(ground, n.xy);
        let lane = |i: u32| {
            let q = ground.xy[i as usize];
            ((q[0] - n.xy[0]) * along[1] - (q[1] - n.xy[1]) * along[0]).abs() > LANE * gap_m
        };
        let sides = ground.near.around(&ground.xy, n.xy, reach_m, lane, &mut found);
        if sides < SIDES {
            continue;
        }
        let known: Vec<Known> = found
            .iter()
            .map(|f| &ground.nodes[f.2 as usize])
            .map(|n| Known { xy: n.xy, depth_m: n.best_m, extra: 0.0 })
            .collect();
        out.push(Try { at: n.xy, depth_m: n.best_m, fall: fall(&known), known });
    }
    out
}

/// Main direction of the cells around `p`, as a unit vector.
fn direction(ground: &Ground<'_>, p: [f64; 2]) -> [f64; 2] {
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    ground.near.within(p, TRACK_M, |i| {
        let q = ground.xy[i as usize];
        let (x, y) = (q[0] - p[0], q[1] - p[1]);
        if x * x + y * y <= TRACK_M * TRACK_M {
            xx += x * x;
            xy += x * y;
            yy += y * y;
        }
    });
    let angle = 0.5 * libm::atan2(2.0 * xy, xx - yy);
    [libm::cos(angle), libm::sin(angle)]
}
