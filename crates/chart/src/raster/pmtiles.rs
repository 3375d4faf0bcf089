//! The map as picture tiles in one file for any slippy map: PMTiles, version 3.
//!
//! Source: PMTiles version 3 specification (protomaps/PMTiles, spec/v3): header of 127 bytes, directories of
//! varints in columns, tiles in order of their number along the Hilbert curve of each zoom.

use super::deflate::gzip;
use super::indexed::png;
use super::paint::{Paint, Seen};
use super::pyramid::Pyramid;
use super::says::{in_words, statements};
use super::{PixelZoom, TILE_PX, Tile, degrees};
use crate::{ChartError, ChartInfo, Levels, Surface};
use leadline_model::{LonLat, PRODUCT};
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;

/// Deepest zoom of the tiles unless pixels are asked for: 1.2 m a pixel at the equator.
pub const MAX_TILE_ZOOM: u8 = 17;
/// A tile of 256 pixels at zoom z has pixels of zoom z + 8.
const TILE_BITS: u8 = 8;
/// Shallowest zoom of the tiles: a pixel is 153 m at the equator, a lake a few of them (judgement).
const FIRST_TILE_ZOOM: u8 = 10;
/// The root directory ends here, the header counted.
const ROOT_BYTES: usize = 16_384 - HEADER_BYTES;
const HEADER_BYTES: usize = 127;
/// Tiles a leaf directory lists when one directory does not hold all.
const LEAF_ENTRIES: usize = 4096;

/// An archive of picture tiles.
#[derive(Clone, Debug, PartialEq)]
pub struct MapTiles {
    /// The whole file.
    pub bytes: Vec<u8>,
    /// Side of a pixel of the deepest zoom, true metres.
    pub pixel_m: f64,
}

/// Draws the safe surface at the chart's stage in bands between `levels`. Without `zoom` the deepest tiles are of
/// [`MAX_TILE_ZOOM`], or shallower where the water is too large.
///
/// # Errors
/// No cells, or more pixels than the limits; see [`ChartError`].
pub fn map_tiles(
    surface: &Surface,
    info: &ChartInfo,
    levels: &Levels,
    zoom: Option<PixelZoom>,
) -> Result<MapTiles, ChartError> {
    let stage_m = info.stage_m;
    let made = |z: PixelZoom| {
        let levels = (z.0 - TILE_BITS).saturating_sub(FIRST_TILE_ZOOM) + 1;
        Pyramid::new(surface, stage_m, z, false, usize::from(levels))
    };
    let pyramid = match zoom {
        Some(z) => made(z)?,
        None => match made(PixelZoom(MAX_TILE_ZOOM + TILE_BITS)) {
            Err(ChartError::RasterTooLarge { fits_m, .. }) => made(PixelZoom::at_most(fits_m, surface)?)?,
            other => other?,
        },
    };
    let paint = Paint::new(surface, stage_m, levels);
    let mut seen: Vec<BTreeMap<Tile, Seen>> = Vec::new();
    seen.resize_with(pyramid.n_levels(), BTreeMap::new);
    pyramid.each(&mut |level, tile, block| {
        seen[level].insert(tile, paint.seen(block));
    });
    let deepest = pyramid.zoom.0 - TILE_BITS;
    let mut tiles: BTreeMap<u64, Vec<u8>> = BTreeMap::new();
    for (k, level) in seen.iter().enumerate() {
        let z = deepest - k as u8;
        let mask = (1i64 << z) - 1;
        for tile in level.keys() {
            let id = tile_id(z, (tile.x & mask) as u64, (tile.y & mask) as u64);
            tiles.insert(id, png(TILE_PX, &paint.tile(level, *tile), &[]));
        }
    }
    let shape =
        Shape { zooms: (deepest + 1 - seen.len() as u8, deepest), bounds: bounds(&seen[0], pyramid.zoom) };
    Ok(MapTiles { bytes: archive(&tiles, &shape, &metadata(info)), pixel_m: pyramid.zoom.metres(surface) })
}

struct Shape {
    zooms: (u8, u8),
    /// South-western and north-eastern corner.
    bounds: (LonLat, LonLat),
}

/// Degrees round the known pixels. A water across the antimeridian has no box that readers understand: it is told
/// as the whole turn.
fn bounds(seen: &BTreeMap<Tile, Seen>, zoom: PixelZoom) -> (LonLat, LonLat) {
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for (tile, s) in seen {
        let corner = [(tile.x * TILE_PX as i64) as f64, (tile.y * TILE_PX as i64) as f64];
        for (x, y) in s.known() {
            for (k, v) in [(0, x as f64), (1, y as f64)] {
                low[k] = low[k].min(corner[k] + v);
                high[k] = high[k].max(corner[k] + v + 1.0);
            }
        }
    }
    let (mut sw, mut ne) = (degrees(zoom, low[0], high[1]), degrees(zoom, high[0], low[1]));
    if sw.lon < -180.0 || ne.lon > 180.0 {
        (sw.lon, ne.lon) = (-180.0, 180.0);
    }
    (sw, ne)
}

fn metadata(info: &ChartInfo) -> Vec<u8> {
    let says = statements(info, "depth bands of the safe surface; hatched where loose");
    let mut all: Map<String, Value> = says.iter().map(|(k, v)| ((*k).to_owned(), json!(v))).collect();
    let find = |k: &str| says.iter().find(|s| s.0 == k).map_or("", |s| s.1.as_str());
    let line = format!(
        "{PRODUCT}: {}, datum {}, stage {} m, newest sounding {}. {}",
        find("survey"),
        find("datum"),
        find("stage_m"),
        find("newest_utc"),
        find("caution")
    );
    // Readers show the attribution as HTML.
    let html = super::says::xml(&line);
    all.extend([
        ("name".to_owned(), json!(find("survey"))),
        ("description".to_owned(), json!(in_words(&says))),
        ("attribution".to_owned(), json!(html)),
        ("type".to_owned(), json!("overlay")),
        ("version".to_owned(), json!("1")),
    ]);
    Value::Object(all).to_string().into_bytes()
}

/// Number of a tile: all tiles of the zooms above it, and its place along the Hilbert curve of its own.
fn tile_id(z: u8, mut x: u64, mut y: u64) -> u64 {
    let before = ((1u64 << (2 * z)) - 1) / 3;
    let mut at = 0;
    let mut side = (1u64 << z) / 2;
    while side > 0 {
        let (right, below) = (u64::from(x & side > 0), u64::from(y & side > 0));
        at += side * side * ((3 * right) ^ below);
        // The curve is turned in each quarter.
        if below == 0 {
            if right == 1 {
                (x, y) = (side.wrapping_sub(1).wrapping_sub(x), side.wrapping_sub(1).wrapping_sub(y));
            }
            (x, y) = (y, x);
        }
        side /= 2;
    }
    before + at
}

/// One row of a directory.
#[derive(Clone, Copy)]
struct Entry {
    id: u64,
    /// How many tiles; zero = a leaf directory.
    run: u64,
    length: u64,
    offset: u64,
}

/// The whole file.
fn archive(tiles: &BTreeMap<u64, Vec<u8>>, shape: &Shape, metadata: &[u8]) -> Vec<u8> {
    let mut entries = Vec::with_capacity(tiles.len());
    let mut offset = 0;
    for (id, bytes) in tiles {
        let length = bytes.len() as u64;
        entries.push(Entry { id: *id, run: 1, length, offset });
        offset += length;
    }
    let data_bytes = offset;
    let (root, leaves) = directories(&entries);
    let metadata = gzip(metadata);
    let mut at = HEADER_BYTES as u64;
    let mut header = Vec::with_capacity(HEADER_BYTES);
    header.extend(b"PMTiles\x03");
    for length in [root.len() as u64, metadata.len() as u64, leaves.len() as u64, data_bytes] {
        header.extend(at.to_le_bytes());
        header.extend(length.to_le_bytes());
        at += length;
    }
    for _ in ["tiles addressed", "entries", "contents"] {
        header.extend((entries.len() as u64).to_le_bytes());
    }
    // In order of number; directories gzip, tiles as they are; PNG.
    header.extend([1, 2, 1, 2, shape.zooms.0, shape.zooms.1]);
    let (sw, ne) = shape.bounds;
    for p in [sw, ne] {
        header.extend(tenth_micro(p.lon).to_le_bytes());
        header.extend(tenth_micro(p.lat).to_le_bytes());
    }
    header.push(shape.zooms.0.max(shape.zooms.1.saturating_sub(3)));
    header.extend(tenth_micro((sw.lon + ne.lon) / 2.0).to_le_bytes());
    header.extend(tenth_micro((sw.lat + ne.lat) / 2.0).to_le_bytes());
    let mut out = header;
    out.extend(root);
    out.extend(metadata);
    out.extend(leaves);
    out.extend(tiles.values().flatten());
    out
}

/// Whole 1e-7 degrees.
fn tenth_micro(degrees: f64) -> i32 {
    libm::round(degrees * 1e7) as i32
}

/// The root directory and the leaf directories one after the other, each compressed.
fn directories(entries: &[Entry]) -> (Vec<u8>, Vec<u8>) {
    let mut size = LEAF_ENTRIES;
    let whole = directory(entries);
    if whole.len() <= ROOT_BYTES {
        return (whole, Vec::new());
    }
    loop {
        let mut leaves: Vec<u8> = Vec::new();
        let mut root = Vec::new();
        for part in entries.chunks(size) {
            let leaf = directory(part);
            root.push(Entry {
                id: part[0].id,
                run: 0,
                length: leaf.len() as u64,
                offset: leaves.len() as u64,
            });
            leaves.extend(leaf);
        }
        let root = directory(&root);
        if root.len() <= ROOT_BYTES {
            return (root, leaves);
        }
        size *= 2;
    }
}

fn directory(entries: &[Entry]) -> Vec<u8> {
    let mut out = Vec::new();
    varint(&mut out, entries.len() as u64);
    let mut last = 0;
    for e in entries {
        varint(&mut out, e.id - last);
        last = e.id;
    }
    entries.iter().for_each(|e| varint(&mut out, e.run));
    entries.iter().for_each(|e| varint(&mut out, e.length));
    let mut end = None;
    for e in entries {
        // Zero = right behind the one before.
        varint(&mut out, if end == Some(e.offset) { 0 } else { e.offset + 1 });
        end = Some(e.offset + e.length);
    }
    gzip(&out)
}

/// Seven bits a byte, lowest first.
fn varint(out: &mut Vec<u8>, mut v: u64) {
    while v > 0x7f {
        out.push((v & 0x7f) as u8 | 0x80);
        v >>= 7;
    }
    out.push(v as u8);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_of_the_specification() {
        // Source: PMTiles version 3 specification, table of tile numbers.
        for ((z, x, y), id) in [
            ((0, 0, 0), 0),
            ((1, 0, 0), 1),
            ((1, 0, 1), 2),
            ((1, 1, 1), 3),
            ((1, 1, 0), 4),
            ((2, 0, 0), 5),
            ((12, 3423, 1763), 19_078_479),
        ] {
            assert_eq!(tile_id(z, x, y), id, "{z} {x} {y}");
        }
    }

    #[test]
    fn large_directories_have_leaves_and_a_root_that_fits() {
        // Lengths that hardly compress: a multiplicative generator's numbers.
        let mut offset = 0;
        let mut entries = Vec::new();
        for i in 0..60_000u64 {
            let length = i.wrapping_mul(6_364_136_223_846_793_005) >> 50;
            entries.push(Entry { id: 3 * i, run: 1, length: length + 1, offset });
            offset += length + 1;
        }
        let (root, leaves) = directories(&entries);
        assert!(root.len() <= ROOT_BYTES && !leaves.is_empty());
        let (root, leaves) = directories(&entries[..100]);
        assert!(!root.is_empty() && leaves.is_empty());
    }
}
