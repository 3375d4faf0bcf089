//! GeoJSON (RFC 7946): WGS 84 degrees with 7 decimals, no `crs`, outer rings counter-clockwise, cut at the
//! antimeridian. An unknown value is left out of the feature's properties.

use crate::layer_text::{Written, written};
use crate::units::fixed;
use crate::{ChartInfo, Feature, Layer, Shape};
use leadline_model::{CAUTION, LonLat, PRODUCT, escaped};
use std::io;

/// Writes one layer as a FeatureCollection, one feature a line.
///
/// # Errors
/// Only those of `out`.
pub fn layer_geojson(layer: &Layer, info: &ChartInfo, out: &mut dyn io::Write) -> io::Result<()> {
    layers_geojson(std::slice::from_ref(layer), info, out)
}

/// Writes layers as one FeatureCollection; of several, each feature's property `layer` names its own.
///
/// # Errors
/// Only those of `out`.
pub fn layers_geojson(layers: &[Layer], info: &ChartInfo, out: &mut dyn io::Write) -> io::Result<()> {
    begin(layers, info, out)?;
    let mut comma = "";
    for layer in layers {
        for f in &layer.features {
            let mut properties = properties(layer, f);
            if layers.len() > 1 {
                properties.insert(0, format!("\"layer\":{}", quoted(layer.name)));
            }
            write!(
                out,
                "{comma}\n{{\"type\":\"Feature\",\"properties\":{{{}}},\"geometry\":{}}}",
                properties.join(","),
                geometry(&f.shape)
            )?;
            comma = ",";
        }
    }
    out.write_all(b"\n]}\n")
}

/// The foreign member `leadline` says what the file holds.
fn begin(layers: &[Layer], info: &ChartInfo, out: &mut dyn io::Write) -> io::Result<()> {
    let contents: Vec<&str> = layers.iter().map(|l| l.title.as_str()).collect();
    let boats: Vec<String> = info.boats().into_iter().map(quoted).collect();
    let newest = info.newest.map_or_else(|| "null".to_owned(), |t| format!("\"{t}\""));
    write!(
        out,
        "{{\"type\":\"FeatureCollection\",\"leadline\":{{\"product\":{},\"contents\":{},\"survey\":{},\
         \"datum\":{},\"stage_m\":{},\"stage\":{},\"newest_utc\":{newest},\"boats\":[{}],\"caution\":{}}},\
         \"features\":[",
        quoted(PRODUCT),
        quoted(&contents.join("; ")),
        quoted(&info.survey),
        quoted(&info.datum),
        fixed(info.stage_m, 3),
        quoted(&info.stage_text),
        boats.join(","),
        quoted(CAUTION)
    )
}

fn properties(layer: &Layer, f: &Feature) -> Vec<String> {
    let one = |(column, value)| {
        let text = match written(column, value)? {
            Written::Bare(t) => t,
            Written::Words(t) => serde_json::Value::from(t).to_string(),
        };
        Some(format!("{}:{text}", quoted(column.name)))
    };
    layer.columns.iter().zip(&f.values).filter_map(one).collect()
}

fn geometry(shape: &Shape) -> String {
    let (kind, coordinates) = match shape {
        Shape::Point(p) => ("Point", position(p)),
        Shape::Lines(lines) => ("MultiLineString", list(lines, |l| list(l, position))),
        Shape::Areas(areas) => ("MultiPolygon", list(areas, |a| list(a, |r| list(r, position)))),
    };
    format!("{{\"type\":\"{kind}\",\"coordinates\":{coordinates}}}")
}

fn list<T>(items: &[T], one: impl Fn(&T) -> String) -> String {
    format!("[{}]", items.iter().map(one).collect::<Vec<_>>().join(","))
}

fn position(p: &LonLat) -> String {
    format!("[{},{}]", fixed(p.lon, 7), fixed(p.lat, 7))
}

/// A JSON string; control characters and direction overrides are made visible first.
fn quoted(text: &str) -> String {
    serde_json::Value::from(escaped(text)).to_string()
}
