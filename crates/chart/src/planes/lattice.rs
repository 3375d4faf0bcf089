//! From triangles and cells to the nodes of a lattice of any step.

use super::dot::{DISPUTED, FRESH, MEASURED, Part, grade_bits};
use crate::Surface;
use crate::locate::Place;
use crate::mesh::twice_area;
use crate::nodes::Node;
use std::collections::BTreeSet;

/// A node this far outside a triangle (as a share of it) still counts as inside.
const EDGE_TOLERANCE: f64 = 1e-9;

/// Nodes every `step` grid places, counted from the grid's north-western corner; columns go on past the
/// antimeridian, so that a water across it stays in one piece.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Lattice<'a> {
    pub(crate) surface: &'a Surface,
    pub(crate) step: i64,
}

impl Lattice<'_> {
    /// Nodes of frame metres.
    pub(crate) fn node(&self, [east, north]: [f64; 2]) -> [f64; 2] {
        let frame = self.surface.frame();
        let (e, n) = frame.place_m();
        let (x, y) = (f64::from(frame.origin().x()) + 0.5, f64::from(frame.origin().y()) + 0.5);
        [(x + east / e) / self.step as f64, (y - north / n) / self.step as f64]
    }

    /// Frame metres of a node.
    pub(crate) fn metres(&self, x: i64, y: i64) -> [f64; 2] {
        let frame = self.surface.frame();
        let (e, n) = frame.place_m();
        let (ox, oy) = (f64::from(frame.origin().x()) + 0.5, f64::from(frame.origin().y()) + 0.5);
        [((x * self.step) as f64 - ox) * e, (oy - (y * self.step) as f64) * n]
    }

    /// The node nearest to frame metres.
    pub(crate) fn nearest(&self, xy: [f64; 2]) -> (i64, i64) {
        let [x, y] = self.node(xy);
        (libm::round(x) as i64, libm::round(y) as i64)
    }

    /// Calls `put` for each node in triangle `t`.
    pub(crate) fn walk(&self, t: u32, mut put: impl FnMut((i64, i64), &dyn Fn() -> Part)) {
        let mesh = self.surface.mesh();
        let corner = mesh.corners(t as usize).map(|p| self.node(p));
        let [a, b, c] = corner;
        let all = twice_area(a, b, c);
        let side = |k: usize, pick: fn(f64, f64) -> f64| pick(pick(a[k], b[k]), c[k]);
        let (first, last) = (libm::ceil(side(1, f64::min) - 1e-9), libm::floor(side(1, f64::max) + 1e-9));
        let (left, right) = (libm::ceil(side(0, f64::min) - 1e-9), libm::floor(side(0, f64::max) + 1e-9));
        for y in first as i64..=last as i64 {
            for x in left as i64..=right as i64 {
                let p = [x as f64, y as f64];
                let w = [twice_area(b, c, p) / all, twice_area(c, a, p) / all, twice_area(a, b, p) / all];
                if w.iter().any(|w| *w < -EDGE_TOLERANCE) {
                    continue;
                }
                put((x, y), &|| {
                    let w = w.map(|w| w.max(0.0));
                    let sum = w[0] + w[1] + w[2];
                    let nearest_m = self.nearest_m(&corner, p);
                    self.between(&Place { tri: t, weight: w.map(|w| w / sum), nearest_m })
                });
            }
        }
    }

    fn between(&self, place: &Place) -> Part {
        let here = self.surface.inside(place);
        Part {
            safe_m: here.safe_m,
            best_m: here.depth_m,
            tvu95_m: here.tvu95_m,
            flags: grade_bits(here.grade),
        }
    }

    /// True metres from a node to the nearest corner.
    fn nearest_m(&self, corner: &[[f64; 2]; 3], p: [f64; 2]) -> f64 {
        let (e, n) = self.surface.frame().place_m();
        let square = |c: &[f64; 2]| {
            let (dx, dy) = ((c[0] - p[0]) * self.step as f64 * e, (c[1] - p[1]) * self.step as f64 * n);
            dx * dx + dy * dy
        };
        libm::sqrt(corner.iter().map(square).fold(f64::INFINITY, f64::min))
    }
}

/// A cell's own values.
pub(crate) fn measured(n: &Node, fresh: &BTreeSet<u32>) -> Part {
    let mark = |is: bool, bit: u8| if is { bit } else { 0 };
    let flags = grade_bits(n.grade)
        | MEASURED
        | mark(n.disputed, DISPUTED)
        | mark(fresh.contains(&n.main_pass), FRESH);
    Part { safe_m: n.safe_m.min(n.line_m), best_m: n.best_m, tvu95_m: n.tvu95_m, flags }
}

/// A corner of the mesh that is no cell: a place of the shore, or one between cells.
pub(crate) fn corner(n: &Node) -> Part {
    let tvu95_m = libm::hypot(n.tvu95_m, n.gap95_m);
    Part { safe_m: n.line_m, best_m: n.best_m, tvu95_m, flags: grade_bits(n.grade) }
}
