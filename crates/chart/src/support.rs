//! Places between the cells that the surface is bent through.
//!
//! They lie in the middles of the widest circles without a cell (circumcentres of Delaunay triangles), one for each
//! square of a part of the usual gap, and are woven into the triangles by flipping edges. The outline of the surface
//! stays as it was. The depth of every such place comes from the bed's model.

use crate::bed::Bed;
use crate::fabric::Fabric;
use crate::ground::{Found, Ground};
use crate::mesh::distance;
use crate::nodes::Node;

/// Circles with a radius over this share of the usual gap, and over this, get a place (judgement: within a few cells
/// of a sounding a bed does not bend by more than the soundings scatter).
const SHARE: f64 = 0.3;
const LEAST_M: f64 = 7.0;
/// Side of the squares with one new place, and how near an old one it may be, in usual gaps.
const PITCH: f64 = 0.35;
const APART: f64 = 0.2;
/// Each round halves the empty circles.
const MOST_ROUNDS: usize = 4;
/// Places in a square of this many usual gaps are solved together.
const SQUARE: f64 = 1.0;

/// Weaves places into `triangles`; they go behind the cells in `nodes`.
pub(crate) fn refine(nodes: &mut Vec<Node>, triangles: &mut Vec<[u32; 3]>, gap_m: f64) {
    let mut fabric = Fabric::new(nodes.iter().map(|n| n.xy).collect(), std::mem::take(triangles));
    for _ in 0..MOST_ROUNDS {
        let before = nodes.len();
        for (t, middle) in widest(&fabric, gap_m) {
            let Some((t, at)) = fabric.find(t, middle) else { continue };
            let corner = fabric.tri[t as usize];
            let p = corner.map(|v| fabric.xy[v as usize]);
            if p.iter().all(|q| distance(*q, at) > APART * gap_m) {
                nodes.push(Node::within(corner.map(|v| &nodes[v as usize]), p, at));
                fabric.weave(t, at);
            }
        }
        if nodes.len() == before {
            break;
        }
    }
    *triangles = fabric.tri;
}

/// The triangle with the widest circle of every square that has a wide one, and the circle's middle.
fn widest(fabric: &Fabric, gap_m: f64) -> Vec<(u32, [f64; 2])> {
    let least = (SHARE * gap_m).max(LEAST_M);
    let mut wide: Vec<([i64; 2], f64, u32, [f64; 2])> = Vec::new();
    for t in 0..fabric.tri.len() as u32 {
        if let Some((middle, radius)) = fabric.circle(t).filter(|c| c.1 > least) {
            wide.push((middle.map(|v| libm::floor(v / (PITCH * gap_m)) as i64), radius, t, middle));
        }
    }
    wide.sort_unstable_by(|a, b| a.0.cmp(&b.0).then(b.1.total_cmp(&a.1)).then(a.2.cmp(&b.2)));
    wide.dedup_by_key(|w| w.0);
    wide.into_iter().map(|w| (w.2, w.3)).collect()
}

/// Gives the places behind the first `cells` nodes their depth and error. Where the model has nothing to say
/// they stay half way between the ends of their edge, as unsure as a place one usual gap from any cell.
pub(crate) fn bend(nodes: &mut [Node], cells: usize, bed: &Bed, ground: &Ground) {
    let side = SQUARE * ground.gap_m;
    let places = &mut nodes[cells..];
    let mut order: Vec<([i64; 2], u32)> = places
        .iter()
        .enumerate()
        .map(|(i, n)| (n.xy.map(|v| libm::floor(v / side) as i64), i as u32))
        .collect();
    order.sort_unstable();
    let mut found = Found::new();
    for together in order.chunk_by(|a, b| a.0 == b.0) {
        let middle = together[0].0.map(|v| (v as f64 + 0.5) * side);
        let solved = bed.patch(ground, middle, &mut found);
        for (_, i) in together {
            let place = &mut places[*i as usize];
            let Some((patch, fall)) = &solved else {
                place.gap95_m = bed.straight95(ground.gap_m, 0.0);
                continue;
            };
            let (depth, variance) = patch.at(place.xy);
            let moved = depth - place.best_m;
            place.best_m = depth;
            // Shoaler wins: where the model says deeper than straight lines, boats are led by straight lines.
            place.safe_m += moved.min(0.0);
            place.line_m += moved.min(0.0);
            place.gap95_m = bed.error95(variance, *fall);
        }
    }
}
