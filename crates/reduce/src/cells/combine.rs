//! Visits to one cell: inverse variances as weights, and a variance that knows what the visits share.

use super::visit::Visit;
use crate::Defaults;
use crate::budget::{HalfBeam, ONE_DIMENSION_95};
use crate::limits::grade_within;
use crate::passes::SetTable;
use crate::slope::{Scale, Slope};
use crate::work::Work;
use leadline_model::{Cell, CellId, GridPos, UtcMillis};

/// With more visits than this, each is compared with the shoalest and the deepest only.
const ALL_PAIRS: usize = 48;
/// Least variance of a visit, m²: (1 mm)².
const LEAST_VARIANCE: f64 = 1e-6;

pub(crate) struct Combiner<'a> {
    boats: Vec<u32>,
    sets: &'a SetTable,
    half_beam: HalfBeam,
}

impl<'a> Combiner<'a> {
    /// `boats` holds the boat's number of each pass.
    pub(crate) fn new(boats: Vec<u32>, sets: &'a SetTable, defaults: &Defaults) -> Self {
        Self { boats, sets, half_beam: HalfBeam::of(defaults) }
    }

    /// The cell `id` from its accepted soundings (at least one), by pass and time.
    pub(crate) fn cell(&self, id: CellId, open: &[&Work], slope: &Slope, scale: &Scale) -> Option<Cell> {
        let visits: Vec<Visit> = open
            .chunk_by(|a, b| a.pass == b.pass)
            .filter_map(|v| Visit::of(v, self.boat(v), slope, scale))
            .collect();
        // Depths below some unknown level of the day have no vote where others hang on the datum.
        let anchored: Vec<Visit> = visits.iter().filter(|v| v.anchored).copied().collect();
        let used = if anchored.is_empty() { &visits } else { &anchored };
        let fused = fuse(used, slope, scale)?;
        let deeper = self.half_beam.correction(fused.range, slope.size());
        let beam = self.half_beam.uncertainty95(fused.range, slope.size());
        let depth_m = fused.depth + deeper;
        let tvu95 = (ONE_DIMENSION_95 * ONE_DIMENSION_95 * fused.variance + beam * beam).sqrt();
        let thu95 = used.iter().map(|v| v.thu95).fold(f64::INFINITY, f64::min);
        let cap = used.iter().map(|v| v.cap).min()?;
        let devices = open
            .iter()
            .fold(Default::default(), |all: crate::DeviceSet, w| all.union(self.sets.of(w.devices)));
        Some(Cell {
            id,
            at: place(id, fused.east, fused.south),
            depth_m,
            tvu95_m: tvu95,
            shoalest_m: used.iter().map(|v| v.shoalest).fold(f64::INFINITY, f64::min) + deeper,
            grade: grade_within(depth_m, tvu95, thu95).max(cap),
            soundings: u32::try_from(open.len()).unwrap_or(u32::MAX),
            passes: u32::try_from(visits.len()).unwrap_or(u32::MAX),
            devices: devices.len(),
            main_pass: main_pass(&visits)?,
            newest: open.iter().map(|w| w.time).max().unwrap_or(UtcMillis(0)),
            disputed: fused.disputed,
        })
    }

    fn boat(&self, visit: &[&Work]) -> u32 {
        let number = visit.first().and_then(|w| self.boats.get(w.pass as usize));
        number.copied().unwrap_or(u32::MAX)
    }
}

/// Visits combined, at their common mean position.
struct Fused {
    depth: f64,
    variance: f64,
    east: f64,
    south: f64,
    range: f64,
    disputed: bool,
}

fn fuse(visits: &[Visit], slope: &Slope, scale: &Scale) -> Option<Fused> {
    if let [v] = visits {
        let (depth, east, south, range) = (v.depth, v.east, v.south, v.range);
        return Some(Fused { depth, variance: v.variance(), east, south, range, disputed: false });
    }
    let n: f64 = visits.iter().map(|v| f64::from(v.soundings)).sum();
    let mean =
        |f: &dyn Fn(&Visit) -> f64| visits.iter().map(|v| f(v) * f64::from(v.soundings)).sum::<f64>() / n;
    let (east, south) = (mean(&|v| v.east), mean(&|v| v.south));
    let at_mean: Vec<Visit> = visits
        .iter()
        .map(|v| Visit { depth: v.depth + slope.rise(scale, east - v.east, south - v.south), ..*v })
        .collect();
    let weights = weights(&at_mean)?;
    let depth = at_mean.iter().zip(&weights).map(|(v, w)| v.depth * w).sum::<f64>();
    let disputed = disagree(&at_mean);
    let off =
        at_mean.iter().zip(&weights).map(|(v, w)| w * (v.depth - depth) * (v.depth - depth)).sum::<f64>();
    let spread = if disputed { off } else { 0.0 };
    let variance = variance(&at_mean, &weights) + spread;
    Some(Fused { depth, variance, east, south, range: mean(&|v| v.range), disputed })
}

/// Inverse variances in two steps: the visits of one boat and day among each other by what is their own, then
/// these boat-days among each other with what the visits of each share. They add up to one.
fn weights(visits: &[Visit]) -> Option<Vec<f64>> {
    let own = |v: &Visit| 1.0 / v.own.max(LEAST_VARIANCE);
    let mut weights: Vec<f64> = visits.iter().map(own).collect();
    let mut order: Vec<usize> = (0..visits.len()).collect();
    let key = |i: &usize| visits.get(*i).map(|v| (v.boat, v.day));
    order.sort_by_key(key);
    for boat_day in order.chunk_by(|a, b| key(a) == key(b)) {
        let members = || boat_day.iter().filter_map(|i| visits.get(*i));
        let sum = members().map(own).sum::<f64>();
        let shared =
            members().map(|v| v.of_boat + v.of_tie + v.of_water).sum::<f64>() / boat_day.len() as f64;
        let vote = 1.0 / (1.0 / sum + shared);
        for i in boat_day {
            if let Some(w) = weights.get_mut(*i) {
                *w *= vote / sum;
            }
        }
    }
    let total = weights.iter().sum::<f64>();
    weights.iter_mut().for_each(|w| *w /= total);
    (total.is_finite() && total > 0.0).then_some(weights)
}

/// Variance of the weighted mean: own errors add as squares; a boat's, and a day's, add plainly first.
fn variance(visits: &[Visit], weights: &[f64]) -> f64 {
    let own = visits.iter().zip(weights).map(|(v, w)| w * w * v.own).sum::<f64>();
    let boats = shared(visits, weights, |v| (i64::from(v.boat), v.of_boat));
    let ties = shared(visits, weights, |v| ((i64::from(v.boat), v.day), v.of_tie));
    let waters = shared(visits, weights, |v| (v.water, v.of_water));
    own + boats + ties + waters
}

fn shared<K: Ord + Copy>(visits: &[Visit], weights: &[f64], of: impl Fn(&Visit) -> (K, f64)) -> f64 {
    let mut parts: Vec<(K, f64)> = visits
        .iter()
        .zip(weights)
        .map(|(v, w)| {
            let (key, variance) = of(v);
            (key, w * variance.sqrt())
        })
        .collect();
    // Stable: parts of one key stay in the order of the passes.
    parts.sort_by_key(|p| p.0);
    let groups = parts.chunk_by(|a, b| a.0 == b.0);
    groups.map(|g| g.iter().map(|p| p.1).sum::<f64>()).map(|s| s * s).sum()
}

/// Two visits differ by more than √(TVU₁² + TVU₂²).
fn disagree(visits: &[Visit]) -> bool {
    let differ = |a: &Visit, b: &Visit| {
        let limit = ONE_DIMENSION_95 * (a.variance() + b.variance()).sqrt();
        (a.depth - b.depth).abs() > limit
    };
    if visits.len() <= ALL_PAIRS {
        let rest = |i: usize| visits.get(i + 1..).unwrap_or_default().iter();
        return visits.iter().enumerate().any(|(i, a)| rest(i).any(|b| differ(a, b)));
    }
    let by_depth = |a: &&Visit, b: &&Visit| a.depth.total_cmp(&b.depth);
    let ends = [visits.iter().min_by(by_depth), visits.iter().max_by(by_depth)];
    ends.into_iter().flatten().any(|a| visits.iter().any(|b| differ(a, b)))
}

fn main_pass(visits: &[Visit]) -> Option<u32> {
    let most = visits.iter().map(|v| v.soundings).max()?;
    visits.iter().find(|v| v.soundings == most).map(|v| v.pass)
}

fn place(id: CellId, east: f64, south: f64) -> GridPos {
    let inside = |v: f64| v.clamp(0.0, 255.0) as u32;
    GridPos::new(id.x << 8 | inside(east), id.y << 8 | inside(south)).unwrap_or(id.middle())
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::Grade;

    fn visit(pass: u32, depth: f64, own: f64, of_boat: f64) -> Visit {
        Visit {
            pass,
            boat: pass,
            water: i64::from(pass),
            day: i64::from(pass),
            soundings: 1,
            depth,
            east: 128.0,
            south: 128.0,
            own,
            of_boat,
            of_tie: 0.0,
            of_water: 0.0,
            range: 10.0,
            thu95: 3.0,
            shoalest: depth,
            cap: Grade::Sure,
            anchored: true,
        }
    }

    fn flat(visits: &[Visit]) -> Fused {
        fuse(visits, &Slope::default(), &Scale::of(CellId { x: 5 << 20, y: 3 << 20 })).expect("visits")
    }

    #[test]
    fn inverse_variance_mean_in_any_order() {
        // Source: scalar Kalman update = inverse-variance mean, worked by hand: (10, 0.04), (10.2, 0.04),
        // (9.9, 0.09), (10.05, 0.16) → 10.062371, variance 0.014845.
        let v = [(10.0, 0.04), (10.2, 0.04), (9.9, 0.09), (10.05, 0.16)];
        let all: Vec<Visit> = (0..).zip(v).map(|(i, (d, r))| visit(i, d, r, 0.0)).collect();
        for turn in 0..4 {
            let mut all = all.clone();
            all.rotate_left(turn);
            let f = flat(&all);
            assert!((f.depth - 10.062_371).abs() < 1e-6, "{}", f.depth);
            assert!((f.variance - 0.014_845_4).abs() < 1e-7, "{}", f.variance);
            assert!(!f.disputed);
        }
    }

    #[test]
    fn what_a_boat_shares_does_not_average_away() {
        let mut all: Vec<Visit> = (0..100).map(|i| visit(i, 5.0, 0.01, 0.04)).collect();
        let apart = flat(&all).variance;
        assert!((apart - 0.05 / 100.0).abs() < 1e-9, "{apart}");
        all.iter_mut().for_each(|v| v.boat = 7);
        let together = flat(&all).variance;
        assert!((together - (0.04 + 0.01 / 100.0)).abs() < 1e-9, "{together}");
        all.iter_mut().for_each(|v| (v.day, v.water) = (7, 7));
        assert!((flat(&all).variance - together).abs() < 1e-9);
    }

    #[test]
    fn disagreement_is_seen_and_widens_the_band() {
        // Each ±0.392 m at 95 %: they may differ by 0.554 m.
        let near = [visit(0, 5.0, 0.04, 0.0), visit(1, 5.55, 0.04, 0.0)];
        let far = [visit(0, 5.0, 0.04, 0.0), visit(1, 5.56, 0.04, 0.0)];
        assert!(!flat(&near).disputed);
        let f = flat(&far);
        assert!(f.disputed && f.variance > 0.02 + 0.07, "{}", f.variance);
    }
}
