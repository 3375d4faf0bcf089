//! A part of the water that was measured again since the tiles were made: its own surface, laid over them where it holds.

use super::dot::{Dot, Part, Sum};
use super::{DepthTiles, Pick, SURFACE_ZOOM, TILE_NODES, is_tile, step, window, write};
use crate::{Between, Shore, Surface, SurfaceSettings};
use leadline_model::{Cell, GridPos, LocalFrame};
use std::collections::BTreeSet;

/// Grid places along one side of a block, as a power of two: 32 cells, about 100 m at 48°.
const BLOCK_BITS: u32 = 13;
/// Columns of blocks.
const BLOCKS: u32 = 1 << (31 - BLOCK_BITS);

/// New soundings change the surface within a gap's length of them. What lies farther is as the tiles have it.
#[derive(Clone, Debug)]
pub struct TilePatch {
    surface: Surface,
    tiles: DepthTiles,
    /// Column and row of the blocks in which it holds.
    blocks: BTreeSet<(u32, u32)>,
}

impl TilePatch {
    /// Of `cells`, all that are known now, where `places` were measured; `None` where nothing was.
    pub fn new(
        cells: &[Cell],
        places: &[GridPos],
        settings: &SurfaceSettings,
        between: Between,
        shore: Option<Shore>,
    ) -> Option<Self> {
        let blocks = near(places, settings.max_gap_m);
        // One block more all round: what lies there shapes the rim.
        let wide: BTreeSet<(u32, u32)> = blocks.iter().flat_map(|b| around(*b)).collect();
        let inside: Vec<Cell> = cells.iter().filter(|c| wide.contains(&block(c.at))).copied().collect();
        let surface = Surface::ashore(&inside, settings, between, shore);
        let tiles = DepthTiles::new(&surface, BTreeSet::new());
        (!blocks.is_empty()).then_some(Self { surface, tiles, blocks })
    }

    /// Whether the patch, not the survey's own surface, is to be asked about a place.
    pub fn holds(&self, at: GridPos) -> bool {
        self.blocks.contains(&block(at))
    }

    /// Its surface.
    pub fn surface(&self) -> &Surface {
        &self.surface
    }

    /// Whether some of a tile lies in it.
    pub fn touches(&self, zoom: u8, x: u32, y: u32) -> bool {
        let bits = 31 - u32::from(zoom);
        let range = |v: u32| {
            let low = u64::from(v) << bits >> BLOCK_BITS;
            let high = ((u64::from(v) + 1) << bits) >> BLOCK_BITS;
            // Edge nodes are shared, so the next block counts too.
            low.saturating_sub(1)..=high
        };
        let (columns, rows) = (range(x), range(y));
        is_tile(zoom, x, y)
            && self
                .blocks
                .iter()
                .any(|(bx, by)| columns.contains(&u64::from(*bx)) && rows.contains(&u64::from(*by)))
    }

    /// South-west and north-east corner of what it covers, in the frame about its first block.
    pub fn corners(&self) -> Option<[GridPos; 2]> {
        let at = |(x, y): (u32, u32)| GridPos::new(x << BLOCK_BITS, y << BLOCK_BITS);
        let frame = LocalFrame::new(at(*self.blocks.first()?)?);
        let (mut low, mut high) = ((f64::INFINITY, f64::INFINITY), (f64::NEG_INFINITY, f64::NEG_INFINITY));
        for (x, y) in &self.blocks {
            let far = |v: u32| (v + 1).min(BLOCKS - 1);
            for corner in [(*x, *y), (far(*x), far(*y))] {
                let (e, n) = frame.metres(at(corner)?);
                (low, high) = ((low.0.min(e), low.1.min(n)), (high.0.max(e), high.1.max(n)));
            }
        }
        Some([frame.place(low.0, low.1), frame.place(high.0, high.1)])
    }

    /// The tile of `below`'s surface with this one laid over it.
    pub fn tile(&self, below: (&DepthTiles, &Surface), zoom: u8, x: u32, y: u32) -> Option<Vec<u8>> {
        if !is_tile(zoom, x, y) {
            return None;
        }
        let (tiles, surface) = below;
        let old = dots(tiles, surface, zoom, x, y);
        let new = dots(&self.tiles, &self.surface, zoom, x, y);
        let dots: Vec<Dot> = (0..old.len())
            .map(|i| match (zoom >= SURFACE_ZOOM, self.blocks.contains(&block_of(node(zoom, x, y, i)))) {
                (true, true) => new[i],
                (true, false) => old[i],
                // A coarse node stands for water on both sides of the rim.
                (false, _) => both(old[i], new[i]),
            })
            .collect();
        dots.iter().any(Dot::is_known).then(|| write(&dots))
    }

    /// The soundings of a tile: its own where it holds, else those of `below`.
    pub fn soundings(&self, below: (&DepthTiles, &Surface), zoom: u8, x: u32, y: u32) -> Vec<Pick> {
        let mut out = below.0.soundings(below.1, zoom, x, y);
        out.retain(|p| !self.holds(p.at));
        out.extend(self.tiles.soundings(&self.surface, zoom, x, y).into_iter().filter(|p| self.holds(p.at)));
        out.sort_by(|a, b| a.depth_m.total_cmp(&b.depth_m).then(a.at.cmp(&b.at)));
        out.truncate(super::picks::MOST);
        out
    }
}

fn dots(tiles: &DepthTiles, surface: &Surface, zoom: u8, x: u32, y: u32) -> Vec<Dot> {
    if zoom >= SURFACE_ZOOM {
        window::dots(surface, &tiles.fresh, zoom, x, y)
    } else {
        tiles.pyramid.dots(zoom, x, y)
    }
}

/// The shoaler of two, and the worse of what is said of them.
fn both(old: Dot, new: Dot) -> Dot {
    if !old.is_known() || !new.is_known() {
        return if old.is_known() { old } else { new };
    }
    let mut sum = Sum::default();
    [old, new].map(Part::from).into_iter().for_each(|p| sum.add(p));
    sum.dot()
}

/// Column and row of the grid place of node `i` of a tile.
fn node(zoom: u8, x: u32, y: u32, i: usize) -> (u32, u32) {
    let (column, row) = ((i % TILE_NODES) as i64, (i / TILE_NODES) as i64);
    let at = |v: u32, k: i64| (i64::from(v) << (31 - zoom)) + k * step(zoom);
    let last = (1i64 << 31) - 1;
    ((at(x, column) & last) as u32, at(y, row).min(last) as u32)
}

fn block(at: GridPos) -> (u32, u32) {
    block_of((at.x(), at.y()))
}

fn block_of((x, y): (u32, u32)) -> (u32, u32) {
    (x >> BLOCK_BITS, y >> BLOCK_BITS)
}

/// Blocks within `reach_m` of a place.
fn near(places: &[GridPos], reach_m: f64) -> BTreeSet<(u32, u32)> {
    let Some(first) = places.first() else { return BTreeSet::new() };
    let frame = LocalFrame::new(*first);
    let mut out = BTreeSet::new();
    for at in places {
        let (e, n) = frame.metres(*at);
        let steps = [-reach_m, 0.0, reach_m];
        for (de, dn) in steps.iter().flat_map(|de| steps.iter().map(move |dn| (de, dn))) {
            out.insert(block(frame.place(e + de, n + dn)));
        }
    }
    out
}

fn around((x, y): (u32, u32)) -> impl Iterator<Item = (u32, u32)> {
    let side = |v: u32, by: u32| (v + BLOCKS + by - 1) % BLOCKS;
    (0..3).flat_map(move |dx| (0..3).map(move |dy| (side(x, dx), side(y, dy))))
}
