//! Cutting triangles at levels and joining the pieces by name.

use super::chain::{Chain, Named, polyline};
use super::{Contour, ContourLine, DepthArea};
use crate::mesh::{Mesh, NONE, find, join};
use geo::{Coord, LineString, Polygon};

/// A corner of a piece: a vertex, or the crossing of an edge with a level.
type Name = u64;

/// A directed side of a band, the band on its left, and the triangle it lies in.
type Side = Named<Name, u32>;

fn at_vertex(v: u32) -> Name {
    u64::from(v)
}

/// Levels number at most [`crate::MAX_LEVELS`], edges fewer than 2^32.
fn at_crossing(edge: u32, level: usize) -> Name {
    1 << 63 | u64::from(edge) << 16 | level as u64
}

/// A field of depths over a mesh, cut at ascending levels.
struct Cut<'a> {
    mesh: &'a Mesh,
    field: &'a [f64],
    levels: &'a [f64],
    /// Band of each vertex: how many levels are at or above its depth.
    band: Vec<u16>,
    /// Ends of each edge, smaller vertex first, so that both triangles compute the same crossing.
    ends: Vec<[u32; 2]>,
}

/// Contours of `field` (one depth per vertex) at `levels`; levels without a line are left out.
pub(crate) fn contours(mesh: &Mesh, field: &[f64], levels: &[f64]) -> Vec<Contour> {
    let cut = Cut::new(mesh, field, levels);
    let mut sides: Vec<Vec<Side>> = vec![Vec::new(); levels.len()];
    for t in 0..mesh.tri.len() {
        cut.level_sides(t, |k, from, to| sides[k].push(Side { from, to, of: t as u32 }));
    }
    let lines = |s: Vec<Side>| -> Vec<ContourLine> {
        let chain = Chain::new(s);
        let walked = chain.walk().into_iter();
        walked
            .filter_map(|w| {
                Some(ContourLine { points: cut.line(chain.names(&w), w.closed)?, closed: w.closed })
            })
            .collect()
    };
    let all = sides.into_iter().zip(levels).map(|(s, l)| Contour { depth_m: *l, lines: lines(s) });
    all.filter(|c| !c.lines.is_empty()).collect()
}

/// Areas of `field` between `levels`; bands without area are left out. Together they tile the mesh.
pub(crate) fn areas(mesh: &Mesh, field: &[f64], levels: &[f64]) -> Vec<DepthArea> {
    let cut = Cut::new(mesh, field, levels);
    let mut sides: Vec<Vec<Side>> = vec![Vec::new(); levels.len() + 1];
    for t in 0..mesh.tri.len() {
        cut.level_sides(t, |k, from, to| {
            sides[k + 1].push(Side { from, to, of: t as u32 });
            sides[k].push(Side { from: to, to: from, of: t as u32 });
        });
        cut.rim_sides(t, |band, from, to| sides[band].push(Side { from, to, of: t as u32 }));
    }
    let mut out = Vec::new();
    for (band, s) in sides.into_iter().enumerate() {
        let polygons = cut.polygons(band, s);
        if !polygons.is_empty() {
            let from_m = band.checked_sub(1).and_then(|k| levels.get(k)).copied();
            out.push(DepthArea { from_m, to_m: levels.get(band).copied(), polygons });
        }
    }
    out
}

impl<'a> Cut<'a> {
    fn new(mesh: &'a Mesh, field: &'a [f64], levels: &'a [f64]) -> Self {
        let band = field.iter().map(|z| band_of(levels, *z)).collect();
        let n = mesh.edge.iter().flatten().map(|e| *e as usize + 1).max().unwrap_or(0);
        let mut ends = vec![[0; 2]; n];
        for (corner, edge) in mesh.tri.iter().zip(&mesh.edge) {
            for i in 0..3 {
                let (a, b) = (corner[i], corner[(i + 1) % 3]);
                ends[edge[i] as usize] = [a.min(b), a.max(b)];
            }
        }
        Self { mesh, field, levels, band, ends }
    }

    /// The piece of each level inside triangle `t`, its deep side on the left.
    fn level_sides(&self, t: usize, mut take: impl FnMut(usize, Name, Name)) {
        let (corner, edge) = (self.mesh.tri[t], self.mesh.edge[t]);
        let band = corner.map(|v| self.band[v as usize]);
        pieces(band, |k, leave, enter| take(k, at_crossing(edge[leave], k), at_crossing(edge[enter], k)));
    }

    /// The pieces of the mesh's rim in triangle `t`, each with its band.
    fn rim_sides(&self, t: usize, mut take: impl FnMut(usize, Name, Name)) {
        let (corner, edge) = (self.mesh.tri[t], self.mesh.edge[t]);
        for i in (0..3).filter(|i| self.mesh.beyond[t][*i] == NONE) {
            let (a, b) = (corner[i], corner[(i + 1) % 3]);
            let (from, to) = (usize::from(self.band[a as usize]), usize::from(self.band[b as usize]));
            let (mut band, mut last) = (from, at_vertex(a));
            while band != to {
                let level = if band < to { band } else { band - 1 };
                let next = at_crossing(edge[i], level);
                take(band, last, next);
                last = next;
                band = if band < to { band + 1 } else { band - 1 };
            }
            take(band, last, at_vertex(b));
        }
    }

    /// Rings of one band, holes given to the outer ring of the same connected part.
    fn polygons(&self, band: usize, sides: Vec<Side>) -> Vec<Polygon<f64>> {
        if sides.is_empty() {
            return Vec::new();
        }
        let part = self.parts(band);
        let mut rings: Vec<(u32, f64, LineString<f64>)> = Vec::new();
        let chain = Chain::new(sides);
        for walk in chain.walk() {
            if let Some(line) = self.line(chain.names(&walk), true) {
                rings.push((part[chain.first(&walk).of as usize], signed_area(&line), line));
            }
        }
        // Within a part the outer ring is the one with the largest area; the rest are holes.
        rings.sort_by(|a, b| a.0.cmp(&b.0).then(b.1.total_cmp(&a.1)));
        let mut out = Vec::new();
        for group in rings.chunk_by(|a, b| a.0 == b.0) {
            if let Some(((_, area, outer), holes)) = group.split_first()
                && *area > 0.0
            {
                let holes = holes.iter().filter(|h| h.1 < 0.0).map(|h| h.2.clone()).collect();
                out.push(Polygon::new(outer.clone(), holes));
            }
        }
        out
    }

    /// For each triangle the connected part of `band` it belongs to (its own number if it has none of it).
    fn parts(&self, band: usize) -> Vec<u32> {
        let mut head: Vec<u32> = (0..self.mesh.tri.len() as u32).collect();
        for (t, corner) in self.mesh.tri.iter().enumerate() {
            for i in 0..3 {
                let other = self.mesh.beyond[t][i];
                if other == NONE || (other as usize) < t {
                    continue;
                }
                let ends = [corner[i], corner[(i + 1) % 3]].map(|v| usize::from(self.band[v as usize]));
                if ends[0].min(ends[1]) <= band && band <= ends[0].max(ends[1]) {
                    join(&mut head, t as u32, other);
                }
            }
        }
        (0..head.len() as u32).map(|t| find(&mut head, t)).collect()
    }

    fn line(&self, names: impl Iterator<Item = Name>, closed: bool) -> Option<LineString<f64>> {
        polyline(names.map(|n| self.coord(n)), closed)
    }

    fn coord(&self, name: Name) -> Coord<f64> {
        if name >> 63 == 0 {
            let [x, y] = self.mesh.xy[name as usize];
            return Coord { x, y };
        }
        let [a, b] = self.ends[(name >> 16 & 0xffff_ffff) as usize].map(|v| v as usize);
        let level = self.levels[(name & 0xffff) as usize];
        crossing(level, (self.mesh.xy[a], self.field[a]), (self.mesh.xy[b], self.field[b]))
    }
}

/// Where an edge is at `level`, from its ends with their depths, the smaller end first.
pub(crate) fn crossing(level: f64, (p, za): ([f64; 2], f64), (q, zb): ([f64; 2], f64)) -> Coord<f64> {
    // Exactly on a vertex: its own coordinates, without rounding.
    if za == level || zb == level {
        let [x, y] = if za == level { p } else { q };
        return Coord { x, y };
    }
    let t = (level - za) / (zb - za);
    Coord { x: p[0] + t * (q[0] - p[0]), y: p[1] + t * (q[1] - p[1]) }
}

/// The piece of each level in a triangle whose corners lie in these bands: the level's number, the edge at which the
/// deep part is left, and the one at which it is entered, going round counter-clockwise.
pub(crate) fn pieces(band: [u16; 3], mut take: impl FnMut(usize, usize, usize)) {
    let band = band.map(usize::from);
    let (lo, hi) = (band[0].min(band[1]).min(band[2]), band[0].max(band[1]).max(band[2]));
    for k in lo..hi {
        let deep = band.map(|b| b > k);
        let side = |from: bool| (0..3).find(|i| deep[*i] == from && deep[(i + 1) % 3] != from);
        if let (Some(leave), Some(enter)) = (side(true), side(false)) {
            take(k, leave, enter);
        }
    }
}

/// Band of a depth: how many levels are at or above it.
pub(crate) fn band_of(levels: &[f64], depth: f64) -> u16 {
    levels.partition_point(|l| *l <= depth) as u16
}

/// Positive for counter-clockwise rings, m².
fn signed_area(ring: &LineString<f64>) -> f64 {
    let Some(o) = ring.0.first().copied() else { return 0.0 };
    let twice: f64 =
        ring.0.windows(2).map(|w| (w[0].x - o.x) * (w[1].y - o.y) - (w[1].x - o.x) * (w[0].y - o.y)).sum();
    twice / 2.0
}
