//! The safe surface of a growing survey, held block by block and brought up to date where cells changed.

mod lines;

use crate::blocks::{Block, Window, gather, of_window, touched};
use crate::contour::Contour;
use crate::nodes::{Node, canonical, middle, node};
use crate::smooth::{REACH_M, line_depths};
use crate::{Levels, SurfaceSettings};
use leadline_model::{Cell, CellId, GridPos, LocalFrame, TileId};
use lines::Lines;
use std::collections::BTreeMap;

/// The surface of [`crate::Surface::with`] and [`crate::Between::Straight`] in parts that change alone: the same
/// contours to the last bit, at a cost that grows with what changed. It is never the learned one: what one more pass
/// teaches of the bed changes depths between all tracks.
#[derive(Clone, Debug, Default)]
pub struct HeldChart {
    settings: SurfaceSettings,
    /// Cells by block, sorted by id.
    cells: BTreeMap<Block, Vec<Node>>,
    /// Triangles by the block that owns them.
    patches: BTreeMap<Block, Patch>,
    /// North-west and south-east corner of the box round each block's cells.
    extents: BTreeMap<Block, [GridPos; 2]>,
    /// Where cells came, went or changed since the last refresh.
    changed: Vec<GridPos>,
    lines: Lines,
}

/// Triangles of one block with their corners, in order of their cells.
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
        let mut new: BTreeMap<Block, Vec<Node>> = BTreeMap::new();
        for c in kept {
            new.entry(Block::of(c.at)).or_default().push(node(c, &frame));
        }
        for block in Window::whole(tile).blocks() {
            let old = self.cells.remove(&block).unwrap_or_default();
            self.extents.remove(&block);
            let mut new = new.remove(&block).unwrap_or_default();
            note_changes(&old, &mut new, &mut self.changed);
            if let Some(extent) = extent(&new) {
                self.extents.insert(block, extent);
                self.cells.insert(block, new);
            }
        }
    }

    /// Brings the surface up to date; tells the tiles in which triangles or depths are new.
    pub fn refresh(&mut self) -> Vec<TileId> {
        let mut changed = std::mem::take(&mut self.changed);
        for window in Window::over(&touched(&changed, REACH_M)) {
            self.smooth(&window, &mut changed);
        }
        let windows = Window::over(&touched(&changed, self.settings.max_gap_m / 2.0));
        windows.into_iter().filter(|w| self.draw(w)).map(|w| w.tile).collect()
    }

    /// Number of charted cells.
    pub fn n_cells(&self) -> usize {
        self.cells.values().map(Vec::len).sum()
    }

    /// The frame of the contours' coordinates, about the survey's middle.
    pub fn frame(&self) -> LocalFrame {
        // The first cell, as a whole surface sees them, decides which way round the world is short.
        let first = self.cells.values().filter_map(|c| c.first()).min_by_key(|n| n.id).map(|n| n.at);
        LocalFrame::new(middle(first.into_iter().chain(self.extents.values().flatten().copied())))
    }

    /// Contours of the safe surface at `stage_m`, as [`crate::Surface::contours`] gives them. What was cut before at
    /// the same stage and levels is kept, as long as the survey's middle stays where it is.
    pub fn contours(&mut self, stage_m: f64, levels: &Levels) -> Vec<Contour> {
        let frame = self.frame();
        self.lines.of(&self.patches, &frame, stage_m, levels.metres())
    }

    /// New line depths for a window; where they differ from the old ones is noted.
    fn smooth(&mut self, window: &Window, changed: &mut Vec<GridPos>) {
        let near = gather(window, REACH_M, |b| self.cells.get(&b).map_or(&[][..], Vec::as_slice));
        let depths = line_depths(window.tile, &near);
        let own: BTreeMap<CellId, f64> = near.iter().map(|n| n.id).zip(depths).collect();
        for block in window.blocks() {
            for n in self.cells.get_mut(&block).into_iter().flatten() {
                if let Some(depth) = own.get(&n.id)
                    && depth.to_bits() != n.line_m.to_bits()
                {
                    n.line_m = *depth;
                    changed.push(n.at);
                }
            }
        }
    }

    /// New triangles for a window; whether there were or are any.
    fn draw(&mut self, window: &Window) -> bool {
        let gap_m = self.settings.max_gap_m;
        let near = gather(window, gap_m / 2.0, |b| self.cells.get(&b).map_or(&[][..], Vec::as_slice));
        let places: Vec<GridPos> = near.iter().map(|n| n.at).collect();
        let mut own: BTreeMap<Block, Vec<[u32; 3]>> = BTreeMap::new();
        for (block, t) in of_window(window, &places, gap_m) {
            own.entry(block).or_default().push(t);
        }
        let new: Vec<(Block, Patch)> = own.into_iter().map(|(b, t)| (b, Patch::new(&near, t))).collect();
        let before = self.patches.len();
        self.patches.retain(|b, _| !window.holds(*b));
        window.blocks().for_each(|b| self.lines.forget(b));
        let any = before > self.patches.len() || !new.is_empty();
        self.patches.extend(new);
        any
    }
}

/// Notes where two lists of one block's nodes differ; nodes that stay keep their line depth.
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

impl Patch {
    /// Only the corners that its triangles use, in the same order.
    fn new(near: &[&Node], mut triangles: Vec<[u32; 3]>) -> Self {
        let mut used: Vec<u32> = triangles.iter().flatten().copied().collect();
        used.sort_unstable();
        used.dedup();
        let number = |v: u32| used.partition_point(|u| *u < v) as u32;
        triangles.iter_mut().for_each(|t| *t = t.map(number));
        let corner = |n: &Node| Corner { id: n.id, at: n.at, line_m: n.line_m };
        Self { corners: used.iter().map(|i| corner(near[*i as usize])).collect(), triangles }
    }
}

/// The box round nodes of one block; `None` of none.
fn extent(nodes: &[Node]) -> Option<[GridPos; 2]> {
    let end = |of: fn(GridPos) -> u32, far: fn(u32, u32) -> u32| nodes.iter().map(|n| of(n.at)).reduce(far);
    let low = GridPos::new(end(GridPos::x, u32::min)?, end(GridPos::y, u32::min)?)?;
    let high = GridPos::new(end(GridPos::x, u32::max)?, end(GridPos::y, u32::max)?)?;
    Some([low, high])
}

#[cfg(test)]
mod tests;
