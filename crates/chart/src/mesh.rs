//! The triangulation as flat arrays, cut into a manifold: every edge has one or two triangles, every vertex
//! one fan of them.
//!
//! Where two parts of the water touch in a single point, the Delaunay vertex has two fans; it is doubled here.
//! Then the border of any part of the mesh passes each vertex once, and contours and depth areas can be
//! joined by names of vertices and edges alone, never by comparing coordinates.

use crate::nodes::Node;
use spade::{DelaunayTriangulation, HasPosition, Point2, Triangulation};

/// No triangle on that side.
pub(crate) const NONE: u32 = u32::MAX;

/// Triangles over nodes. Edge i of a triangle runs from its corner i to corner i + 1; corners go
/// counter-clockwise (east and north positive).
#[derive(Clone, Debug, Default)]
pub(crate) struct Mesh {
    /// Node of each vertex.
    pub(crate) node: Vec<u32>,
    /// Coordinates of each vertex, metres.
    pub(crate) xy: Vec<[f64; 2]>,
    /// Vertices of each triangle.
    pub(crate) tri: Vec<[u32; 3]>,
    /// Number of each edge, shared by the two triangles at it.
    pub(crate) edge: Vec<[u32; 3]>,
    /// Triangle beyond each edge, or [`NONE`].
    pub(crate) beyond: Vec<[u32; 3]>,
}

struct Site {
    at: Point2<f64>,
}

impl HasPosition for Site {
    type Scalar = f64;
    fn position(&self) -> Point2<f64> {
        self.at
    }
}

/// Delaunay triangles of `points` as index triples, counter-clockwise, in canonical order.
pub(crate) fn delaunay(points: &[[f64; 2]]) -> Vec<[u32; 3]> {
    // Two cells never share a place, but hostile input may; spade's stable load wants them distinct.
    let mut order: Vec<u32> = (0..points.len() as u32).collect();
    let at = |i: u32| points[i as usize];
    order
        .sort_by(|a, b| at(*a)[0].total_cmp(&at(*b)[0]).then(at(*a)[1].total_cmp(&at(*b)[1])).then(a.cmp(b)));
    order.dedup_by(|b, a| at(*a) == at(*b));
    let sites = order.iter().map(|i| Site { at: Point2::new(at(*i)[0], at(*i)[1]) }).collect();
    let Ok(all) = DelaunayTriangulation::<Site>::bulk_load_stable(sites) else {
        return Vec::new();
    };
    let corner = |v: spade::handles::VertexHandle<'_, Site>| order[v.index()];
    let mut out: Vec<[u32; 3]> = all.inner_faces().map(|f| leading(f.vertices().map(corner))).collect();
    out.sort_unstable();
    out
}

/// The same turn starting at the smallest index.
fn leading([a, b, c]: [u32; 3]) -> [u32; 3] {
    if a < b && a < c {
        [a, b, c]
    } else if b < c {
        [b, c, a]
    } else {
        [c, a, b]
    }
}

impl Mesh {
    /// Joins `triangles` (index triples into `nodes`, counter-clockwise) into a manifold.
    pub(crate) fn new(nodes: &[Node], triangles: &[[u32; 3]]) -> Self {
        let (edge, beyond) = edges(triangles);
        let fan = fans(triangles, &beyond);
        // Vertices in order of node, then of first corner: canonical because the triangles are.
        let mut heads: Vec<(u32, u32)> = (0..fan.len() as u32)
            .filter(|c| fan[*c as usize] == *c)
            .map(|c| (triangles[c as usize / 3][c as usize % 3], c))
            .collect();
        heads.sort_unstable();
        let mut vertex_of_head = vec![NONE; fan.len()];
        for (v, (_, head)) in heads.iter().enumerate() {
            vertex_of_head[*head as usize] = v as u32;
        }
        let vertex = |t: usize, i: usize| vertex_of_head[fan[3 * t + i] as usize];
        Self {
            xy: heads.iter().map(|(n, _)| nodes[*n as usize].xy).collect(),
            node: heads.iter().map(|(n, _)| *n).collect(),
            tri: (0..triangles.len()).map(|t| [vertex(t, 0), vertex(t, 1), vertex(t, 2)]).collect(),
            edge,
            beyond,
        }
    }

    /// Area of all triangles, m².
    pub(crate) fn area(&self) -> f64 {
        (0..self.tri.len()).map(|t| self.triangle_area(t)).sum()
    }

    /// Area of one triangle, m².
    pub(crate) fn triangle_area(&self, t: usize) -> f64 {
        let [a, b, c] = self.corners(t);
        twice_area(a, b, c) / 2.0
    }

    /// Coordinates of a triangle's corners.
    pub(crate) fn corners(&self, t: usize) -> [[f64; 2]; 3] {
        self.tri[t].map(|v| self.xy[v as usize])
    }
}

/// Twice the signed area, positive when a, b, c turn counter-clockwise.
pub(crate) fn twice_area(a: [f64; 2], b: [f64; 2], c: [f64; 2]) -> f64 {
    (b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1])
}

/// Distance of two points.
pub(crate) fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    let (dx, dy) = (a[0] - b[0], a[1] - b[1]);
    libm::sqrt(dx * dx + dy * dy)
}

/// Edge numbers and the triangles beyond them.
pub(crate) fn edges(triangles: &[[u32; 3]]) -> (Vec<[u32; 3]>, Vec<[u32; 3]>) {
    let sides = || {
        triangles.iter().enumerate().flat_map(|(t, corner)| {
            (0..3).map(move |i| {
                let (a, b) = (corner[i], corner[(i + 1) % 3]);
                (a.min(b) as usize, (a.max(b), (3 * t + i) as u32))
            })
        })
    };
    // Filed by the smaller end, so that only the few sides at one place are sorted.
    let places = triangles.iter().flatten().max().map_or(0, |v| *v as usize + 1);
    let mut first = vec![0u32; places + 1];
    sides().for_each(|(a, _)| first[a + 1] += 1);
    for a in 0..places {
        first[a + 1] += first[a];
    }
    let mut next = first.clone();
    let mut filed = vec![(0, 0); 3 * triangles.len()];
    for (a, side) in sides() {
        filed[next[a] as usize] = side;
        next[a] += 1;
    }
    let mut edge = vec![[NONE; 3]; triangles.len()];
    let mut beyond = vec![[NONE; 3]; triangles.len()];
    let mut number = 0;
    for a in 0..places {
        let here = &mut filed[first[a] as usize..first[a + 1] as usize];
        here.sort_unstable();
        for group in here.chunk_by(|a, b| a.0 == b.0) {
            for (i, side) in group.iter().enumerate() {
                let (t, k) = (side.1 as usize / 3, side.1 as usize % 3);
                edge[t][k] = number;
                // A Delaunay edge has at most two sides; the partner is the other one.
                beyond[t][k] = group.get(1 - i.min(1)).filter(|_| group.len() == 2).map_or(NONE, |o| o.1 / 3);
            }
            number += 1;
        }
    }
    (edge, beyond)
}

/// For every corner (3 · triangle + i) the first corner of its fan round the vertex.
fn fans(triangles: &[[u32; 3]], beyond: &[[u32; 3]]) -> Vec<u32> {
    let mut head: Vec<u32> = (0..3 * triangles.len() as u32).collect();
    for (t, corner) in triangles.iter().enumerate() {
        for (i, other) in beyond[t].into_iter().enumerate() {
            if other == NONE || (other as usize) < t {
                continue;
            }
            for k in [i, (i + 1) % 3] {
                if let Some(j) = triangles[other as usize].iter().position(|v| *v == corner[k]) {
                    join(&mut head, (3 * t + k) as u32, 3 * other + j as u32);
                }
            }
        }
    }
    for c in 0..head.len() as u32 {
        head[c as usize] = find(&mut head, c);
    }
    head
}

/// Root of `i` with path halving. Roots are the smallest members.
pub(crate) fn find(head: &mut [u32], mut i: u32) -> u32 {
    while head[i as usize] != i {
        head[i as usize] = head[head[i as usize] as usize];
        i = head[i as usize];
    }
    i
}

/// Puts two sets together under the smaller root.
pub(crate) fn join(head: &mut [u32], a: u32, b: u32) {
    let (a, b) = (find(head, a), find(head, b));
    head[a.max(b) as usize] = a.min(b);
}
