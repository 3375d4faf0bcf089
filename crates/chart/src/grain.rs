//! The grain of the bed: the way along which it changes least, as along a channel or a shore.
//!
//! The slopes of the triangles make a structure tensor, the area-weighted mean of g gᵀ (Förstner and Gülch 1987,
//! "A fast operator for detection and precise location of distinct points, corners and centres of circular
//! features"; from memory), per square of one usual gap, smoothed over about 1.4 gaps. Its eigenvectors are the
//! ways across and along, the root of the ratio of its eigenvalues says how much faster the bed changes across.

use crate::mesh::twice_area;
use crate::near::Lattice;
use crate::nodes::Node;

/// A symmetric matrix xx, xy, yy.
type Tensor = [f64; 3];

/// Passes of the weights ¼ ½ ¼ along each axis: a variance of half a square each.
const PASSES: usize = 4;
/// Share of the survey's mean that is added both ways, so that flat places have no grain (judgement).
const FLOOR: f64 = 0.05;

/// The smoothed tensor of a survey.
#[derive(Clone, Debug)]
pub(crate) struct Grain {
    lattice: Lattice,
    tensor: Vec<Tensor>,
}

impl Grain {
    /// Learns from triangles over `nodes`.
    pub(crate) fn new(nodes: &[Node], triangles: &[[u32; 3]], gap_m: f64) -> Self {
        let xy: Vec<[f64; 2]> = nodes.iter().map(|n| n.xy).collect();
        let lattice = Lattice::new(&xy, gap_m, 1.0);
        let mut sums = vec![[0.0; 4]; lattice.len()];
        let mut all = [0.0; 4];
        for t in triangles {
            let p = t.map(|v| xy[v as usize]);
            let Some((area, [gx, gy])) = slope(p, t.map(|v| nodes[v as usize].best_m)) else { continue };
            let middle = [0, 1].map(|k| (p[0][k] + p[1][k] + p[2][k]) / 3.0);
            let sum = &mut sums[lattice.number(lattice.square(middle))];
            for (k, v) in [gx * gx, gx * gy, gy * gy, 1.0].into_iter().enumerate() {
                sum[k] += area * v;
                all[k] += area * v;
            }
        }
        for _ in 0..PASSES {
            smooth(&mut sums, lattice.columns as usize, 1);
            smooth(&mut sums, lattice.columns as usize, lattice.columns as usize);
        }
        let floor = FLOOR * (all[0] + all[2]) / (2.0 * all[3].max(1e-9));
        let tensor = sums
            .iter()
            .map(|s| {
                let weight = s[3].max(1e-9);
                [s[0] / weight + floor, s[1] / weight, s[2] / weight + floor]
            })
            .collect();
        Self { lattice, tensor }
    }

    /// Coordinates in which the bed about `p` changes alike in all ways, at most `most` times stretched: a
    /// symmetric matrix with determinant 1.
    pub(crate) fn metric(&self, p: [f64; 2], most: f64) -> Tensor {
        if most <= 1.0 {
            return [1.0, 0.0, 1.0];
        }
        let [xx, xy, yy] = self.tensor[self.lattice.number(self.lattice.square(p))];
        let (mean, half) = ((xx + yy) / 2.0, (xx - yy) / 2.0);
        let spread = libm::sqrt(half * half + xy * xy);
        if spread <= 0.0 || mean <= spread {
            return [1.0, 0.0, 1.0];
        }
        let ratio = libm::sqrt((mean + spread) / (mean - spread)).min(most);
        let (across, along) = (libm::sqrt(ratio), 1.0 / libm::sqrt(ratio));
        // With u the unit vector across, u uᵀ = ½ (I + [cos 2θ, sin 2θ; sin 2θ, −cos 2θ]).
        let (cos, sin) = (half / spread, xy / spread);
        let (sum, difference) = ((across + along) / 2.0, (across - along) / 2.0);
        [sum + difference * cos, difference * sin, sum - difference * cos]
    }
}

/// Area and slope of a triangle; `None` if it has no area.
fn slope(p: [[f64; 2]; 3], z: [f64; 3]) -> Option<(f64, [f64; 2])> {
    let double = twice_area(p[0], p[1], p[2]);
    if double <= 1e-6 {
        return None;
    }
    let (u, v) = ([p[1][0] - p[0][0], p[1][1] - p[0][1]], [p[2][0] - p[0][0], p[2][1] - p[0][1]]);
    let (a, b) = (z[1] - z[0], z[2] - z[0]);
    Some((double / 2.0, [(a * v[1] - b * u[1]) / double, (b * u[0] - a * v[0]) / double]))
}

/// One pass of ¼ ½ ¼ between entries `step` apart, in place; rows are `columns` long.
fn smooth(sums: &mut [[f64; 4]], columns: usize, step: usize) {
    let lines = if step == 1 { sums.len() / columns } else { columns };
    let length = sums.len() / lines;
    for line in 0..lines {
        let start = if step == 1 { line * columns } else { line };
        let mut before = [0.0; 4];
        for i in 0..length {
            let here = sums[start + i * step];
            let after = if i + 1 < length { sums[start + (i + 1) * step] } else { [0.0; 4] };
            for k in 0..4 {
                sums[start + i * step][k] = 0.25 * before[k] + 0.5 * here[k] + 0.25 * after[k];
            }
            before = here;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::delaunay;
    use crate::nodes::place;
    use crate::sample;
    use leadline_model::{Cell, GridPos, LocalFrame, LonLat};

    fn grain(depth: impl Fn(f64, f64) -> f64) -> Grain {
        let middle = GridPos::from_lonlat(LonLat { lon: 12.0, lat: 50.0 }).expect("on the grid");
        let frame = LocalFrame::new(middle);
        let cells: Vec<Cell> = (0..900)
            .map(|i| (f64::from(i % 30) * 10.0, f64::from(i / 30) * 10.0))
            .map(|(e, n)| (frame.place(e, n), depth(e, n)))
            .map(|(at, depth_m)| Cell { tvu95_m: 0.1, ..sample::cell(at, depth_m) })
            .collect();
        let (_, nodes) = place(&cells.iter().collect::<Vec<_>>());
        let xy: Vec<[f64; 2]> = nodes.iter().map(|n| n.xy).collect();
        Grain::new(&nodes, &delaunay(&xy), 10.0)
    }

    /// A bed that only falls along (3, 4)/5: a unit vector across is stretched by √most, one along shrunk by it.
    #[test]
    fn a_slanting_channel_is_stretched_across() {
        let g = grain(|e, n| 5.0 + 2.0 * ((0.6 * e + 0.8 * n) / 25.0).sin());
        let [a, b, d] = g.metric([0.0, 0.0], 3.0);
        let across = [a * 0.6 + b * 0.8, b * 0.6 + d * 0.8];
        let along = [a * 0.8 - b * 0.6, b * 0.8 - d * 0.6];
        let root = 3f64.sqrt();
        assert!((across[0] - 0.6 * root).abs() < 0.02 && (across[1] - 0.8 * root).abs() < 0.02, "{across:?}");
        assert!((along[0] - 0.8 / root).abs() < 0.02 && (along[1] + 0.6 / root).abs() < 0.02, "{along:?}");
        assert!((a * d - b * b - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_flat_bed_and_a_round_one_have_no_grain() {
        assert_eq!(grain(|_, _| 4.0).metric([0.0, 0.0], 3.0), [1.0, 0.0, 1.0]);
        let [a, b, d] =
            grain(|e, n| 4.0 + 0.001 * ((e - 145.0).powi(2) + (n - 145.0).powi(2))).metric([0.0; 2], 3.0);
        assert!((a - 1.0).abs() < 0.2 && b.abs() < 0.2 && (d - 1.0).abs() < 0.2, "{a} {b} {d}");
    }
}
