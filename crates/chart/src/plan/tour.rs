//! The order and direction of lines that makes the shortest drive: each line is driven once, either way.
//!
//! Up to [`EXACT`] lines the best of all orders is found (dynamic programming over sets of lines). Beyond that: the
//! nearest next line, or the lines in the order given to and fro; both improved by turning round stretches of the
//! drive and moving short ones elsewhere, then shaken a bounded number of times.

/// Lines up to which every order is weighed.
pub(crate) const EXACT: usize = 9;
/// Work allowed for shaking, in lines times rounds.
const SHAKES: usize = 24_000;
const MOST_SHAKES: usize = 600;
/// A drive longer by this share of the best one is gone on from all the same (judgement, tried on drawn lines).
const TAKEN: f64 = 0.03;
/// After so many rounds the shaking goes back to the best drive.
const HOME: usize = 50;

/// Distances between the ends of lines: ends 2 i and 2 i + 1 are those of line i, the last is where the boat starts
/// and returns to.
pub(crate) struct Ends {
    n: usize,
    metres: Vec<f32>,
}

/// A line of the drive, and whether it is driven from its second end to its first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Stop {
    pub(crate) line: usize,
    pub(crate) back: bool,
}

impl Ends {
    /// Of `lines` lines; `metres` is asked once for each pair of ends (and the start, 2 · lines).
    pub(crate) fn new(lines: usize, mut metres: impl FnMut(usize, usize) -> f64) -> Self {
        let n = 2 * lines + 1;
        let mut all = vec![0.0; n * n];
        for a in 0..n {
            for b in a + 1..n {
                let m = metres(a, b) as f32;
                all[a * n + b] = m;
                all[b * n + a] = m;
            }
        }
        Self { n, metres: all }
    }

    fn between(&self, a: usize, b: usize) -> f64 {
        f64::from(self.metres[a * self.n + b])
    }

    fn start(&self) -> usize {
        self.n - 1
    }

    fn lines(&self) -> usize {
        self.n / 2
    }

    /// Length of all ways between the lines, from the start and back to it.
    pub(crate) fn cost(&self, tour: &[Stop]) -> f64 {
        let mut at = self.start();
        let mut sum = 0.0;
        for s in tour {
            sum += self.between(at, s.first());
            at = s.last();
        }
        sum + self.between(at, self.start())
    }
}

impl Stop {
    fn first(self) -> usize {
        2 * self.line + usize::from(self.back)
    }

    fn last(self) -> usize {
        2 * self.line + usize::from(!self.back)
    }

    fn turned(self) -> Self {
        Self { back: !self.back, ..self }
    }
}

/// A short drive along all lines.
pub(crate) fn order(ends: &Ends) -> Vec<Stop> {
    if ends.lines() <= EXACT { exact(ends) } else { heuristic(ends) }
}

/// The shortest of all drives.
pub(crate) fn exact(ends: &Ends) -> Vec<Stop> {
    let n = ends.lines();
    if n == 0 {
        return Vec::new();
    }
    let stop = |k: usize| Stop { line: k / 2, back: k % 2 == 1 };
    // best[set][k]: least way that drives the lines of `set` and ends with stop k, and the stop before it.
    let mut best = vec![(f64::INFINITY, usize::MAX); (1 << n) * 2 * n];
    for k in 0..2 * n {
        best[(1 << (k / 2)) * 2 * n + k].0 = ends.between(ends.start(), stop(k).first());
    }
    for set in 1usize..1 << n {
        for k in (0..2 * n).filter(|k| set >> (k / 2) & 1 == 1) {
            let so_far = best[set * 2 * n + k].0;
            for next in (0..2 * n).filter(|j| set >> (j / 2) & 1 == 0) {
                let cost = so_far + ends.between(stop(k).last(), stop(next).first());
                let at = (set | 1 << (next / 2)) * 2 * n + next;
                if cost < best[at].0 {
                    best[at] = (cost, k);
                }
            }
        }
    }
    let all = (1 << n) - 1;
    let whole = |k: &usize| best[all * 2 * n + k].0 + ends.between(stop(*k).last(), ends.start());
    let mut k = (0..2 * n).min_by(|a, b| whole(a).total_cmp(&whole(b))).unwrap_or(0);
    let (mut set, mut tour) = (all, Vec::new());
    while k != usize::MAX && set != 0 {
        tour.push(stop(k));
        let before = best[set * 2 * n + k].1;
        set &= !(1 << (k / 2));
        k = before;
    }
    tour.reverse();
    tour
}

/// The better of two beginnings, improved.
pub(crate) fn heuristic(ends: &Ends) -> Vec<Stop> {
    let to_and_fro = (0..ends.lines()).map(|line| Stop { line, back: line % 2 == 1 }).collect();
    let mut tour = [nearest_next(ends), to_and_fro]
        .map(|mut t: Vec<Stop>| {
            improve(ends, &mut t);
            t
        })
        .into_iter()
        .min_by(|a, b| ends.cost(a).total_cmp(&ends.cost(b)))
        .unwrap_or_default();
    shake(ends, &mut tour);
    tour
}

fn nearest_next(ends: &Ends) -> Vec<Stop> {
    let mut left: Vec<usize> = (0..ends.lines()).collect();
    let (mut at, mut tour) = (ends.start(), Vec::new());
    while !left.is_empty() {
        let choices = left.iter().flat_map(|l| [false, true].map(|back| Stop { line: *l, back }));
        let far = |s: &Stop| ends.between(at, s.first());
        let Some(next) = choices.min_by(|a, b| far(a).total_cmp(&far(b))) else { break };
        left.retain(|l| *l != next.line);
        at = next.last();
        tour.push(next);
    }
    tour
}

/// Ends of the drive before place `i` and after place `j`.
fn outside(ends: &Ends, tour: &[Stop], i: usize, j: usize) -> (usize, usize) {
    let before = if i == 0 { ends.start() } else { tour[i - 1].last() };
    let after = tour.get(j + 1).map_or(ends.start(), |s| s.first());
    (before, after)
}

/// Least gain that counts, metres: guards against going round in circles by rounding.
const GAIN_M: f64 = 1e-3;

fn improve(ends: &Ends, tour: &mut Vec<Stop>) {
    while turn_round(ends, tour) || move_elsewhere(ends, tour) {}
}

/// Drives a stretch the other way round where that is shorter (2-opt; a stretch of one line is a turned line).
fn turn_round(ends: &Ends, tour: &mut [Stop]) -> bool {
    let mut any = false;
    for i in 0..tour.len() {
        for j in i..tour.len() {
            let (before, after) = outside(ends, tour, i, j);
            let (first, last) = (tour[i].first(), tour[j].last());
            let gain = ends.between(before, first) + ends.between(last, after)
                - ends.between(before, last)
                - ends.between(first, after);
            if gain > GAIN_M {
                tour[i..=j].reverse();
                tour[i..=j].iter_mut().for_each(|s| *s = s.turned());
                any = true;
            }
        }
    }
    any
}

/// Moves up to three lines that follow each other to another place of the drive, either way round (Or-opt).
fn move_elsewhere(ends: &Ends, tour: &mut Vec<Stop>) -> bool {
    for length in 1..=3.min(tour.len().saturating_sub(1)) {
        for i in 0..=tour.len() - length {
            let j = i + length - 1;
            let (before, after) = outside(ends, tour, i, j);
            let (first, last) = (tour[i].first(), tour[j].last());
            let freed = ends.between(before, first) + ends.between(last, after) - ends.between(before, after);
            if freed <= GAIN_M {
                continue;
            }
            let rest: Vec<Stop> = tour[..i].iter().chain(&tour[j + 1..]).copied().collect();
            for k in 0..=rest.len() {
                let a = if k == 0 { ends.start() } else { rest[k - 1].last() };
                let b = rest.get(k).map_or(ends.start(), |s| s.first());
                let open = ends.between(a, b);
                let straight = ends.between(a, first) + ends.between(last, b) - open;
                let turned = ends.between(a, last) + ends.between(first, b) - open;
                if freed - straight.min(turned) > GAIN_M {
                    let mut moved: Vec<Stop> = tour[i..=j].to_vec();
                    if turned < straight {
                        moved.reverse();
                        moved.iter_mut().for_each(|s| *s = s.turned());
                    }
                    *tour = rest;
                    tour.splice(k..k, moved);
                    return true;
                }
            }
        }
    }
    false
}

/// Exchanges two neighbouring stretches (double bridge), turns a few lines, improves, and goes on from there unless that
/// is much longer; keeps the shortest drive of all. The choices come from a fixed sequence, so the same lines give the
/// same drive everywhere.
fn shake(ends: &Ends, tour: &mut Vec<Stop>) {
    let n = tour.len();
    if n < 3 {
        return;
    }
    let (mut best, mut here, mut at) = (ends.cost(tour), ends.cost(tour), tour.clone());
    let mut lot = Lot(0x2545_f491_4f6c_dd1d);
    for round in 1..=(SHAKES / n).clamp(4, MOST_SHAKES) {
        let mut cut = [lot.below(n + 1), lot.below(n + 1), lot.below(n + 1)];
        cut.sort_unstable();
        let [a, b, c] = cut;
        let mut other = [&at[..a], &at[b..c], &at[a..b], &at[c..]].concat();
        for _ in 0..lot.below(4) {
            let i = lot.below(n);
            other[i] = other[i].turned();
        }
        improve(ends, &mut other);
        let cost = ends.cost(&other);
        if cost < here + TAKEN * best {
            (here, at) = (cost, other);
        }
        if here < best - GAIN_M {
            (best, *tour) = (here, at.clone());
        } else if round % HOME == 0 {
            (here, at) = (best, tour.clone());
        }
    }
}

/// A fixed sequence of numbers (xorshift64*; Vigna 2016, ACM TOMS 42(4)).
struct Lot(u64);

impl Lot {
    fn below(&mut self, n: usize) -> usize {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 33) as usize % n.max(1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Lines between drawn ends, and a start, with straight distances.
    fn drawn(ends: &[[(f64, f64); 2]], start: (f64, f64)) -> Ends {
        let at = |k: usize| ends.get(k / 2).map_or(start, |e| e[k % 2]);
        Ends::new(ends.len(), |a, b| (at(a).0 - at(b).0).hypot(at(a).1 - at(b).1))
    }

    #[test]
    fn a_comb_is_driven_to_and_fro() {
        // Ten lines of 300 m, 20 m apart, from the corner: by hand 9 ways of 20 m and one back of 180 m.
        let comb: Vec<_> =
            (0..10).map(|i| [(0.0, f64::from(i) * 20.0), (300.0, f64::from(i) * 20.0)]).collect();
        let ends = drawn(&comb, (0.0, 0.0));
        for tour in [exact(&ends), heuristic(&ends)] {
            assert!((ends.cost(&tour) - 360.0).abs() < 0.1, "{}", ends.cost(&tour));
        }
        assert!(order(&drawn(&[], (0.0, 0.0))).is_empty());
        // Two lines in a row, from beyond the second: back along both, the near end of each first.
        let row = [[(0.0, 0.0), (100.0, 0.0)], [(100.0, 0.0), (200.0, 0.0)]];
        let tour = order(&drawn(&row, (210.0, 0.0)));
        assert!((drawn(&row, (210.0, 0.0)).cost(&tour) - 220.0).abs() < 0.1, "{tour:?}");
    }

    fn permuted(ends: &Ends) -> f64 {
        fn go(ends: &Ends, left: &mut Vec<usize>, tour: &mut Vec<Stop>, best: &mut f64) {
            if left.is_empty() {
                *best = best.min(ends.cost(tour));
            }
            for i in 0..left.len() {
                let line = left.remove(i);
                for back in [false, true] {
                    tour.push(Stop { line, back });
                    go(ends, left, tour, best);
                    tour.pop();
                }
                left.insert(i, line);
            }
        }
        let mut best = f64::INFINITY;
        go(ends, &mut (0..ends.lines()).collect(), &mut Vec::new(), &mut best);
        best
    }

    fn places() -> impl Strategy<Value = Vec<[(f64, f64); 2]>> {
        let p = || (0.0..1000.0f64, 0.0..1000.0f64);
        proptest::collection::vec((p(), p()).prop_map(|(a, b)| [a, b]), 1..10)
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(256))]
        /// Every line once; never better than the best and, for so few lines, within 5 % of it.
        #[test]
        fn heuristics_come_near_the_optimum(lines in places()) {
            let ends = drawn(&lines, (0.0, 0.0));
            let (best, found) = (exact(&ends), heuristic(&ends));
            for tour in [&best, &found] {
                let mut each: Vec<usize> = tour.iter().map(|s| s.line).collect();
                each.sort_unstable();
                prop_assert_eq!(each, (0..lines.len()).collect::<Vec<_>>());
            }
            let (b, f) = (ends.cost(&best), ends.cost(&found));
            prop_assert!(b <= f + 0.1 && f <= b * 1.05 + 0.1, "{} {}", b, f);
            if lines.len() <= 5 {
                prop_assert!((permuted(&ends) - b).abs() < 0.1);
            }
        }
    }
}
