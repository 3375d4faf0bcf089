//! The depths that contours are drawn from: the safe ones, smoothed to the shoal side only.
//!
//! Cells a few metres apart scatter by their noise, and lines drawn through that are ragged. Each depth is brought
//! towards a plane through its neighbourhood, but never deeper than its safe depth and never shoaler than half its
//! uncertainty above it: what moves is within what is uncertain anyway, and always to the side that keeps a boat
//! afloat. First the depths are let down to the shoal side of the scatter, then smoothed.

use crate::blocks::{ByTile, around, from_corner, place_m};
use crate::near::Near;
use crate::nodes::Node;
use leadline_model::TileId;

/// Radius of the neighbourhood, metres (judgement: three cells to each side).
const RADIUS_M: f64 = 12.0;
/// Times the depths are let down before they are smoothed.
const LET_DOWN: usize = 2;
/// Cells farther from a tile than this do not matter to its depths, metres.
pub(crate) const REACH_M: f64 = RADIUS_M * (LET_DOWN + 1) as f64;
/// Share of a cell's uncertainty that its line may lie above its safe depth.
const MOST: f64 = 0.5;
/// Slopes are held as if measured over this far, metres: a track that is a straight line knows none across it.
const HELD_M: f64 = 0.001;

/// Sets the line depth of all nodes. They are sorted by id.
pub(crate) fn smooth(nodes: &mut [Node], tiles: &ByTile) {
    let mut found: Vec<(u32, f64)> = Vec::with_capacity(nodes.len());
    for tile in tiles.keys() {
        found.extend(of_tile(*tile, nodes, tiles));
    }
    for (i, depth) in found {
        nodes[i as usize].line_m = depth;
    }
}

/// Number and line depth of each node of a tile.
fn of_tile(tile: TileId, nodes: &[Node], tiles: &ByTile) -> Vec<(u32, f64)> {
    let near = around(tiles, nodes, tile, REACH_M);
    let depths = line_depths(tile, &near.iter().map(|i| &nodes[*i as usize]).collect::<Vec<_>>());
    let own = near.into_iter().zip(depths).filter(|(i, _)| nodes[*i as usize].at.tile() == tile);
    own.collect()
}

/// Line depths of nodes in order of their cells, right for those in `tile` if all within [`REACH_M`] are there.
pub(crate) fn line_depths(tile: TileId, near: &[&Node]) -> Vec<f64> {
    Patch::new(tile, near).line_depths()
}

/// Nodes of a tile and round it.
struct Patch {
    /// Metres east and south of the tile's corner, at the scale of the tile.
    xy: Vec<[f64; 2]>,
    safe: Vec<f64>,
    shoalest: Vec<f64>,
    /// Neighbours within the radius, itself included, ascending: number, and what its depth below the node's own
    /// adds to the plane there; and where each node's begin.
    beside: Vec<(u32, f64)>,
    from: Vec<u32>,
}

impl Patch {
    fn new(tile: TileId, nodes: &[&Node]) -> Self {
        let scale = place_m(tile);
        let mut new = Self {
            xy: Vec::new(),
            safe: Vec::new(),
            shoalest: Vec::new(),
            beside: Vec::new(),
            from: vec![0],
        };
        for n in nodes {
            new.xy.push(from_corner(tile, n.at).map(|v| v as f64 * scale));
            new.safe.push(n.safe_m);
            new.shoalest.push(n.safe_m - MOST * n.tvu95_m);
        }
        new.meet();
        new
    }

    fn meet(&mut self) {
        let near = Near::new(&self.xy, RADIUS_M);
        let mut found: Vec<u32> = Vec::new();
        for p in &self.xy {
            found.clear();
            near.within(*p, RADIUS_M, |j| {
                if weight(*p, self.xy[j as usize]) > 0.0 {
                    found.push(j);
                }
            });
            // Ascending, so that sums do not depend on the tile that looks.
            found.sort_unstable();
            plane(*p, &self.xy, &found, &mut self.beside);
            self.from.push(self.beside.len() as u32);
        }
    }

    fn line_depths(&self) -> Vec<f64> {
        let n = self.xy.len();
        let mut depth = self.safe.clone();
        for _ in 0..LET_DOWN {
            depth = (0..n).map(|i| self.smoothed(i, &depth).min(depth[i]).max(self.shoalest[i])).collect();
        }
        (0..n).map(|i| self.smoothed(i, &depth).min(self.safe[i]).max(self.shoalest[i])).collect()
    }

    /// Depth at node `i` of the plane through its neighbours' depths.
    fn smoothed(&self, i: usize, depth: &[f64]) -> f64 {
        let beside = &self.beside[self.from[i] as usize..self.from[i + 1] as usize];
        depth[i] + beside.iter().map(|(j, share)| share * (depth[*j as usize] - depth[i])).sum::<f64>()
    }
}

/// Adds each neighbour's share in the level at `p` of the plane through all of them, least squares by weight.
fn plane(p: [f64; 2], all: &[[f64; 2]], near: &[u32], shares: &mut Vec<(u32, f64)>) {
    let off = |j: u32| {
        let q = all[j as usize];
        (weight(p, q), q[0] - p[0], q[1] - p[1])
    };
    let (mut w, mut x, mut y, mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for j in near {
        let (k, dx, dy) = off(*j);
        w += k;
        x += k * dx;
        y += k * dy;
        xx += k * dx * dx;
        xy += k * dx * dy;
        yy += k * dy * dy;
    }
    let (xx, yy) = (xx + w * HELD_M * HELD_M, yy + w * HELD_M * HELD_M);
    // Cramer's rule for the first unknown; the matrix is positive definite by the held slopes.
    let (minor, east, north) = (xx * yy - xy * xy, x * yy - y * xy, x * xy - y * xx);
    let whole = w * minor - x * east + y * north;
    shares.extend(near.iter().map(|j| {
        let (k, dx, dy) = off(*j);
        (*j, k * (minor - dx * east + dy * north) / whole)
    }));
}

/// Falls from one to zero at the radius.
fn weight(p: [f64; 2], q: [f64; 2]) -> f64 {
    let (dx, dy) = (q[0] - p[0], q[1] - p[1]);
    let rest = 1.0 - (dx * dx + dy * dy) / (RADIUS_M * RADIUS_M);
    if rest > 0.0 { rest * rest } else { 0.0 }
}
