//! How wrong straight lines between soundings are on this bed: measured, not assumed.
//!
//! The cells are thinned to one per square of 7, 14, 28 and 56 m; the left-out ones are predicted from the
//! triangles of those that stay. Their error, divided by the fall of the bed around them, is sorted by the
//! distance to the nearest cell used, and the 95th percentile of each distance class becomes the term that a
//! prediction carries there. It is zero at a sounding, never falls with distance, and goes on rising at its
//! last slope beyond the classes that had enough to say.

use crate::locate::Locator;
use crate::mesh::{delaunay, distance};
use crate::nodes::Node;
use std::borrow::Cow;
use std::collections::btree_map::{BTreeMap, Entry};

/// Sides of the thinning squares, metres.
const SQUARES: [f64; 4] = [7.0, 14.0, 28.0, 56.0];
/// Upper limits of the distance classes, metres.
const CLASSES: [f64; 7] = [3.0, 5.0, 8.0, 12.0, 18.0, 28.0, f64::INFINITY];
/// Predictions a class needs before it is believed (judgement: a 95th percentile of fewer is luck).
const ENOUGH: usize = 40;
/// Predictions tried per thinning; more add time, not knowledge.
const MOST_TRIED: usize = 20_000;
/// Cells learned from, about; and the side of the blocks they are taken in, metres.
const MOST_LEARNED: usize = 150_000;
const BLOCK_M: f64 = 400.0;
/// Without enough soundings to learn from: error per metre of distance and unit of fall (judgement: the bed
/// may stop falling, or fall twice as fast, right beside the last sounding).
const UNKNOWN_PER_METRE: f64 = 1.0;
/// Least fall of the bed used where triangles are flat (judgement: 1 in 50).
const LEAST_FALL: f64 = 0.02;

/// The measured interpolation error.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Spread {
    /// Fall added everywhere, so that a locally flat triangle does not promise a flat bed.
    base_fall: f64,
    /// (distance, factor on the fall), ascending in both; starts at (0, 0).
    curve: Vec<(f64, f64)>,
}

impl Default for Spread {
    fn default() -> Self {
        Self { base_fall: LEAST_FALL, curve: vec![(0.0, 0.0), (1.0, UNKNOWN_PER_METRE)] }
    }
}

impl Spread {
    /// Learns from canonical nodes; triangles with an edge longer than `max_gap_m` do not count.
    pub(crate) fn learn(nodes: &[Node], max_gap_m: f64) -> Self {
        let mut tries = Vec::new();
        let sample = blocks(nodes);
        for square in SQUARES {
            predict(&sample, square, max_gap_m.max(2.5 * square), &mut tries);
        }
        if tries.len() < ENOUGH {
            return Self::default();
        }
        let mut falls: Vec<f64> = tries.iter().map(|t| t.fall).collect();
        let base_fall = quantile(&mut falls, 0.5).max(LEAST_FALL / 4.0);
        let mut classes: Vec<(Vec<f64>, f64)> = vec![(Vec::new(), 0.0); CLASSES.len()];
        for t in &tries {
            let class = CLASSES.partition_point(|limit| *limit <= t.distance).min(CLASSES.len() - 1);
            classes[class].0.push(t.error / (t.fall + base_fall));
            classes[class].1 += t.distance;
        }
        let mut curve = vec![(0.0, 0.0)];
        let mut highest: f64 = 0.0;
        for (mut errors, distances) in classes {
            if errors.len() >= ENOUGH {
                let at = distances / errors.len() as f64;
                highest = highest.max(quantile(&mut errors, 0.95));
                curve.push((at, highest));
            }
        }
        if curve.len() < 2 {
            return Self { base_fall, ..Self::default() };
        }
        Self { base_fall, curve }
    }

    /// The 95 % error of a prediction `distance` metres from the nearest sounding, in a triangle that falls
    /// `fall` metres a metre.
    pub(crate) fn at(&self, distance: f64, fall: f64) -> f64 {
        let after = self.curve.partition_point(|c| c.0 < distance).clamp(1, self.curve.len() - 1);
        let ((x0, y0), (x1, y1)) = (self.curve[after - 1], self.curve[after]);
        let mut per_metre = (y1 - y0) / (x1 - x0);
        if distance > x1 {
            // Beyond what could be measured: at least the mean growth so far.
            per_metre = per_metre.max(y1 / x1);
        }
        (y0 + per_metre * (distance - x0)).max(y0) * (fall + self.base_fall)
    }
}

/// Fall of a triangle: depth range over its longest edge. Bounded, unlike the gradient of a sliver.
pub(crate) fn fall(p: [[f64; 2]; 3], z: [f64; 3]) -> f64 {
    let longest = distance(p[0], p[1]).max(distance(p[1], p[2])).max(distance(p[2], p[0]));
    let range = z[0].max(z[1]).max(z[2]) - z[0].min(z[1]).min(z[2]);
    if longest > 0.0 { range / longest } else { 0.0 }
}

/// For large surveys every so manieth block of the water, whole, so that spacings stay what they are.
fn blocks(nodes: &[Node]) -> Cow<'_, [Node]> {
    let every = (nodes.len() / MOST_LEARNED) as i64 + 1;
    if every == 1 {
        return Cow::Borrowed(nodes);
    }
    let chosen = |n: &&Node| {
        let [x, y] = n.xy.map(|v| libm::floor(v / BLOCK_M) as i64);
        // Neighbouring rows are staggered, so that no direction is left out.
        (x + y * (every / 2 + 1)).rem_euclid(every) == 0
    };
    Cow::Owned(nodes.iter().filter(chosen).copied().collect())
}

struct Try {
    distance: f64,
    fall: f64,
    error: f64,
}

fn predict(nodes: &[Node], square: f64, longest: f64, tries: &mut Vec<Try>) {
    let mut kept: BTreeMap<[i64; 2], u32> = BTreeMap::new();
    let mut left_out: Vec<u32> = Vec::new();
    for (i, n) in nodes.iter().enumerate() {
        match kept.entry(n.xy.map(|v| libm::floor(v / square) as i64)) {
            Entry::Occupied(_) => left_out.push(i as u32),
            Entry::Vacant(free) => {
                free.insert(i as u32);
            }
        }
    }
    if left_out.len() < ENOUGH {
        return;
    }
    let chosen: Vec<&Node> = kept.values().map(|i| &nodes[*i as usize]).collect();
    let xy: Vec<[f64; 2]> = chosen.iter().map(|n| n.xy).collect();
    let mut triangles = delaunay(&xy);
    triangles.retain(|t| short(t.map(|v| xy[v as usize]), longest));
    let locator = Locator::new(&xy, &triangles);
    for i in left_out.iter().step_by(left_out.len().div_ceil(MOST_TRIED)) {
        let n = &nodes[*i as usize];
        if let Some(place) = locator.find(&xy, &triangles, n.xy) {
            let t = triangles[place.tri as usize];
            let z = t.map(|v| chosen[v as usize].best_m);
            let depth: f64 = (0..3).map(|k| place.weight[k] * z[k]).sum();
            let fall = fall(t.map(|v| xy[v as usize]), z);
            tries.push(Try { distance: place.nearest_m, fall, error: (depth - n.best_m).abs() });
        }
    }
}

fn short(p: [[f64; 2]; 3], longest: f64) -> bool {
    distance(p[0], p[1]) <= longest && distance(p[1], p[2]) <= longest && distance(p[2], p[0]) <= longest
}

/// The value below which a share `q` of `values` lies (nearest rank); `values` is not empty.
pub(crate) fn quantile(values: &mut [f64], q: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let rank = libm::ceil(q * values.len() as f64) as usize;
    values[rank.clamp(1, values.len()) - 1]
}
