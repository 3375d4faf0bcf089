//! Pixels against the surface they are taken from.

use super::block::{DEPTH, GRADE, SAFE, TVU95};
use super::pyramid::Pyramid;
use super::*;
use crate::sample;
use crate::{ChartInfo, Levels, SurfaceSettings};
use leadline_model::{Cell, CellId, GridPos, UtcMillis};
use proptest::prelude::*;

/// A cell with its soundings at `at`.
fn cell(at: GridPos, depth_m: f64) -> Cell {
    Cell { soundings: 3, newest: UtcMillis(1_752_900_000_000), ..sample::cell(at, depth_m) }
}

/// Cells about a place, `step` cells apart, at scattered places in their cells.
fn water(corner: CellId, side: u32, step: u32) -> Vec<Cell> {
    let mut out = Vec::new();
    for i in 0..side {
        for j in 0..side {
            let x = (corner.x + i * step) & ((1 << 23) - 1);
            let y = corner.y + j * step;
            let (u, v) = ((i * 37 + j * 101) % 256, (i * 59 + j * 13) % 256);
            let at = GridPos::new(x << 8 | u, y << 8 | v).expect("on the grid");
            let mut c =
                cell(at, 4.0 + 0.3 * f64::from(i) - 0.17 * f64::from(j) + f64::from((i * j) % 5) / 7.0);
            if (i + 2 * j) % 11 == 0 {
                c.shoalest_m = c.depth_m - 0.9;
            }
            out.push(c);
        }
    }
    out
}

fn surface(cells: &[Cell]) -> Surface {
    Surface::new(cells, &SurfaceSettings::default())
}

/// Geneva, the antimeridian south of the equator, the equator.
const CORNERS: [CellId; 3] = [
    CellId { x: 4_338_000, y: 2_963_100 },
    CellId { x: (1 << 23) - 20, y: 4_700_000 },
    CellId { x: 700_000, y: (1 << 22) - 20 },
];

#[test]
fn a_pixel_a_cell_says_what_the_surface_says() {
    for corner in CORNERS {
        let surface = surface(&water(corner, 14, 3));
        let pyramid = Pyramid::new(&surface, 0.25, PixelZoom::CELL, true, 1).expect("fits");
        let mut known = 0;
        pyramid.each(&mut |_, tile, block| {
            let tile = tile.plus(pyramid.origin);
            for i in 0..TILE_PX * TILE_PX {
                let x = (tile.x * 256 + (i % TILE_PX) as i64).rem_euclid(1 << 23) as u32;
                let y = (tile.y * 256 + (i / TILE_PX) as i64) as u32;
                let middle = CellId { x, y }.middle();
                let Some(e) = surface.depth_at(middle) else {
                    assert!(!block.known(i), "pixel {x} {y} where the surface is blank");
                    continue;
                };
                known += 1;
                // The pixel's middle is the corner of four places, each 1 cm or less away; on the far side of a
                // triangle's edge the uncertainty may be another one.
                let near = |a: f32, b: f64| (f64::from(a) - b).abs() < 0.02;
                let (u, v) = (middle.x(), middle.y());
                let four = [(u, v), (u - 1, v), (u, v - 1), (u - 1, v - 1)];
                let says = four.into_iter().filter_map(|(u, v)| surface.depth_at(GridPos::new(u, v)?));
                let same = says.into_iter().any(|e| {
                    near(block.0[DEPTH][i], e.depth_m + 0.25)
                        && near(block.0[TVU95][i], e.tvu95_m)
                        && block.0[GRADE][i] == f32::from(e.grade as u8)
                });
                assert!(same, "pixel {x} {y}: {} {}, {e:?}", block.0[DEPTH][i], block.0[TVU95][i]);
                let safe = surface.safe_depth_at(middle).unwrap_or(f64::INFINITY);
                assert!(f64::from(block.0[SAFE][i]) <= safe + 0.25 + 0.02, "safe depth at {x} {y}");
            }
        });
        assert!(known > 1400, "{known} pixels");
    }
}

#[test]
fn larger_pixels_are_as_shoal_as_the_shoalest() {
    let cells = water(CORNERS[0], 40, 12);
    let surface = surface(&cells);
    let pyramid = Pyramid::new(&surface, 0.0, PixelZoom::CELL, true, 32).expect("fits");
    assert!(pyramid.n_levels() > 1);
    let mut checked = 0;
    pyramid.each(&mut |level, tile, block| {
        for c in &cells {
            let safe = if c.depth_m - c.shoalest_m > c.tvu95_m { c.shoalest_m } else { c.depth_m };
            let at = |v: u32, o: i64| (i64::from(v) - o * 256) >> level;
            let (x, y) = (at(c.id.x, pyramid.origin.x), at(c.id.y, pyramid.origin.y));
            if (Tile { y: y.div_euclid(256), x: x.div_euclid(256) }) == tile {
                let i = (y.rem_euclid(256) * 256 + x.rem_euclid(256)) as usize;
                assert!(f64::from(block.millimetres(SAFE)[i]) <= safe + 1e-6);
                checked += 1;
            }
        }
    });
    assert_eq!(checked, cells.len() * pyramid.n_levels());
}

#[test]
fn two_waters_far_apart_cost_no_more_than_two() {
    let one = water(CORNERS[0], 10, 3);
    let far = water(CellId { x: CORNERS[0].x + 40_000, y: CORNERS[0].y + 30_000 }, 10, 3);
    let both: Vec<Cell> = one.iter().chain(&far).cloned().collect();
    let bytes = |cells: &[Cell]| surface_tiff(&surface(cells), &ChartInfo::default(), PixelZoom::CELL);
    let (single, double) = (bytes(&one).expect("fits").len(), bytes(&both).expect("fits").len());
    // 157 x 118 tiles between them: the table of offsets and lengths, with a third for the coarser copies.
    let table = 158 * 119 * 4 * 8 * 4 / 3;
    assert!(double < 8 * single + table, "{single} {double}");
    // A quarter of the way round the world: the table itself would be too large.
    let world = water(CellId { x: CORNERS[0].x + 2_000_000, y: CORNERS[0].y + 1_000_000 }, 10, 3);
    let both: Vec<Cell> = one.iter().chain(&world).cloned().collect();
    let refused = bytes(&both).expect_err("too wide");
    let ChartError::RasterTooWide { fits_m, .. } = refused else { panic!("{refused}") };
    let surface = surface(&both);
    let fits = PixelZoom::at_most(fits_m, &surface).expect("a size");
    surface_tiff(&surface, &ChartInfo::default(), fits).expect("what was named fits");
}

#[test]
fn refusals_name_what_fits() {
    let none = surface(&[]);
    assert!(matches!(
        surface_tiff(&none, &ChartInfo::default(), PixelZoom::CELL),
        Err(ChartError::NothingToDraw(_))
    ));
    let cells = water(CORNERS[0], 300, 12);
    let surface = surface(&cells);
    for wrong in [0.0, -1.0, f64::NAN, f64::INFINITY, 0.01] {
        assert!(PixelZoom::at_most(wrong, &surface).is_err(), "{wrong}");
    }
    let fine = PixelZoom::at_most(0.3, &surface).expect("a size");
    let refused = surface_tiff(&surface, &ChartInfo::default(), fine).expect_err("too many");
    let ChartError::RasterTooLarge { fits_m, .. } = refused else { panic!("{refused}") };
    let fits = PixelZoom::at_most(fits_m, &surface).expect("a size");
    assert_eq!(fits.coarser().map(|z| z.metres(&surface) / fits_m).map(libm::round), Some(2.0));
    assert!(fits < PixelZoom(27));
}

#[test]
fn larger_pixels_than_cells_are_made_of_cells() {
    let cells = water(CORNERS[0], 20, 3);
    let surface = surface(&cells);
    let pixels = |zoom: u8, level: usize| {
        let pyramid = Pyramid::new(&surface, 0.0, PixelZoom(zoom), false, level + 1).expect("fits");
        let mut all = Vec::new();
        pyramid.each(&mut |k, tile, block| {
            if k == level {
                all.push((
                    tile,
                    block.0.clone().map(|b| b.into_iter().map(f32::to_bits).collect::<Vec<_>>()),
                ));
            }
        });
        all
    };
    assert!(!pixels(21, 0).is_empty());
    assert!(pixels(21, 0) == pixels(23, 2), "two ways to the same pixels differ");
}

#[test]
fn one_cell_is_one_pixel() {
    let surface = surface(&water(CORNERS[2], 1, 1));
    let made = map_picture(&surface, &ChartInfo::default(), &Levels::default(), Some(PixelZoom::CELL))
        .expect("fits");
    let read = resvg::tiny_skia::Pixmap::decode_png(&made.png).expect("a PNG");
    assert_eq!((read.width(), read.height()), (1, 1));
    assert_eq!(made.world.lines().count(), 6);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]
    #[test]
    fn any_order_gives_the_same_bytes(shift in 1usize..80, zoom in 20u8..25) {
        let cells = water(CORNERS[1], 9, 4);
        let mut turned = cells.clone();
        turned.rotate_left(shift);
        turned.swap(3, 40);
        let info = ChartInfo::default();
        let levels = Levels::new(vec![3.0, 4.0, 5.0]).expect("levels");
        let (a, b) = (surface(&cells), surface(&turned));
        let zoom = PixelZoom(zoom);
        prop_assert!(surface_tiff(&a, &info, zoom).ok() == surface_tiff(&b, &info, zoom).ok());
        let tiles = |s: &Surface| map_tiles(s, &info, &levels, Some(zoom)).ok();
        prop_assert!(tiles(&a).is_some() && tiles(&a) == tiles(&b));
        prop_assert!(surface_ascii(&a, &info, zoom, true).ok() == surface_ascii(&b, &info, zoom, true).ok());
    }
}
