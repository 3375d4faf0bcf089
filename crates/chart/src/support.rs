//! Places between the cells that the surface is bent through.
//!
//! Edges longer than half the usual gap are halved until none is left, triangles with them: three, two or one
//! halved edge make four, three or two triangles, so neighbours always fit and the outline stays as it was. The
//! depth of every such place comes from the bed's model.

use crate::bed::{Bed, Found, Ground};
use crate::mesh::{NONE, distance, edges};
use crate::nodes::Node;
use std::collections::BTreeMap;

/// Edges longer than this share of the usual gap, and than this, are halved.
const SHARE: f64 = 0.55;
const LEAST_M: f64 = 12.0;
/// Halvings one edge can see; 2⁶ of the least length are longer than any gap a survey should have.
const MOST_ROUNDS: usize = 6;
/// Places in a square of this share of the gap are solved together.
const SQUARE: f64 = 0.35;

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
/// they stay half way between the ends of their edge.
pub(crate) fn bend(nodes: &mut [Node], cells: usize, bed: &Bed, gap_m: f64) {
    let (known, places) = nodes.split_at_mut(cells);
    let ground = Ground::new(known, gap_m);
    let mut squares: BTreeMap<[i64; 2], Vec<u32>> = BTreeMap::new();
    for (i, n) in places.iter().enumerate() {
        let key = n.xy.map(|v| libm::floor(v / (SQUARE * gap_m)) as i64);
        squares.entry(key).or_default().push(i as u32);
    }
    let mut found = Found::new();
    for together in squares.values() {
        let count = together.len() as f64;
        let mean = |k: usize| together.iter().map(|i| places[*i as usize].xy[k]).sum::<f64>() / count;
        let Some((patch, fall)) = bed.patch(&ground, [mean(0), mean(1)], &mut found) else { continue };
        for i in together {
            let place = &mut places[*i as usize];
            let (depth, variance) = patch.at(place.xy);
            let moved = depth - place.best_m;
            place.best_m = depth;
            place.safe_m += moved;
            place.line_m += moved;
            place.gap95_m = bed.error95(variance, fall);
        }
    }
}
