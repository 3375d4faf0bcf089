//! A regular grid of depths over the known water only: square nodes of true metres, aligned to the frame's zero.

use crate::Surface;
use leadline_model::Grade;
use std::collections::{BTreeMap, BTreeSet};

/// No neighbour.
pub(crate) const NONE: u32 = u32::MAX;
/// The eight neighbours as (row north, column east), east first, counter-clockwise.
pub(crate) const SIDES: [[i32; 2]; 8] =
    [[0, 1], [1, 1], [1, 0], [1, -1], [0, -1], [-1, -1], [-1, 0], [-1, 1]];
/// Most nodes looked at; wider waters get a wider step.
const MOST_NODES: f64 = 2_000_000.0;
/// Farthest distance from the rim that is counted, in nodes.
const DEEP_INSIDE: u8 = 200;
/// Share of the fine nodes a coarse node needs.
const KNOWN_SHARE: f64 = 0.5;

/// One node's values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Spot {
    /// Row (northward) and column (eastward).
    pub(crate) key: [i32; 2],
    /// Mean best depth of the square, metres below the sounding datum.
    pub(crate) depth_m: f64,
    /// Total uncertainty, 95 %, metres.
    pub(crate) tvu95_m: f64,
    /// Worst grade of the places looked at.
    pub(crate) grade: Grade,
}

/// Nodes by row and column, with their neighbours.
#[derive(Clone, Debug)]
pub(crate) struct Lattice {
    pub(crate) step_m: f64,
    pub(crate) spots: Vec<Spot>,
    /// First node of every row.
    rows: BTreeMap<i32, u32>,
    pub(crate) beside: Vec<[u32; 8]>,
    /// Nodes to the nearest place that is not known: 0 on the rim.
    pub(crate) inside: Vec<u8>,
}

impl Lattice {
    /// Samples the best surface every `step_m` metres or, if that were too many nodes, as densely as is allowed.
    pub(crate) fn of(surface: &Surface, step_m: f64) -> Self {
        let block_m = surface.settings().max_gap_m.max(step_m);
        let mut blocks: BTreeSet<[i32; 2]> = BTreeSet::new();
        for n in surface.nodes() {
            let [e, n] = n.xy.map(|v| libm::floor(v / block_m) as i32);
            blocks.extend((-1..=1).flat_map(|r| (-1..=1).map(move |c| [n + r, e + c])));
        }
        let area = blocks.len() as f64 * block_m * block_m;
        let step_m = step_m.max(libm::sqrt(area / MOST_NODES));
        let within = |b: i32| {
            let first = |edge: i32| libm::ceil(f64::from(edge) * block_m / step_m - 0.5) as i32;
            first(b)..first(b + 1)
        };
        let keys = blocks.iter().flat_map(|b| within(b[0]).flat_map(|r| within(b[1]).map(move |c| [r, c])));
        Self::new(step_m, keys.filter_map(|k| spot(surface, step_m, k)).collect())
    }

    /// A lattice of ready spots, each key once.
    pub(crate) fn new(step_m: f64, mut spots: Vec<Spot>) -> Self {
        spots.sort_by_key(|s| s.key);
        spots.dedup_by_key(|s| s.key);
        let mut rows = BTreeMap::new();
        for (i, s) in spots.iter().enumerate() {
            rows.entry(s.key[0]).or_insert(i as u32);
        }
        let mut new = Self { step_m, spots, rows, beside: Vec::new(), inside: Vec::new() };
        new.beside = (0..new.len()).map(|i| new.around(i)).collect();
        new.inside = new.distances();
        new
    }

    /// The mean of `side` × `side` nodes, where at least half of them are known.
    pub(crate) fn coarser(&self, side: i32) -> Self {
        let mut groups: BTreeMap<[i32; 2], (f64, f64, f64, Grade)> = BTreeMap::new();
        for s in &self.spots {
            let g = groups.entry(s.key.map(|k| k.div_euclid(side))).or_insert((0.0, 0.0, 0.0, Grade::Sure));
            *g = (g.0 + 1.0, g.1 + s.depth_m, g.2 + s.tvu95_m, g.3.max(s.grade));
        }
        let least = KNOWN_SHARE * f64::from(side * side);
        let spots = groups.into_iter().filter(|(_, g)| g.0 >= least).map(|(key, g)| Spot {
            key,
            depth_m: g.1 / g.0,
            tvu95_m: g.2 / g.0,
            grade: g.3,
        });
        Self::new(self.step_m * f64::from(side), spots.collect())
    }

    pub(crate) fn len(&self) -> usize {
        self.spots.len()
    }

    pub(crate) fn depth(&self, i: usize) -> f64 {
        self.spots[i].depth_m
    }

    /// Middle of node `i`, frame metres east and north.
    pub(crate) fn xy(&self, i: usize) -> [f64; 2] {
        let [r, c] = self.spots[i].key;
        [(f64::from(c) + 0.5) * self.step_m, (f64::from(r) + 0.5) * self.step_m]
    }

    /// The node at a row and column.
    pub(crate) fn find(&self, [row, column]: [i32; 2]) -> Option<usize> {
        let first = *self.rows.get(&row)? as usize;
        let end = self.rows.range(row + 1..).next().map_or(self.len(), |(_, i)| *i as usize);
        let k = self.spots[first..end].binary_search_by_key(&column, |s| s.key[1]).ok()?;
        Some(first + k)
    }

    /// The node whose square holds `p`.
    pub(crate) fn at(&self, p: [f64; 2]) -> Option<usize> {
        let [e, n] = p.map(|v| libm::floor(v / self.step_m) as i32);
        self.find([n, e])
    }

    /// Depth between four nodes, linear both ways; `None` where one of them is not known.
    pub(crate) fn between(&self, p: [f64; 2]) -> Option<f64> {
        let [x, y] = p.map(|v| v / self.step_m - 0.5);
        let (c, r) = (libm::floor(x), libm::floor(y));
        let (tx, ty) = (x - c, y - r);
        let low = self.find([r as i32, c as i32])?;
        let [east, north_east, north] = [0, 1, 2].map(|k| self.beside[low][k]);
        if east == NONE || north_east == NONE || north == NONE {
            return None;
        }
        let d = |i: u32| self.depth(i as usize);
        let (south, above) =
            (self.depth(low) * (1.0 - tx) + d(east) * tx, d(north) * (1.0 - tx) + d(north_east) * tx);
        Some(south * (1.0 - ty) + above * ty)
    }

    /// Indices of the square of nodes up to `reach` rows and columns away, row by row from the south, if all of
    /// them are known.
    pub(crate) fn window(&self, i: usize, reach: i32) -> Option<Vec<usize>> {
        if i32::from(self.inside[i]) < reach {
            return None;
        }
        let [row, column] = self.spots[i].key;
        let mut all = Vec::with_capacity(((2 * reach + 1) * (2 * reach + 1)) as usize);
        for r in row - reach..=row + reach {
            let first = self.find([r, column - reach])?;
            all.extend(first..=first + 2 * reach as usize);
        }
        Some(all)
    }

    fn around(&self, i: usize) -> [u32; 8] {
        let [row, column] = self.spots[i].key;
        SIDES.map(|[r, c]| match r {
            0 => {
                let j = if c > 0 { i + 1 } else { i.wrapping_sub(1) };
                let there = self.spots.get(j).is_some_and(|s| s.key == [row, column + c]);
                if there { j as u32 } else { NONE }
            }
            _ => self.find([row + r, column + c]).map_or(NONE, |j| j as u32),
        })
    }

    /// Steps to the rim, breadth first.
    fn distances(&self) -> Vec<u8> {
        let mut out = vec![DEEP_INSIDE; self.len()];
        let mut open: Vec<u32> = Vec::new();
        for (i, b) in self.beside.iter().enumerate() {
            if b.contains(&NONE) {
                out[i] = 0;
                open.push(i as u32);
            }
        }
        for far in 1..DEEP_INSIDE {
            let mut next = Vec::new();
            for i in open {
                for j in self.beside[i as usize] {
                    if j != NONE && out[j as usize] == DEEP_INSIDE {
                        out[j as usize] = far;
                        next.push(j);
                    }
                }
            }
            open = next;
        }
        out
    }
}

/// The mean of four places of a square; three of them must be known.
fn spot(surface: &Surface, step_m: f64, key: [i32; 2]) -> Option<Spot> {
    let (mut n, mut depth, mut tvu, mut grade) = (0.0, 0.0, 0.0, Grade::Sure);
    for [r, c] in [[0.25, 0.25], [0.25, 0.75], [0.75, 0.25], [0.75, 0.75]] {
        let (east, north) = ((f64::from(key[1]) + c) * step_m, (f64::from(key[0]) + r) * step_m);
        if let Some(e) = surface.depth_at(surface.frame().place(east, north)) {
            (n, depth, tvu) = (n + 1.0, depth + e.depth_m, tvu + e.tvu95_m);
            grade = grade.max(e.grade);
        }
    }
    (n >= 3.0).then(|| Spot { key, depth_m: depth / n, tvu95_m: tvu / n, grade })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square(n: i32) -> Lattice {
        let spot = |r: i32, c: i32| Spot {
            key: [r, c],
            depth_m: f64::from(r) + 10.0 * f64::from(c),
            tvu95_m: 0.1,
            grade: Grade::Sure,
        };
        Lattice::new(2.0, (-n..=n).flat_map(|r| (-n..=n).map(move |c| spot(r, c))).collect())
    }

    #[test]
    fn neighbours_distances_and_windows() {
        let l = square(3);
        let middle = l.find([0, 0]).expect("there");
        assert_eq!(l.inside[middle], 3);
        for (k, s) in SIDES.iter().enumerate() {
            assert_eq!(l.spots[l.beside[middle][k] as usize].key, *s);
        }
        let w = l.window(middle, 2).expect("complete");
        assert_eq!((w.len(), l.spots[w[0]].key, l.spots[w[24]].key), (25, [-2, -2], [2, 2]));
        assert!(l.window(l.find([2, 0]).expect("there"), 2).is_none());
        // Linear both ways: exact on a plane. Node (0, 0) has its middle at 1 m, 1 m.
        let d = l.between([2.0, 2.5]).expect("inside");
        assert!((d - (0.75 + 5.0)).abs() < 1e-12, "{d}");
        assert!(l.between([100.0, 0.0]).is_none());
    }

    #[test]
    fn coarser_nodes_are_means() {
        let l = square(4).coarser(3);
        assert_eq!(l.step_m, 6.0);
        let i = l.find([0, 0]).expect("there");
        assert!((l.depth(i) - 11.0).abs() < 1e-12, "rows and columns 0 to 2");
    }
}
