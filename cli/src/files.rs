//! Layers into files of any vector format.

use crate::failure::Failure;
use clap::ValueEnum;
use leadline_chart::{
    ChartInfo, Column, Feature, Kind, Layer, Shape, Value, layer_csv, layer_xyz, layers_geojson, layers_gpx,
    layers_kml, statement_text,
};
use leadline_model::UtcMillis;
use leadline_survey::{GeoColumn, GeoRow, GeoTable, GeoValue, replace_file, write_geopackage};
use std::path::{Path, PathBuf};

/// Vector formats.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum VectorFormat {
    /// GeoJSON (RFC 7946)
    Geojson,
    /// KML 2.2
    Kml,
    /// GPX 1.1: points and lines
    Gpx,
    /// Comma-separated values: points of one layer
    Csv,
    /// Longitude, latitude, depth a line: points of one layer
    Xyz,
    /// GeoPackage 1.3: any layers, with an index
    Gpkg,
}

impl VectorFormat {
    /// By the file's ending.
    pub(crate) fn of(path: &Path) -> Result<Self, Failure> {
        match path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase).as_deref() {
            Some("geojson" | "json") => Ok(Self::Geojson),
            Some("kml") => Ok(Self::Kml),
            Some("gpx") => Ok(Self::Gpx),
            Some("csv") => Ok(Self::Csv),
            Some("xyz") => Ok(Self::Xyz),
            Some("gpkg") => Ok(Self::Gpkg),
            _ => Err(Failure::Input(format!(
                "{}: name it .geojson, .kml, .gpx, .gpkg, .csv or .xyz, or say the format with --as",
                path.display()
            ))),
        }
    }

    /// Refuses what the format cannot hold.
    pub(crate) fn check(self, layers: &[Layer]) -> Result<(), Failure> {
        let no = |why: &str| Err(Failure::Input(why.to_owned()));
        let has = |kind: fn(&Shape) -> bool| layers.iter().flat_map(|l| &l.features).any(|f| kind(&f.shape));
        let (lines, areas) = (has(|s| matches!(s, Shape::Lines(_))), has(|s| matches!(s, Shape::Areas(_))));
        match self {
            Self::Csv | Self::Xyz if lines || areas => {
                no("lines and areas do not fit into a table of points; use geojson, kml or gpkg")
            }
            Self::Csv | Self::Xyz if layers.len() > 1 => {
                no("several layers do not fit into one table; use geojson, kml or gpkg")
            }
            Self::Gpx if areas => {
                no("areas do not fit into GPX; use geojson, kml or gpkg, or export contours")
            }
            _ => Ok(()),
        }
    }

    /// Whether the file has no room for its own statements.
    fn is_bare(self) -> bool {
        matches!(self, Self::Csv | Self::Xyz)
    }
}

/// Writes `layers` to `path`, whole or not at all, in the format that the file's ending says.
pub(crate) fn write_layers(path: &Path, layers: &[Layer], info: &ChartInfo) -> Result<(), Failure> {
    write_layers_as(VectorFormat::of(path)?, path, layers, info)
}

/// The same in a given format. A table has its statements in a file beside it.
pub(crate) fn write_layers_as(
    format: VectorFormat,
    path: &Path,
    layers: &[Layer],
    info: &ChartInfo,
) -> Result<(), Failure> {
    if format == VectorFormat::Gpkg {
        return geopackage(path, layers, info);
    }
    write_file(path, &layer_bytes(format, layers, info)?)?;
    if format.is_bare() {
        write_file(&beside(path), said(layers, info).as_bytes())?;
    }
    Ok(())
}

/// What a file of `layers` says of itself.
fn said(layers: &[Layer], info: &ChartInfo) -> String {
    let titles: Vec<&str> = layers.iter().map(|l| l.title.as_str()).collect();
    statement_text(info, &titles.join("; "))
}

fn geopackage(path: &Path, layers: &[Layer], info: &ChartInfo) -> Result<(), Failure> {
    let tables: Vec<GeoTable> = layers.iter().map(table).collect();
    // Without any sounding the file is of no day; the standard wants one all the same.
    let changed = millis(info.newest.unwrap_or(UtcMillis(0)));
    written(path, write_geopackage(path, &tables, &changed, &said(layers, info)))
}

fn table(layer: &Layer) -> GeoTable {
    let kinds = |kind: fn(&Shape) -> bool| layer.features.iter().all(|f| kind(&f.shape));
    let geometry = match layer.features.len() {
        0 => "GEOMETRY",
        _ if kinds(|s| matches!(s, Shape::Point(_))) => "POINT",
        _ if kinds(|s| matches!(s, Shape::Lines(_))) => "MULTILINESTRING",
        _ if kinds(|s| matches!(s, Shape::Areas(_))) => "MULTIPOLYGON",
        _ => "GEOMETRY",
    };
    let column = |c: &Column| GeoColumn {
        name: c.name.to_owned(),
        kind: match c.kind {
            Kind::Number { .. } | Kind::Level => "REAL",
            Kind::Whole => "INTEGER",
            Kind::Text => "TEXT",
            Kind::Time => "DATETIME",
            Kind::Flag => "BOOLEAN",
        },
        about: c.about.to_owned(),
    };
    let row = |f: &Feature| {
        let value = |(c, v): (&Column, &Value)| geo_value(c.as_written(v));
        let values = layer.columns.iter().zip(&f.values).map(value).collect();
        Some(GeoRow { wkb: f.shape.wkb(), bounds: f.shape.bounds()?, values })
    };
    GeoTable {
        name: layer.name.to_owned(),
        title: layer.title.clone(),
        geometry,
        columns: layer.columns.iter().map(column).collect(),
        rows: layer.features.iter().filter_map(row).collect(),
    }
}

fn geo_value(v: Value) -> GeoValue {
    match v {
        Value::Number(v) => GeoValue::Real(v),
        Value::Whole(v) => GeoValue::Whole(v),
        Value::Flag(v) => GeoValue::Whole(v.into()),
        Value::Text(t) => GeoValue::Text(t),
        Value::Time(t) => GeoValue::Text(millis(t)),
        Value::Unknown => GeoValue::Null,
    }
}

/// The file with the statements of `path`.
pub(crate) fn beside(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".txt");
    PathBuf::from(name)
}

/// Writes `bytes` to `path`, whole or not at all.
pub(crate) fn write_file(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    written(path, replace_file(path, bytes))
}

fn written(path: &Path, done: Result<(), leadline_survey::Error>) -> Result<(), Failure> {
    done.map_err(|e| match e {
        leadline_survey::Error::File { source, .. } => Failure::output(path)(source),
        other => other.into(),
    })
}

/// A moment with milliseconds always, as GeoPackage 1.3 (Table 1, DATETIME) has it.
fn millis(t: UtcMillis) -> String {
    let ms = t.millis_of_day();
    let (s, frac) = (ms / 1000, ms % 1000);
    format!("{}T{:02}:{:02}:{:02}.{frac:03}Z", t.date_text(), s / 3600, s / 60 % 60, s % 60)
}

/// `layers` as a file's bytes.
pub(crate) fn layer_bytes(
    format: VectorFormat,
    layers: &[Layer],
    info: &ChartInfo,
) -> Result<Vec<u8>, Failure> {
    format.check(layers)?;
    let mut out = Vec::new();
    let done = match format {
        VectorFormat::Geojson => layers_geojson(layers, info, &mut out),
        VectorFormat::Kml => layers_kml(layers, info, &mut out),
        VectorFormat::Gpx => layers_gpx(layers, info, &mut out),
        // Programs count on the columns that the table of cells has had from the first.
        VectorFormat::Csv => layers.iter().try_for_each(|l| match l.name {
            "cells" => layer_csv(&l.clone().without(&["boat"]), &mut out),
            _ => layer_csv(l, &mut out),
        }),
        VectorFormat::Xyz => layers.iter().try_for_each(|l| layer_xyz(l, &mut out)),
        VectorFormat::Gpkg => {
            return Err(Failure::Input("a GeoPackage is no stream; name a file with -o FILE.gpkg".into()));
        }
    };
    done.map_err(Failure::output(Path::new("memory")))?;
    Ok(out)
}
