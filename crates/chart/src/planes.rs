//! Depth tiles: the surface as planes of nodes that a map page tints, contours and hatches at any stage.
//!
//! Tiles are those of any slippy map (WebMercatorQuad, 256 pixels). A tile has 129 x 129 nodes, one every two
//! pixels on the pixels' corners, edges included, so neighbours share their edge nodes and lines drawn from them
//! have no seam. From [`SURFACE_ZOOM`] on nodes are taken from the surface; below it, where several cells fall
//! into one step, from a pyramid that is made once: the shoalest safe depth, the mean best depth, the widest
//! uncertainty and the worst grade. On every zoom the node nearest to a cell is no deeper than the cell's safe
//! depth, so resampling never makes water deeper.

mod dot;
mod lattice;
mod patch;
mod picks;
mod pyramid;
#[cfg(test)]
mod tests;
mod window;

pub use patch::TilePatch;
pub use picks::Pick;

use crate::Surface;
use dot::{Dot, write};
use picks::Squares;
use pyramid::Pyramid;
use std::collections::BTreeSet;

/// Nodes along a side of a depth tile.
pub const TILE_NODES: usize = 129;
/// The finest zoom of depth tiles: a node every 0.2 m at 45° latitude, finer than any receiver (judgement).
pub const FINEST_TILE_ZOOM: u8 = 20;
/// From this zoom on a node's step is a cell of the survey's grid or less.
pub(crate) const SURFACE_ZOOM: u8 = 16;

/// What depth tiles of one surface are made with, but for the surface itself.
#[derive(Clone, Debug, Default)]
pub struct DepthTiles {
    pyramid: Pyramid,
    squares: Squares,
    fresh: BTreeSet<u32>,
}

impl DepthTiles {
    /// Makes what coarse tiles need. `fresh`: numbers of the passes that are to be shown as newly come.
    pub fn new(surface: &Surface, fresh: BTreeSet<u32>) -> Self {
        Self { pyramid: Pyramid::of(surface, &fresh), squares: Squares::of(surface), fresh }
    }

    /// A tile of the surface these were made of, in its format ([`write`]); `None` where nothing is known, and off
    /// the grid.
    pub fn tile(&self, surface: &Surface, zoom: u8, x: u32, y: u32) -> Option<Vec<u8>> {
        if !is_tile(zoom, x, y) {
            return None;
        }
        let dots = if zoom >= SURFACE_ZOOM {
            window::dots(surface, &self.fresh, zoom, x, y)
        } else {
            self.pyramid.dots(zoom, x, y)
        };
        dots.iter().any(Dot::is_known).then(|| write(&dots))
    }

    /// The soundings that a tile has room for, shoal-biased: at most [`picks::MOST`].
    pub fn soundings(&self, surface: &Surface, zoom: u8, x: u32, y: u32) -> Vec<Pick> {
        if is_tile(zoom, x, y) { self.squares.picks(surface, zoom, x, y) } else { Vec::new() }
    }

    /// Columns and rows of the tiles of `zoom` in which something may be known, ascending by row.
    pub fn known(&self, zoom: u8) -> Vec<(u32, u32)> {
        self.squares.tiles(zoom)
    }
}

fn is_tile(zoom: u8, x: u32, y: u32) -> bool {
    zoom <= FINEST_TILE_ZOOM && x >> zoom == 0 && y >> zoom == 0
}

/// Grid places from one node to the next.
pub(crate) fn step(zoom: u8) -> i64 {
    1 << (24 - zoom.min(FINEST_TILE_ZOOM))
}
