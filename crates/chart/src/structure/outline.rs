//! The line round a set of nodes, drawn where the height crosses a level.

use super::lattice::{Lattice, NONE};
use std::collections::BTreeMap;

/// A crossing lies between an inner node and one of its neighbours by side: inner node, direction (0 east, 2 north,
/// 4 west, 6 south).
type Crossing = (u32, u8);

/// Rings round `inner` (ascending nodes, joined by sides or corners), outer ones counter-clockwise, holes clockwise,
/// the first corner not repeated. Crossings are linear between heights in and out; beside unknown places half way.
pub(crate) fn rings(
    l: &Lattice,
    height: impl Fn(usize) -> f64,
    inner: &[u32],
    level: f64,
) -> Vec<Vec<[f64; 2]>> {
    let within = |i: u32| i != NONE && inner.binary_search(&i).is_ok();
    // For every crossing the next one, the inner ground on the left.
    let mut next: BTreeMap<Crossing, Crossing> = BTreeMap::new();
    for i in inner {
        for side in [0u8, 2, 4, 6] {
            if !within(l.beside[*i as usize][side as usize]) {
                next.insert((*i, side), follow(l, &within, *i, side));
            }
        }
    }
    let place = |(i, side): Crossing| {
        let p = l.xy(i as usize);
        let j = l.beside[i as usize][side as usize];
        let h = height(i as usize);
        let share = match j {
            NONE => 0.5,
            // A node outside may still be above the level: it belongs to other ground.
            j if height(j as usize) >= level => 0.5,
            j => ((h - level) / (h - height(j as usize))).clamp(0.0, 1.0),
        };
        let [r, c] = super::lattice::SIDES[side as usize].map(f64::from);
        [p[0] + share * c * l.step_m, p[1] + share * r * l.step_m]
    };
    let mut out = Vec::new();
    while let Some(start) = next.keys().next().copied() {
        let (mut ring, mut here) = (Vec::new(), start);
        while let Some(after) = next.remove(&here) {
            ring.push(place(here));
            here = after;
        }
        if ring.len() > 2 {
            out.push(ring);
        }
    }
    out.sort_by(|a, b| twice_area(b).total_cmp(&twice_area(a)));
    out
}

/// The next crossing counter-clockwise round the inner ground: outside of `i` lies on `side`, and we walk with the
/// ground on our left.
fn follow(l: &Lattice, within: &impl Fn(u32) -> bool, i: u32, side: u8) -> Crossing {
    // Facing `side`, left of us is side + 2. The square between has the nodes i, the outer one, the one left of i, and
    // the one at the corner.
    let left = (side + 2) % 8;
    let corner = (side + 1) % 8;
    let b = l.beside[i as usize];
    if within(b[corner as usize]) {
        // The corner node is inner: its crossing back toward the outer node.
        return (b[corner as usize], (side + 6) % 8);
    }
    if within(b[left as usize]) {
        return (b[left as usize], side);
    }
    (i, left)
}

/// Twice the signed area; positive counter-clockwise.
pub(crate) fn twice_area(ring: &[[f64; 2]]) -> f64 {
    let n = ring.len();
    (0..n).map(|k| (ring[k], ring[(k + 1) % n])).map(|(a, b)| a[0] * b[1] - b[0] * a[1]).sum()
}

#[cfg(test)]
mod tests {
    use super::super::lattice::Spot;
    use super::*;
    use leadline_model::Grade;

    fn ground(rows: &[&str]) -> Lattice {
        let mut spots = Vec::new();
        for (r, line) in rows.iter().rev().enumerate() {
            for (c, ch) in line.bytes().enumerate() {
                let depth_m = if ch == b'#' { -1.0 } else { 1.0 };
                spots.push(Spot { key: [r as i32, c as i32], depth_m, tvu95_m: 0.1, grade: Grade::Sure });
            }
        }
        Lattice::new(1.0, spots)
    }

    fn of(rows: &[&str]) -> Vec<f64> {
        let l = ground(rows);
        let inner: Vec<u32> = (0..l.len() as u32).filter(|i| l.depth(*i as usize) < 0.0).collect();
        rings(&l, |i| -l.depth(i), &inner, 0.0).iter().map(|r| twice_area(r) / 2.0).collect()
    }

    #[test]
    fn areas_by_hand() {
        // One node: a diamond of half diagonals ½: area ½. Two nodes: 1 more. A diagonal pair is one ring: the two
        // diamonds and the strip between them, ½ + ½ + ½.
        assert_eq!(of(&["...", ".#.", "..."]), [0.5]);
        assert_eq!(of(&["....", ".##.", "...."]), [1.5]);
        assert_eq!(of(&["....", ".#..", "..#.", "...."]), [1.5]);
        // A ring of eight round an open middle: 3 × 3 nodes are an octagon of 8.5 − …: the outer ring by hand
        // is 2 × 2 + 4 × 2 × ½ + 4 × ⅛ = 8.5, the hole is the middle's diamond, −½.
        assert_eq!(of(&[".....", ".###.", ".#.#.", ".###.", "....."]), [8.5, -0.5]);
    }
}
