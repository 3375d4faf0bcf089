//! The surface as an Esri ASCII grid: square cells in EPSG:3857, north row first.

use super::block::{ABOUT, Block, DEPTH, SAFE};
use super::pyramid::Pyramid;
use super::says::{PRJ, in_words, statements};
use super::{PixelZoom, TILE_PX, Tile};
use crate::units::fixed;
use crate::{ChartError, ChartInfo, Surface};
use std::collections::BTreeMap;
use std::fmt::Write;

/// Written where nothing is known.
const NO_DATA: &str = "-9999";
/// Most values, known or not: about 200 MB of text.
const MAX_VALUES: u64 = 25_000_000;

/// A grid and the files that say what it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AsciiGrid {
    /// The grid: six lines of head, then a line a row.
    pub asc: String,
    /// The coordinate reference system, for the `.prj` file.
    pub prj: &'static str,
    /// Datum, stage, date, sources and caution: the grid itself has no room for them.
    pub words: String,
}

/// The band `depth_m` (or `safe_depth_m` when `safe`) as an Esri ASCII grid.
///
/// # Errors
/// No cells, or more values than the limits; see [`ChartError`].
pub fn surface_ascii(
    surface: &Surface,
    info: &ChartInfo,
    zoom: PixelZoom,
    safe: bool,
) -> Result<AsciiGrid, ChartError> {
    let band = if safe { SAFE } else { DEPTH };
    let pyramid = Pyramid::new(surface, info.stage_m, zoom, true, 1)?;
    let (columns, rows) = pyramid.size();
    let count = columns * rows * (TILE_PX * TILE_PX) as u64;
    if count > MAX_VALUES {
        let k = (0..32u32).find(|k| count >> (2 * k) <= MAX_VALUES).unwrap_or(32);
        let asked_m = zoom.metres(surface);
        return Err(ChartError::RasterTooWide { asked_m, fits_m: asked_m * f64::from(1u32 << k) });
    }
    let mut blocks: BTreeMap<Tile, Vec<f32>> = BTreeMap::new();
    pyramid.each(&mut |_, tile, block: &Block| {
        blocks.insert(tile, block.millimetres(band));
    });
    let (width, height) = (columns as usize * TILE_PX, rows as usize * TILE_PX);
    let placed = super::Placed {
        zoom,
        west: pyramid.origin.x * TILE_PX as i64,
        north: pyramid.origin.y * TILE_PX as i64,
        width,
        height,
    };
    let (west, north) = placed.corner_m();
    let side = zoom.mercator_m();
    let south = north - side * height as f64;
    let mut out = String::with_capacity(count as usize * 6);
    let _ = write!(
        out,
        "NCOLS {width}\nNROWS {height}\nXLLCORNER {west}\nYLLCORNER {south}\nCELLSIZE {side}\nNODATA_VALUE {NO_DATA}\n"
    );
    for y in 0..height {
        for x in 0..width {
            let tile = Tile { y: (y / TILE_PX) as i64, x: (x / TILE_PX) as i64 };
            let value = blocks.get(&tile).map_or(f32::NAN, |b| b[y % TILE_PX * TILE_PX + x % TILE_PX]);
            if x > 0 {
                out.push(' ');
            }
            match value.is_nan() {
                true => out.push_str(NO_DATA),
                false => out.push_str(&fixed(f64::from(value), 3)),
            }
        }
        out.push('\n');
    }
    let (name, _, about) = ABOUT[band];
    let words = in_words(&statements(info, &format!("{name}: {about}"))) + "\n";
    Ok(AsciiGrid { asc: out, prj: PRJ, words })
}
