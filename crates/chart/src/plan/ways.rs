//! Ways between places over open squares, and how far they are.

use super::ground::{Ground, State};
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// A metre through unknown water counts as this many: a known way round is taken if it is not much longer (judgement).
const UNKNOWN_COSTS: u64 = 3;
/// Squares of the coarse ground that distances are estimated on, about.
const COARSE: usize = 20_000;
const FAR: u32 = u32::MAX;

/// Groups of open squares that hang together; 0 = not open.
pub(crate) fn basins(ground: &Ground<'_>) -> Vec<u32> {
    let mut basin = vec![0; ground.state.len()];
    let mut next = 0;
    for i in 0..basin.len() {
        if basin[i] != 0 || !ground.open(i) {
            continue;
        }
        next += 1;
        basin[i] = next;
        let mut open = vec![i];
        while let Some(j) = open.pop() {
            for k in steps(ground, j) {
                if basin[k.0] == 0 {
                    basin[k.0] = next;
                    open.push(k.0);
                }
            }
        }
    }
    basin
}

/// Open squares beside square `i`, and whether the step is a slanting one. No cutting of corners.
fn steps<'a>(ground: &'a Ground<'_>, i: usize) -> impl Iterator<Item = (usize, bool)> + 'a {
    let w = ground.columns;
    ground.around(i).filter(move |j| ground.open(*j)).filter_map(move |j| {
        let slanting = i % w != j % w && i / w != j / w;
        let beside = [i / w * w + j % w, j / w * w + i % w];
        (!slanting || beside.iter().all(|b| ground.open(*b))).then_some((j, slanting))
    })
}

/// The shortest way from `a` to `b`, bends only where needed; `None` where there is none.
pub(crate) fn way(ground: &Ground<'_>, a: [f64; 2], b: [f64; 2]) -> Option<Vec<[f64; 2]>> {
    if ground.sees(a, b) {
        return Some(vec![a, b]);
    }
    let (from, to) = (ground.square(a)?, ground.square(b)?);
    if !ground.open(from) || !ground.open(to) {
        return None;
    }
    let squares = squares(ground, from, to)?;
    let inner = squares.get(1..squares.len().saturating_sub(1)).unwrap_or_default();
    let points: Vec<[f64; 2]> =
        std::iter::once(a).chain(inner.iter().map(|i| ground.middle(*i))).chain([b]).collect();
    Some(pulled(ground, &points))
}

/// A* over squares: costs in millimetres, so that ties break the same way everywhere.
fn squares(ground: &Ground<'_>, from: usize, to: usize) -> Option<Vec<usize>> {
    let w = ground.columns;
    let straight = (ground.side * 1000.0) as u64;
    let slanting = (ground.side * 1414.2) as u64;
    let left = |i: usize| {
        let (dx, dy) = ((i % w).abs_diff(to % w) as u64, (i / w).abs_diff(to / w) as u64);
        straight * (dx.max(dy) - dx.min(dy)) + slanting * dx.min(dy)
    };
    let mut best = vec![u64::MAX; ground.state.len()];
    let mut before = vec![u32::MAX; ground.state.len()];
    let mut open = BinaryHeap::from([Reverse((left(from), from as u32))]);
    best[from] = 0;
    while let Some(Reverse((estimate, i))) = open.pop() {
        let i = i as usize;
        if i == to {
            break;
        }
        if estimate > best[i] + left(i) {
            continue;
        }
        for (j, is_slanting) in steps(ground, i) {
            let times = if ground.state[j] == State::Clear { 1 } else { UNKNOWN_COSTS };
            let cost = best[i] + times * if is_slanting { slanting } else { straight };
            if cost < best[j] {
                (best[j], before[j]) = (cost, i as u32);
                open.push(Reverse((cost + left(j), j as u32)));
            }
        }
    }
    if best[to] == u64::MAX {
        return None;
    }
    let mut out = vec![to];
    let mut at = to;
    while at != from {
        at = before[at] as usize;
        out.push(at);
    }
    out.reverse();
    Some(out)
}

/// Leaves out places that the ones around them see past. Never leads out of known into unknown water to be shorter.
fn pulled(ground: &Ground<'_>, points: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let known = |a: [f64; 2], b: [f64; 2]| {
        super::ground::along(a, b, ground.side / 3.0)
            .all(|p| ground.square(p).is_some_and(|i| ground.state[i] == State::Clear))
    };
    let mut out = vec![points[0]];
    let mut i = 0;
    while i + 1 < points.len() {
        let all_known = |j: usize| points[i..=j].windows(2).all(|w| known(w[0], w[1]));
        let mut j = i + 1;
        let mut stretch = all_known(j);
        // Farther ones are tried as long as they are seen; a known stretch stays known.
        while j + 1 < points.len() {
            stretch = stretch && known(points[j], points[j + 1]);
            let seen =
                if stretch { known(points[i], points[j + 1]) } else { ground.sees(points[i], points[j + 1]) };
            if !seen {
                break;
            }
            j += 1;
        }
        out.push(points[j]);
        i = j;
    }
    out
}

/// Estimated ways from places to places: straight where one sees the other, else over a coarser ground.
pub(crate) struct Distances<'a, 'b> {
    ground: &'a Ground<'b>,
    places: Vec<[f64; 2]>,
    /// Sides of a coarse square in squares.
    times: usize,
    columns: usize,
    open: Vec<bool>,
    /// Steps from each place to every coarse square, made when first asked for.
    from: Vec<Option<Vec<u32>>>,
}

impl<'a, 'b> Distances<'a, 'b> {
    pub(crate) fn new(ground: &'a Ground<'b>, places: Vec<[f64; 2]>) -> Self {
        let mut times = 1;
        while ground.state.len() / (times * times) > COARSE {
            times += 1;
        }
        let columns = ground.columns.div_ceil(times);
        let rows = ground.rows.div_ceil(times);
        let mut count = vec![(0, 0); columns * rows];
        for i in 0..ground.state.len() {
            let at = &mut count[i / ground.columns / times * columns + i % ground.columns / times];
            at.0 += usize::from(ground.open(i));
            at.1 += 1;
        }
        let open = count.into_iter().map(|(open, all)| 2 * open >= all && open > 0).collect();
        let from = places.iter().map(|_| None).collect();
        Self { ground, places, times, columns, open, from }
    }

    /// Metres from place `a` to place `b`, about.
    pub(crate) fn metres(&mut self, a: usize, b: usize) -> f64 {
        let (p, q) = (self.places[a], self.places[b]);
        let straight = libm::hypot(q[0] - p[0], q[1] - p[1]);
        if self.ground.sees(p, q) {
            return straight;
        }
        let to = self.coarse(q);
        if self.from[a].is_none() {
            self.from[a] = Some(self.flood(self.coarse(p)));
        }
        let steps = self.from[a].as_ref().and_then(|f| f.get(to)).copied().unwrap_or(FAR);
        // No way on the coarse ground: there may be a narrow one.
        let round = if steps == FAR { 2.0 * straight } else { f64::from(steps) / 1000.0 };
        round.max(straight)
    }

    fn coarse(&self, p: [f64; 2]) -> usize {
        self.ground.square(p).map_or(0, |i| {
            i / self.ground.columns / self.times * self.columns + i % self.ground.columns / self.times
        })
    }

    /// Least steps in millimetres from one coarse square to all.
    fn flood(&self, from: usize) -> Vec<u32> {
        let side = self.ground.side * self.times as f64;
        let (straight, slanting) = ((side * 1000.0) as u32, (side * 1414.2) as u32);
        let (w, h) = (self.columns as i64, (self.open.len() / self.columns) as i64);
        let mut best = vec![FAR; self.open.len()];
        best[from] = 0;
        let mut open = BinaryHeap::from([Reverse((0, from))]);
        while let Some(Reverse((cost, i))) = open.pop() {
            if cost > best[i] {
                continue;
            }
            let (x, y) = (i as i64 % w, i as i64 / w);
            for (dx, dy) in [(-1, -1), (0, -1), (1, -1), (-1, 0), (1, 0), (-1, 1), (0, 1), (1, 1)] {
                let (x, y) = (x + dx, y + dy);
                if !((0..w).contains(&x) && (0..h).contains(&y)) {
                    continue;
                }
                let j = (y * w + x) as usize;
                let next = cost.saturating_add(if dx != 0 && dy != 0 { slanting } else { straight });
                if self.open[j] && next < best[j] {
                    best[j] = next;
                    open.push(Reverse((next, j)));
                }
            }
        }
        best
    }
}
