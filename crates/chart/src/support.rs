//! Places between the cells that the surface is bent through.
//!
//! Edges longer than half the usual gap are halved until none is left, triangles with them: three, two or one
//! halved edge make four, three or two triangles, so neighbours always fit and the outline stays as it was. The
//! depth of every such place comes from the bed's model.

use crate::bed::Bed;
use crate::ground::{Found, Ground};
use crate::mesh::{NONE, distance, edges};
use crate::nodes::Node;

/// Edges longer than this share of the usual gap, and than this, are halved.
const SHARE: f64 = 0.55;
const LEAST_M: f64 = 12.0;
/// Halvings one edge can see; 2⁶ of the least length are longer than any gap a survey should have.
const MOST_ROUNDS: usize = 6;
/// Places in a square of this many usual gaps are solved together.
const SQUARE: f64 = 1.0;

/// Halves long edges of `triangles`; new places go behind the cells in `nodes`.
pub(crate) fn refine(nodes: &mut Vec<Node>, triangles: &mut Vec<[u32; 3]>, gap_m: f64) {
    let longest = (SHARE * gap_m).max(LEAST_M);
    for _ in 0..MOST_ROUNDS {
        let before = nodes.len();
        let (edge, _) = edges(triangles);
        let mut middle: Vec<u32> = vec![NONE; 3 * triangles.len()];
        for (t, e) in triangles.iter().zip(&edge) {
            for i in 0..3 {
                let (a, b) = (t[i].min(t[(i + 1) % 3]), t[i].max(t[(i + 1) % 3]));
                if middle[e[i] as usize] == NONE
                    && distance(nodes[a as usize].xy, nodes[b as usize].xy) > longest
                {
                    middle[e[i] as usize] = nodes.len() as u32;
                    nodes.push(Node::between(&nodes[a as usize], &nodes[b as usize]));
                }
            }
        }
        if nodes.len() == before {
            return;
        }
        let mut cut = Vec::with_capacity(triangles.len() * 2);
        for (t, e) in triangles.iter().zip(&edge) {
            split(*t, e.map(|e| middle[e as usize]), nodes, &mut cut);
        }
        *triangles = cut;
    }
}

/// A triangle whose edges i have middles `m[i]` or none.
fn split(t: [u32; 3], m: [u32; 3], nodes: &[Node], out: &mut Vec<[u32; 3]>) {
    let halved = m.iter().filter(|m| **m != NONE).count();
    match halved {
        0 => out.push(t),
        3 => {
            out.extend([[t[0], m[0], m[2]], [m[0], t[1], m[1]], [m[2], m[1], t[2]], [m[0], m[1], m[2]]]);
        }
        1 => {
            let i = (0..3).find(|i| m[*i] != NONE).unwrap_or(0);
            let (a, b, c) = (t[i], t[(i + 1) % 3], t[(i + 2) % 3]);
            out.extend([[a, m[i], c], [m[i], b, c]]);
        }
        _ => {
            // Edge i is whole; the corner opposite to it is cut off, the rest is halved by its shorter diagonal.
            let i = (0..3).find(|i| m[*i] == NONE).unwrap_or(0);
            let (a, b, c) = (t[i], t[(i + 1) % 3], t[(i + 2) % 3]);
            let (bc, ca) = (m[(i + 1) % 3], m[(i + 2) % 3]);
            let far = |p: u32, q: u32| distance(nodes[p as usize].xy, nodes[q as usize].xy);
            out.push([ca, bc, c]);
            if far(a, bc) <= far(b, ca) {
                out.extend([[a, b, bc], [a, bc, ca]]);
            } else {
                out.extend([[a, b, ca], [b, bc, ca]]);
            }
        }
    }
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
            let pulled = place.best_m - place.safe_m;
            place.best_m = depth;
            place.safe_m = depth - pulled;
            place.gap95_m = bed.error95(variance, *fall);
        }
    }
}
