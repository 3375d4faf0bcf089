//! Delaunay triangles tile by tile, equal to those of the whole water.
//!
//! A triangle is kept when the empty circle round its corners is at most as wide as the largest gap: then every
//! place in it is near a sounding, and whether it exists is decided by the cells within that circle alone. So it
//! belongs to the tile its circle's middle lies in, and a tile is triangulated from its own cells and those within
//! half a gap round it. Places are moved by less than a tenth of a millimetre, each by its own number, so that no
//! four lie on one circle: the triangles are then the only ones possible, whoever computes them in whatever order.
//! So they may as well be computed for a part of a tile: a [`Window`] of its blocks.

use crate::mesh::delaunay;
use crate::nodes::Node;
use leadline_model::{CellId, GridPos, TileId, scale_factors};
use std::collections::BTreeMap;
use std::f64::consts::PI;

/// Grid places along a tile's side.
const TILE_PLACES: i64 = 1 << 16;
/// Tiles along one side of the world.
const WORLD_TILES: i64 = 1 << 15;
/// True metres of a grid place at the equator (WGS 84 semi-major axis, EPSG 7030).
const PLACE_M: f64 = 2.0 * PI * 6_378_137.0 / 2_147_483_648.0;
/// Added to what a tile looks at beyond its edge, because the scale changes with latitude.
const MARGIN: f64 = 1.02;

/// Blocks along a tile's side (of about 100 m: small beside a pass, wide beside what one looks at beyond it).
const PARTS: i64 = 8;
/// Grid places along a block's side.
const BLOCK_PLACES: i64 = TILE_PLACES / PARTS;

/// One of the squares that a tile is cut into: column and row from its north-west corner.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Block {
    pub(crate) tile: TileId,
    at: [i64; 2],
}

impl Block {
    /// The block that holds a place.
    pub(crate) fn of(place: GridPos) -> Self {
        let tile = place.tile();
        Self { tile, at: from_corner(tile, place).map(|v| v.div_euclid(BLOCK_PLACES)) }
    }

    /// Columns and rows from the corner of `tile`, over its edges too; `None` over the poles.
    fn from(tile: TileId, [x, y]: [i64; 2]) -> Option<Self> {
        let tile = moved(tile, x.div_euclid(PARTS), y.div_euclid(PARTS))?;
        Some(Self { tile, at: [x.rem_euclid(PARTS), y.rem_euclid(PARTS)] })
    }
}

/// A rectangle of blocks of one tile, the first and the last one included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Window {
    pub(crate) tile: TileId,
    first: [i64; 2],
    last: [i64; 2],
}

impl Window {
    /// All of a tile.
    pub(crate) fn whole(tile: TileId) -> Self {
        Self { tile, first: [0; 2], last: [PARTS - 1; 2] }
    }

    /// For each tile the smallest rectangle round its blocks; they are sorted.
    pub(crate) fn over(blocks: &[Block]) -> Vec<Self> {
        let round = |group: &[Block]| {
            let end =
                |k: usize, far: fn(i64, i64) -> i64| group.iter().map(|b| b.at[k]).fold(group[0].at[k], far);
            let (first, last) = ([0, 1].map(|k| end(k, i64::min)), [0, 1].map(|k| end(k, i64::max)));
            Self { tile: group[0].tile, first, last }
        };
        blocks.chunk_by(|a, b| a.tile == b.tile).map(round).collect()
    }

    /// Its blocks.
    pub(crate) fn blocks(self) -> impl Iterator<Item = Block> {
        let row = move |y| (self.first[0]..=self.last[0]).map(move |x| Block { tile: self.tile, at: [x, y] });
        (self.first[1]..=self.last[1]).flat_map(row)
    }

    /// Whether a block is one of its own.
    pub(crate) fn holds(&self, block: Block) -> bool {
        block.tile == self.tile && (0..2).all(|k| (self.first[k]..=self.last[k]).contains(&block.at[k]))
    }

    /// Whether a place lies in it or within `reach` grid places of it.
    fn sees(&self, place: GridPos, reach: i64) -> bool {
        let at = from_corner(self.tile, place);
        (0..2).all(|k| {
            let (low, high) = (self.first[k] * BLOCK_PLACES, (self.last[k] + 1) * BLOCK_PLACES);
            low - reach <= at[k] && at[k] < high + reach
        })
    }
}

/// Blocks whose windows see one of these places when they look `reach_m` beyond their edge, or nearly: sorted.
pub(crate) fn touched(places: &[GridPos], reach_m: f64) -> Vec<Block> {
    let mut all = Vec::new();
    let mut before = None;
    for p in places {
        let tile = p.tile();
        // A hundredth more: the neighbour's scale is its own.
        let reach = places_in(tile, 1.01 * reach_m);
        let at = from_corner(tile, *p);
        let (low, high) = (
            at.map(|v| (v - reach).div_euclid(BLOCK_PLACES)),
            at.map(|v| (v + reach).div_euclid(BLOCK_PLACES)),
        );
        if before.replace((tile, low, high)) != Some((tile, low, high)) {
            let row = |y| (low[0]..=high[0]).filter_map(move |x| Block::from(tile, [x, y]));
            all.extend((low[1]..=high[1]).flat_map(row));
        }
    }
    all.sort_unstable();
    all.dedup();
    all
}

/// Numbers of the nodes in each tile, ascending.
pub(crate) type ByTile = BTreeMap<TileId, Vec<u32>>;

/// Sorts the nodes into their tiles.
pub(crate) fn by_tile(nodes: &[Node]) -> ByTile {
    let mut tiles = ByTile::new();
    for (i, n) in nodes.iter().enumerate() {
        tiles.entry(n.at.tile()).or_default().push(i as u32);
    }
    tiles
}

/// Triangles of all tiles as triples of node numbers, counter-clockwise, in canonical order. `nodes` are sorted by id.
pub(crate) fn triangles(nodes: &[Node], tiles: &ByTile, gap_m: f64) -> Vec<[u32; 3]> {
    let mut out = Vec::with_capacity(nodes.len() * 2);
    for tile in owners(tiles.keys().copied(), gap_m) {
        let near = around(tiles, nodes, tile, gap_m / 2.0);
        let places: Vec<GridPos> = near.iter().map(|i| nodes[*i as usize].at).collect();
        let own = of_window(&Window::whole(tile), &places, gap_m);
        out.extend(own.into_iter().map(|(_, t)| t.map(|v| near[v as usize])));
    }
    out.sort_unstable();
    out
}

/// Tiles that may own a triangle of cells in `tiles`: these, and as far as half a gap reaches. Ascending.
fn owners(tiles: impl Iterator<Item = TileId>, gap_m: f64) -> Vec<TileId> {
    let mut all: Vec<TileId> = tiles.flat_map(|t| ring(t, places_in(t, gap_m / 2.0))).collect();
    all.sort_unstable();
    all.dedup();
    all
}

/// Numbers of the nodes in a tile and within `reach_m` of it (or a little more), ascending.
pub(crate) fn around(tiles: &ByTile, nodes: &[Node], tile: TileId, reach_m: f64) -> Vec<u32> {
    let reach = places_in(tile, reach_m);
    let all = ring(tile, reach).into_iter().filter_map(|t| tiles.get(&t)).flatten().copied();
    let all_of_it = Window::whole(tile);
    let mut near: Vec<u32> = all.filter(|i| all_of_it.sees(nodes[*i as usize].at, reach)).collect();
    near.sort_unstable();
    near
}

/// The same of nodes that are kept by block, in a window and round it: in order of their cells.
pub(crate) fn gather<'a>(window: &Window, reach_m: f64, of: impl Fn(Block) -> &'a [Node]) -> Vec<&'a Node> {
    let reach = places_in(window.tile, reach_m);
    let more = (reach + BLOCK_PLACES - 1) / BLOCK_PLACES;
    let row = |y| (window.first[0] - more..=window.last[0] + more).map(move |x| [x, y]);
    let mut near: Vec<&Node> = (window.first[1] - more..=window.last[1] + more)
        .flat_map(row)
        .filter_map(|at| Block::from(window.tile, at))
        .flat_map(of)
        .filter(|n| window.sees(n.at, reach))
        .collect();
    near.sort_unstable_by_key(|n| n.id);
    near
}

/// Triangles that a window's blocks own, of places in order of their cells: those in it and within half a gap of it.
pub(crate) fn of_window(window: &Window, places: &[GridPos], gap_m: f64) -> Vec<(Block, [u32; 3])> {
    let tile = window.tile;
    let xy: Vec<[f64; 2]> = places
        .iter()
        .map(|p| {
            let ([x, y], [jx, jy]) = (from_corner(tile, *p), jitter(p.cell()));
            [x as f64 + jx, -(y as f64 + jy)]
        })
        .collect();
    let mut scale = Scale::default();
    let mut owner = |t: &[u32; 3]| {
        let first = places[t[0] as usize];
        let at = t.map(|v| xy[v as usize]);
        let to = |k: usize| [at[k][0] - at[0][0], at[k][1] - at[0][1]];
        let [cx, cy] = middle_of_circle(to(1), to(2));
        let most = gap_m / 2.0 / scale.of(first.tile());
        // Computed from the first corner and the differences only, so each window that looks finds the same owner.
        let [jx, jy] = jitter(first.cell());
        let at = (f64::from(first.x()) + (jx + cx), f64::from(first.y()) + (jy - cy));
        (cx * cx + cy * cy <= most * most).then(|| block_at(at.0, at.1)).flatten()
    };
    delaunay(&xy).into_iter().filter_map(|t| owner(&t).filter(|b| window.holds(*b)).map(|b| (b, t))).collect()
}

/// True metres of a grid place by tile: one value a tile, that of its middle.
#[derive(Default)]
struct Scale(Vec<(TileId, f64)>);

impl Scale {
    fn of(&mut self, tile: TileId) -> f64 {
        if let Some((_, m)) = self.0.iter().find(|(t, _)| *t == tile) {
            return *m;
        }
        let m = place_m(tile);
        self.0.push((tile, m));
        m
    }
}

/// True metres of a grid place in the middle of `tile` (of the two directions, which differ by 0.7 % at most, the
/// geometric mean).
pub(crate) fn place_m(tile: TileId) -> f64 {
    let (east, north) = scale_factors(GridPos::in_tile(tile, 1 << 15, 1 << 15).lonlat().lat);
    PLACE_M * libm::sqrt(east * north)
}

/// Grid places that reach this far from a tile's edge, and a little farther.
pub(crate) fn places_in(tile: TileId, metres: f64) -> i64 {
    libm::ceil(metres * MARGIN / place_m(tile)) as i64 + 1
}

/// The tiles that a tile with `reach` places round it touches.
fn ring(tile: TileId, reach: i64) -> Vec<TileId> {
    let n = (reach + TILE_PLACES - 1) / TILE_PLACES;
    let n = n.clamp(1, WORLD_TILES / 2);
    (-n..=n).flat_map(|dy| (-n..=n).filter_map(move |dx| moved(tile, dx, dy))).collect()
}

/// Round the world eastward, not over the poles.
fn moved(tile: TileId, dx: i64, dy: i64) -> Option<TileId> {
    let x = (i64::from(tile.x()) + dx).rem_euclid(WORLD_TILES);
    let y = i64::from(tile.y()) + dy;
    (0..WORLD_TILES).contains(&y).then(|| TileId::new(x as u32, y as u32).ok())?
}

fn block_at(x: f64, y: f64) -> Option<Block> {
    let block = |v: f64| libm::floor(v / BLOCK_PLACES as f64) as i64;
    Block::from(TileId::new(0, 0).ok()?, [block(x), block(y)])
}

/// Places east and south of the tile's corner, the short way round.
pub(crate) fn from_corner(tile: TileId, p: GridPos) -> [i64; 2] {
    let x = i64::from(p.x()) - (i64::from(tile.x()) << 16);
    [(x + (1 << 30)).rem_euclid(1 << 31) - (1 << 30), i64::from(p.y()) - (i64::from(tile.y()) << 16)]
}

/// A shift of at most 1/512 place in each direction, the same for a cell wherever it is computed.
fn jitter(cell: CellId) -> [f64; 2] {
    // Finaliser of SplitMix64 (Steele, Lea, Flood 2014): any good mixing will do.
    let mut z = (u64::from(cell.x) << 32 | u64::from(cell.y)).wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ z >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ z >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^= z >> 31;
    // 22 bits each, in steps of 2^-30 place: sums with any place of the neighbourhood are exact.
    let part = |bits: u64| ((bits & 0x3f_ffff) as f64 - 2_097_152.0) / 1_073_741_824.0;
    [part(z), part(z >> 32)]
}

/// Middle of the circle through zero, `b` and `c`; infinite if they lie on a line.
fn middle_of_circle(b: [f64; 2], c: [f64; 2]) -> [f64; 2] {
    let twice = 2.0 * (b[0] * c[1] - b[1] * c[0]);
    let (bb, cc) = (b[0] * b[0] + b[1] * b[1], c[0] * c[0] + c[1] * c[1]);
    [(c[1] * bb - b[1] * cc) / twice, (b[0] * cc - c[0] * bb) / twice]
}

#[cfg(test)]
mod tests;
