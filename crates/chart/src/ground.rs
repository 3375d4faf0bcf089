//! What is known around a place: cells averaged to spots that are a third of the usual gap apart.
//!
//! Neighbours on one track say almost the same; their mean says it with less noise and leaves room for the next
//! tracks in a system of bounded size.

use crate::grain::Grain;
use crate::krige::Known;
use crate::near::Near;
use crate::nodes::Node;

/// Spots used for one place.
pub(crate) const MOST_USED: usize = 40;
/// Spots per usual gap.
const PER_GAP: f64 = 3.0;
/// How far spots are looked for, in usual gaps.
const REACH: f64 = 3.5;
/// No cell counts as better than this in a mean, metres (judgement: what a small sounder resolves).
const LEAST_TVU_M: f64 = 0.05;

/// Spots with their index and the grain of the bed.
#[derive(Clone, Debug)]
pub(crate) struct Ground {
    spots: Vec<Known>,
    near: Near,
    pub(crate) grain: Grain,
    pub(crate) gap_m: f64,
}

/// Scratch for neighbours: distance² and index.
pub(crate) type Found = Vec<(f64, u32)>;

impl Ground {
    /// Averages the cells in `nodes`; `triangles` over them tell the grain.
    pub(crate) fn new(nodes: &[Node], triangles: &[[u32; 3]], gap_m: f64) -> Self {
        let spots = spots(nodes, gap_m / PER_GAP);
        let xy: Vec<[f64; 2]> = spots.iter().map(|s| s.xy).collect();
        Self { near: Near::new(&xy, gap_m), spots, grain: Grain::new(nodes, triangles, gap_m), gap_m }
    }

    /// The nearest spots around `p` by `metric`, of those that `may` be used, in canonical order.
    pub(crate) fn around(
        &self,
        p: [f64; 2],
        metric: [f64; 3],
        may: impl Fn([f64; 2]) -> bool,
        found: &mut Found,
    ) -> Vec<Known> {
        found.clear();
        let [a, b, d] = metric;
        // Its larger eigenvalue is how much farther it reaches along the grain (determinant 1).
        let half = (a + d) / 2.0;
        let reach = REACH * self.gap_m * (half + libm::sqrt((half * half - 1.0).max(0.0)));
        self.near.within(p, reach, |i| {
            let q = self.spots[i as usize].xy;
            let (x, y) = (q[0] - p[0], q[1] - p[1]);
            if may(q) {
                let (u, v) = (a * x + b * y, b * x + d * y);
                found.push((u * u + v * v, i));
            }
        });
        if found.len() > MOST_USED {
            found.select_nth_unstable_by(MOST_USED - 1, |a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            found.truncate(MOST_USED);
        }
        found.sort_unstable_by_key(|f| f.1);
        found.iter().map(|f| self.spots[f.1 as usize]).collect()
    }
}

/// Means of the cells in squares of `side` metres, weighted by what they know.
fn spots(nodes: &[Node], side: f64) -> Vec<Known> {
    let mut order: Vec<([i64; 2], u32)> = nodes
        .iter()
        .enumerate()
        .map(|(i, n)| (n.xy.map(|v| libm::floor(v / side) as i64), i as u32))
        .collect();
    order.sort_unstable();
    order
        .chunk_by(|a, b| a.0 == b.0)
        .map(|group| {
            let (mut weight, mut sum) = (0.0, [0.0; 4]);
            for (_, i) in group {
                let n = &nodes[*i as usize];
                let sd = n.tvu95_m.max(LEAST_TVU_M) / 1.96;
                let w = 1.0 / (sd * sd);
                weight += w;
                // Errors of cells are mostly common to them: the mean has their mean variance.
                for (s, v) in sum.iter_mut().zip([n.xy[0], n.xy[1], n.best_m, sd * sd]) {
                    *s += w * v;
                }
            }
            let [x, y, depth_m, variance_m2] = sum.map(|s| s / weight);
            Known { xy: [x, y], depth_m, variance_m2 }
        })
        .collect()
}
