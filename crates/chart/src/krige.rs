//! Local kriging: the most likely depth at a place, given cells around it and how rough the bed is.
//!
//! Universal kriging with a plane as drift and a generalised covariance of the distance h (Matheron 1973, "The
//! intrinsic random functions and their applications", Adv. Appl. Prob. 5; from memory): −h^α below 2, h² ln h
//! at 2 (a thin plate), h^α above. It needs no sill and no range. Distances are in units of the survey's usual
//! gap, so that a noise of 1 means as much as the bed changes over one gap.

/// The cells used for one place, about; one more than this is never asked for.
pub(crate) const MOST_USED: usize = 24;
/// Unknowns of the drift: a level and two slopes.
const DRIFT: usize = 3;

/// How a bed varies and how noisy its cells are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Model {
    /// Exponent α, 0 < α < 4.
    pub(crate) alpha: f64,
    /// Variance of a cell's own error, in units of the covariance at one gap.
    pub(crate) noise: f64,
    /// Length of one unit, metres.
    pub(crate) unit_m: f64,
}

impl Model {
    /// Generalised covariance at distance² `h2` (units²).
    fn covariance(&self, h2: f64) -> f64 {
        if h2 <= 0.0 {
            return 0.0;
        }
        let root = || libm::sqrt(h2);
        match self.alpha {
            1.0 => -root(),
            1.5 => -root() * libm::sqrt(root()),
            2.0 => 0.5 * h2 * libm::log(h2),
            3.0 => h2 * root(),
            a => (if a < 2.0 { -1.0 } else { 1.0 }) * libm::pow(h2, a / 2.0),
        }
    }
}

/// One cell near a place.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Known {
    pub(crate) xy: [f64; 2],
    pub(crate) depth_m: f64,
    /// Variance of this cell's error beyond the survey's usual one, units of the covariance at one gap.
    pub(crate) extra: f64,
}

/// A solved system about one place: depths at all places near it for little.
#[derive(Clone, Debug)]
pub(crate) struct Patch {
    model: Model,
    middle: [f64; 2],
    known: Vec<[f64; 2]>,
    depth: Vec<f64>,
    size: usize,
    lu: Vec<f64>,
    swaps: Vec<usize>,
}

/// No model may throw a bed beyond what was seen by more than this share of its range.
const BEYOND: f64 = 0.5;

impl Patch {
    /// Solves for `known`; `None` if they do not hold a plane (fewer than three, or on one line).
    pub(crate) fn new(model: Model, middle: [f64; 2], known: &[Known]) -> Option<Self> {
        let n = known.len();
        if n < DRIFT {
            return None;
        }
        let size = n + DRIFT;
        let place = |k: &Known| [0, 1].map(|i| (k.xy[i] - middle[i]) / model.unit_m);
        let xy: Vec<[f64; 2]> = known.iter().map(place).collect();
        let mut lu = vec![0.0; size * size];
        for i in 0..n {
            for j in 0..i {
                let c = model.covariance(square(xy[i], xy[j]));
                lu[i * size + j] = c;
                lu[j * size + i] = c;
            }
            lu[i * size + i] = model.noise + known[i].extra;
            for (d, f) in [1.0, xy[i][0], xy[i][1]].into_iter().enumerate() {
                lu[i * size + n + d] = f;
                lu[(n + d) * size + i] = f;
            }
        }
        let swaps = decompose(&mut lu, size)?;
        let depth = known.iter().map(|k| k.depth_m).collect();
        Some(Self { model, middle, known: xy, depth, size, lu, swaps })
    }

    /// Depth at `at`, and the variance of the bed about it in units of the covariance at one gap.
    pub(crate) fn at(&self, at: [f64; 2]) -> (f64, f64) {
        let p = [0, 1].map(|i| (at[i] - self.middle[i]) / self.model.unit_m);
        let mut right: Vec<f64> = self.known.iter().map(|k| self.model.covariance(square(*k, p))).collect();
        right.extend([1.0, p[0], p[1]]);
        let mut weight = right.clone();
        solve(&self.lu, &self.swaps, self.size, &mut weight);
        let depth: f64 = self.depth.iter().zip(&weight).map(|(z, w)| z * w).sum();
        let (low, high) =
            self.depth.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |r, z| (r.0.min(*z), r.1.max(*z)));
        let depth = depth.clamp(low - BEYOND * (high - low), high + BEYOND * (high - low));
        // K(0) is nought: what is left is minus the weighted right-hand side.
        let variance: f64 = -weight.iter().zip(&right).map(|(w, r)| w * r).sum::<f64>();
        (depth, variance.max(0.0))
    }
}

fn square(a: [f64; 2], b: [f64; 2]) -> f64 {
    let (x, y) = (a[0] - b[0], a[1] - b[1]);
    x * x + y * y
}

/// Gaussian elimination with row exchange, in place; `None` where the matrix is singular.
fn decompose(a: &mut [f64], n: usize) -> Option<Vec<usize>> {
    let mut swaps = Vec::with_capacity(n);
    for k in 0..n {
        let mut best = k;
        for i in k + 1..n {
            if a[i * n + k].abs() > a[best * n + k].abs() {
                best = i;
            }
        }
        if a[best * n + k].abs() < 1e-12 {
            return None;
        }
        if best != k {
            for j in 0..n {
                a.swap(best * n + j, k * n + j);
            }
        }
        swaps.push(best);
        let (upper, lower) = a.split_at_mut((k + 1) * n);
        let pivot = &upper[k * n..];
        let inverse = 1.0 / pivot[k];
        for row in lower.chunks_exact_mut(n) {
            let factor = row[k] * inverse;
            if factor != 0.0 {
                row[k] = factor;
                for (r, p) in row[k + 1..].iter_mut().zip(&pivot[k + 1..]) {
                    *r -= factor * p;
                }
            }
        }
    }
    Some(swaps)
}

/// Solves for the right-hand side `b`, in place.
fn solve(lu: &[f64], swaps: &[usize], n: usize, b: &mut [f64]) {
    for (k, s) in swaps.iter().enumerate() {
        b.swap(k, *s);
    }
    for (i, row) in lu.chunks_exact(n).enumerate() {
        let sum: f64 = row[..i].iter().zip(&*b).map(|(l, x)| l * x).sum();
        b[i] -= sum;
    }
    for i in (0..n).rev() {
        let row = &lu[i * n..(i + 1) * n];
        let sum: f64 = row[i + 1..].iter().zip(&b[i + 1..]).map(|(u, x)| u * x).sum();
        b[i] = (b[i] - sum) / row[i];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// PyKrige 1.7.3, `UniversalKriging` with a power variogram (scale 10^−α, nugget 0.1) and a regional linear
    /// drift; its variance has the nugget of a new sounding in it, which is taken out here.
    #[test]
    fn kriging_agrees_with_an_independent_program() {
        let x = [0.0, 10.0, 22.0, 31.0, 3.0, 18.0, 29.0, 8.0];
        let y = [0.0, 2.0, -1.0, 4.0, 15.0, 17.0, 14.0, 30.0];
        let z = [3.0, 3.6, 4.1, 3.9, 5.2, 6.0, 5.5, 7.1];
        let known: Vec<Known> =
            (0..8).map(|i| Known { xy: [x[i], y[i]], depth_m: z[i], extra: 0.0 }).collect();
        let published = [
            (1.0, [12.0, 9.0], 4.695_200_035_028, 0.791_193_096_514),
            (1.0, [25.0, 8.0], 4.753_656_337_527, 0.707_115_462_035),
            (1.5, [12.0, 9.0], 4.715_353_637_020, 0.441_393_293_566),
            (1.5, [25.0, 8.0], 4.777_093_349_750, 0.391_564_155_655),
        ];
        for (alpha, at, depth, variance) in published {
            let model = Model { alpha, noise: 0.1, unit_m: 10.0 };
            let patch = Patch::new(model, [11.0, 8.0], &known).expect("a plane");
            let (d, v) = patch.at(at);
            assert!((d - depth).abs() < 1e-9 && (v - variance).abs() < 1e-9, "{alpha} {at:?}: {d} {v}");
        }
    }

    /// Cells on one line hold no plane; a plane itself comes back whatever the exponent.
    #[test]
    fn planes_come_back_and_lines_are_refused() {
        let at = |e: f64, n: f64| Known { xy: [e, n], depth_m: 2.0 + 0.1 * e - 0.05 * n, extra: 0.3 };
        for alpha in [1.0, 1.5, 2.0, 2.5, 3.0] {
            let model = Model { alpha, noise: 0.01, unit_m: 20.0 };
            let line: Vec<Known> = (0..6).map(|i| at(f64::from(i) * 4.0, 0.0)).collect();
            assert!(Patch::new(model, [10.0, 0.0], &line).is_none());
            let wide = [at(0.0, 0.0), at(30.0, 3.0), at(5.0, 28.0), at(33.0, 31.0), at(17.0, -9.0)];
            let (depth, _) = Patch::new(model, [15.0, 15.0], &wide).expect("a plane").at([14.0, 19.0]);
            assert!((depth - (2.0 + 1.4 - 0.95)).abs() < 1e-9, "{alpha}: {depth}");
        }
    }
}
