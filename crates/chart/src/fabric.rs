//! Triangles with their neighbours, into which points can be woven without changing the outline.
//!
//! A point splits its triangle in three; then edges are flipped until no circle through a triangle's corners holds
//! the opposite corner of a neighbour (Lawson 1977, "Software for C¹ surface interpolation"; from memory). Edges of
//! the outline stay.

use crate::mesh::{NONE, distance, edges, twice_area};

/// Edge i of a triangle runs from its corner i to corner i + 1; corners go counter-clockwise.
pub(crate) struct Fabric {
    pub(crate) xy: Vec<[f64; 2]>,
    pub(crate) tri: Vec<[u32; 3]>,
    beyond: Vec<[u32; 3]>,
}

/// Triangles crossed in search of a point, at most.
const MOST_STEPS: usize = 200;
/// A point this near an edge, as a share of the triangle, is moved inwards by that share.
const ON_EDGE: f64 = 1e-3;
/// Four corners this nearly on one circle are left as they are.
const ROUND: f64 = 1e-9;

impl Fabric {
    pub(crate) fn new(xy: Vec<[f64; 2]>, tri: Vec<[u32; 3]>) -> Self {
        let (_, beyond) = edges(&tri);
        Self { xy, tri, beyond }
    }

    fn corners(&self, t: u32) -> [[f64; 2]; 3] {
        self.tri[t as usize].map(|v| self.xy[v as usize])
    }

    /// Middle and radius of the circle through a triangle's corners; `None` for one without area.
    pub(crate) fn circle(&self, t: u32) -> Option<([f64; 2], f64)> {
        let [a, b, c] = self.corners(t);
        let double = twice_area(a, b, c);
        if double <= 1e-6 {
            return None;
        }
        let (u, v) = ([b[0] - a[0], b[1] - a[1]], [c[0] - a[0], c[1] - a[1]]);
        let (uu, vv) = (u[0] * u[0] + u[1] * u[1], v[0] * v[0] + v[1] * v[1]);
        let off = [(v[1] * uu - u[1] * vv) / (2.0 * double), (u[0] * vv - v[0] * uu) / (2.0 * double)];
        let middle = [a[0] + off[0], a[1] + off[1]];
        Some((middle, distance(a, middle)))
    }

    /// The triangle that holds `p`, looked for from triangle `t`, and `p` itself, moved a little if it lies on an
    /// edge; `None` if the outline is in the way.
    pub(crate) fn find(&self, mut t: u32, p: [f64; 2]) -> Option<(u32, [f64; 2])> {
        for _ in 0..MOST_STEPS {
            let [a, b, c] = self.corners(t);
            let side = [twice_area(a, b, p), twice_area(b, c, p), twice_area(c, a, p)];
            let Some(out) = (0..3).find(|i| side[*i] < 0.0) else {
                let all = twice_area(a, b, c);
                let least = side.iter().fold(all, |m: f64, s| m.min(*s));
                let inwards = if least < ON_EDGE * all { 3.0 * ON_EDGE } else { 0.0 };
                let middle = [0, 1].map(|k| (a[k] + b[k] + c[k]) / 3.0);
                return Some((t, [0, 1].map(|k| p[k] + inwards * (middle[k] - p[k]))));
            };
            t = self.beyond[t as usize][out];
            if t == NONE {
                return None;
            }
        }
        None
    }

    /// Makes `p` a corner; it lies inside triangle `t`.
    pub(crate) fn weave(&mut self, t: u32, p: [f64; 2]) {
        let v = self.xy.len() as u32;
        self.xy.push(p);
        let ([a, b, c], [ab, bc, ca]) = (self.tri[t as usize], self.beyond[t as usize]);
        let (second, third) = (self.tri.len() as u32, self.tri.len() as u32 + 1);
        self.tri[t as usize] = [a, b, v];
        self.beyond[t as usize] = [ab, second, third];
        self.tri.extend([[b, c, v], [c, a, v]]);
        self.beyond.extend([[bc, third, t], [ca, t, second]]);
        self.turn(bc, t, second);
        self.turn(ca, t, third);
        let mut open = vec![t, second, third];
        while let Some(t) = open.pop() {
            if let Some(other) = self.flip(t) {
                open.extend([t, other]);
            }
        }
    }

    /// Lets `t` border on `new` where it bordered on `old`.
    fn turn(&mut self, t: u32, old: u32, new: u32) {
        if t != NONE {
            self.beyond[t as usize].iter_mut().filter(|b| **b == old).for_each(|b| *b = new);
        }
    }

    /// Flips edge 0 of `t`, opposite to its new corner, if the corner beyond lies in the circle of `t`.
    fn flip(&mut self, t: u32) -> Option<u32> {
        let ([a, b, v], [over, right, _]) = (self.tri[t as usize], self.beyond[t as usize]);
        if over == NONE {
            return None;
        }
        let other = self.tri[over as usize];
        let j = (0..3).find(|j| other[*j] == b && other[(j + 1) % 3] == a)?;
        let d = other[(j + 2) % 3];
        let [pa, pb, pv, pd] = [a, b, v, d].map(|i| self.xy[i as usize]);
        if !in_circle(pa, pb, pv, pd) || twice_area(pa, pd, pv) <= 0.0 || twice_area(pd, pb, pv) <= 0.0 {
            return None;
        }
        let (ad, db) = (self.beyond[over as usize][(j + 1) % 3], self.beyond[over as usize][(j + 2) % 3]);
        let left = self.beyond[t as usize][2];
        self.tri[t as usize] = [a, d, v];
        self.beyond[t as usize] = [ad, over, left];
        self.tri[over as usize] = [d, b, v];
        self.beyond[over as usize] = [db, right, t];
        self.turn(ad, over, t);
        self.turn(right, t, over);
        Some(over)
    }
}

/// Whether `d` lies clearly inside the circle through `a`, `b`, `c` (counter-clockwise).
fn in_circle(a: [f64; 2], b: [f64; 2], c: [f64; 2], d: [f64; 2]) -> bool {
    let row = |p: [f64; 2]| {
        let (x, y) = (p[0] - d[0], p[1] - d[1]);
        [x, y, x * x + y * y]
    };
    let (a, b, c) = (row(a), row(b), row(c));
    let determinant = a[0] * (b[1] * c[2] - b[2] * c[1]) - a[1] * (b[0] * c[2] - b[2] * c[0])
        + a[2] * (b[0] * c[1] - b[1] * c[0]);
    let largest = a[2].max(b[2]).max(c[2]);
    determinant > ROUND * largest * largest
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::delaunay;

    fn area(f: &Fabric) -> f64 {
        f.tri.iter().map(|t| t.map(|v| f.xy[v as usize])).map(|[a, b, c]| twice_area(a, b, c) / 2.0).sum()
    }

    /// Points woven one by one make the triangles that a triangulation of all at once makes, and every neighbour
    /// knows its neighbour.
    #[test]
    fn woven_points_are_delaunay() {
        let hull = [[0.0, 0.0], [100.0, 1.0], [101.0, 99.0], [-1.0, 100.0]];
        let inner: Vec<[f64; 2]> = (1..120)
            .map(|i| [f64::from(i * 37 % 97) + 0.013 * f64::from(i), f64::from(i * 59 % 89) + 1.7])
            .collect();
        let mut f = Fabric::new(hull.to_vec(), delaunay(&hull));
        let whole = area(&f);
        for p in &inner {
            let (t, at) = f.find(0, *p).expect("inside");
            f.weave(t, at);
        }
        assert!((area(&f) - whole).abs() < 1e-6);
        let (_, beyond) = edges(&f.tri);
        assert_eq!(beyond, f.beyond);
        let turned = |t: &[u32; 3]| {
            let first = (0..3).min_by_key(|i| t[*i]).expect("three");
            [t[first], t[(first + 1) % 3], t[(first + 2) % 3]]
        };
        let mut woven: Vec<[u32; 3]> = f.tri.iter().map(turned).collect();
        woven.sort_unstable();
        assert_eq!(woven, delaunay(&f.xy));
    }

    /// The middle of a square lies on its diagonal; outside there is nothing to find.
    #[test]
    fn edges_and_the_outside() {
        let square = [[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]];
        let mut f = Fabric::new(square.to_vec(), delaunay(&square));
        let (middle, radius) = f.circle(0).expect("an area");
        assert!((middle[0] - 5.0).abs() < 1e-12 && (radius - 50f64.sqrt()).abs() < 1e-12);
        let (t, at) = f.find(0, middle).expect("inside");
        f.weave(t, at);
        assert_eq!(f.tri.len(), 4);
        assert!((area(&f) - 100.0).abs() < 1e-9);
        assert!(f.find(0, [12.0, 5.0]).is_none());
    }
}
