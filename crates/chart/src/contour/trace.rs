//! Cutting triangles at levels and joining the pieces by name.

use super::{Contour, ContourLine, DepthArea};
use crate::mesh::{Mesh, NONE, find, join};
use geo::{Coord, LineString, Polygon};

/// A corner of a piece: a vertex, or the crossing of an edge with a level.
type Name = u64;

/// A directed side of a band, the band on its left; `tri` is the triangle it lies in.
#[derive(Clone, Copy)]
struct Side {
    from: Name,
    to: Name,
    tri: u32,
}

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
        cut.level_sides(t, |k, from, to| sides[k].push(Side { from, to, tri: t as u32 }));
    }
    let lines = |s: Vec<Side>| -> Vec<ContourLine> {
        let walked = Chain::new(s).walk().into_iter();
        let line = |(names, closed, _): Walk| Some(ContourLine { points: cut.line(&names, closed)?, closed });
        walked.filter_map(line).collect()
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
            sides[k + 1].push(Side { from, to, tri: t as u32 });
            sides[k].push(Side { from: to, to: from, tri: t as u32 });
        });
        cut.rim_sides(t, |band, from, to| sides[band].push(Side { from, to, tri: t as u32 }));
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
        let band = field.iter().map(|z| levels.partition_point(|l| l <= z) as u16).collect();
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
        let band = corner.map(|v| usize::from(self.band[v as usize]));
        let (lo, hi) = (band[0].min(band[1]).min(band[2]), band[0].max(band[1]).max(band[2]));
        for k in lo..hi {
            let deep = band.map(|b| b > k);
            let side = |from: bool| (0..3).find(|i| deep[*i] == from && deep[(i + 1) % 3] != from);
            // Going round, the deep part is left at `leave` and entered at `enter`.
            if let (Some(leave), Some(enter)) = (side(true), side(false)) {
                take(k, at_crossing(edge[leave], k), at_crossing(edge[enter], k));
            }
        }
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
        for (names, _, tri) in Chain::new(sides).walk() {
            if let Some(line) = self.line(&names, true) {
                let area = signed_area(&line);
                rings.push((part[tri as usize], area, line));
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

    /// Coordinates of named corners, repeats dropped; `None` when nothing but a point is left.
    fn line(&self, names: &[Name], closed: bool) -> Option<LineString<f64>> {
        let mut points: Vec<Coord<f64>> = Vec::with_capacity(names.len() + 1);
        for name in names {
            let p = self.coord(*name);
            if points.last() != Some(&p) {
                points.push(p);
            }
        }
        if closed {
            while points.len() > 1 && points.first() == points.last() {
                points.pop();
            }
            points.extend(points.first().copied());
        }
        let least = if closed { 4 } else { 2 };
        (points.len() >= least).then(|| LineString::new(points))
    }

    fn coord(&self, name: Name) -> Coord<f64> {
        if name >> 63 == 0 {
            let [x, y] = self.mesh.xy[name as usize];
            return Coord { x, y };
        }
        let [a, b] = self.ends[(name >> 16 & 0xffff_ffff) as usize].map(|v| v as usize);
        let level = self.levels[(name & 0xffff) as usize];
        let (p, q) = (self.mesh.xy[a], self.mesh.xy[b]);
        let (za, zb) = (self.field[a], self.field[b]);
        // Exactly on a vertex: its own coordinates, without rounding.
        if za == level || zb == level {
            let [x, y] = if za == level { p } else { q };
            return Coord { x, y };
        }
        let t = (level - za) / (zb - za);
        Coord { x: p[0] + t * (q[0] - p[0]), y: p[1] + t * (q[1] - p[1]) }
    }
}

/// Names along a line, whether it closes, and the triangle of its first side.
type Walk = (Vec<Name>, bool, u32);

/// Sides sorted by where they start. Every name starts at most one side and ends at most one.
struct Chain {
    sides: Vec<Side>,
    used: Vec<bool>,
}

impl Chain {
    fn new(mut sides: Vec<Side>) -> Self {
        sides.sort_unstable_by_key(|s| (s.from, s.to));
        Self { used: vec![false; sides.len()], sides }
    }

    fn starting_at(&self, name: Name) -> Option<usize> {
        self.sides.binary_search_by_key(&name, |s| s.from).ok().filter(|i| !self.used[*i])
    }

    /// Open lines first (in order of their start), then closed ones.
    fn walk(mut self) -> Vec<Walk> {
        let mut ends: Vec<Name> = self.sides.iter().map(|s| s.to).collect();
        ends.sort_unstable();
        let open: Vec<usize> =
            (0..self.sides.len()).filter(|i| ends.binary_search(&self.sides[*i].from).is_err()).collect();
        let mut out: Vec<Walk> = open.into_iter().map(|i| self.follow(i)).collect();
        for i in 0..self.sides.len() {
            if !self.used[i] {
                out.push(self.follow(i));
            }
        }
        out
    }

    fn follow(&mut self, first: usize) -> Walk {
        let start = self.sides[first].from;
        let mut names = vec![start];
        let mut next = Some(first);
        while let Some(i) = next {
            self.used[i] = true;
            let to = self.sides[i].to;
            if to == start {
                return (names, true, self.sides[first].tri);
            }
            names.push(to);
            next = self.starting_at(to);
        }
        (names, false, self.sides[first].tri)
    }
}

/// Positive for counter-clockwise rings, m².
fn signed_area(ring: &LineString<f64>) -> f64 {
    let Some(o) = ring.0.first().copied() else { return 0.0 };
    let twice: f64 =
        ring.0.windows(2).map(|w| (w[0].x - o.x) * (w[1].y - o.y) - (w[1].x - o.x) * (w[0].y - o.y)).sum();
    twice / 2.0
}
