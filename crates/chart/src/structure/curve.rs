//! Slope and curvature of a square of nodes, by the published polynomials.

use super::lattice::Lattice;

/// Gradient of the depth, metres down a metre: east, north. `None` on the rim.
///
/// Source: Horn 1981, Proc. IEEE 69(1) 14-47: third-order finite differences weighted 1-2-1.
pub(crate) fn horn(l: &Lattice, i: usize) -> Option<[f64; 2]> {
    let b = l.beside[i];
    if l.inside[i] == 0 {
        return None;
    }
    let [e, ne, n, nw, w, sw, s, se] = b.map(|j| l.depth(j as usize));
    let g = 8.0 * l.step_m;
    Some([(ne + 2.0 * e + se - nw - 2.0 * w - sw) / g, (ne + 2.0 * n + nw - se - 2.0 * s - sw) / g])
}

/// Slope of a gradient.
pub(crate) fn size(g: [f64; 2]) -> f64 {
    libm::sqrt(g[0] * g[0] + g[1] * g[1])
}

/// depth = a x² + b y² + c x y + d x + e y + f about a node, x east and y north in metres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Quadratic {
    pub(crate) a: f64,
    pub(crate) b: f64,
    pub(crate) c: f64,
    pub(crate) d: f64,
    pub(crate) e: f64,
    pub(crate) f: f64,
}

impl Quadratic {
    /// Least squares over the nodes up to `reach` away. `None` where one of them is not known.
    ///
    /// Source: Evans 1980, Z. Geomorph. Suppl. 36, 274-295 (3 × 3); Wood 1996, The geomorphological
    /// characterisation of digital elevation models, ch. 4 (any odd window).
    pub(crate) fn fit(l: &Lattice, i: usize, reach: i32) -> Option<Self> {
        let nodes = l.window(i, reach)?;
        let side = f64::from(2 * reach + 1);
        let (mut n, mut s2, mut s4) = (0.0, 0.0, 0.0);
        for u in -reach..=reach {
            let u2 = f64::from(u * u);
            (n, s2, s4) = (n + side, s2 + side * u2, s4 + side * u2 * u2);
        }
        let mean = s2 / n;
        // Σ(u² − mean)u²: u² − mean is at right angles to all other terms.
        let square = s4 - mean * s2;
        let (mut a, mut b, mut c, mut d, mut e, mut f) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        for (k, node) in nodes.iter().enumerate() {
            let (v, u) = (k as i32 / (2 * reach + 1) - reach, k as i32 % (2 * reach + 1) - reach);
            let (u, v, z) = (f64::from(u), f64::from(v), l.depth(*node));
            a += (u * u - mean) * z / square;
            b += (v * v - mean) * z / square;
            c += u * v * z;
            d += u * z / s2;
            e += v * z / s2;
            f += z / n;
        }
        let g = l.step_m;
        let cross = s2 * s2 / n;
        f -= (a + b) * mean;
        Some(Self { a: a / (g * g), b: b / (g * g), c: c / cross / (g * g), d: d / g, e: e / g, f })
    }

    /// Second derivatives along the two principal directions, the one of greater size first, and the unit vector
    /// of that direction. Negative: the bed is deepest in the middle.
    pub(crate) fn principal(&self) -> ([f64; 2], [f64; 2]) {
        let (xx, yy, xy) = (2.0 * self.a, 2.0 * self.b, self.c);
        let angle = 0.5 * libm::atan2(2.0 * xy, xx - yy);
        let (co, si) = (libm::cos(angle), libm::sin(angle));
        let along = |co: f64, si: f64| xx * co * co + yy * si * si + 2.0 * xy * co * si;
        let (one, two) = (along(co, si), along(-si, co));
        if one.abs() >= two.abs() { ([one, two], [co, si]) } else { ([two, one], [-si, co]) }
    }

    /// Where the polynomial is level, metres from the node; `None` if there is no such place within `most` metres.
    pub(crate) fn level_place(&self, most: f64) -> Option<[f64; 2]> {
        let det = 4.0 * self.a * self.b - self.c * self.c;
        let x = (self.c * self.e - 2.0 * self.b * self.d) / det;
        let y = (self.c * self.d - 2.0 * self.a * self.e) / det;
        (x.abs() <= most && y.abs() <= most).then_some([x, y])
    }
}

/// How far a node stands above (positive) the mean of the ring of nodes `near` to `far` steps away, metres.
///
/// Source: bathymetric position index of Lundblad et al. 2006, Marine Geodesy 29(2) 89-111, with depths for
/// elevations.
pub(crate) fn position_index(l: &Lattice, i: usize, near: f64, far: f64) -> Option<f64> {
    let [row, column] = l.spots[i].key;
    let reach = libm::floor(far) as i32;
    let (mut n, mut sum) = (0.0, 0.0);
    for r in -reach..=reach {
        for c in -reach..=reach {
            let d = f64::from(r * r + c * c);
            if d >= near * near
                && d <= far * far
                && let Some(j) = l.find([row + r, column + c])
            {
                (n, sum) = (n + 1.0, sum + l.depth(j));
            }
        }
    }
    (n > 0.0).then(|| sum / n - l.depth(i))
}

#[cfg(test)]
mod tests {
    use super::super::lattice::Spot;
    use super::*;
    use leadline_model::Grade;

    fn bed(depth: impl Fn(f64, f64) -> f64) -> Lattice {
        let spot = |r: i32, c: i32| Spot {
            key: [r, c],
            depth_m: depth((f64::from(c) + 0.5) * 10.0, (f64::from(r) + 0.5) * 10.0),
            tvu95_m: 0.1,
            grade: Grade::Sure,
        };
        Lattice::new(10.0, (-6..6).flat_map(|r| (-6..6).map(move |c| spot(r, c))).collect())
    }

    #[test]
    fn polynomials_are_exact_on_their_own_kind() {
        // By hand: the gradient of 2 + 0.03 x − 0.01 y is (0.03, −0.01); Horn's formula is exact on planes.
        let plane = bed(|x, y| 2.0 + 0.03 * x - 0.01 * y);
        let i = plane.find([0, 0]).expect("there");
        let g = horn(&plane, i).expect("inside");
        assert!((g[0] - 0.03).abs() < 1e-12 && (g[1] + 0.01).abs() < 1e-12, "{g:?}");
        // x² − y² about (5, 5), with cross term: coefficients come back, second derivatives are 2a, 2b.
        let curved = bed(|x, y| {
            let (x, y) = (x - 5.0, y - 5.0);
            7.0 + 0.001 * x * x - 0.002 * y * y + 0.0005 * x * y + 0.01 * x - 0.02 * y
        });
        for reach in [1, 2, 3] {
            let q = Quadratic::fit(&curved, i, reach).expect("inside");
            for (got, want) in
                [(q.a, 0.001), (q.b, -0.002), (q.c, 0.0005), (q.d, 0.01), (q.e, -0.02), (q.f, 7.0)]
            {
                assert!((got - want).abs() < 1e-12, "{reach}: {q:?}");
            }
        }
        assert!(horn(&plane, plane.find([-6, 0]).expect("there")).is_none(), "the rim has no slope");
    }

    #[test]
    fn principal_directions() {
        // Deepest along the north-east line: z = −0.004 t², t the distance across it.
        let valley = bed(|x, y| 9.0 - 0.004 * (x - y) * (x - y) / 2.0);
        let q = Quadratic::fit(&valley, valley.find([0, 0]).expect("there"), 1).expect("inside");
        let ([across, along], n) = q.principal();
        assert!((across + 0.008).abs() < 1e-9 && along.abs() < 1e-9, "{across} {along}");
        assert!((n[0] + n[1]).abs() < 1e-9, "{n:?}");
    }

    #[test]
    fn index_of_a_spike_is_its_height() {
        // Lundblad et al. 2006: height over the ring's mean. On a flat bed that is the spike's own height.
        let spike = bed(|x, y| if x.abs() < 6.0 && y.abs() < 6.0 && x > 0.0 && y > 0.0 { 3.0 } else { 5.0 });
        let i = spike.find([0, 0]).expect("there");
        assert_eq!(position_index(&spike, i, 2.0, 5.0), Some(2.0));
    }
}
