//! Layers of what every survey has: cells, contours, depth areas. Attribute names of depths are those of S-57:
//! VALDCO, DRVAL1 (shoal end), DRVAL2.

use crate::nodes::canonical;
use crate::{ChartInfo, Column, Kind, Layer, Levels, Shape, Surface, Value, layer_geojson};
use leadline_model::Cell;
use std::io;

const METRES: Kind = Kind::Number { decimals: 3 };

const CELLS: [Column; 9] = [
    Column::new("depth_m", METRES, "best depth at the stage, metres, positive down"),
    Column::new("tvu95_m", METRES, "its total vertical uncertainty, 95 %, metres"),
    Column::new("grade", Kind::Text, "sure, fair or loose"),
    Column::new("soundings", Kind::Whole, "accepted soundings in the cell"),
    Column::new("passes", Kind::Whole, "passes they come from"),
    Column::new("devices", Kind::Whole, "devices that claim them"),
    Column::new("newest_utc", Kind::Time, "newest of them"),
    Column::new("disputed", Kind::Flag, "visits disagree beyond their uncertainty"),
    Column::new("boat", Kind::Text, "boat that measured most of them"),
];

/// The charted cells as points in order of cell id: best depth at the chart's stage.
pub fn cells_layer(cells: &[Cell], info: &ChartInfo) -> Layer {
    let boats = info.boats();
    let mut layer = Layer::new("cells", "cells", &CELLS);
    for c in canonical(cells) {
        let boat = info.boat_of(c.main_pass, &boats).map(|b| Value::Text(boats[b].to_owned()));
        let values = vec![
            Value::Number(c.depth_m + info.stage_m),
            Value::Number(c.tvu95_m),
            Value::Text(c.grade.to_string()),
            Value::Whole(c.soundings.into()),
            Value::Whole(c.passes.into()),
            Value::Whole(c.devices.into()),
            Value::Time(c.newest),
            Value::Flag(c.disputed),
            boat.unwrap_or(Value::Unknown),
        ];
        layer.push(Shape::place(c.at), values);
    }
    layer
}

/// The contours of the safe surface at the chart's stage, one feature a level.
pub fn contours_layer(surface: &Surface, info: &ChartInfo, levels: &Levels) -> Layer {
    let columns = [Column::new("VALDCO", Kind::Level, "depth of the contour, metres")];
    let mut layer = Layer::new("contours", "safe depth contours", &columns);
    for c in surface.contours(info.stage_m, levels) {
        let lines = Shape::lines(surface.frame(), c.lines.iter().map(|l| &l.points));
        layer.push(lines, vec![Value::Number(c.depth_m)]);
    }
    layer
}

/// The depth areas of the safe surface at the chart's stage, one feature a band. A band without a limit on one
/// side has no value there.
pub fn areas_layer(surface: &Surface, info: &ChartInfo, levels: &Levels) -> Layer {
    let columns = [
        Column::new("DRVAL1", Kind::Level, "shoal limit of the depths, metres"),
        Column::new("DRVAL2", Kind::Level, "deep limit of the depths, metres"),
    ];
    let mut layer = Layer::new("areas", "safe depth areas", &columns);
    let limit = |v: Option<f64>| v.map_or(Value::Unknown, Value::Number);
    for a in surface.areas(info.stage_m, levels) {
        layer.push(Shape::areas(surface.frame(), &a.polygons), vec![limit(a.from_m), limit(a.to_m)]);
    }
    layer
}

/// [`cells_layer`] as GeoJSON.
///
/// # Errors
/// Only those of `out`.
pub fn cells_geojson(cells: &[Cell], info: &ChartInfo, out: &mut dyn io::Write) -> io::Result<()> {
    let newest = canonical(cells).iter().map(|c| c.newest).max();
    layer_geojson(&cells_layer(cells, info), &ChartInfo { newest, ..info.clone() }, out)
}

/// [`contours_layer`] as GeoJSON.
///
/// # Errors
/// Only those of `out`.
pub fn contours_geojson(
    surface: &Surface,
    info: &ChartInfo,
    levels: &Levels,
    out: &mut dyn io::Write,
) -> io::Result<()> {
    let dated = ChartInfo { newest: surface.newest(), ..info.clone() };
    layer_geojson(&contours_layer(surface, info, levels), &dated, out)
}

/// [`areas_layer`] as GeoJSON.
///
/// # Errors
/// Only those of `out`.
pub fn areas_geojson(
    surface: &Surface,
    info: &ChartInfo,
    levels: &Levels,
    out: &mut dyn io::Write,
) -> io::Result<()> {
    let dated = ChartInfo { newest: surface.newest(), ..info.clone() };
    layer_geojson(&areas_layer(surface, info, levels), &dated, out)
}
