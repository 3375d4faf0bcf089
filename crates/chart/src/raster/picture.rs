//! The map alone, without a sheet, as a PNG that other programs put in its place.

use super::indexed::png;
use super::paint::{Paint, Seen};
use super::pyramid::Pyramid;
use super::says::{WKT, in_words, statements, xml};
use super::{PixelZoom, Placed, TILE_PX, Tile, ZOOMS};
use crate::{ChartError, ChartInfo, Levels, Surface};
use std::collections::BTreeMap;

/// Pixels on the longer side that are not exceeded when no size is asked for.
const USUAL_SIDE: usize = 4096;
/// Most pixels of a picture.
const MAX_PIXELS: usize = 1 << 26;

/// A picture and the files that say where it lies.
#[derive(Clone, Debug, PartialEq)]
pub struct MapPicture {
    /// The PNG, transparent where nothing is known.
    pub png: Vec<u8>,
    /// The world file: six lines.
    pub world: String,
    /// The `.aux.xml` beside it: coordinate reference system and statements.
    pub aux: String,
    /// Side of a pixel, true metres.
    pub pixel_m: f64,
}

/// Draws the safe surface at the chart's stage in bands between `levels`. Without `zoom` the finest pixels are taken
/// with which the picture's longer side has at most 4096.
///
/// # Errors
/// No cells, or more pixels than the limits; see [`ChartError`].
pub fn map_picture(
    surface: &Surface,
    info: &ChartInfo,
    levels: &Levels,
    zoom: Option<PixelZoom>,
) -> Result<MapPicture, ChartError> {
    let zoom = zoom.unwrap_or_else(|| usual_zoom(surface));
    let pyramid = Pyramid::new(surface, info.stage_m, zoom, true, 1)?;
    let paint = Paint::new(surface, info.stage_m, levels);
    let mut seen: BTreeMap<Tile, Seen> = BTreeMap::new();
    pyramid.each(&mut |_, tile, block| {
        seen.insert(tile, paint.seen(block));
    });
    let window = Window::of(&seen);
    if window.width * window.height > MAX_PIXELS {
        let k = (0..).find(|k| (window.width >> k) * (window.height >> k) <= MAX_PIXELS).unwrap_or(0);
        let asked_m = zoom.metres(surface);
        return Err(ChartError::RasterTooWide { asked_m, fits_m: asked_m * f64::from(1u32 << k) });
    }
    let mut pixels = vec![[0u8; 4]; window.width * window.height];
    for tile in seen.keys() {
        window.place(&mut pixels, *tile, &paint.tile(&seen, *tile));
    }
    let side = TILE_PX as i64;
    let placed = Placed {
        zoom,
        west: pyramid.origin.x * side + window.west,
        north: pyramid.origin.y * side + window.north,
        width: window.width,
        height: window.height,
    };
    let says = statements(info, "depth bands of the safe surface; hatched where loose");
    let words = in_words(&says);
    Ok(MapPicture {
        png: png(window.width, &pixels, &[("Description", &words)]),
        world: world(&placed),
        aux: aux(&placed, &says),
        pixel_m: zoom.metres(surface),
    })
}

fn usual_zoom(surface: &Surface) -> PixelZoom {
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for n in surface.nodes() {
        for k in 0..2 {
            low[k] = low[k].min(n.xy[k]);
            high[k] = high[k].max(n.xy[k]);
        }
    }
    let longer = (high[0] - low[0]).max(high[1] - low[1]).max(1.0);
    let fits = |z: &u8| longer / PixelZoom(*z).metres(surface) <= USUAL_SIDE as f64;
    // Finer than 0.6 m at the equator shows only the edges of triangles.
    PixelZoom(ZOOMS.rev().skip(1).find(fits).unwrap_or(*ZOOMS.start()))
}

/// The rectangle of known pixels, counted from the first tile.
#[derive(Clone, Copy)]
struct Window {
    west: i64,
    north: i64,
    width: usize,
    height: usize,
}

impl Window {
    fn of(seen: &BTreeMap<Tile, Seen>) -> Self {
        let (mut low, mut high) = ([i64::MAX; 2], [i64::MIN; 2]);
        for (tile, s) in seen {
            let corner = [tile.x * TILE_PX as i64, tile.y * TILE_PX as i64];
            for (x, y) in s.known() {
                for (k, v) in [(0, x), (1, y)] {
                    low[k] = low[k].min(corner[k] + v as i64);
                    high[k] = high[k].max(corner[k] + v as i64);
                }
            }
        }
        let size = |k: usize| (high[k] - low[k] + 1).max(1) as usize;
        Self { west: low[0], north: low[1], width: size(0), height: size(1) }
    }

    /// Copies what lies inside of a tile's pixels.
    fn place(&self, to: &mut [[u8; 4]], tile: Tile, pixels: &[[u8; 4]]) {
        let left = tile.x * TILE_PX as i64 - self.west;
        let top = tile.y * TILE_PX as i64 - self.north;
        for (y, row) in pixels.chunks_exact(TILE_PX).enumerate() {
            let Some(y) = usize::try_from(top + y as i64).ok().filter(|y| *y < self.height) else { continue };
            let from = usize::try_from(-left).unwrap_or(0).min(TILE_PX);
            let x = usize::try_from(left).unwrap_or(0);
            let n = (TILE_PX - from).min(self.width.saturating_sub(x));
            to[y * self.width + x..][..n].copy_from_slice(&row[from..from + n]);
        }
    }
}

/// Six lines: pixel eastward, two turns, pixel southward (negative), middle of the north-western pixel.
fn world(p: &Placed) -> String {
    let (side, (east, north)) = (p.zoom.mercator_m(), p.corner_m());
    format!("{side}\n0\n0\n{}\n{}\n{}\n", -side, east + side / 2.0, north - side / 2.0)
}

fn aux(p: &Placed, says: &[(&'static str, String)]) -> String {
    let (side, (east, north)) = (p.zoom.mercator_m(), p.corner_m());
    let items: String =
        says.iter().map(|(k, v)| format!("    <MDI key=\"{k}\">{}</MDI>\n", xml(v))).collect();
    format!(
        "<PAMDataset>\n  <SRS>{}</SRS>\n  <GeoTransform>{east}, {side}, 0, {north}, 0, {}</GeoTransform>\n  \
         <Metadata>\n{items}  </Metadata>\n</PAMDataset>\n",
        xml(WKT),
        -side
    )
}
