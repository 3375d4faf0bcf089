//! The chart of two large surveys beside GDAL's programs, a chart that is brought up to date, and what writing takes.
//!
//! `cargo bench --bench chart` (needs gdal_grid and gdal_contour of GDAL; a number after `--` sets the soundings).
#![allow(clippy::print_stdout, reason = "a bench prints its table")]

#[allow(dead_code, reason = "this bench needs no store")]
mod common;

use common::{lines, peak_rss_mb, text};
use leadline_chart::{
    Between, ChartInfo, HeldChart, Levels, PixelZoom, Surface, SurfaceSettings, areas_layer, cells_layer,
    contours_layer, layer_csv, layer_geojson, layers_geojson, layers_gpx, layers_kml, map_picture, map_tiles,
    selected_soundings_layer, surface_tiff,
};
use leadline_ingest::{Importer, Options};
use leadline_model::{Cell, GridPos, LegId, ReducedSounding, Setup, TileId, UtcMillis};
use leadline_reduce::{DeviceSet, Input, LegInput, reduce};
use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::Path;
use std::process::Command;
use std::time::Instant;

/// A pass goes over every so manieth row of cells of one tile, and stays this many cells inside it or not.
const ROW: u32 = 8;
const INSIDE: [u8; 2] = [24, 0];
/// Contours every so many metres.
const STEP_M: f64 = 1.0;
/// Web Mercator metres of a cell's side, and half the world's.
const CELL_M: f64 = 4.777_314_267_949_37;
const HALF_M: f64 = 20_037_508.342_789_2;
const REPETITIONS: usize = 3;

fn main() {
    let n = std::env::args().filter_map(|a| a.parse::<usize>().ok()).max().unwrap_or(1_000_000);
    let wandering = cells(n);
    let full_s = against_gdal("the synthetic survey", &wandering);
    for inside in INSIDE {
        refresh(&wandering, inside, full_s);
    }
    drop(wandering);
    let (lines, soundings) = lines(n as u64);
    against_gdal("lines 20 m apart", &lines);
    writers(&lines, &soundings);
}

/// Both ways between the tracks beside GDAL's programs; tells the straight one's seconds.
fn against_gdal(name: &str, all: &[Cell]) -> f64 {
    let levels = levels(&straight(all));
    println!("{name}: {} cells, {} levels", all.len(), levels.metres().len());
    let seconds = [("straight", Between::Straight), ("learned", Between::Learned)].map(|(name, between)| {
        let mut surface = None;
        let surface_s = best(|| surface = Some(Surface::with(all, &SurfaceSettings::default(), between)));
        let surface = surface.expect("made");
        let contours_s = best(|| drop(surface.contours(0.0, &levels)));
        println!(
            "  {name}: best and safe surface {surface_s:.2} s, contours {contours_s:.2} s, peak RSS {:.0} MB",
            peak_rss_mb()
        );
        surface_s + contours_s
    });
    let dir = tempfile::tempdir().expect("a folder");
    match gdal(all, dir.path()) {
        Some((grid_s, contour_s)) => {
            let [straight, learned] = seconds.map(|s| s / (grid_s + contour_s));
            println!(
                "  gdal_grid linear {grid_s:.2} s, gdal_contour {contour_s:.2} s: ratio {straight:.2} straight, {learned:.2} learned (bar 0.5)"
            );
        }
        None => println!("  gdal_grid and gdal_contour are not there: nothing to compare with"),
    }
    seconds[0]
}

fn straight(cells: &[Cell]) -> Surface {
    Surface::with(cells, &SurfaceSettings::default(), Between::Straight)
}

/// What it takes to write the chart down: pixels, soundings for a scale, vectors.
fn writers(cells: &[Cell], soundings: &[ReducedSounding]) {
    let surface = Surface::new(cells, &SurfaceSettings::default());
    let (info, levels) = (ChartInfo::default(), levels(&surface));
    let coarse = PixelZoom::at_most(10.0, &surface).expect("a zoom");
    let row = |name: &str, make: &dyn Fn() -> usize| {
        let mut bytes = 0;
        let seconds = time(|| bytes = make());
        println!("| {name} | {seconds:.2} | {:.1} |", bytes as f64 / 1e6);
    };
    let text = |write: &dyn Fn(&mut Vec<u8>) -> std::io::Result<()>| {
        let mut out = Vec::new();
        write(&mut out).expect("to memory");
        out.len()
    };
    println!("| written | s | MB |\n|---|---|---|");
    row("TIFF, a pixel a cell", &|| surface_tiff(&surface, &info, PixelZoom::CELL).expect("pixels").len());
    row("PNG with world file, pixels of at most 10 m", &|| {
        map_picture(&surface, &info, &levels, Some(coarse)).expect("pixels").png.len()
    });
    row("PMTiles, pixels of at most 10 m", &|| {
        map_tiles(&surface, &info, &levels, Some(coarse)).expect("tiles").bytes.len()
    });
    row("soundings for 1 : 10,000, GeoJSON", &|| {
        let layer = selected_soundings_layer(soundings, &info, 10_000.0).expect("a scale");
        text(&|o| layer_geojson(&layer, &info, o))
    });
    let drawn = [contours_layer(&surface, &info, &levels), areas_layer(&surface, &info, &levels)];
    row("contours and areas, GeoJSON", &|| text(&|o| layers_geojson(&drawn, &info, o)));
    row("contours and areas, KML", &|| text(&|o| layers_kml(&drawn, &info, o)));
    let known = cells_layer(cells, &info);
    row("cells, GeoJSON", &|| text(&|o| layer_geojson(&known, &info, o)));
    row("cells, CSV", &|| text(&|o| layer_csv(&known, o)));
    row("cells, GPX", &|| text(&|o| layers_gpx(std::slice::from_ref(&known), &info, o)));
}

/// The cells after one more pass in the tile with the most of them: a little shoaler and surer where it went.
fn one_more_pass(cells: &[Cell], inside: u8) -> Vec<Cell> {
    let tiles = by_tile(cells);
    let tile = tiles.iter().max_by_key(|(_, c)| c.len()).map(|(t, _)| *t).expect("tiles");
    let mut all = cells.to_vec();
    for c in &mut all {
        let (column, row) = c.id.in_tile();
        let far = |v: u8| v >= inside && v <= 255 - inside;
        if c.id.tile() == tile && c.id.y % ROW == 0 && far(column) && far(row) {
            c.depth_m -= 0.02;
            c.shoalest_m = c.shoalest_m.min(c.depth_m);
            c.tvu95_m *= 0.9;
            // A visit more moves the mean place a little.
            let (east, south) = c.at.offset();
            c.at = GridPos::in_tile(tile, east ^ 1, south ^ 1);
        }
    }
    all
}

/// Brings a held chart up to date and compares it with the whole one.
fn refresh(before: &[Cell], inside: u8, full_s: f64) {
    let all = one_more_pass(before, inside);
    let (old, new) = (by_tile(before), by_tile(&all));
    let surface = straight(&all);
    let levels = &levels(&surface);
    let want = surface.contours(0.0, levels);
    drop(surface);
    let changed: Vec<TileId> = new.keys().filter(|t| old.get(t) != new.get(t)).copied().collect();
    let mut held = HeldChart::new(&SurfaceSettings::default());
    let first = time(|| {
        for (tile, cells) in &old {
            held.put(*tile, cells);
        }
        held.refresh();
        held.contours(0.0, levels);
    });
    let (mut touched, mut lines) = (0, Vec::new());
    let seconds = time(|| {
        for tile in &changed {
            held.put(*tile, &new[tile]);
        }
        touched = held.refresh().len();
        lines = held.contours(0.0, levels);
    });
    assert!(lines == want, "the held chart is not the chart");
    println!(
        "  held at first {first:.2} s; one more pass, {inside} cells inside its tile, on {} of {} tiles ({:.1} %), parts of {touched} drawn again: {seconds:.3} s, {:.1} % of the full time (bar 10 %); peak RSS {:.0} MB",
        changed.len(),
        new.len(),
        100.0 * changed.len() as f64 / new.len() as f64,
        100.0 * seconds / full_s,
        peak_rss_mb()
    );
}

fn by_tile(cells: &[Cell]) -> BTreeMap<TileId, Vec<Cell>> {
    let mut tiles: BTreeMap<TileId, Vec<Cell>> = BTreeMap::new();
    for c in cells {
        tiles.entry(c.id.tile()).or_default().push(*c);
    }
    tiles
}

fn cells(soundings: usize) -> Vec<Cell> {
    let log = leadline_demo_data::synthetic_bytes(7, soundings);
    let mut legs = Vec::new();
    let mut importer = Importer::new(Options::default());
    importer.push(&log, &mut legs);
    importer.finish(&mut legs);
    let legs = legs.into_iter().enumerate().map(|(i, leg)| {
        let mut id = [0; 32];
        id[..8].copy_from_slice(&(i as u64).to_be_bytes());
        LegInput {
            id: LegId(id),
            boat: text("Bench boat"),
            devices: DeviceSet::default().with(0),
            soundings: leg.soundings,
        }
    });
    let setup = Setup {
        boat: text("Bench boat"),
        from: UtcMillis(0),
        draft_mm: Some(300),
        sound_speed_mm_s: Some(1_500_000),
        temp_centi: Some(1_500),
        lag_ms: None,
    };
    reduce(Input { legs: legs.collect(), setups: vec![setup], ..Input::default() }).cells
}

fn levels(surface: &Surface) -> Levels {
    let (lo, hi) = surface.safe_range_m().expect("depths");
    let first = (lo / STEP_M).ceil() as i64;
    let last = (hi / STEP_M).floor() as i64;
    Levels::new((first..=last).map(|k| k as f64 * STEP_M).collect()).expect("few")
}

/// Seconds of gdal_grid and gdal_contour for the same cells at one pixel a cell.
fn gdal(cells: &[Cell], dir: &Path) -> Option<(f64, f64)> {
    let metre = |v: u32| (f64::from(v) + 0.5) * CELL_M / 256.0;
    let mut csv = String::from("x,y,z\n");
    let mut bounds = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
    for c in cells {
        let (x, y) = (metre(c.at.x()) - HALF_M, HALF_M - metre(c.at.y()));
        bounds = [bounds[0].min(x), bounds[1].min(y), bounds[2].max(x), bounds[3].max(y)];
        writeln!(csv, "{x:.3},{y:.3},{:.3}", c.depth_m).expect("to memory");
    }
    std::fs::write(dir.join("cells.csv"), csv).expect("written");
    let vrt = "<OGRVRTDataSource><OGRVRTLayer name=\"cells\"><SrcDataSource>cells.csv</SrcDataSource>\
               <GeometryType>wkbPoint</GeometryType><LayerSRS>EPSG:3857</LayerSRS>\
               <GeometryField encoding=\"PointFromColumns\" x=\"x\" y=\"y\" z=\"z\"/></OGRVRTLayer></OGRVRTDataSource>";
    std::fs::write(dir.join("cells.vrt"), vrt).expect("written");
    let [w, s, e, n] = bounds;
    let size = [(e - w) / CELL_M, (n - s) / CELL_M].map(|v| format!("{:.0}", v.max(1.0)));
    let edges = [w, e, n, s].map(|v| format!("{v:.3}"));
    let mut grid = Command::new("gdal_grid");
    grid.args(["-q", "-a", "linear:radius=0:nodata=-9999", "-zfield", "z", "-l", "cells", "-ot", "Float32"]);
    grid.args(["-txe", &edges[0], &edges[1], "-tye", &edges[2], &edges[3], "-outsize", &size[0], &size[1]]);
    grid.args(["cells.vrt", "grid.tif"]).current_dir(dir);
    let mut contour = Command::new("gdal_contour");
    contour
        .args(["-q", "-i", &STEP_M.to_string(), "-snodata", "-9999", "grid.tif", "lines.gpkg"])
        .current_dir(dir);
    println!("the grid has {} x {} pixels", size[0], size[1]);
    let run = |mut c: Command| {
        let mut good = false;
        let s = time(|| good = c.status().is_ok_and(|s| s.success()));
        good.then_some(s)
    };
    Some((run(grid)?, run(contour)?))
}

fn best(mut f: impl FnMut()) -> f64 {
    (0..REPETITIONS).map(|_| time(&mut f)).fold(f64::INFINITY, f64::min)
}

fn time(f: impl FnOnce()) -> f64 {
    let t = Instant::now();
    f();
    t.elapsed().as_secs_f64()
}
