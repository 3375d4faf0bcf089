//! Which triangle holds a point: triangles listed by square buckets.

use crate::mesh::{distance, twice_area};

/// A bucket index over triangles.
#[derive(Clone, Debug, Default)]
pub(crate) struct Locator {
    side: f64,
    corner: [f64; 2],
    /// (bucket, triangle), sorted.
    entries: Vec<(u64, u32)>,
}

/// A triangle with the weights of its corners at a point; the weights sum to one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Place {
    pub(crate) tri: u32,
    pub(crate) weight: [f64; 3],
    /// Distance to the nearest corner, metres.
    pub(crate) nearest_m: f64,
}

/// A point this far outside (as a share of the triangle) still counts as on its edge.
const EDGE_TOLERANCE: f64 = 1e-9;

impl Locator {
    pub(crate) fn new(xy: &[[f64; 2]], triangles: &[[u32; 3]]) -> Self {
        let mut low = [f64::INFINITY; 2];
        let mut area = 0.0;
        for t in triangles {
            let [a, b, c] = t.map(|v| xy[v as usize]);
            area += twice_area(a, b, c) / 2.0;
            for p in [a, b, c] {
                low = [low[0].min(p[0]), low[1].min(p[1])];
            }
        }
        if triangles.is_empty() {
            return Self::default();
        }
        // About four mean triangles wide: few entries a triangle, few triangles a bucket.
        let side = libm::sqrt(area / triangles.len() as f64).max(0.05) * 4.0;
        let mut new = Self { side, corner: low, entries: Vec::with_capacity(triangles.len() * 2) };
        for (n, t) in triangles.iter().enumerate() {
            let p = t.map(|v| xy[v as usize]);
            let min = |k: usize| p[0][k].min(p[1][k]).min(p[2][k]);
            let max = |k: usize| p[0][k].max(p[1][k]).max(p[2][k]);
            for y in new.step(min(1), 1)..=new.step(max(1), 1) {
                for x in new.step(min(0), 0)..=new.step(max(0), 0) {
                    new.entries.push((x << 32 | y, n as u32));
                }
            }
        }
        new.entries.sort_unstable();
        new
    }

    fn step(&self, v: f64, axis: usize) -> u64 {
        libm::floor((v - self.corner[axis]) / self.side).clamp(0.0, f64::from(u32::MAX)) as u64
    }

    /// Triangles that may touch the box from `low` to `high`, ascending.
    pub(crate) fn within(&self, low: [f64; 2], high: [f64; 2]) -> Vec<u32> {
        let mut out = Vec::new();
        if self.entries.is_empty() || high[0] < self.corner[0] || high[1] < self.corner[1] {
            return out;
        }
        let last = self.entries.last().map_or(0, |e| e.0 >> 32);
        let (south, north) = (self.step(low[1], 1), self.step(high[1], 1));
        for x in self.step(low[0], 0)..=self.step(high[0], 0).min(last) {
            let (from, to) = (x << 32 | south, x << 32 | north);
            let first = self.entries.partition_point(|e| e.0 < from);
            out.extend(self.entries[first..].iter().take_while(|e| e.0 <= to).map(|e| e.1));
        }
        out.sort_unstable();
        out.dedup();
        out
    }

    /// The first triangle that holds `p`, edges included.
    pub(crate) fn find(&self, xy: &[[f64; 2]], triangles: &[[u32; 3]], p: [f64; 2]) -> Option<Place> {
        if self.entries.is_empty() || p[0] < self.corner[0] - 1.0 || p[1] < self.corner[1] - 1.0 {
            return None;
        }
        let key = self.step(p[0], 0) << 32 | self.step(p[1], 1);
        let from = self.entries.partition_point(|e| e.0 < key);
        let here = self.entries[from..].iter().take_while(|e| e.0 == key);
        here.map(|e| e.1).find_map(|t| inside(triangles[t as usize].map(|v| xy[v as usize]), p, t))
    }
}

fn inside([a, b, c]: [[f64; 2]; 3], p: [f64; 2], tri: u32) -> Option<Place> {
    let all = twice_area(a, b, c);
    let w = [twice_area(b, c, p) / all, twice_area(c, a, p) / all, twice_area(a, b, p) / all];
    if !w.iter().all(|w| *w >= -EDGE_TOLERANCE) {
        return None;
    }
    let w = w.map(|w| w.max(0.0));
    let sum = w[0] + w[1] + w[2];
    let nearest_m = distance(a, p).min(distance(b, p)).min(distance(c, p));
    Some(Place { tri, weight: w.map(|w| w / sum), nearest_m })
}
