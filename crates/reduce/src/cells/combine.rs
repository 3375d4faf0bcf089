//! Visits to one cell: inverse variances as weights, and a variance that knows what the visits share.

use super::dispute::{self, Dispute, Rival, Why};
use super::visit::Visit;
use crate::Defaults;
use crate::budget::{HalfBeam, ONE_DIMENSION_95};
use crate::limits::grade_within;
use crate::passes::SetTable;
use crate::slope::{Scale, Slope};
use crate::work::Work;
use leadline_model::{Cell, CellId, GridPos, UtcMillis};

/// Least variance of a visit, m²: (1 mm)².
const LEAST_VARIANCE: f64 = 1e-6;

pub(crate) struct Combiner<'a> {
    boats: Vec<u32>,
    sets: &'a SetTable,
    half_beam: HalfBeam,
}

/// A cell, and what is open about it if its visits disagree.
pub(crate) struct Made {
    pub(crate) cell: Cell,
    /// Passes of its visits; empty if there is only one.
    pub(crate) passes: Vec<u32>,
    pub(crate) open: Option<Open>,
}

/// Competing depths.
#[derive(Debug)]
pub(crate) struct Open {
    visits: Vec<Visit>,
    /// Shoalest first.
    pub(crate) groups: Vec<Vec<usize>>,
    slope: Slope,
    pub(crate) why: Why,
    pub(crate) believed: Option<usize>,
}

impl<'a> Combiner<'a> {
    /// `boats` holds the boat's number of each pass.
    pub(crate) fn new(boats: Vec<u32>, sets: &'a SetTable, defaults: &Defaults) -> Self {
        Self { boats, sets, half_beam: HalfBeam::of(defaults) }
    }

    /// The cell `id` from its accepted soundings (at least one), by pass and time. Where people decided both ways
    /// on some of them, the shoaler result holds.
    pub(crate) fn cell(&self, id: CellId, open: &[&Work], slope: &Slope, scale: &Scale) -> Option<Made> {
        let with = self.made(id, open, slope, scale)?;
        if !open.iter().any(|w| w.contested) {
            return Some(with);
        }
        let uncontested: Vec<&Work> = open.iter().filter(|w| !w.contested).copied().collect();
        let without = self.made(id, &uncontested, slope, scale);
        let mut made = match without {
            Some(without) if without.cell.depth_m < with.cell.depth_m => without,
            _ => with,
        };
        made.cell.disputed = true;
        if let Some(open) = &mut made.open {
            open.why = Why::Verdicts;
        }
        Some(made)
    }

    fn made(&self, id: CellId, open: &[&Work], slope: &Slope, scale: &Scale) -> Option<Made> {
        let visits: Vec<Visit> = open
            .chunk_by(|a, b| a.pass == b.pass)
            .filter_map(|v| Visit::of(v, self.boat(v), slope, scale))
            .collect();
        // Depths below some unknown level of the day have no vote where others hang on the datum.
        let anchored: Vec<Visit> = visits.iter().filter(|v| v.anchored).copied().collect();
        let mut used = if anchored.is_empty() { visits.clone() } else { anchored };
        let place = move_to_mean(&mut used, slope, scale);
        let rivals = rivals(&used, slope);
        let shown = match &rivals {
            Some(Open { groups, believed: Some(i), .. }) => chosen(&used, groups.get(*i)?),
            _ => used.clone(),
        };
        let devices = open
            .iter()
            .fold(Default::default(), |all: crate::DeviceSet, w| all.union(self.sets.of(w.devices)));
        let mut cell = Cell {
            id,
            at: at(id, place.0, place.1),
            depth_m: 0.0,
            tvu95_m: 0.0,
            shoalest_m: 0.0,
            grade: leadline_model::Grade::Loose,
            soundings: u32::try_from(open.len()).unwrap_or(u32::MAX),
            passes: u32::try_from(visits.len()).unwrap_or(u32::MAX),
            devices: devices.len(),
            main_pass: main_pass(&visits)?,
            newest: open.iter().map(|w| w.time).max().unwrap_or(UtcMillis(0)),
            disputed: rivals.is_some(),
        };
        self.show(&mut cell, &used, &shown, slope)?;
        let passes = if used.len() > 1 { used.iter().map(|v| v.pass).collect() } else { Vec::new() };
        Some(Made { cell, passes, open: rivals })
    }

    /// Gives `cell` the depth of the visits `shown`, out of all that are `used`.
    fn show(&self, cell: &mut Cell, used: &[Visit], shown: &[Visit], slope: &Slope) -> Option<()> {
        let fused = fuse(shown)?;
        let whole = shown.len() == used.len();
        // Nothing tells which depth is right: the band reaches over all of them.
        let spread = if whole && cell.disputed { fused.spread } else { 0.0 };
        let deeper = self.half_beam.correction(fused.range, slope.size());
        let beam = self.half_beam.uncertainty95(fused.range, slope.size());
        let variance = fused.variance + spread;
        cell.depth_m = fused.depth + deeper;
        cell.tvu95_m = (ONE_DIMENSION_95 * ONE_DIMENSION_95 * variance + beam * beam).sqrt();
        cell.shoalest_m = used.iter().map(|v| v.shoalest).fold(f64::INFINITY, f64::min) + deeper;
        let thu95 = shown.iter().map(|v| v.thu95).fold(f64::INFINITY, f64::min);
        let cap = shown.iter().map(|v| v.cap).min()?;
        cell.grade = grade_within(cell.depth_m, cell.tvu95_m, thu95).max(cap);
        Some(())
    }

    /// Shows the `believed` group of `open` in `cell`, and reports the competing depths.
    pub(crate) fn settle(
        &self,
        cell: &mut Cell,
        open: &Open,
        (why, believed): (Why, Option<usize>),
    ) -> Dispute {
        let shown = believed.and_then(|i| open.groups.get(i)).map(|g| chosen(&open.visits, g));
        let shown = shown.unwrap_or_else(|| open.visits.clone());
        self.show(cell, &open.visits, &shown, &open.slope);
        let rival = |(i, group): (usize, &Vec<usize>)| {
            let visits = chosen(&open.visits, group);
            let fused = fuse(&visits)?;
            let size = open.slope.size();
            let beam = self.half_beam.uncertainty95(fused.range, size);
            Some(Rival {
                depth_m: fused.depth + self.half_beam.correction(fused.range, size),
                tvu95_m: (ONE_DIMENSION_95 * ONE_DIMENSION_95 * fused.variance + beam * beam).sqrt(),
                passes: u32::try_from(visits.len()).unwrap_or(u32::MAX),
                soundings: visits.iter().map(|v| v.soundings).sum(),
                first: visits.iter().map(|v| v.first).min()?,
                newest: visits.iter().map(|v| v.newest).max()?,
                believed: believed == Some(i),
            })
        };
        Dispute { cell: cell.id, why, rivals: open.groups.iter().enumerate().filter_map(rival).collect() }
    }

    fn boat(&self, visit: &[&Work]) -> u32 {
        let number = visit.first().and_then(|w| self.boats.get(w.pass as usize));
        number.copied().unwrap_or(u32::MAX)
    }
}

impl Open {
    /// Gives its passes their new numbers.
    pub(crate) fn renumber(&mut self, numbers: &[Option<u32>]) {
        for v in &mut self.visits {
            v.pass = numbers.get(v.pass as usize).copied().flatten().unwrap_or(v.pass);
        }
    }

    /// Passes of all its visits.
    pub(crate) fn passes(&self) -> impl Iterator<Item = u32> + '_ {
        self.visits.iter().map(|v| v.pass)
    }

    /// Passes of group `i`.
    pub(crate) fn passes_of(&self, i: usize) -> impl Iterator<Item = u32> + '_ {
        let group = self.groups.get(i).map_or(&[][..], Vec::as_slice);
        group.iter().filter_map(|v| self.visits.get(*v)).map(|v| v.pass)
    }
}

/// Groups of visits, if there is more than one.
fn rivals(used: &[Visit], slope: &Slope) -> Option<Open> {
    if used.len() < 2 {
        return None;
    }
    let groups = dispute::groups(used);
    (groups.len() > 1).then(|| {
        let (why, believed) = dispute::judge(used, &groups);
        Open { visits: used.to_vec(), groups, slope: *slope, why, believed }
    })
}

fn chosen(visits: &[Visit], group: &[usize]) -> Vec<Visit> {
    let mut group = group.to_vec();
    group.sort_unstable();
    group.iter().filter_map(|i| visits.get(*i)).copied().collect()
}

/// Brings the visits to the mean place of all their soundings, and returns it in places east and south.
fn move_to_mean(visits: &mut [Visit], slope: &Slope, scale: &Scale) -> (f64, f64) {
    let n: f64 = visits.iter().map(|v| f64::from(v.soundings)).sum();
    let mean =
        |f: &dyn Fn(&Visit) -> f64| visits.iter().map(|v| f(v) * f64::from(v.soundings)).sum::<f64>() / n;
    let (east, south) = match &visits[..] {
        [one] => (one.east, one.south),
        _ => (mean(&|v| v.east), mean(&|v| v.south)),
    };
    if visits.len() > 1 {
        for v in visits {
            v.depth += slope.rise(scale, east - v.east, south - v.south);
        }
    }
    (east, south)
}

/// Visits of one place combined.
struct Fused {
    depth: f64,
    variance: f64,
    /// Weighted mean square of what lies between them.
    spread: f64,
    range: f64,
}

fn fuse(visits: &[Visit]) -> Option<Fused> {
    if let [v] = visits {
        return Some(Fused { depth: v.depth, variance: v.variance(), spread: 0.0, range: v.range });
    }
    let n: f64 = visits.iter().map(|v| f64::from(v.soundings)).sum();
    let range = visits.iter().map(|v| v.range * f64::from(v.soundings)).sum::<f64>() / n;
    let weights = weights(visits)?;
    let depth = visits.iter().zip(&weights).map(|(v, w)| v.depth * w).sum::<f64>();
    let spread =
        visits.iter().zip(&weights).map(|(v, w)| w * (v.depth - depth) * (v.depth - depth)).sum::<f64>();
    Some(Fused { depth, variance: variance(visits, &weights), spread, range })
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

fn main_pass(visits: &[Visit]) -> Option<u32> {
    let most = visits.iter().map(|v| v.soundings).max()?;
    visits.iter().find(|v| v.soundings == most).map(|v| v.pass)
}

fn at(id: CellId, east: f64, south: f64) -> GridPos {
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
            first: UtcMillis(i64::from(pass) * 86_400_000),
            newest: UtcMillis(i64::from(pass) * 86_400_000),
            during: 0.0,
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
        fuse(visits).expect("visits")
    }

    fn disputed(visits: &[Visit]) -> bool {
        rivals(visits, &Slope::default()).is_some()
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
            assert!(!disputed(&all));
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
        assert!(!disputed(&near) && disputed(&far));
        assert!(flat(&far).spread > 0.07);
    }
}
