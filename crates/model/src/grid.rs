//! The survey grid: OGC WebMercatorQuad tiles at zoom 15, 256 x 256 cells a tile, 256 x 256 places a cell.
//!
//! One axis has 2^31 places, so a position is two `u32`: the upper 15 bits are the tile, the next 8 the cell,
//! the last 8 the place in the cell (about 2 cm at the equator). Half-open everywhere: a point on an edge
//! belongs to the tile and cell east and south of it.
//!
//! Source: OGC 2D Tile Matrix Set registry, WebMercatorQuad; EPSG Guidance Note 7-2, Popular Visualisation
//! Pseudo-Mercator (method 1024).

use serde::{Deserialize, Serialize};
use std::f64::consts::PI;
use std::fmt;
use std::str::FromStr;

/// Zoom of the survey's tiles.
pub const TILE_ZOOM: u32 = 15;
/// Cells along one side of a tile.
pub const CELLS_PER_TILE_SIDE: u32 = 256;
/// Latitude where the square of Web Mercator ends, degrees.
pub const MAX_LATITUDE: f64 = 85.051_128_779_806_59;
/// WGS 84 semi-major axis in metres, the radius of Pseudo-Mercator (EPSG 7030).
const SEMI_MAJOR: f64 = 6_378_137.0;
/// WGS 84 first eccentricity squared (EPSG 7030: 1/f = 298.257223563).
const E2: f64 = 0.006_694_379_990_141_317;
const PLACES: f64 = (1u64 << 31) as f64;
const PLACE_MASK: u32 = (1 << 31) - 1;

/// Longitude and latitude in degrees, WGS 84.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LonLat {
    /// East positive, −180 … 180.
    pub lon: f64,
    /// North positive.
    pub lat: f64,
}

impl From<LonLat> for geo_types::Coord<f64> {
    fn from(p: LonLat) -> Self {
        Self { x: p.lon, y: p.lat }
    }
}

/// A place on the grid: 2^31 x 2^31, x eastward from 180° W, y southward from the northern edge.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct GridPos {
    x: u32,
    y: u32,
}

impl GridPos {
    /// The place that holds `p`; `None` for no number, a longitude beyond ±180° or a latitude off the grid.
    pub fn from_lonlat(p: LonLat) -> Option<Self> {
        if !(p.lon.abs() <= 180.0 && p.lat.abs() <= MAX_LATITUDE) {
            return None;
        }
        let x = (p.lon + 180.0) / 360.0 * PLACES;
        let s = libm::sin(p.lat.to_radians());
        let y = (0.5 - libm::atanh(s) / (2.0 * PI)) * PLACES;
        // 180° E is 180° W; the southern edge clamps to the last row.
        let x = (libm::floor(x) as u64 & u64::from(PLACE_MASK)) as u32;
        let y = libm::floor(y).clamp(0.0, PLACES - 1.0) as u32;
        Some(Self { x, y })
    }

    /// From grid numbers; `None` at or beyond 2^31.
    pub fn new(x: u32, y: u32) -> Option<Self> {
        (x <= PLACE_MASK && y <= PLACE_MASK).then_some(Self { x, y })
    }

    /// Inside `tile` at the offsets `u` (east) and `v` (south).
    pub fn in_tile(tile: TileId, u: u16, v: u16) -> Self {
        Self { x: tile.x << 16 | u32::from(u), y: tile.y << 16 | u32::from(v) }
    }

    /// Eastward grid number.
    pub fn x(self) -> u32 {
        self.x
    }

    /// Southward grid number.
    pub fn y(self) -> u32 {
        self.y
    }

    /// Offsets in the tile: east, south.
    pub fn offset(self) -> (u16, u16) {
        ((self.x & 0xffff) as u16, (self.y & 0xffff) as u16)
    }

    /// The tile that holds this place.
    pub fn tile(self) -> TileId {
        TileId { x: self.x >> 16, y: self.y >> 16 }
    }

    /// The cell that holds this place.
    pub fn cell(self) -> CellId {
        CellId { x: self.x >> 8, y: self.y >> 8 }
    }

    /// The middle of the place, degrees.
    pub fn lonlat(self) -> LonLat {
        lonlat_of(f64::from(self.x) + 0.5, f64::from(self.y) + 0.5)
    }
}

fn lonlat_of(x: f64, y: f64) -> LonLat {
    let lat = libm::asin(libm::tanh((0.5 - y / PLACES) * 2.0 * PI));
    LonLat { lon: x / PLACES * 360.0 - 180.0, lat: lat.to_degrees() }
}

/// A WebMercatorQuad tile at zoom [`TILE_ZOOM`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "(u32, u32)", into = "(u32, u32)")]
pub struct TileId {
    x: u32,
    y: u32,
}

/// Why something is not a tile.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum TileIdError {
    /// A column or row of 2^15 or more.
    #[error("tile column or row beyond 2^15 - 1")]
    Range,
    /// Not fifteen digits of 0 … 3.
    #[error("a quadkey of this grid has fifteen digits of 0 to 3")]
    Quadkey,
}

impl TileId {
    /// From column (east) and row (south).
    pub fn new(x: u32, y: u32) -> Result<Self, TileIdError> {
        if x >> TILE_ZOOM == 0 && y >> TILE_ZOOM == 0 { Ok(Self { x, y }) } else { Err(TileIdError::Range) }
    }

    /// Column, eastward.
    pub fn x(self) -> u32 {
        self.x
    }

    /// Row, southward.
    pub fn y(self) -> u32 {
        self.y
    }

    /// Fifteen digits of 0 … 3; a prefix is an area.
    pub fn quadkey(self) -> String {
        (0..TILE_ZOOM)
            .rev()
            .map(|bit| char::from(b'0' + (self.x >> bit & 1) as u8 + 2 * (self.y >> bit & 1) as u8))
            .collect()
    }
}

impl From<TileId> for (u32, u32) {
    fn from(t: TileId) -> Self {
        (t.x, t.y)
    }
}

impl TryFrom<(u32, u32)> for TileId {
    type Error = TileIdError;
    fn try_from((x, y): (u32, u32)) -> Result<Self, TileIdError> {
        Self::new(x, y)
    }
}

impl fmt::Display for TileId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.quadkey())
    }
}

impl FromStr for TileId {
    type Err = TileIdError;
    fn from_str(key: &str) -> Result<Self, TileIdError> {
        if key.len() != TILE_ZOOM as usize {
            return Err(TileIdError::Quadkey);
        }
        key.bytes().try_fold(Self { x: 0, y: 0 }, |t, c| match c {
            b'0'..=b'3' => {
                let d = u32::from(c - b'0');
                Ok(Self { x: t.x << 1 | (d & 1), y: t.y << 1 | d >> 1 })
            }
            _ => Err(TileIdError::Quadkey),
        })
    }
}

/// One cell of the grid, 2^23 x 2^23 over the world (zoom 23 in the same matrix set).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct CellId {
    /// Eastward number.
    pub x: u32,
    /// Southward number.
    pub y: u32,
}

impl CellId {
    /// The tile that holds the cell.
    pub fn tile(self) -> TileId {
        TileId { x: self.x >> 8 & 0x7fff, y: self.y >> 8 & 0x7fff }
    }

    /// Column and row inside the tile.
    pub fn in_tile(self) -> (u8, u8) {
        ((self.x & 0xff) as u8, (self.y & 0xff) as u8)
    }

    /// The middle of the cell as a grid place.
    pub fn middle(self) -> GridPos {
        GridPos { x: (self.x << 8 | 128) & PLACE_MASK, y: (self.y << 8 | 128) & PLACE_MASK }
    }

    /// The middle of the cell in degrees.
    pub fn lonlat(self) -> LonLat {
        lonlat_of(f64::from(self.x) * 256.0 + 128.0, f64::from(self.y) * 256.0 + 128.0)
    }

    /// True area in square metres (ellipsoidal factor at the cell's middle).
    pub fn area_m2(self) -> f64 {
        let side = 2.0 * PI * SEMI_MAJOR / f64::from(1u32 << 23);
        side * side * area_factor(self.lonlat().lat)
    }
}

/// True metres per metre of Pseudo-Mercator at `lat` degrees: (eastward ν·cos φ/a, northward ρ·cos φ/a).
///
/// Source: radii of curvature in the prime vertical (ν) and meridian (ρ), EPSG Guidance Note 7-2.
pub fn scale_factors(lat: f64) -> (f64, f64) {
    let phi = lat.to_radians();
    let (s, c) = (libm::sin(phi), libm::cos(phi));
    let w2 = 1.0 - E2 * s * s;
    let nu = 1.0 / libm::sqrt(w2);
    let rho = (1.0 - E2) / (w2 * libm::sqrt(w2));
    (nu * c, rho * c)
}

/// True area of one square metre of Pseudo-Mercator at `lat` degrees: ν·ρ·cos² φ/a².
pub fn area_factor(lat: f64) -> f64 {
    let (e, n) = scale_factors(lat);
    e * n
}

/// A flat frame of true metres around one place: east and north, scale taken at the origin.
///
/// Good to about 0.02 % per kilometre of north-south distance at 50° (the scale changes with latitude).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LocalFrame {
    origin: GridPos,
    east_m: f64,
    north_m: f64,
}

impl LocalFrame {
    /// The frame whose zero is the middle of `origin`.
    pub fn new(origin: GridPos) -> Self {
        let place = 2.0 * PI * SEMI_MAJOR / PLACES;
        let (e, n) = scale_factors(origin.lonlat().lat);
        Self { origin, east_m: place * e, north_m: place * n }
    }

    /// The place at zero.
    pub fn origin(&self) -> GridPos {
        self.origin
    }

    /// Metres of one grid place: eastward, northward.
    pub fn place_m(&self) -> (f64, f64) {
        (self.east_m, self.north_m)
    }

    /// Metres east and north of the origin; the short way round the antimeridian.
    pub fn metres(&self, p: GridPos) -> (f64, f64) {
        // Shifting left by one makes the 31-bit wrap a 32-bit wrap.
        let dx = ((p.x << 1).wrapping_sub(self.origin.x << 1) as i32) / 2;
        let dy = i64::from(self.origin.y) - i64::from(p.y);
        (f64::from(dx) * self.east_m, dy as f64 * self.north_m)
    }

    /// The place `east` and `north` metres from the origin, clamped at the northern and southern edge.
    pub fn place(&self, east: f64, north: f64) -> GridPos {
        let dx = libm::round(east / self.east_m) as i64;
        let y = f64::from(self.origin.y) - libm::round(north / self.north_m);
        let x = (i64::from(self.origin.x) + dx).rem_euclid(1 << 31) as u32;
        GridPos { x, y: y.clamp(0.0, PLACES - 1.0) as u32 }
    }

    /// Degrees of the point `east` and `north` metres from the origin, without rounding to a place.
    pub fn lonlat(&self, east: f64, north: f64) -> LonLat {
        let x = f64::from(self.origin.x) + 0.5 + east / self.east_m;
        let p = lonlat_of(x, f64::from(self.origin.y) + 0.5 - north / self.north_m);
        LonLat { lon: if p.lon >= 180.0 { p.lon - 360.0 } else { p.lon }, lat: p.lat }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn mercator(p: GridPos) -> (f64, f64) {
        let m = 2.0 * PI * SEMI_MAJOR / PLACES;
        let half = PI * SEMI_MAJOR;
        ((f64::from(p.x) + 0.5) * m - half, half - (f64::from(p.y) + 0.5) * m)
    }

    fn at(lon: f64, lat: f64) -> GridPos {
        GridPos::from_lonlat(LonLat { lon, lat }).expect("on the grid")
    }

    #[test]
    fn epsg_guidance_points() {
        // Source: EPSG Guidance Note 7-2 p. 44 as in PROJ's 4D-API_cs2cs-style.gie; PROJ webmerc.rst. Within a place.
        for (lon, lat, e, n) in [
            (-100.333_333_33, 24.381_786_94, -11_169_055.58, 2_800_000.00),
            (-100.333_333_33, 24.463_580_28, -11_169_055.58, 2_810_000.00),
            (2.0, 49.0, 222_638.98, 6_274_861.39),
        ] {
            let (x, y) = mercator(at(lon, lat));
            assert!((x - e).abs() < 0.02 && (y - n).abs() < 0.02, "{x} {y}");
        }
    }

    #[test]
    fn registry_scale_and_origin() {
        // Source: OGC 2D TMS registry WebMercatorQuad: cell at z 0 = 156543.033928041 m; z 24 halves it 24 times.
        let world = 156_543.033_928_041 * 256.0;
        assert!((world - 2.0 * PI * SEMI_MAJOR).abs() < 1e-6);
        assert!((2.0 * PI * SEMI_MAJOR / 2.0 - 20_037_508.342_789_2).abs() < 1e-6);
        // A cell of this grid is one pixel of zoom 15 with 256-pixel tiles: 4.77731426794937 m (z 14 halved).
        assert!((world / f64::from(1u32 << 23) - 9.554_628_535_647_03 / 2.0).abs() < 1e-9);
    }

    #[test]
    fn quadkeys_of_the_references() {
        // mercantile 1.2.1 (PyPI): (5.31362, 52.85015667) at z 18 -> 120200333102011321; z 15 is its prefix.
        assert_eq!(at(5.31362, 52.850_156_67).tile().quadkey(), "120200333102011");
        assert_eq!(
            at(5.31362, 52.850_156_67).tile(),
            TileId::new(134_941 >> 3, 85_574 >> 3).expect("in range")
        );
        // z 9 of (20.6852, 40.1222) -> 122011103.
        assert!(at(20.6852, 40.1222).tile().quadkey().starts_with("122011103"));
        // Tile (3,5) of z 3 -> 213: the same digits lead at z 15.
        assert!(TileId::new(3 << 12, 5 << 12).expect("in range").quadkey().starts_with("213"));
        assert!("12020033310201x".parse::<TileId>().is_err());
        assert!("1202".parse::<TileId>().is_err());
    }

    #[test]
    fn area_factors_of_six_latitudes() {
        // Source: νρcos²φ/a² with the axes of EPSG 7030, computed.
        for (lat, f) in [
            (0.0, 0.993306),
            (30.0, 0.747479),
            (40.0, 0.586134),
            (45.0, 0.499994),
            (50.0, 0.413654),
            (60.0, 0.250839),
        ] {
            assert!((area_factor(lat) - f).abs() < 5e-7, "{lat}: {}", area_factor(lat));
        }
    }

    #[test]
    fn local_frame_against_geodesics() {
        // Source: GeographicLib 2.1, computed: 0.001° N at 45° = 111.131787 m; 0.001° E at 45° = 78.846835 m.
        let f = LocalFrame::new(at(-93.0, 45.0));
        let (e, _) = f.metres(at(-92.999, 45.0));
        let (_, n) = f.metres(at(-93.0, 45.001));
        assert!((e - 78.846_835).abs() < 0.03, "{e}");
        assert!((n - 111.131_787).abs() < 0.03, "{n}");
    }

    #[test]
    fn edges_antimeridian_and_poles() {
        let greenwich = at(0.0, 0.0);
        assert_eq!((greenwich.x, greenwich.y), (1 << 30, 1 << 30));
        assert_eq!(at(180.0, 10.0).x, at(-180.0, 10.0).x);
        assert_eq!(at(0.0, -MAX_LATITUDE).y, PLACE_MASK);
        assert_eq!(GridPos::from_lonlat(LonLat { lon: 0.0, lat: 86.0 }), None);
        assert_eq!(GridPos::from_lonlat(LonLat { lon: f64::NAN, lat: 0.0 }), None);
        let (e, _) = LocalFrame::new(at(179.999, 0.0)).metres(at(-179.999, 0.0));
        assert!((e - 222.64).abs() < 0.1, "{e}");
    }

    proptest! {
        #[test]
        fn degrees_round_trip(lon in -180.0..180.0f64, lat in -85.0..85.0f64) {
            let p = at(lon, lat);
            prop_assert_eq!(GridPos::from_lonlat(p.lonlat()), Some(p));
            let (u, v) = p.offset();
            prop_assert_eq!(GridPos::in_tile(p.tile(), u, v), p);
            prop_assert_eq!(p.cell().tile(), p.tile());
            prop_assert_eq!(p.tile().quadkey().parse::<TileId>(), Ok(p.tile()));
        }

        #[test]
        fn local_frame_round_trip(east in -5000.0..5000.0f64, north in -5000.0..5000.0f64) {
            let f = LocalFrame::new(at(11.0, 47.0));
            let (e, n) = f.metres(f.place(east, north));
            prop_assert!((e - east).abs() < 0.02 && (n - north).abs() < 0.02);
            let p = f.lonlat(e, n);
            prop_assert_eq!(GridPos::from_lonlat(p), Some(f.place(east, north)));
        }
    }
}
