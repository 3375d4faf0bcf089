//! A cloud-optimised GeoTIFF: tiles of the survey's grid, with coarser copies for looking from afar.
//!
//! Source: TIFF 6.0; Adobe Photoshop TIFF technical note 3 (floating-point predictor); OGC 19-008r4 GeoTIFF 1.1;
//! OGC 21-026 Cloud Optimized GeoTIFF; tags 42112 and 42113 as GDAL documents them. A blank tile has offset and
//! length zero.

use super::block::{ABOUT, AREA, BANDS, Block};
use super::deflate::zlib;
use super::pyramid::Pyramid;
use super::says::{in_words, statements, xml};
use super::{MAX_TABLE, PixelZoom, Placed, TILE_PX, Tile};
use crate::{ChartError, ChartInfo, Surface};
use leadline_model::{PRODUCT, UtcMillis};
use std::collections::BTreeMap;

/// Most coarser copies: 2³² pixels in a row need 24.
const MOST_LEVELS: usize = 32;
/// Largest file with 32-bit offsets.
const MAX_BYTES: u64 = u32::MAX as u64;

/// Compressed bands of the known tiles of one level.
type Packed = BTreeMap<Tile, [Vec<u8>; BANDS]>;

/// The surface at the chart's stage as bytes of a TIFF: bands `depth_m`, `tvu95_m`, `grade`, `safe_depth_m`.
///
/// # Errors
/// No cells, or more pixels than the limits; see [`ChartError`].
pub fn surface_tiff(surface: &Surface, info: &ChartInfo, zoom: PixelZoom) -> Result<Vec<u8>, ChartError> {
    let pyramid = Pyramid::new(surface, info.stage_m, zoom, true, MOST_LEVELS)?;
    let (columns, rows) = pyramid.size();
    if columns * rows > MAX_TABLE {
        let mut fits = zoom;
        let mut k = 0;
        while (columns >> k) * (rows >> k) > MAX_TABLE / 2 {
            k += 1;
            fits = fits.coarser().ok_or(ChartError::WaterTooLarge)?;
        }
        return Err(ChartError::RasterTooWide {
            asked_m: zoom.metres(surface),
            fits_m: fits.metres(surface),
        });
    }
    let mut levels: Vec<Packed> = vec![Packed::new(); pyramid.n_levels()];
    pyramid.each(&mut |level, tile, block| {
        levels[level].insert(tile, std::array::from_fn(|b| packed(block, b)));
    });
    let placed = Placed {
        zoom,
        west: pyramid.origin.x * TILE_PX as i64,
        north: pyramid.origin.y * TILE_PX as i64,
        width: columns as usize * TILE_PX,
        height: rows as usize * TILE_PX,
    };
    let says = Says { info, surface };
    let bytes = file(&levels, &placed, &says);
    bytes.ok_or_else(|| ChartError::RasterTooLarge {
        asked_m: zoom.metres(surface),
        fits_m: 2.0 * zoom.metres(surface),
    })
}

struct Says<'a> {
    info: &'a ChartInfo,
    surface: &'a Surface,
}

/// One band of a tile: floating-point predictor, then deflate.
fn packed(block: &Block, band: usize) -> Vec<u8> {
    let values = block.millimetres(band);
    let mut bytes = Vec::with_capacity(4 * AREA);
    for row in values.chunks_exact(TILE_PX) {
        let start = bytes.len();
        // Most significant bytes of the row first, then the next ones …
        for k in 0..4 {
            bytes.extend(row.iter().map(|v| v.to_be_bytes()[k]));
        }
        // … and each byte as its difference to the one before.
        for i in (start + 1..bytes.len()).rev() {
            bytes[i] = bytes[i].wrapping_sub(bytes[i - 1]);
        }
    }
    zlib(&bytes)
}

/// A tag's values as bytes, little-endian.
struct Field {
    tag: u16,
    kind: u16,
    count: u32,
    bytes: Vec<u8>,
}

impl Field {
    fn short(tag: u16, values: &[u16]) -> Self {
        let bytes = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        Self { tag, kind: 3, count: values.len() as u32, bytes }
    }

    fn long(tag: u16, values: &[u32]) -> Self {
        let bytes = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        Self { tag, kind: 4, count: values.len() as u32, bytes }
    }

    fn double(tag: u16, values: &[f64]) -> Self {
        let bytes = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        Self { tag, kind: 12, count: values.len() as u32, bytes }
    }

    fn text(tag: u16, text: &str) -> Self {
        let bytes: Vec<u8> = text.bytes().filter(|b| *b != 0).chain([0]).collect();
        Self { tag, kind: 2, count: bytes.len() as u32, bytes }
    }
}

/// The whole file, or `None` if it would need 64-bit offsets.
fn file(levels: &[Packed], placed: &Placed, says: &Says<'_>) -> Option<Vec<u8>> {
    let sizes: Vec<(usize, usize)> =
        (0..levels.len()).map(|k| (placed.width.div_ceil(1 << k), placed.height.div_ceil(1 << k))).collect();
    // Directories first: their lengths do not depend on the offsets in them.
    let blank = |k: usize| vec![0u32; BANDS * tiles_of(sizes[k]).0 * tiles_of(sizes[k]).1];
    let directory = |k: usize, offsets: &[u32], lengths: &[u32]| {
        let mut fields = layout(sizes[k], k > 0, offsets, lengths);
        if k == 0 {
            fields.extend(statement_fields(placed, says));
        }
        fields.sort_by_key(|f| f.tag);
        fields
    };
    let heads: u64 = (0..levels.len()).map(|k| length(&directory(k, &blank(k), &blank(k)))).sum();
    let data: u64 = levels.iter().flat_map(BTreeMap::values).flatten().map(|b| b.len() as u64).sum();
    let whole = 8 + heads + data;
    if whole > MAX_BYTES {
        return None;
    }
    let mut at = 8 + heads;
    let mut tables = vec![(Vec::new(), Vec::new()); levels.len()];
    // Data of the coarsest level first, band by band within a tile.
    for k in (0..levels.len()).rev() {
        let (mut offsets, mut lengths) = (blank(k), blank(k));
        let (columns, rows) = tiles_of(sizes[k]);
        for (tile, bands) in &levels[k] {
            for (b, bytes) in bands.iter().enumerate() {
                let i = (b * rows + tile.y as usize) * columns + tile.x as usize;
                offsets[i] = at as u32;
                lengths[i] = bytes.len() as u32;
                at += bytes.len() as u64;
            }
        }
        tables[k] = (offsets, lengths);
    }
    let mut out = Vec::with_capacity(whole as usize);
    out.extend(b"II*\0\x08\0\0\0");
    for (k, (offsets, lengths)) in tables.iter().enumerate() {
        write_directory(&mut out, directory(k, offsets, lengths), k + 1 == levels.len());
    }
    for level in levels.iter().rev() {
        level.values().flatten().for_each(|bytes| out.extend(bytes));
    }
    Some(out)
}

fn tiles_of((width, height): (usize, usize)) -> (usize, usize) {
    (width.div_ceil(TILE_PX), height.div_ceil(TILE_PX))
}

/// Tags that describe pixels and tiles.
fn layout((width, height): (usize, usize), coarser: bool, offsets: &[u32], lengths: &[u32]) -> Vec<Field> {
    let side = TILE_PX as u16;
    let mut fields = vec![
        Field::long(256, &[width as u32]),
        Field::long(257, &[height as u32]),
        Field::short(258, &[32; BANDS]),    // bits
        Field::short(259, &[8]),            // deflate
        Field::short(262, &[1]),            // black is zero
        Field::short(277, &[BANDS as u16]), // bands
        Field::short(284, &[2]),            // each band in its own tiles
        Field::short(317, &[3]),            // floating-point predictor
        Field::short(322, &[side]),         // tile width
        Field::short(323, &[side]),         // tile height
        Field::long(324, offsets),
        Field::long(325, lengths),
        Field::short(338, &[0; BANDS - 1]), // the other bands are no colours
        Field::short(339, &[3; BANDS]),     // floating point
        Field::text(42113, "nan"),
    ];
    if coarser {
        fields.push(Field::long(254, &[1])); // a coarser copy
    }
    fields
}

/// Where the picture lies, and what it says of itself.
fn statement_fields(placed: &Placed, says: &Says<'_>) -> Vec<Field> {
    let (east, north) = placed.corner_m();
    let side = placed.zoom.mercator_m();
    let all = statements(says.info, "best and safe depth, uncertainty and grade");
    let citation = "WGS 84 / Pseudo-Mercator|";
    let keys: [[u16; 4]; 6] = [
        [1, 1, 1, 5],
        [1024, 0, 1, 1], // projected
        [1025, 0, 1, 1], // pixel is area
        [1026, 34737, citation.len() as u16, 0],
        [3072, 0, 1, 3857],
        [3076, 0, 1, 9001], // metre
    ];
    vec![
        Field::text(270, &in_words(&all)),
        Field::text(305, PRODUCT),
        Field::text(306, &says.surface.newest().map_or_else(String::new, date_time)),
        Field::double(33550, &[side, side, 0.0]),
        Field::double(33922, &[0.0, 0.0, 0.0, east, north, 0.0]),
        Field::short(34735, &keys.concat()),
        Field::text(34737, citation),
        Field::text(42112, &metadata(&all)),
    ]
}

/// TIFF's own form, `YYYY:MM:DD HH:MM:SS`.
fn date_time(t: UtcMillis) -> String {
    let (y, m, d) = t.date();
    let s = t.millis_of_day() / 1000;
    format!("{y:04}:{m:02}:{d:02} {:02}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)
}

/// Names of the bands and all statements, as GDAL reads them: it takes the escapes off twice.
fn metadata(all: &[(&'static str, String)]) -> String {
    let mut out = String::from("<GDALMetadata>\n");
    for (name, text) in all {
        out += &format!("  <Item name=\"{name}\">{}</Item>\n", xml(&xml(text)));
    }
    for (b, (name, unit, about)) in ABOUT.iter().enumerate() {
        out += &format!("  <Item name=\"DESCRIPTION\" sample=\"{b}\" role=\"description\">{name}</Item>\n");
        out += &format!("  <Item name=\"about\" sample=\"{b}\">{}</Item>\n", xml(&xml(about)));
        if !unit.is_empty() {
            out += &format!("  <Item name=\"UNITTYPE\" sample=\"{b}\" role=\"unittype\">{unit}</Item>\n");
        }
    }
    out + "</GDALMetadata>\n"
}

/// Bytes of a directory with its values, even.
fn length(fields: &[Field]) -> u64 {
    let beside: usize =
        fields.iter().filter(|f| f.bytes.len() > 4).map(|f| f.bytes.len().next_multiple_of(2)).sum();
    (2 + 12 * fields.len() + 4 + beside) as u64
}

/// A directory at the end of `out`, with the values that do not fit into it right behind it.
fn write_directory(out: &mut Vec<u8>, fields: Vec<Field>, last: bool) {
    let start = out.len();
    let mut beside_at = start + 2 + 12 * fields.len() + 4;
    let next = start + length(&fields) as usize;
    out.extend((fields.len() as u16).to_le_bytes());
    for f in &fields {
        out.extend(f.tag.to_le_bytes());
        out.extend(f.kind.to_le_bytes());
        out.extend(f.count.to_le_bytes());
        if f.bytes.len() > 4 {
            out.extend((beside_at as u32).to_le_bytes());
            beside_at += f.bytes.len().next_multiple_of(2);
        } else {
            out.extend(&f.bytes);
            out.resize(out.len() + 4 - f.bytes.len(), 0);
        }
    }
    out.extend((if last { 0 } else { next as u32 }).to_le_bytes());
    for f in fields.into_iter().filter(|f| f.bytes.len() > 4) {
        out.extend(f.bytes);
        out.resize(out.len().next_multiple_of(2), 0);
    }
    debug_assert_eq!(out.len(), next);
}
