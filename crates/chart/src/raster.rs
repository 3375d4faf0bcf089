//! The surface as pixels, on the grid the survey itself is kept on.
//!
//! A pixel is one cell (zoom 23 of WebMercatorQuad counted in pixels, EPSG:3857) or the cell halved or doubled a
//! whole number of times, so pixels of every size and the tiles of any slippy map share their edges. Values stand
//! for the pixel's middle; pixel-is-area. Pixels come in tiles of 256 x 256, made one after the other from the
//! finest to the coarsest, and water nobody has sounded has no tile: two waters far apart cost no more than the
//! two.

mod ascii;
mod block;
mod deflate;
mod indexed;
mod paint;
mod picture;
mod pmtiles;
mod pyramid;
mod sample;
mod says;
mod tiff;

#[cfg(test)]
mod tests;

pub use ascii::{AsciiGrid, surface_ascii};
pub(crate) use indexed::chunk;
pub use picture::{MapPicture, map_picture};
pub use pmtiles::{MAX_TILE_ZOOM, MapTiles, map_tiles};
pub use tiff::surface_tiff;

use crate::{ChartError, Surface};
use leadline_model::{LonLat, scale_factors};
use std::f64::consts::PI;

/// Pixels along one side of a tile.
pub(crate) const TILE_PX: usize = 256;
/// Zoom at which a pixel is a cell of the survey's grid.
const CELL_ZOOM: u8 = 23;
/// Coarsest pixel, 39 km at the equator; finest, 0.30 m: what a receiver can tell apart is coarser (judgement).
const ZOOMS: std::ops::RangeInclusive<u8> = 10..=27;
/// Most pixels of tiles with known water: 100 million.
const MAX_TILES: usize = 100_000_000 / (TILE_PX * TILE_PX);
/// Most tiles, known or not, in a file's own table (8 bytes each for every band).
const MAX_TABLE: u64 = 1 << 18;
/// Most cell-sized tiles that are looked at when larger pixels are made of them: a billion cells.
const MAX_LOOKED_AT: usize = 16_384;
/// WGS 84 semi-major axis, the radius of Pseudo-Mercator (EPSG 7030).
const SEMI_MAJOR: f64 = 6_378_137.0;

/// Size of the pixels: the survey's cell, halved or doubled.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct PixelZoom(u8);

impl PixelZoom {
    /// One pixel a cell.
    pub const CELL: Self = Self(CELL_ZOOM);

    /// The largest pixel that is no larger than `metres` at the middle of `surface`.
    ///
    /// # Errors
    /// A size that no pixel has: no number, not above zero, or beyond what the grid can be cut into.
    pub fn at_most(metres: f64, surface: &Surface) -> Result<Self, ChartError> {
        let fits = |z: &u8| Self(*z).metres(surface) <= metres * (1.0 + 1e-9);
        ZOOMS
            .clone()
            .find(fits)
            .filter(|_| metres.is_finite())
            .map(Self)
            .ok_or(ChartError::Resolution(metres))
    }

    /// Side of a pixel in true metres at the middle of `surface` (the eastward one, the longer of the two).
    pub fn metres(self, surface: &Surface) -> f64 {
        self.mercator_m() * scale_factors(surface.frame().origin().lonlat().lat).0
    }

    /// Side of a pixel in metres of Pseudo-Mercator.
    pub(crate) fn mercator_m(self) -> f64 {
        2.0 * PI * SEMI_MAJOR / (1u64 << self.0) as f64
    }

    /// Grid places along one side.
    fn places(self) -> f64 {
        (1u64 << 31) as f64 / (1u64 << self.0) as f64
    }

    fn coarser(self) -> Option<Self> {
        ZOOMS.contains(&(self.0 - 1)).then_some(Self(self.0 - 1))
    }
}

/// A tile of pixels: row southward and column eastward, counted from the grid's north-western corner; columns go
/// on past the antimeridian, so that a water across it stays in one piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Tile {
    pub(crate) y: i64,
    pub(crate) x: i64,
}

impl Tile {
    /// The tile of the next coarser level that holds this one.
    fn parent(self) -> Self {
        Self { y: self.y >> 1, x: self.x >> 1 }
    }

    fn less(self, o: Self) -> Self {
        Self { y: self.y - o.y, x: self.x - o.x }
    }

    fn plus(self, o: Self) -> Self {
        Self { y: self.y + o.y, x: self.x + o.x }
    }
}

/// Where a rectangle of pixels lies.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Placed {
    pub(crate) zoom: PixelZoom,
    /// First column and row, pixels from the grid's north-western corner.
    pub(crate) west: i64,
    pub(crate) north: i64,
    pub(crate) width: usize,
    pub(crate) height: usize,
}

impl Placed {
    /// Easting and northing of the rectangle's north-western corner, EPSG:3857.
    pub(crate) fn corner_m(&self) -> (f64, f64) {
        let (side, half) = (self.zoom.mercator_m(), PI * SEMI_MAJOR);
        (self.west as f64 * side - half, half - self.north as f64 * side)
    }
}

/// Degrees of a place in pixels of `zoom` from the grid's north-western corner.
fn degrees(zoom: PixelZoom, x: f64, y: f64) -> LonLat {
    let world = (1u64 << zoom.0) as f64;
    let lat = libm::asin(libm::tanh((0.5 - y / world) * 2.0 * PI)).to_degrees();
    LonLat { lon: x / world * 360.0 - 180.0, lat }
}
