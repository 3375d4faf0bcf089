//! The bed of the invented water: a formula in true metres around one place, depths below the sounding datum.

use leadline_model::{CellId, GridPos, LocalFrame, LonLat};
use std::f64::consts::PI;

/// The truth is given this far east and west of the middle, metres.
pub const HALF_WIDTH_M: f64 = 450.0;
/// The truth is given this far north and south of the middle, metres.
pub const HALF_HEIGHT_M: f64 = 300.0;
/// Top of the hump: metres east and north of the middle.
pub const HUMP_TOP: (f64, f64) = (-60.0, 84.0);
/// The weed bay, an ellipse: middle (east, north) and half axes (east, north) in metres.
pub const WEED_BAY: [f64; 4] = [-190.0, 186.0, 55.0, 36.0];

/// Depth of the shelf above the valley's middle line, metres.
const BASIN_M: f64 = 6.6;
/// What the old river bed adds, metres, and its half width (standard deviation), metres.
const CHANNEL_M: f64 = 5.6;
const CHANNEL_SIGMA: f64 = 46.0;
/// The water ends this far east and west of the middle, metres.
const HALF_LENGTH: f64 = 430.0;
const HUMP_M: f64 = 3.2;
const HUMP_SIGMA: f64 = 19.0;
/// Distance of the ledge from the channel, metres (south), and half of its drop.
const LEDGE_OFFSET: f64 = -84.0;
const LEDGE_HALF_DROP: f64 = 1.5;

/// One place of the truth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TruthPoint {
    /// The cell of the survey's grid.
    pub cell: CellId,
    /// Depth of the bed at the middle of the cell, metres below the sounding datum, negative = dries.
    pub depth_m: f64,
}

/// Depth of the bed `east`, `north` metres from the middle: metres below the sounding datum, negative = dries.
pub fn bed_at(east: f64, north: f64) -> f64 {
    let across = north - channel_north(east);
    basin(east, north) + channel(east, across) - hump(east, north)
        + ledge(east, across)
        + roughness(east, north)
}

/// Depth of the bed at `at`, metres below the sounding datum; `None` outside the rectangle of the truth.
pub fn bed_depth_m(at: LonLat) -> Option<f64> {
    let (east, north) = east_north(GridPos::from_lonlat(at)?);
    inside(east, north).then(|| bed_at(east, north))
}

/// Whether `at` is water when the stage is zero.
pub fn contains(at: LonLat) -> bool {
    bed_depth_m(at).is_some_and(|depth| depth > 0.0)
}

/// Every cell of the survey's grid whose middle is water when the stage is zero, in order of the cells.
pub fn truth_grid() -> Vec<TruthPoint> {
    let (nw, se) = (place(-HALF_WIDTH_M, HALF_HEIGHT_M).cell(), place(HALF_WIDTH_M, -HALF_HEIGHT_M).cell());
    let cells = (nw.x..=se.x).flat_map(|x| (nw.y..=se.y).map(move |y| CellId { x, y }));
    cells
        .filter_map(|cell| {
            let (east, north) = east_north(cell.middle());
            let depth_m = bed_at(east, north);
            (inside(east, north) && depth_m > 0.0).then_some(TruthPoint { cell, depth_m })
        })
        .collect()
}

/// The frame of the formula. Its middle lies in a desert without water, near the corner of four tiles so that
/// the survey has four documents.
pub fn frame() -> LocalFrame {
    // Tile (22774, 11736) at zoom 15; the corner is 120 m west and 40 m north of the middle.
    let x = (22_774 << 16) + 9_139;
    let y = (11_736 << 16) + 3_047;
    LocalFrame::new(GridPos::new(x, y).expect("both are below 2^31"))
}

/// Metres east and north of the middle.
pub fn east_north(at: GridPos) -> (f64, f64) {
    frame().metres(at)
}

/// Degrees of a point of the formula's frame.
pub fn lonlat(east: f64, north: f64) -> LonLat {
    frame().lonlat(east, north)
}

/// Whether weed grows there in summer.
pub fn in_weed_bay(east: f64, north: f64) -> bool {
    weed_share(east, north) > 0.0
}

/// The ledge: for an `east` between −45 and 65 m the points (east, north) on its shoal and on its deep side, 12 m
/// apart across it.
pub fn ledge_line(east: f64) -> [(f64, f64); 2] {
    let middle = channel_north(east) + LEDGE_OFFSET;
    [(east, middle - 12.0), (east, middle + 12.0)]
}

/// Height of the weed's tops above the bed, metres: most in the middle of the bay, none outside.
pub(crate) fn weed_height(east: f64, north: f64) -> f64 {
    1.2 * libm::sqrt(weed_share(east, north))
}

/// Slope of the bed (metres down per metre) eastward and northward.
pub(crate) fn slope(east: f64, north: f64) -> (f64, f64) {
    const H: f64 = 0.5;
    let de = (bed_at(east + H, north) - bed_at(east - H, north)) / (2.0 * H);
    let dn = (bed_at(east, north + H) - bed_at(east, north - H)) / (2.0 * H);
    (de, dn)
}

/// Where the middle of the old river bed runs: metres north.
pub(crate) fn channel_north(east: f64) -> f64 {
    50.0 * libm::sin(east / 85.0 + 0.5)
}

fn inside(east: f64, north: f64) -> bool {
    east.abs() <= HALF_WIDTH_M && north.abs() <= HALF_HEIGHT_M
}

fn place(east: f64, north: f64) -> GridPos {
    frame().place(east, north)
}

/// The drowned valley: a parabola across, flat along and rising at both ends; its banks wind half as much as
/// the channel, and the bay widens it in the north-west.
fn basin(east: f64, north: f64) -> f64 {
    let across = north - 0.5 * channel_north(east);
    let bay = 62.0 * bell(east - WEED_BAY[0], 58.0);
    let half_width = if across > 0.0 { 205.0 + bay } else { 205.0 };
    let u = across / half_width;
    BASIN_M * (1.0 - u * u - end(east))
}

fn channel(east: f64, across: f64) -> f64 {
    CHANNEL_M * (1.0 - end(east)).max(0.0) * bell(across, CHANNEL_SIGMA)
}

fn hump(east: f64, north: f64) -> f64 {
    HUMP_M * bell(east - HUMP_TOP.0, HUMP_SIGMA) * bell(north - HUMP_TOP.1, HUMP_SIGMA)
}

/// A drop-off of about 3 m along the southern side of the channel, 150 m long.
fn ledge(east: f64, across: f64) -> f64 {
    let along = (east - 10.0) / 75.0;
    let window = libm::exp(-along * along * along * along);
    let x = across - LEDGE_OFFSET;
    LEDGE_HALF_DROP * libm::tanh(x / 6.0) * window * bell(x, 34.0)
}

/// Ripples of a few centimetres, 19 to 70 m long.
fn roughness(east: f64, north: f64) -> f64 {
    let wave = |metres: f64, length: f64, bearing: f64, phase: f64| {
        let along = east * libm::sin(bearing) + north * libm::cos(bearing);
        metres * libm::sin(2.0 * PI * along / length + phase)
    };
    wave(0.05, 70.0, 0.6, 0.0)
        + wave(0.04, 51.0, 2.2, 1.0)
        + wave(0.03, 37.0, 1.3, 2.0)
        + wave(0.015, 19.0, 2.9, 3.0)
}

fn end(east: f64) -> f64 {
    let r = east / HALF_LENGTH;
    r * r * r * r
}

fn bell(x: f64, sigma: f64) -> f64 {
    libm::exp(-x * x / (2.0 * sigma * sigma))
}

fn weed_share(east: f64, north: f64) -> f64 {
    let [e, n, a, b] = WEED_BAY;
    let (x, y) = ((east - e) / a, (north - n) / b);
    (1.0 - x * x - y * y).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn water() -> Vec<(f64, f64, f64)> {
        truth_grid()
            .iter()
            .map(|p| {
                let (e, n) = east_north(p.cell.middle());
                (e, n, p.depth_m)
            })
            .collect()
    }

    #[test]
    fn channel_is_the_deepest_and_as_deep_as_promised() {
        let (e, n, deepest) = water().into_iter().max_by(|a, b| a.2.total_cmp(&b.2)).expect("there is water");
        assert!((12.0..14.0).contains(&deepest), "{deepest}");
        assert!((n - channel_north(e)).abs() < 25.0, "deepest at {e}, {n}");
        for east in [-300.0, -100.0, 100.0, 300.0] {
            let d = bed_at(east, channel_north(east));
            assert!((8.5..14.0).contains(&d), "channel at {east}: {d}");
        }
    }

    #[test]
    fn hump_stands_up_on_all_sides() {
        let top = bed_at(HUMP_TOP.0, HUMP_TOP.1);
        for (e, n) in [(40.0, 0.0), (-40.0, 0.0), (0.0, 40.0), (0.0, -40.0)] {
            let around = bed_at(HUMP_TOP.0 + e, HUMP_TOP.1 + n);
            assert!(around - top > 0.5, "top {top}, around {around}");
        }
        assert!(top > 1.5, "the hump is under water at the datum: {top}");
    }

    #[test]
    fn ledge_drops_about_three_metres() {
        for east in [-45.0, 0.0, 30.0, 65.0] {
            let [(e1, n1), (e2, n2)] = ledge_line(east);
            let drop = bed_at(e2, n2) - bed_at(e1, n1);
            assert!((2.8..4.5).contains(&drop), "at {east}: {drop}");
        }
    }

    #[test]
    fn weed_bay_is_shallow_water() {
        let bay: Vec<f64> =
            water().into_iter().filter(|(e, n, _)| in_weed_bay(*e, *n)).map(|p| p.2).collect();
        let area = bay.len() as f64 * frame().origin().cell().area_m2();
        assert!((4_000.0..8_000.0).contains(&area), "{area} m2");
        let (low, high) = bay.iter().fold((9.0, 0.0), |(l, h): (f64, f64), d| (l.min(*d), h.max(*d)));
        assert!(low > 0.3 && (2.5..4.5).contains(&high), "{low} {high}");
    }

    #[test]
    fn most_of_the_bed_is_gentle() {
        let steep = |(e, n, _): &(f64, f64, f64)| {
            let (a, b) = slope(*e, *n);
            libm::hypot(a, b) > 0.10
        };
        let all = water();
        let share = all.iter().filter(|p| steep(p)).count() as f64 / all.len() as f64;
        assert!(share < 0.10, "{share} of the bed is steeper than 10 %");
    }

    #[test]
    fn water_is_one_piece_inside_the_rectangle_and_lies_on_four_tiles() {
        let all = truth_grid();
        let area: f64 = all.iter().map(|p| p.cell.area_m2()).sum();
        assert!((250_000.0..400_000.0).contains(&area), "{area} m2");
        let tiles: std::collections::BTreeSet<_> = all.iter().map(|p| p.cell.tile()).collect();
        assert_eq!(tiles.len(), 4);
        for step in 0..=90 {
            let t = f64::from(step) * 10.0 - HALF_WIDTH_M;
            assert!(bed_at(t, HALF_HEIGHT_M) < 0.0 && bed_at(t, -HALF_HEIGHT_M) < 0.0, "open at {t}");
        }
        assert!(bed_at(HALF_WIDTH_M, 0.0) < 0.0 && bed_at(-HALF_WIDTH_M, 0.0) < 0.0);
    }

    #[test]
    fn truth_ends_at_its_rectangle() {
        assert_eq!(bed_depth_m(lonlat(HALF_WIDTH_M + 1.0, 0.0)), None);
        assert!(contains(lonlat(0.0, 0.0)));
        assert!(!contains(lonlat(0.0, HALF_HEIGHT_M - 1.0)));
        let d = bed_depth_m(lonlat(10.0, 20.0)).expect("inside");
        assert!((d - bed_at(10.0, 20.0)).abs() < 0.01);
    }
}
