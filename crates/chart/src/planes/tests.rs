//! Tiles against the surface they are made from. Places of nodes: OGC 17-083r4 WebMercatorQuad, by way of the
//! survey's own grid, which is the same matrix set.

use super::*;
use crate::{SurfaceSettings, sample};
use leadline_model::{Cell, CellId, GridPos};

/// Cells about a place, `step` cells apart, at scattered places in their cells.
fn water(corner: CellId, side: u32, step: u32) -> Vec<Cell> {
    let mut out = Vec::new();
    for i in 0..side {
        for j in 0..side {
            let x = (corner.x + i * step) & ((1 << 23) - 1);
            let (u, v) = ((i * 37 + j * 101) % 256, (i * 59 + j * 13) % 256);
            let at = GridPos::new(x << 8 | u, (corner.y + j * step) << 8 | v).expect("on the grid");
            let depth = 4.0 + 0.3 * f64::from(i) - 0.17 * f64::from(j) + f64::from((i * j) % 5) / 7.0;
            let mut c =
                Cell { main_pass: (i / 8) % 2, disputed: (i + j) % 17 == 0, ..sample::cell(at, depth) };
            if (i + 2 * j) % 11 == 0 {
                c.shoalest_m = depth - 0.9;
            }
            out.push(c);
        }
    }
    // One cell far from all others.
    let lone = CellId { x: (corner.x + 900) & ((1 << 23) - 1), y: corner.y + 40 };
    out.push(sample::cell(lone.middle(), 2.5));
    out
}

/// Geneva, the antimeridian south of the equator, the equator.
const CORNERS: [CellId; 3] = [
    CellId { x: 4_338_000, y: 2_963_100 },
    CellId { x: (1 << 23) - 20, y: 4_700_000 },
    CellId { x: 700_000, y: (1 << 22) - 20 },
];

/// A decoded tile.
struct Tile {
    safe: Vec<i16>,
    best: Vec<i16>,
    tvu: Vec<u8>,
    flags: Vec<u8>,
}

fn read(bytes: &[u8]) -> Tile {
    let n = TILE_NODES * TILE_NODES;
    assert_eq!(&bytes[..8], b"LDT1\x81\0\0\0");
    assert_eq!(bytes.len(), 8 + 6 * n);
    let words = |from: usize| {
        bytes[from..from + 2 * n].chunks(2).map(|b| i16::from_le_bytes([b[0], b[1]])).collect::<Vec<_>>()
    };
    let (safe, best) = (words(8), words(8 + 2 * n));
    Tile { safe, best, tvu: bytes[8 + 4 * n..8 + 5 * n].to_vec(), flags: bytes[8 + 5 * n..].to_vec() }
}

/// The eight places beside one.
fn around(at: GridPos) -> impl Iterator<Item = GridPos> {
    let steps = [-1i64, 0, 1];
    let beside = steps.into_iter().flat_map(move |x| steps.map(|y| (x, y))).filter(|s| *s != (0, 0));
    beside.filter_map(move |(x, y)| {
        let x = (i64::from(at.x()) + x).rem_euclid(1 << 31);
        GridPos::new(x as u32, u32::try_from(i64::from(at.y()) + y).ok()?)
    })
}

#[test]
fn a_fine_tile_says_what_the_surface_says() {
    for (corner, zoom) in CORNERS.iter().flat_map(|c| [16, 17, 19].map(|z| (*c, z))) {
        let surface = Surface::new(&water(corner, 24, 3), &SurfaceSettings::default());
        let tiles = DepthTiles::new(&surface, BTreeSet::from([1]));
        let mut seen = (0, 0);
        for (x, y) in tiles.known(zoom) {
            let Some(tile) = tiles.tile(&surface, zoom, x, y).map(|b| read(&b)) else { continue };
            for i in 0..TILE_NODES * TILE_NODES {
                let (row, column) = (i / TILE_NODES, i % TILE_NODES);
                let place = |v: u32, k: usize| (i64::from(v) * 128 + k as i64) * step(zoom);
                let at = GridPos::new(
                    (place(x, column) & ((1 << 31) - 1)) as u32,
                    u32::try_from(place(y, row)).expect("on the grid"),
                );
                let at = at.expect("on the grid");
                // A node stands at a place's north-western corner, half a place from its middle.
                let slack = 0.011 + 0.02;
                // And so a node on the very edge of the known water may lie beyond it: there it has its cell's own depth,
                // or none.
                let on_the_edge = || around(at).any(|p| surface.safe_depth_at(p).is_none());
                if let Some(safe) = surface.safe_depth_at(at).filter(|_| !on_the_edge()) {
                    let cm = f64::from(tile.safe[i]) / 100.0;
                    assert!(
                        tile.safe[i] != i16::MIN && cm <= safe + slack,
                        "{zoom} {row} {column}: {cm} {safe}"
                    );
                    seen.0 += 1;
                }
                if let Some(e) = surface.depth_at(at).filter(|e| e.basis == crate::Basis::Cell) {
                    assert!(
                        (f64::from(tile.best[i]) / 100.0 - e.depth_m).abs() < 0.006,
                        "{zoom} {row} {column}"
                    );
                    assert!((f64::from(tile.tvu[i]) / 20.0 - e.tvu95_m).abs() < 0.051);
                    assert_eq!(tile.flags[i] & dot::MEASURED, dot::MEASURED);
                    assert_eq!(tile.flags[i] & 3, dot::grade_bits(e.grade));
                    seen.1 += 1;
                }
            }
        }
        assert!(seen.0 > 3_000 && seen.1 > 200, "{corner:?} {zoom}: {seen:?}");
    }
}

#[test]
fn the_node_nearest_to_a_cell_is_never_deeper() {
    for corner in CORNERS {
        let surface = Surface::new(&water(corner, 24, 3), &SurfaceSettings::default());
        let tiles = DepthTiles::new(&surface, BTreeSet::new());
        for zoom in 0..=FINEST_TILE_ZOOM {
            let mut looked_at = 0;
            let world = 128i64 << zoom;
            for n in surface.nodes() {
                let step = step(zoom);
                let near = |v: u32| (i64::from(v) + step / 2).div_euclid(step);
                let (x, y) = (near(n.at.x()).rem_euclid(world), near(n.at.y()));
                let tile = tiles.tile(&surface, zoom, (x / 128) as u32, (y / 128) as u32);
                let tile = read(&tile.expect("a tile with a cell in it"));
                let i = (y % 128 * TILE_NODES as i64 + x % 128) as usize;
                let cm = f64::from(tile.safe[i]) / 100.0;
                assert!(
                    tile.safe[i] != i16::MIN && cm <= n.safe_m + 1e-9,
                    "zoom {zoom}: {cm} over {}",
                    n.safe_m
                );
                looked_at += 1;
                if zoom > 12 && looked_at > 40 {
                    break;
                }
            }
            assert!(looked_at > 40);
        }
    }
}

#[test]
fn neighbours_share_their_edge() {
    for corner in CORNERS {
        let surface = Surface::new(&water(corner, 24, 3), &SurfaceSettings::default());
        let tiles = DepthTiles::new(&surface, BTreeSet::from([0]));
        let mut shared = 0;
        for zoom in [13, 15, 16, 17, 19] {
            for (x, y) in tiles.known(zoom) {
                let beside = (x + 1) & ((1 << zoom) - 1);
                let both = tiles.tile(&surface, zoom, x, y).zip(tiles.tile(&surface, zoom, beside, y));
                if let Some((a, b)) = both.map(|(a, b)| (read(&a), read(&b))) {
                    for row in 0..TILE_NODES {
                        let (i, j) = (row * TILE_NODES + TILE_NODES - 1, row * TILE_NODES);
                        assert_eq!(
                            (a.safe[i], a.flags[i]),
                            (b.safe[j], b.flags[j]),
                            "zoom {zoom}, row {row}"
                        );
                        assert_eq!((a.best[i], a.tvu[i]), (b.best[j], b.tvu[j]), "zoom {zoom}, row {row}");
                        shared += usize::from(a.safe[i] != i16::MIN);
                    }
                }
            }
        }
        assert!(shared > 50, "{shared}");
    }
}

#[test]
fn soundings_are_shoal_biased_and_agree_across_tiles() {
    let surface = Surface::new(&water(CORNERS[0], 60, 2), &SurfaceSettings::default());
    let tiles = DepthTiles::new(&surface, BTreeSet::new());
    let shoalest = surface.nodes().iter().map(|n| n.safe_m).fold(f64::INFINITY, f64::min);
    for zoom in [8, 12, 15, 16, 18] {
        let mut all: Vec<Pick> = Vec::new();
        for (x, y) in tiles.known(zoom) {
            let picks = tiles.soundings(&surface, zoom, x, y);
            assert!(picks.len() <= 60, "{}", picks.len());
            let inside = |p: &Pick| p.at.x() >> (31 - zoom) == x && p.at.y() >> (31 - zoom) == y;
            assert!(picks.iter().all(inside), "zoom {zoom}");
            all.extend(picks);
        }
        assert!(
            all.iter().any(|p| p.depth_m <= shoalest + 1e-9),
            "the shoalest of all is shown at zoom {zoom}"
        );
        let places = picks::CLEAR * f64::from(1 << 31 >> zoom) / 8.0;
        for (i, a) in all.iter().enumerate() {
            for b in &all[..i] {
                let (dx, dy) =
                    (f64::from(a.at.x()) - f64::from(b.at.x()), f64::from(a.at.y()) - f64::from(b.at.y()));
                assert!(dx * dx + dy * dy >= places * places, "two figures on each other at zoom {zoom}");
            }
        }
    }
}

#[test]
fn nothing_known_has_no_tile() {
    let surface = Surface::new(&[], &SurfaceSettings::default());
    let tiles = DepthTiles::new(&surface, BTreeSet::new());
    assert!(tiles.tile(&surface, 0, 0, 0).is_none() && tiles.known(5).is_empty());
    let surface = Surface::new(&water(CORNERS[0], 4, 3), &SurfaceSettings::default());
    let tiles = DepthTiles::new(&surface, BTreeSet::new());
    for (zoom, x, y) in [(16, 0, 0), (3, 8, 0), (21, 0, 0), (255, 0, 0), (20, u32::MAX, u32::MAX)] {
        assert!(tiles.tile(&surface, zoom, x, y).is_none(), "{zoom}/{x}/{y}");
        assert!(tiles.soundings(&surface, zoom, x, y).is_empty());
    }
}

/// Where the patch holds, a tile is that of a surface of all cells; elsewhere it is the old one, byte for byte.
#[test]
fn a_patch_is_the_surface_of_all_cells_where_it_holds() {
    for corner in CORNERS {
        let all = water(corner, 60, 2);
        let (new, old): (Vec<Cell>, Vec<Cell>) = all
            .iter()
            .copied()
            .partition(|c| (14..20).contains(&(c.id.y - corner.y)) && c.id.x != corner.x + 900);
        let settings = SurfaceSettings::default();
        let surface = |cells: &[Cell]| Surface::with(cells, &settings, crate::Between::Straight);
        let (before, after) = (surface(&old), surface(&all));
        let (below, whole) =
            (DepthTiles::new(&before, BTreeSet::new()), DepthTiles::new(&after, BTreeSet::new()));
        let places: Vec<GridPos> = new.iter().map(|c| c.at).collect();
        let patch =
            TilePatch::new(&all, &places, &settings, crate::Between::Straight, None).expect("something");
        assert!(places.iter().all(|p| patch.holds(*p)));
        let zoom = 17;
        let (mut inside, mut seen) = (0, 0);
        for (x, y) in below.known(zoom) {
            let tile = |t: Option<Vec<u8>>| {
                t.map(|b| read(&b).safe).unwrap_or_else(|| vec![i16::MIN; TILE_NODES * TILE_NODES])
            };
            let [old, new, wanted] = [
                below.tile(&before, zoom, x, y),
                patch.tile((&below, &before), zoom, x, y),
                whole.tile(&after, zoom, x, y),
            ]
            .map(tile);
            for i in 0..new.len() {
                let at = (i64::from(x) << 14, i64::from(y) << 14);
                let node = (
                    at.0 + (i % TILE_NODES) as i64 * step(zoom),
                    at.1 + (i / TILE_NODES) as i64 * step(zoom),
                );
                let place =
                    GridPos::new((node.0 & ((1 << 31) - 1)) as u32, node.1 as u32).expect("on the grid");
                if patch.holds(place) {
                    inside += 1;
                    seen += usize::from(old[i] != new[i]);
                    // Another frame: a centimetre of rounding.
                    let same = (i32::from(new[i]) - i32::from(wanted[i])).abs() <= 1;
                    assert!(same, "{place:?}: {} not {}", new[i], wanted[i]);
                } else {
                    assert_eq!(new[i], old[i], "{place:?}");
                    assert!(
                        new[i] <= wanted[i] || (new[i] - wanted[i]).abs() <= 1,
                        "nothing changes beyond it"
                    );
                }
            }
            assert!(patch.touches(zoom, x, y) || old == new);
        }
        assert!(inside > 1_000 && seen > 500, "{inside} {seen}");
        // On every zoom the node nearest to a new cell is no deeper than its safe depth.
        for zoom in [3, 10, 13, 15] {
            for c in &new {
                let bits = 31 - u32::from(zoom);
                let (x, y) = (c.at.x() >> bits, c.at.y() >> bits);
                let tile = read(&patch.tile((&below, &before), zoom, x, y).expect("known"));
                let node = |v: u32, t: u32| {
                    ((i64::from(v) - (i64::from(t) << bits)) as f64 / step(zoom) as f64).round() as usize
                };
                let i = node(c.at.y(), y) * TILE_NODES + node(c.at.x(), x);
                assert!(
                    f64::from(tile.safe[i]) <= (c.shoalest_m.min(c.depth_m) * 100.0).ceil(),
                    "zoom {zoom}"
                );
            }
        }
    }
}
