//! Tiles of all levels, from the finest up, with no more than a few tiles in memory.

use super::block::Block;
use super::sample::Sampler;
use super::{MAX_LOOKED_AT, MAX_TILES, PixelZoom, Tile};
use crate::{BlankReason, ChartError, Surface};
use std::collections::BTreeSet;

/// Which tiles there are. Level 0 has the pixels asked for, level k pixels 2ᵏ times as large.
pub(crate) struct Pyramid<'a> {
    sampler: Sampler<'a>,
    pub(crate) zoom: PixelZoom,
    /// The tile of level 0 at which the tiles of all levels begin.
    pub(crate) origin: Tile,
    /// Tiles of each level counted from the origin; the first `below` levels are finer than level 0.
    levels: Vec<BTreeSet<Tile>>,
    below: usize,
}

impl<'a> Pyramid<'a> {
    /// At most `most` levels from `zoom` up. Tiles are counted from the water's own north-western tile when
    /// `own_origin`, else from the grid's.
    ///
    /// # Errors
    /// No cell at all, or more pixels than the limit (with the pixel that fits).
    pub(crate) fn new(
        surface: &'a Surface,
        stage_m: f64,
        zoom: PixelZoom,
        own_origin: bool,
        most: usize,
    ) -> Result<Self, ChartError> {
        if surface.n_cells() == 0 {
            return Err(ChartError::NothingToDraw(BlankReason::NoCells));
        }
        let sample = zoom.max(PixelZoom::CELL);
        let below = usize::from(sample.0 - zoom.0);
        let sampler = Sampler::new(surface, stage_m, sample);
        let tiles = sampler.tiles();
        fits(surface, tiles.clone(), sample, zoom)?;
        let origin = origin_of(&tiles, below).filter(|_| own_origin).unwrap_or(Tile { y: 0, x: 0 });
        let shift = Tile { y: origin.y << below, x: origin.x << below };
        let mut levels = vec![tiles.into_iter().map(|t| t.less(shift)).collect::<BTreeSet<_>>()];
        // Tiles of the grid go on to the coarsest level; a file's own end with the one tile that holds everything.
        let more = |levels: &[BTreeSet<Tile>]| {
            levels.len() <= below || !own_origin || levels.last().is_some_and(|l| l.len() > 1)
        };
        while levels.len() < below + most && more(&levels) {
            let parents = levels.last().into_iter().flatten().map(|t| t.parent()).collect();
            levels.push(parents);
        }
        Ok(Self { sampler, zoom, origin, levels, below })
    }

    /// Number of levels from level 0 up.
    pub(crate) fn n_levels(&self) -> usize {
        self.levels.len() - self.below
    }

    /// Columns and rows of tiles at level 0 from the origin.
    pub(crate) fn size(&self) -> (u64, u64) {
        let tiles = &self.levels[self.below];
        let most = |f: fn(&Tile) -> i64| tiles.iter().map(f).max().map_or(0, |v| v as u64 + 1);
        (most(|t| t.x), most(|t| t.y))
    }

    /// Hands every tile with known water of levels 0 and up to `take`: children before parents.
    pub(crate) fn each(&self, take: &mut dyn FnMut(usize, Tile, &Block)) {
        let top = self.levels.len() - 1;
        for tile in &self.levels[top] {
            self.make(top, *tile, take);
        }
    }

    fn make(&self, level: usize, tile: Tile, take: &mut dyn FnMut(usize, Tile, &Block)) -> Option<Block> {
        if !self.levels[level].contains(&tile) {
            return None;
        }
        let block = if level == 0 {
            let shift = Tile { y: self.origin.y << self.below, x: self.origin.x << self.below };
            self.sampler.block(tile.plus(shift))
        } else {
            let mut block = Block::blank();
            for (below, right) in [(false, false), (false, true), (true, false), (true, true)] {
                let child = Tile { y: 2 * tile.y + i64::from(below), x: 2 * tile.x + i64::from(right) };
                if let Some(child) = self.make(level - 1, child, take) {
                    block.take_quarter(&child, right, below);
                }
            }
            block
        };
        if block.is_blank() {
            return None;
        }
        if let Some(level) = level.checked_sub(self.below) {
            take(level, tile, &block);
        }
        Some(block)
    }
}

/// North-western corner of all tiles, `below` levels up.
fn origin_of(tiles: &BTreeSet<Tile>, below: usize) -> Option<Tile> {
    let y = tiles.iter().map(|t| t.y >> below).min()?;
    let x = tiles.iter().map(|t| t.x >> below).min()?;
    Some(Tile { y, x })
}

/// Refuses rasters with too many pixels, and names the smallest pixel that fits. `tiles` are those of `sample`, the
/// finer of the pixel asked for and the cell.
fn fits(
    surface: &Surface,
    mut tiles: BTreeSet<Tile>,
    sample: PixelZoom,
    asked: PixelZoom,
) -> Result<(), ChartError> {
    let (mut at, mut looked_at) = (sample, 0);
    loop {
        if at == PixelZoom::CELL {
            looked_at = tiles.len();
        }
        if looked_at > MAX_LOOKED_AT {
            return Err(ChartError::WaterTooLarge);
        }
        if at <= asked && tiles.len() <= MAX_TILES {
            break;
        }
        tiles = tiles.into_iter().map(Tile::parent).collect();
        at = at.coarser().ok_or(ChartError::WaterTooLarge)?;
    }
    if at == asked {
        return Ok(());
    }
    Err(ChartError::RasterTooLarge { asked_m: asked.metres(surface), fits_m: at.metres(surface) })
}
