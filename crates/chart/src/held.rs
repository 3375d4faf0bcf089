//! The safe surface of a growing survey, held tile by tile and brought up to date where cells changed.

use crate::blocks::{gather, inside, of_tile, owners, places_in};
use crate::contour::{Chain, Contour, ContourLine, Named, band_of, crossing, pieces, polyline};
use crate::nodes::{Node, canonical, middle, node};
use crate::smooth::{REACH_M, line_depths};
use crate::{Levels, SurfaceSettings};
use leadline_model::{Cell, CellId, GridPos, LocalFrame, TileId};
use std::collections::{BTreeMap, BTreeSet};

/// The straight surface of [`crate::Surface::new`] in parts that change alone: the same contours to the last bit,
/// at a cost that grows with what changed.
#[derive(Clone, Debug, Default)]
pub struct HeldChart {
    settings: SurfaceSettings,
    /// Cells by tile, sorted by id.
    tiles: BTreeMap<TileId, Vec<Node>>,
    /// Triangles by the tile that owns them.
    patches: BTreeMap<TileId, Patch>,
    /// Where cells came, went or changed since the last refresh.
    changed: Vec<GridPos>,
}

/// Triangles of one tile with their corners.
#[derive(Clone, Debug, Default)]
struct Patch {
    corners: Vec<Corner>,
    triangles: Vec<[u32; 3]>,
}

#[derive(Clone, Copy, Debug)]
struct Corner {
    id: CellId,
    at: GridPos,
    line_m: f64,
}

/// An edge by its ends, the smaller first.
type Edge = (CellId, CellId);
/// A piece of a contour with the coordinates of its ends.
type Piece = Named<Edge, [geo::Coord<f64>; 2]>;

impl HeldChart {
    /// Nothing yet.
    pub fn new(settings: &SurfaceSettings) -> Self {
        Self { settings: *settings, ..Self::default() }
    }

    /// All cells of `tile` as they are now, in any order; those of other tiles are passed over. Takes effect with
    /// [`Self::refresh`].
    pub fn put(&mut self, tile: TileId, cells: &[Cell]) {
        let frame = LocalFrame::new(GridPos::in_tile(tile, 0, 0));
        let kept = canonical(cells).into_iter().filter(|c| c.id.tile() == tile && c.at.tile() == tile);
        let mut new: Vec<Node> = kept.map(|c| node(c, &frame)).collect();
        let old = self.tiles.remove(&tile).unwrap_or_default();
        note_changes(&old, &mut new, &mut self.changed);
        if !new.is_empty() {
            self.tiles.insert(tile, new);
        }
    }

    /// Brings the surface up to date; tells the tiles whose triangles or depths are new.
    pub fn refresh(&mut self) -> Vec<TileId> {
        let mut changed = std::mem::take(&mut self.changed);
        for tile in touched(&changed, REACH_M) {
            self.smooth(tile, &mut changed);
        }
        let gap_m = self.settings.max_gap_m;
        let mut new = touched(&changed, gap_m / 2.0);
        let owners = owners(self.tiles.keys().copied(), gap_m);
        new.retain(|t| owners.binary_search(t).is_ok() || self.patches.contains_key(t));
        for tile in &new {
            let patch = self.patch(*tile);
            if patch.triangles.is_empty() {
                self.patches.remove(tile);
            } else {
                self.patches.insert(*tile, patch);
            }
        }
        new.into_iter().collect()
    }

    /// Number of charted cells.
    pub fn n_cells(&self) -> usize {
        self.tiles.values().map(Vec::len).sum()
    }

    /// The frame of the contours' coordinates, about the survey's middle.
    pub fn frame(&self) -> LocalFrame {
        let all = || self.tiles.values().flatten();
        // The first cell, as a whole surface sees them, decides which way round the world is short.
        let first = all().min_by_key(|n| n.id).map(|n| n.at);
        LocalFrame::new(middle(first.into_iter().chain(all().map(|n| n.at))))
    }

    /// Contours of the safe surface at `stage_m`, as [`crate::Surface::contours`] gives them.
    pub fn contours(&self, stage_m: f64, levels: &Levels) -> Vec<Contour> {
        let (frame, levels) = (self.frame(), levels.metres());
        let mut sides: Vec<Vec<Piece>> = vec![Vec::new(); levels.len()];
        for patch in self.patches.values() {
            patch.cut(&frame, stage_m, levels, &mut sides);
        }
        let all = sides.into_iter().zip(levels).map(|(s, l)| Contour { depth_m: *l, lines: lines(s) });
        all.filter(|c| !c.lines.is_empty()).collect()
    }

    /// New line depths for a tile; where they differ from the old ones is noted.
    fn smooth(&mut self, tile: TileId, changed: &mut Vec<GridPos>) {
        let near = gather(tile, REACH_M, |t| self.tiles.get(&t).map_or(&[][..], Vec::as_slice));
        let depths = line_depths(tile, &near);
        let own: BTreeMap<CellId, f64> = near.iter().map(|n| n.id).zip(depths).collect();
        for n in self.tiles.get_mut(&tile).into_iter().flatten() {
            if let Some(depth) = own.get(&n.id)
                && depth.to_bits() != n.line_m.to_bits()
            {
                n.line_m = *depth;
                changed.push(n.at);
            }
        }
    }

    fn patch(&self, tile: TileId) -> Patch {
        let gap_m = self.settings.max_gap_m;
        let near = gather(tile, gap_m / 2.0, |t| self.tiles.get(&t).map_or(&[][..], Vec::as_slice));
        let places: Vec<GridPos> = near.iter().map(|n| n.at).collect();
        let triangles = of_tile(tile, &places, gap_m);
        let corners = near.iter().map(|n| Corner { id: n.id, at: n.at, line_m: n.line_m }).collect();
        Patch { corners, triangles }
    }
}

/// Notes where two lists of one tile's nodes differ; nodes that stay keep their line depth.
fn note_changes(old: &[Node], new: &mut [Node], changed: &mut Vec<GridPos>) {
    let mut before = old.iter().peekable();
    for n in new {
        while let Some(gone) = before.next_if(|o| o.id < n.id) {
            changed.push(gone.at);
        }
        match before.next_if(|o| o.id == n.id) {
            Some(o) => {
                let same = o.at == n.at
                    && o.safe_m.to_bits() == n.safe_m.to_bits()
                    && o.tvu95_m.to_bits() == n.tvu95_m.to_bits();
                if !same {
                    changed.extend([o.at, n.at]);
                }
                n.line_m = o.line_m;
            }
            None => changed.push(n.at),
        }
    }
    changed.extend(before.map(|gone| gone.at));
}

/// Tiles that look at one of these places when they look `reach_m` beyond their edge.
fn touched(places: &[GridPos], reach_m: f64) -> Vec<TileId> {
    let mut all = BTreeSet::new();
    let mut last: Option<(TileId, Vec<(TileId, i64)>)> = None;
    for p in places {
        let tile = p.tile();
        if last.as_ref().is_none_or(|(t, _)| *t != tile) {
            let around = owners(std::iter::once(tile), 2.0 * reach_m);
            last = Some((tile, around.into_iter().map(|t| (t, places_in(t, reach_m))).collect()));
        }
        for (t, reach) in last.iter().flat_map(|(_, around)| around) {
            if inside(*t, *p, *reach) {
                all.insert(*t);
            }
        }
    }
    all.into_iter().collect()
}

impl Patch {
    /// Adds the pieces of each level.
    fn cut(&self, frame: &LocalFrame, stage_m: f64, levels: &[f64], sides: &mut [Vec<Piece>]) {
        let depth: Vec<f64> = self.corners.iter().map(|c| c.line_m + stage_m).collect();
        let band: Vec<u16> = depth.iter().map(|d| band_of(levels, *d)).collect();
        let xy = |v: u32| {
            let (e, n) = frame.metres(self.corners[v as usize].at);
            ([e, n], depth[v as usize])
        };
        for t in &self.triangles {
            pieces(t.map(|v| band[v as usize]), |k, leave, enter| {
                // Corners are in order of their cells, so the smaller number is the smaller cell.
                let end = |i: usize| {
                    let (a, b) = (t[i].min(t[(i + 1) % 3]), t[i].max(t[(i + 1) % 3]));
                    let name = (self.corners[a as usize].id, self.corners[b as usize].id);
                    (name, crossing(levels[k], xy(a), xy(b)))
                };
                let ((from, p), (to, q)) = (end(leave), end(enter));
                sides[k].push(Named { from, to, of: [p, q] });
            });
        }
    }
}

fn lines(sides: Vec<Piece>) -> Vec<ContourLine> {
    let chain = Chain::new(sides);
    let line = |w: &crate::contour::Walk| {
        let last = chain.sides(w).last().map(|s| s.of[1]).filter(|_| !w.closed);
        let points = polyline(chain.sides(w).map(|s| s.of[0]).chain(last), w.closed)?;
        Some(ContourLine { points, closed: w.closed })
    };
    chain.walk().iter().filter_map(line).collect()
}

#[cfg(test)]
mod tests;
