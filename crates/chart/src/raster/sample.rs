//! From triangles to pixels: every triangle is walked row by row inside each tile it touches.

use super::block::{BANDS, Block, SAFE};
use super::{PixelZoom, TILE_PX, Tile};
use crate::Surface;
use crate::locate::Place;
use crate::mesh::twice_area;
use crate::nodes::Node;
use std::collections::BTreeSet;

/// A pixel's middle this far outside a triangle (as a share of it) still counts as inside.
const EDGE_TOLERANCE: f64 = 1e-9;

/// Triangles and cells of a surface by tile.
pub(crate) struct Sampler<'a> {
    surface: &'a Surface,
    stage_m: f64,
    zoom: PixelZoom,
    /// Pixels of `zoom` of the mesh's vertices, from the grid's north-western corner.
    xy: Vec<[f64; 2]>,
    /// (tile, triangle), sorted.
    triangles: Vec<(Tile, u32)>,
    /// (tile, cell), sorted.
    cells: Vec<(Tile, u32)>,
}

impl<'a> Sampler<'a> {
    pub(crate) fn new(surface: &'a Surface, stage_m: f64, zoom: PixelZoom) -> Self {
        let mut new =
            Self { surface, stage_m, zoom, xy: Vec::new(), triangles: Vec::new(), cells: Vec::new() };
        let mesh = surface.mesh();
        new.xy = mesh.xy.iter().map(|p| new.pixel(*p)).collect();
        for (t, corner) in mesh.tri.iter().enumerate() {
            let p = corner.map(|v| new.xy[v as usize]);
            let tile = |k: usize, pick: fn(f64, f64) -> f64| {
                libm::floor(pick(pick(p[0][k], p[1][k]), p[2][k]) / TILE_PX as f64) as i64
            };
            for y in tile(1, f64::min)..=tile(1, f64::max) {
                for x in tile(0, f64::min)..=tile(0, f64::max) {
                    new.triangles.push((Tile { y, x }, t as u32));
                }
            }
        }
        new.triangles.sort_unstable();
        let places = zoom.places() as i64 * TILE_PX as i64;
        new.cells = surface
            .nodes()
            .iter()
            .enumerate()
            .map(|(i, n)| {
                let (x, y) = new.unwrapped(n);
                (Tile { y: y.div_euclid(places), x: x.div_euclid(places) }, i as u32)
            })
            .collect();
        new.cells.sort_unstable();
        new
    }

    /// The tiles that may hold known water.
    pub(crate) fn tiles(&self) -> BTreeSet<Tile> {
        self.triangles.iter().chain(&self.cells).map(|e| e.0).collect()
    }

    /// Pixels of frame metres, without a wrap at the antimeridian.
    fn pixel(&self, [east, north]: [f64; 2]) -> [f64; 2] {
        let (frame, places) = (self.surface.frame(), self.zoom.places());
        let (e, n) = frame.place_m();
        let (x, y) = (f64::from(frame.origin().x()) + 0.5, f64::from(frame.origin().y()) + 0.5);
        [(x + east / e) / places, (y - north / n) / places]
    }

    /// Grid place of a cell's soundings, the short way round from the frame's origin.
    fn unwrapped(&self, n: &Node) -> (i64, i64) {
        let origin = i64::from(self.surface.frame().origin().x());
        let dx = (i64::from(n.at.x()) - origin + (1 << 30)).rem_euclid(1 << 31) - (1 << 30);
        (origin + dx, i64::from(n.at.y()))
    }

    /// The pixels of one tile. Where triangles meet, the one with the smaller number has the pixel; a pixel with
    /// the soundings of a cell in it has that cell's own values, and is no deeper than its safe depth.
    pub(crate) fn block(&self, tile: Tile) -> Block {
        let mut block = Block::blank();
        let from = self.triangles.partition_point(|e| e.0 < tile);
        for (_, t) in self.triangles[from..].iter().take_while(|e| e.0 == tile) {
            self.walk(*t, tile, &mut block);
        }
        let from = self.cells.partition_point(|e| e.0 < tile);
        for (_, i) in self.cells[from..].iter().take_while(|e| e.0 == tile) {
            self.put_cell(&self.surface.nodes()[*i as usize], &mut block);
        }
        block
    }

    fn walk(&self, t: u32, tile: Tile, block: &mut Block) {
        let side = TILE_PX as f64;
        let (left, top) = (tile.x as f64 * side, tile.y as f64 * side);
        let corner = self.surface.mesh().tri[t as usize].map(|v| {
            let p = self.xy[v as usize];
            [p[0] - left, p[1] - top]
        });
        let [a, b, c] = corner;
        let all = twice_area(a, b, c);
        let low = a[1].min(b[1]).min(c[1]);
        let high = a[1].max(b[1]).max(c[1]);
        for y in middles(low, high) {
            let row = y as f64 + 0.5;
            let Some((from, to)) = span(&corner, row) else { continue };
            for x in middles(from, to) {
                let p = [x as f64 + 0.5, row];
                let i = y * TILE_PX + x;
                let w = [twice_area(b, c, p) / all, twice_area(c, a, p) / all, twice_area(a, b, p) / all];
                if block.known(i) || w.iter().any(|w| *w < -EDGE_TOLERANCE) {
                    continue;
                }
                let w = w.map(|w| w.max(0.0));
                let sum = w[0] + w[1] + w[2];
                let place = Place { tri: t, weight: w.map(|w| w / sum), nearest_m: self.nearest(&corner, p) };
                let here = self.surface.inside(&place);
                block.set(i, self.charted(here.depth_m, here.tvu95_m, here.grade, here.safe_m));
            }
        }
    }

    /// True metres from a pixel's middle to the nearest corner.
    fn nearest(&self, corner: &[[f64; 2]; 3], p: [f64; 2]) -> f64 {
        let (e, n) = self.surface.frame().place_m();
        let places = self.zoom.places();
        let square = |c: &[f64; 2]| {
            let (dx, dy) = ((c[0] - p[0]) * places * e, (c[1] - p[1]) * places * n);
            dx * dx + dy * dy
        };
        libm::sqrt(corner.iter().map(square).fold(f64::INFINITY, f64::min))
    }

    fn charted(&self, depth_m: f64, tvu95_m: f64, grade: leadline_model::Grade, safe_m: f64) -> [f64; BANDS] {
        [depth_m + self.stage_m, tvu95_m, f64::from(grade as u8), safe_m + self.stage_m]
    }

    fn put_cell(&self, n: &Node, block: &mut Block) {
        let (x, y) = self.unwrapped(n);
        let place = |v: i64| (v.div_euclid(self.zoom.places() as i64)).rem_euclid(TILE_PX as i64) as usize;
        let i = place(y) * TILE_PX + place(x);
        let mut own = self.charted(n.best_m, n.tvu95_m, n.grade, n.safe_m);
        if block.known(i) {
            own[SAFE] = own[SAFE].min(f64::from(block.0[SAFE][i]));
        }
        block.set(i, own);
    }
}

/// Pixels of one axis of a tile whose middles lie between `from` and `to`, with a hair to spare.
fn middles(from: f64, to: f64) -> std::ops::Range<usize> {
    let last = TILE_PX as f64;
    let first = libm::ceil(from - 0.5 - 1e-6).clamp(0.0, last);
    let end = libm::floor(to - 0.5 + 1e-6) + 1.0;
    first as usize..end.clamp(first, last) as usize
}

/// Where a row at `y` enters and leaves a triangle.
fn span(corner: &[[f64; 2]; 3], y: f64) -> Option<(f64, f64)> {
    let mut found: Option<(f64, f64)> = None;
    for i in 0..3 {
        let (p, q) = (corner[i], corner[(i + 1) % 3]);
        if (p[1] <= y) != (q[1] <= y) {
            let x = p[0] + (q[0] - p[0]) * (y - p[1]) / (q[1] - p[1]);
            found = Some(found.map_or((x, x), |(lo, hi)| (lo.min(x), hi.max(x))));
        }
    }
    found
}
