//! How rough this survey's bed is: learned by leaving out stretches of track and predicting them.
//!
//! A few hundred cells are predicted without anything from their own track: a lane along it is left out, on both
//! sides less than half the usual gap away. Of a few exponents, stretches along the grain and noises those with the
//! least squared error are kept. The 95th percentile of the errors over what the model expects makes its
//! uncertainty honest.

use crate::ground::{Found, Ground};
use crate::krige::{Known, Model, Patch, range};
use crate::mesh::{distance, twice_area};
use crate::nodes::Node;
use crate::spread::quantile;

/// Exponents tried, and the noise they are tried with.
const ALPHAS: [f64; 5] = [0.5, 1.0, 1.5, 2.0, 3.0];
const FIRST_NOISE: f64 = 0.01;
/// Noises tried then.
const NOISES: [f64; 3] = [0.001, 0.1, 0.3];
/// Stretches along the grain tried.
const STRETCHES: [f64; 3] = [1.0, 2.0, 3.0];
/// A stretch must lower the squared error to this share: the grain has seen the cells that are left out, which
/// flatters it by up to a tenth (measured), and it is one more thing that can be wrong (judgement).
const WORTH: f64 = 0.8;
/// Cells left out and predicted, at most; fewer than [`ENOUGH`] teach nothing.
const TRIES: usize = 400;
const ENOUGH: usize = 40;
/// Half the width of the lane left out, in usual gaps.
const LANE: f64 = 0.4;
/// A track's direction is that of the cells this near, metres.
const TRACK_M: f64 = 15.0;
/// Sides (of eight) with spots that a place needs to be between the tracks rather than beside them.
const SIDES: u32 = 6;
/// Least fall of the bed, so that a flat place does not promise a flat bed (judgement: 1 in 100).
const LEAST_FALL: f64 = 0.01;

/// Share of the errors that the band must hold: one more in a hundred than it states, because the model was
/// chosen by the same errors (judgement).
const RANK: f64 = 0.96;

/// What was learned.
#[derive(Clone, Debug)]
pub(crate) struct Bed {
    model: Model,
    stretch: f64,
    base_fall: f64,
    /// 95 % error over fall × standard deviation expected.
    factor: f64,
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

/// A cell left out, and what is known around it for each of the stretches.
struct Try {
    at: [f64; 2],
    depth_m: f64,
    known: [([f64; 3], Vec<Known>); STRETCHES.len()],
    fall: f64,
}

/// A model that was tried: its mean square error, and each error with the variance it stated and the bed's fall.
struct Tried {
    model: Model,
    stretch: usize,
    mean: f64,
    errors: Vec<(f64, f64, f64)>,
}

impl Bed {
    /// Learns from the cells; `None` if too few can be left out.
    pub(crate) fn learn(ground: &Ground, nodes: &[Node]) -> Option<Self> {
        let tries = tries(ground, nodes);
        let mut variances: Vec<f64> = nodes.iter().map(|n| (n.tvu95_m / 1.96) * (n.tvu95_m / 1.96)).collect();
        if tries.len() < ENOUGH {
            return None;
        }
        let usual_m2 = quantile(&mut variances, 0.5);
        let plain = |alpha, noise| Model { alpha, noise, unit_m: ground.gap_m, usual_m2, per_m2: 0.0 };
        let mut best: Option<Tried> = None;
        for stretch in 0..STRETCHES.len() {
            let here = ALPHAS.iter().filter_map(|a| run(&tries, plain(*a, FIRST_NOISE), stretch));
            let Some(here) = here.min_by(|a, b| a.mean.total_cmp(&b.mean)) else { continue };
            let worth = |b: &Tried| if stretch > 0 && b.stretch == 0 { WORTH } else { 1.0 };
            if best.as_ref().is_none_or(|b| here.mean < worth(b) * b.mean) {
                best = Some(here);
            }
        }
        let mut best = best?;
        for noise in NOISES {
            let model = plain(best.model.alpha, noise);
            best = run(&tries, model, best.stretch).filter(|t| t.mean < best.mean).unwrap_or(best);
        }
        let mut falls: Vec<f64> = tries.iter().map(|t| t.fall).collect();
        Some(Self::of(best, quantile(&mut falls, 0.5).max(LEAST_FALL)))
    }

    fn of(best: Tried, base_fall: f64) -> Self {
        let Tried { mut model, stretch, mean, errors } = best;
        let expected = errors.iter().map(|e| e.1 + model.noise).sum::<f64>() / errors.len() as f64;
        let mut ratios: Vec<f64> = errors
            .iter()
            .map(|(error, variance, fall)| {
                error.abs() / ((fall + base_fall) * libm::sqrt(variance + model.noise)).max(1e-9)
            })
            .collect();
        model.per_m2 = expected / mean.max(1e-6);
        Self { model, stretch: STRETCHES[stretch], base_fall, factor: quantile(&mut ratios, RANK) }
    }

    /// A model solved for the spots around `middle`, with the bed's fall there; `None` where they hold no plane.
    pub(crate) fn patch(&self, ground: &Ground, middle: [f64; 2], found: &mut Found) -> Option<(Patch, f64)> {
        let metric = ground.grain.metric(middle, self.stretch);
        let known = ground.around(middle, metric, |_| true, found);
        let fall = fall(&known);
        Patch::new(self.model, middle, metric, &known).map(|p| (p, fall))
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

/// What a model makes of all tries; `None` if it has nothing to say of most.
fn run(tries: &[Try], model: Model, stretch: usize) -> Option<Tried> {
    let errors: Vec<(f64, f64, f64)> = tries
        .iter()
        .filter_map(|t| {
            let (metric, known) = &t.known[stretch];
            let (depth, variance) = Patch::new(model, t.at, *metric, known)?.at(t.at);
            Some((depth - t.depth_m, variance, t.fall))
        })
        .collect();
    let mean = errors.iter().map(|e| e.0 * e.0).sum::<f64>() / errors.len().max(1) as f64;
    (errors.len() >= ENOUGH && 2 * errors.len() > tries.len()).then_some(Tried {
        model,
        stretch,
        mean,
        errors,
    })
}

/// How much the bed changes a metre among the spots used: range over extent.
fn fall(known: &[Known]) -> f64 {
    let Some(first) = known.first() else { return 0.0 };
    let extent = known.iter().map(|k| distance(k.xy, first.xy)).fold(0.0, f64::max);
    let (low, high) = range(known);
    if extent > 0.0 { (high - low) / extent } else { 0.0 }
}

fn tries(ground: &Ground, nodes: &[Node]) -> Vec<Try> {
    let xy: Vec<[f64; 2]> = nodes.iter().map(|n| n.xy).collect();
    let near = crate::near::Near::new(&xy, TRACK_M);
    let mut found = Found::new();
    let mut out = Vec::new();
    let step = nodes.len().div_ceil(TRIES).max(1);
    for n in nodes.iter().step_by(step) {
        let along = direction(&xy, &near, n.xy);
        let outside = |q: [f64; 2]| {
            ((q[0] - n.xy[0]) * along[1] - (q[1] - n.xy[1]) * along[0]).abs() > LANE * ground.gap_m
        };
        let known = STRETCHES.map(|s| {
            let metric = ground.grain.metric(n.xy, s);
            (metric, ground.around(n.xy, metric, outside, &mut found))
        });
        let sides = known[0].1.iter().fold(0u8, |s, k| s | 1 << sector(k.xy[0] - n.xy[0], k.xy[1] - n.xy[1]));
        if sides.count_ones() >= SIDES {
            out.push(Try { at: n.xy, depth_m: n.best_m, fall: fall(&known[0].1), known });
        }
    }
    out
}

/// Which eighth of the compass a direction lies in.
fn sector(x: f64, y: f64) -> u8 {
    u8::from(x < 0.0) * 4 + u8::from(y < 0.0) * 2 + u8::from(x.abs() < y.abs())
}

/// Main direction of the cells around `p`, as a unit vector.
fn direction(all: &[[f64; 2]], near: &crate::near::Near, p: [f64; 2]) -> [f64; 2] {
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    near.within(p, TRACK_M, |i| {
        let q = all[i as usize];
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
