//! Delaunay triangles tile by tile, equal to those of the whole water.
//!
//! A triangle is kept when the empty circle round its corners is at most as wide as the largest gap: then every
//! place in it is near a sounding, and whether it exists is decided by the cells within that circle alone. So it
//! belongs to the tile its circle's middle lies in, and a tile is triangulated from its own cells and those within
//! half a gap round it. Places are moved by less than a tenth of a millimetre, each by its own number, so that no
//! four lie on one circle: the triangles are then the only ones possible, whoever computes them in whatever order.

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
        out.extend(of_tile(tile, &places, gap_m).into_iter().map(|t| t.map(|v| near[v as usize])));
    }
    out.sort_unstable();
    out
}

/// Tiles that may own a triangle of cells in `tiles`: these, and as far as half a gap reaches. Ascending.
pub(crate) fn owners(tiles: impl Iterator<Item = TileId>, gap_m: f64) -> Vec<TileId> {
    let mut all: Vec<TileId> = tiles.flat_map(|t| ring(t, places_in(t, gap_m / 2.0))).collect();
    all.sort_unstable();
    all.dedup();
    all
}

/// Numbers of the nodes in a tile and within `reach_m` of it (or a little more), ascending.
pub(crate) fn around(tiles: &ByTile, nodes: &[Node], tile: TileId, reach_m: f64) -> Vec<u32> {
    let reach = places_in(tile, reach_m);
    let all = ring(tile, reach).into_iter().filter_map(|t| tiles.get(&t)).flatten().copied();
    let mut near: Vec<u32> = all.filter(|i| inside(tile, nodes[*i as usize].at, reach)).collect();
    near.sort_unstable();
    near
}

/// The same of nodes that are kept by tile: in order of their cells.
pub(crate) fn gather<'a>(tile: TileId, reach_m: f64, of: impl Fn(TileId) -> &'a [Node]) -> Vec<&'a Node> {
    let reach = places_in(tile, reach_m);
    let mut near: Vec<&Node> =
        ring(tile, reach).into_iter().flat_map(of).filter(|n| inside(tile, n.at, reach)).collect();
    near.sort_unstable_by_key(|n| n.id);
    near
}

/// Whether a tile that looks `reach` grid places beyond its edge sees a place.
pub(crate) fn inside(tile: TileId, place: GridPos, reach: i64) -> bool {
    from_corner(tile, place).iter().all(|v| -reach <= *v && *v < TILE_PLACES + reach)
}

/// Triangles that `tile` owns, of places in order of their cells: those in it and within half a gap of it.
pub(crate) fn of_tile(tile: TileId, places: &[GridPos], gap_m: f64) -> Vec<[u32; 3]> {
    let xy: Vec<[f64; 2]> = places
        .iter()
        .map(|p| {
            let ([x, y], [jx, jy]) = (from_corner(tile, *p), jitter(p.cell()));
            [x as f64 + jx, -(y as f64 + jy)]
        })
        .collect();
    let mut scale = Scale::default();
    let mut all = delaunay(&xy);
    all.retain(|t| {
        let first = places[t[0] as usize];
        let at = t.map(|v| xy[v as usize]);
        let to = |k: usize| [at[k][0] - at[0][0], at[k][1] - at[0][1]];
        let [cx, cy] = middle_of_circle(to(1), to(2));
        let most = gap_m / 2.0 / scale.of(first.tile());
        // Computed from the first corner and the differences only, so each tile that looks finds the same owner.
        let [jx, jy] = jitter(first.cell());
        cx * cx + cy * cy <= most * most
            && tile_at(f64::from(first.x()) + (jx + cx), f64::from(first.y()) + (jy - cy)) == Some(tile)
    });
    all
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

fn tile_at(x: f64, y: f64) -> Option<TileId> {
    let step = |v: f64| libm::floor(v / TILE_PLACES as f64) as i64;
    moved(TileId::new(0, 0).ok()?, step(x), step(y))
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
