//! Local kriging: the most likely depth at a place, given spots around it and how rough the bed is.
//!
//! Universal kriging with a plane as drift and a generalised covariance of the distance h (Matheron 1973, "The
//! intrinsic random functions and their applications", Adv. Appl. Prob. 5; from memory): −h^α below 2, h² ln h
//! at 2 (a thin plate), h^α above. It needs no sill and no range. Distances are in units of the survey's usual
//! gap, so that a noise of 1 means as much as the bed changes over one gap.
//!
//! The system [K F; Fᵀ 0] is not positive definite, but K + τ F Fᵀ is for a large τ, and the solution is the same
//! (Fᵀ w is fixed): it is factored by Cholesky, with half the work of elimination.

/// Unknowns of the drift: a level and two slopes.
const DRIFT: usize = 3;

/// How a bed varies and how noisy its spots are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Model {
    /// Exponent α, 0 < α < 4.
    pub(crate) alpha: f64,
    /// Variance of a spot's own error, in units of the covariance at one gap.
    pub(crate) noise: f64,
    /// Length of one unit, metres.
    pub(crate) unit_m: f64,
    /// A spot whose variance is above `usual_m2` is that much noisier, times `per_m2`.
    pub(crate) usual_m2: f64,
    pub(crate) per_m2: f64,
}

impl Model {
    /// Generalised covariance at distance² `h2` (units²).
    fn covariance(&self, h2: f64) -> f64 {
        if h2 <= 0.0 {
            return 0.0;
        }
        let root = libm::sqrt;
        match self.alpha {
            0.5 => -root(root(h2)),
            1.0 => -root(h2),
            1.5 => -root(h2) * root(root(h2)),
            2.0 => 0.5 * h2 * libm::log(h2),
            3.0 => h2 * root(h2),
            a => (if a < 2.0 { -1.0 } else { 1.0 }) * libm::pow(h2, a / 2.0),
        }
    }

    fn noise(&self, spot: &Known) -> f64 {
        self.noise + (spot.variance_m2 - self.usual_m2).max(0.0) * self.per_m2
    }
}

/// One spot near a place.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Known {
    pub(crate) xy: [f64; 2],
    pub(crate) depth_m: f64,
    pub(crate) variance_m2: f64,
}

/// A solved system about one place: depths at all places near it for little.
#[derive(Clone, Debug)]
pub(crate) struct Patch {
    model: Model,
    middle: [f64; 2],
    metric: [f64; 3],
    known: Vec<[f64; 2]>,
    /// Weight τ of the drift in the factored matrix.
    tau: f64,
    /// Lower triangle L, row by row.
    lower: Vec<f64>,
    /// L⁻¹ F, and the inverse of its square.
    drift: Vec<[f64; DRIFT]>,
    inverse: [[f64; DRIFT]; DRIFT],
    /// The depth's weights on covariances and drift.
    dual: Vec<f64>,
    plane: [f64; DRIFT],
    range: (f64, f64),
}

/// No model may throw a bed beyond what was seen by more than this share of its range.
const BEYOND: f64 = 0.5;
/// τ as a multiple of the largest covariance.
const TAU: f64 = 10.0;

impl Patch {
    /// Solves for `known` in the coordinates `metric` about `middle`; `None` if they do not hold a plane (fewer
    /// than three, or on one line).
    pub(crate) fn new(model: Model, middle: [f64; 2], metric: [f64; 3], known: &[Known]) -> Option<Self> {
        let n = known.len();
        if n < DRIFT {
            return None;
        }
        let place = |k: &Known| place(k.xy, middle, metric, model.unit_m);
        let xy: Vec<[f64; 2]> = known.iter().map(place).collect();
        let mut lower = Vec::with_capacity(n * (n + 1) / 2);
        for (i, p) in xy.iter().enumerate() {
            lower.extend(xy[..i].iter().map(|q| model.covariance(square(*p, *q))));
            lower.push(model.noise(&known[i]));
        }
        let tau = TAU * lower.iter().fold(1e-3, |m: f64, c| m.max(c.abs()));
        let mut at = 0;
        for (i, p) in xy.iter().enumerate() {
            for q in &xy[..=i] {
                lower[at] += tau * (1.0 + p[0] * q[0] + p[1] * q[1]);
                at += 1;
            }
        }
        cholesky(&mut lower, n)?;
        let mut columns =
            [vec![1.0; n], xy.iter().map(|p| p[0]).collect(), xy.iter().map(|p| p[1]).collect()];
        for c in &mut columns {
            forward(&lower, c);
        }
        let drift: Vec<[f64; DRIFT]> =
            (0..n).map(|i| [columns[0][i], columns[1][i], columns[2][i]]).collect();
        let inverse = invert([0, 1, 2].map(|a| [0, 1, 2].map(|b| dot(&columns[a], &columns[b]))))?;
        let mut dual: Vec<f64> = known.iter().map(|k| k.depth_m).collect();
        forward(&lower, &mut dual);
        let plane = times(&inverse, [0, 1, 2].map(|a| dot(&columns[a], &dual)));
        for (z, f) in dual.iter_mut().zip(&drift) {
            *z -= plane[0] * f[0] + plane[1] * f[1] + plane[2] * f[2];
        }
        backward(&lower, &mut dual);
        Some(Self {
            model,
            middle,
            metric,
            known: xy,
            tau,
            lower,
            drift,
            inverse,
            dual,
            plane,
            range: range(known),
        })
    }

    /// Depth at `at`, and the variance of the bed about it in units of the covariance at one gap.
    pub(crate) fn at(&self, at: [f64; 2]) -> (f64, f64) {
        let p = place(at, self.middle, self.metric, self.model.unit_m);
        let f = [1.0, p[0], p[1]];
        let mut right: Vec<f64> = self.known.iter().map(|k| self.model.covariance(square(*k, p))).collect();
        let depth = dot(&self.dual, &right) + dot(&self.plane, &f);
        let (low, high) = self.range;
        let depth = depth.clamp(low - BEYOND * (high - low), high + BEYOND * (high - low));
        for (r, k) in right.iter_mut().zip(&self.known) {
            *r += self.tau * (1.0 + k[0] * p[0] + k[1] * p[1]);
        }
        forward(&self.lower, &mut right);
        let mut rest = f;
        for (y, d) in right.iter().zip(&self.drift) {
            for k in 0..DRIFT {
                rest[k] -= y * d[k];
            }
        }
        // K(0) is nought; the drift's share of it is not.
        let variance = self.tau * dot(&f, &f) - dot(&right, &right) + dot(&rest, &times(&self.inverse, rest));
        (depth, variance.max(0.0))
    }
}

/// Shoalest and deepest of them.
pub(crate) fn range(known: &[Known]) -> (f64, f64) {
    known.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |r, k| (r.0.min(k.depth_m), r.1.max(k.depth_m)))
}

fn place(xy: [f64; 2], middle: [f64; 2], [a, b, d]: [f64; 3], unit_m: f64) -> [f64; 2] {
    let (x, y) = ((xy[0] - middle[0]) / unit_m, (xy[1] - middle[1]) / unit_m);
    [a * x + b * y, b * x + d * y]
}

fn square(a: [f64; 2], b: [f64; 2]) -> f64 {
    let (x, y) = (a[0] - b[0], a[1] - b[1]);
    x * x + y * y
}

/// Scalar product, summed in four interleaved parts (always the same, and fast).
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let n = a.len().min(b.len());
    let (a, b) = (&a[..n], &b[..n]);
    let mut part = [0.0; 4];
    for (p, q) in a.chunks_exact(4).zip(b.chunks_exact(4)) {
        for k in 0..4 {
            part[k] += p[k] * q[k];
        }
    }
    let done = n - n % 4;
    let rest: f64 = a[done..].iter().zip(&b[done..]).map(|(p, q)| p * q).sum();
    (part[0] + part[1]) + (part[2] + part[3]) + rest
}

/// First entry of row `i` of a packed lower triangle.
fn row(i: usize) -> usize {
    i * (i + 1) / 2
}

/// Cholesky factor of a packed symmetric matrix, in place; `None` where it is not positive definite.
fn cholesky(a: &mut [f64], n: usize) -> Option<()> {
    let largest = (0..n).fold(0.0, |m: f64, i| m.max(a[row(i) + i]));
    for i in 0..n {
        let (above, below) = a.split_at_mut(row(i));
        let own = &mut below[..=i];
        for j in 0..i {
            let upper = &above[row(j)..=row(j) + j];
            own[j] = (own[j] - dot(&own[..j], &upper[..j])) / upper[j];
        }
        let left = own[i] - dot(&own[..i], &own[..i]);
        if left.is_nan() || left <= 1e-13 * largest {
            return None;
        }
        own[i] = libm::sqrt(left);
    }
    Some(())
}

/// L⁻¹ b, in place.
fn forward(lower: &[f64], b: &mut [f64]) {
    for i in 0..b.len() {
        let own = &lower[row(i)..=row(i) + i];
        b[i] = (b[i] - dot(&own[..i], &b[..i])) / own[i];
    }
}

/// L⁻ᵀ b, in place.
fn backward(lower: &[f64], b: &mut [f64]) {
    for i in (0..b.len()).rev() {
        let own = &lower[row(i)..=row(i) + i];
        let x = b[i] / own[i];
        b[i] = x;
        for (b, l) in b[..i].iter_mut().zip(own) {
            *b -= l * x;
        }
    }
}

/// Inverse of a symmetric 3 × 3 matrix by cofactors; `None` if it is singular.
fn invert(m: [[f64; 3]; 3]) -> Option<[[f64; 3]; 3]> {
    let minor = |a: usize, b: usize| {
        let (r, s) = ((a + 1) % 3, (a + 2) % 3);
        let (c, d) = ((b + 1) % 3, (b + 2) % 3);
        m[r][c] * m[s][d] - m[r][d] * m[s][c]
    };
    let determinant = m[0][0] * minor(0, 0) + m[0][1] * minor(0, 1) + m[0][2] * minor(0, 2);
    if determinant.is_nan() || determinant <= 1e-12 * m[0][0] * m[1][1] * m[2][2] {
        return None;
    }
    Some([0, 1, 2].map(|a| [0, 1, 2].map(|b| minor(b, a) / determinant)))
}

fn times(m: &[[f64; DRIFT]; DRIFT], v: [f64; DRIFT]) -> [f64; DRIFT] {
    [0, 1, 2].map(|a| dot(&m[a], &v))
}

#[cfg(test)]
mod tests {
    use super::*;

    const AS_IS: [f64; 3] = [1.0, 0.0, 1.0];

    fn plain(alpha: f64) -> Model {
        Model { alpha, noise: 0.0, unit_m: 1.0, usual_m2: 1e9, per_m2: 0.0 }
    }

    /// PyKrige 1.7.3, `UniversalKriging` with a power variogram (scale 10^−α, nugget 0.1) and a regional linear
    /// drift; its variance has the nugget of a new sounding in it, which is taken out here. For the exponent 1
    /// gstools 1.7.0 says the same (`krige.Universal`, drift "linear", `Linear` far inside its range). Both are asked
    /// again in `tests/outside/between.py`, which reads these numbers.
    #[test]
    fn kriging_agrees_with_an_independent_program() {
        let x = [0.0, 10.0, 22.0, 31.0, 3.0, 18.0, 29.0, 8.0];
        let y = [0.0, 2.0, -1.0, 4.0, 15.0, 17.0, 14.0, 30.0];
        let z = [3.0, 3.6, 4.1, 3.9, 5.2, 6.0, 5.5, 7.1];
        let known: Vec<Known> =
            (0..8).map(|i| Known { xy: [x[i], y[i]], depth_m: z[i], variance_m2: 0.0 }).collect();
        let published = [
            (1.0, [12.0, 9.0], 4.695_200_035_028, 0.791_193_096_514),
            (1.0, [25.0, 8.0], 4.753_656_337_527, 0.707_115_462_035),
            (1.5, [12.0, 9.0], 4.715_353_637_020, 0.441_393_293_566),
            (1.5, [25.0, 8.0], 4.777_093_349_750, 0.391_564_155_655),
        ];
        for (alpha, at, depth, variance) in published {
            let model = Model { noise: 0.1, unit_m: 10.0, ..plain(alpha) };
            let patch = Patch::new(model, [11.0, 8.0], AS_IS, &known).expect("a plane");
            let (d, v) = patch.at(at);
            assert!((d - depth).abs() < 1e-9 && (v - variance).abs() < 1e-9, "{alpha} {at:?}: {d} {v}");
        }
    }

    /// Cells on one line hold no plane; a plane itself comes back whatever the exponent.
    #[test]
    fn planes_come_back_and_lines_are_refused() {
        let at = |e: f64, n: f64| Known { xy: [e, n], depth_m: 2.0 + 0.1 * e - 0.05 * n, variance_m2: 0.3 };
        for alpha in [1.0, 1.5, 2.0, 2.5, 3.0] {
            let model = Model { noise: 0.01, unit_m: 20.0, ..plain(alpha) };
            let line: Vec<Known> = (0..6).map(|i| at(f64::from(i) * 4.0, 0.0)).collect();
            assert!(Patch::new(model, [10.0, 0.0], AS_IS, &line).is_none());
            let wide = [at(0.0, 0.0), at(30.0, 3.0), at(5.0, 28.0), at(33.0, 31.0), at(17.0, -9.0)];
            let (depth, _) = Patch::new(model, [15.0, 15.0], AS_IS, &wide).expect("a plane").at([14.0, 19.0]);
            assert!((depth - (2.0 + 1.4 - 0.95)).abs() < 1e-9, "{alpha}: {depth}");
        }
    }
}
