//! Lines through sets of nodes.

use super::lattice::Lattice;
use crate::mesh::distance;
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet, BinaryHeap};

/// Nodes up to this many rows and columns apart are linked: one missing node does not break a line.
const BRIDGE: i32 = 2;

/// Links of chosen nodes: for each its neighbours by position in the list.
pub(crate) struct Links {
    to: Vec<Vec<(u32, f64)>>,
}

impl Links {
    /// Links those of `chosen` (ascending nodes) that are near and that `may` be joined.
    pub(crate) fn new(l: &Lattice, chosen: &[u32], may: impl Fn(usize, usize) -> bool) -> Self {
        let mut to = vec![Vec::new(); chosen.len()];
        for (k, i) in chosen.iter().enumerate() {
            let [row, column] = l.spots[*i as usize].key;
            for r in -BRIDGE..=BRIDGE {
                for c in -BRIDGE..=BRIDGE {
                    let Some(j) = l.find([row + r, column + c]) else { continue };
                    let Ok(m) = chosen.binary_search(&(j as u32)) else { continue };
                    if m != k && may(k, m) {
                        // A bridge costs more than two single steps.
                        let bridge = if r.abs().max(c.abs()) > 1 { 1.2 } else { 1.0 };
                        to[k].push((m as u32, bridge * distance(l.xy(*i as usize), l.xy(j))));
                    }
                }
            }
        }
        Self { to }
    }

    /// Groups of linked nodes, each ascending.
    pub(crate) fn groups(&self) -> Vec<Vec<u32>> {
        self.within(&(0..self.to.len() as u32).collect::<Vec<u32>>())
    }

    /// Groups of those of `list` that are linked without the others.
    pub(crate) fn within(&self, list: &[u32]) -> Vec<Vec<u32>> {
        let mut left: BTreeSet<u32> = list.iter().copied().collect();
        let mut out = Vec::new();
        while let Some(start) = left.pop_first() {
            let (mut group, mut open) = (Vec::new(), vec![start]);
            while let Some(k) = open.pop() {
                group.push(k);
                open.extend(self.to[k as usize].iter().map(|t| t.0).filter(|m| left.remove(m)));
            }
            group.sort_unstable();
            out.push(group);
        }
        out
    }

    /// The longest of the shortest ways within `group`: from the place farthest from any to the place farthest from it.
    pub(crate) fn trunk(&self, group: &[u32]) -> Vec<u32> {
        let Some(any) = group.first() else { return Vec::new() };
        let far = |from: u32| {
            let (cost, back) = self.ways(from, group);
            let end = group.iter().copied().max_by(|a, b| cost[a].total_cmp(&cost[b]).then(b.cmp(a)));
            (end.unwrap_or(from), back)
        };
        let (one, _) = far(*any);
        let (mut here, back) = far(one);
        let mut out = vec![here];
        while let Some(before) = back.get(&here) {
            here = *before;
            out.push(here);
        }
        out
    }

    /// Least cost from `from` to each of `group` (infinite where there is no way), and the step before.
    fn ways(&self, from: u32, group: &[u32]) -> (BTreeMap<u32, f64>, BTreeMap<u32, u32>) {
        let mut cost: BTreeMap<u32, f64> = group.iter().map(|k| (*k, f64::INFINITY)).collect();
        let mut back = BTreeMap::new();
        cost.insert(from, 0.0);
        let mut open = BinaryHeap::from([Reverse((0u64, from))]);
        while let Some(Reverse((bits, k))) = open.pop() {
            let so_far = f64::from_bits(bits);
            if so_far > cost[&k] {
                continue;
            }
            for (m, step) in &self.to[k as usize] {
                let Some(known) = cost.get_mut(m) else { continue };
                if so_far + step < *known {
                    *known = so_far + step;
                    back.insert(*m, k);
                    // Costs are not negative, so their bits are in the order of the numbers.
                    open.push(Reverse(((so_far + step).to_bits(), *m)));
                }
            }
        }
        (cost, back)
    }
}

/// `line` with its corners rounded: twice the mean of each inner point (twice) and its neighbours.
pub(crate) fn smooth(mut line: Vec<[f64; 2]>) -> Vec<[f64; 2]> {
    for _ in 0..2 {
        let inner: Vec<[f64; 2]> = line
            .windows(3)
            .map(|w| [0, 1].map(|k| 0.25 * w[0][k] + 0.5 * w[1][k] + 0.25 * w[2][k]))
            .collect();
        let n = line.len();
        if n > 2 {
            line[1..n - 1].copy_from_slice(&inner);
        }
    }
    line
}

/// Length of a line, metres.
pub(crate) fn length(line: &[[f64; 2]]) -> f64 {
    line.windows(2).map(|w| distance(w[0], w[1])).sum()
}

/// Share of the points of `line` within `near` metres of `other`'s points.
pub(crate) fn along(line: &[[f64; 2]], other: &[[f64; 2]], near: f64) -> f64 {
    let close = |p: &&[f64; 2]| other.iter().any(|q| distance(**p, *q) <= near);
    if line.is_empty() { 0.0 } else { line.iter().filter(close).count() as f64 / line.len() as f64 }
}

#[cfg(test)]
mod tests {
    use super::super::lattice::Spot;
    use super::*;
    use leadline_model::Grade;

    #[test]
    fn trunk_is_the_longest_way() {
        // A T of 9 and 4 nodes with one node of the bar missing: the trunk is the bar, 8 m long with its bridge.
        let keys = (0..9).filter(|c| *c != 2).map(|c| [0, c]).chain((1..4).map(|r| [r, 5]));
        let spots = keys.map(|key| Spot { key, depth_m: 1.0, tvu95_m: 0.1, grade: Grade::Sure }).collect();
        let l = Lattice::new(1.0, spots);
        let chosen: Vec<u32> = (0..l.len() as u32).collect();
        let links = Links::new(&l, &chosen, |_, _| true);
        let groups = links.groups();
        assert_eq!(groups.len(), 1);
        let line: Vec<[f64; 2]> = links.trunk(&groups[0]).iter().map(|k| l.xy(*k as usize)).collect();
        assert!((length(&line) - 8.0).abs() < 1e-12 && line.iter().all(|p| p[1] == 0.5), "{line:?}");
        assert_eq!(along(&line, &[[0.5, 0.5]], 1.1), 0.25);
        assert_eq!(smooth(vec![[0.0, 0.0], [1.0, 1.0], [2.0, 0.0]])[1], [1.0, 0.25]);
    }
}
