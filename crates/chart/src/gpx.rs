//! GPX 1.1: points as waypoints, lines as tracks, or as routes where they are to be steered along.
//!
//! Depth is no `ele` (that is a height): values go into `extensions` in a namespace of our own, and in words
//! into `desc`. Elements stand in the order of the schema. Longitude 180° is not allowed there.

use crate::layer_text::written;
use crate::units::fixed;
use crate::xml::xml;
use crate::{ChartInfo, Feature, Layer, Shape, Value, statement_text, statements};
use leadline_model::{LonLat, PRODUCT};
use std::io;

/// Namespace of the extensions: one element a column.
const NAMESPACE: &str = "urn:leadline:layer:1";
/// Layers whose lines become routes.
const STEERED: [&str; 2] = ["plan", "routes"];
/// The greatest longitude below 180° at 7 decimals.
const EAST_END: f64 = 179.999_999_9;

/// Writes layers as one file: waypoints, then routes, then tracks. Areas have no place in GPX and are left out.
///
/// # Errors
/// Only those of `out`.
pub fn layers_gpx(layers: &[Layer], info: &ChartInfo, out: &mut dyn io::Write) -> io::Result<()> {
    head(layers, info, out)?;
    let all = || layers.iter().flat_map(|l| l.features.iter().map(move |f| (l, f)));
    for (layer, f) in all() {
        if let Shape::Point(p) = &f.shape {
            let time = time(f).map_or_else(String::new, |t| format!("<time>{t}</time>"));
            writeln!(out, "<wpt {}>{time}{}</wpt>", place(p, -180.0), about(layer, f, info))?;
        }
    }
    for (layer, f) in all().filter(|(l, _)| STEERED.contains(&l.name)) {
        if let Shape::Lines(lines) = &f.shape {
            for l in lines {
                writeln!(out, "<rte>{}{}</rte>", about(layer, f, info), points("rtept", l))?;
            }
        }
    }
    for (layer, f) in all().filter(|(l, _)| !STEERED.contains(&l.name)) {
        if let Shape::Lines(lines) = &f.shape {
            let segments: String =
                lines.iter().map(|l| format!("<trkseg>{}</trkseg>", points("trkpt", l))).collect();
            writeln!(out, "<trk>{}{segments}</trk>", about(layer, f, info))?;
        }
    }
    out.write_all(b"</gpx>\n")
}

/// The metadata: the caution stands in its description, each statement in its extensions.
fn head(layers: &[Layer], info: &ChartInfo, out: &mut dyn io::Write) -> io::Result<()> {
    let titles: Vec<&str> = layers.iter().map(|l| l.title.as_str()).collect();
    let contents = titles.join("; ");
    let said = statement_text(info, &contents).lines().map(xml).collect::<Vec<_>>().join("\n");
    let time = info.newest.map_or_else(String::new, |t| format!("<time>{t}</time>"));
    let each: String = statements(info, &contents)
        .iter()
        .map(|(name, text)| format!("<ll:{name}>{}</ll:{name}>", xml(text)))
        .collect();
    writeln!(
        out,
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<gpx version=\"1.1\" creator=\"{PRODUCT}\" \
         xmlns=\"http://www.topografix.com/GPX/1/1\" xmlns:ll=\"{NAMESPACE}\">\n<metadata><name>{}</name>\
         <desc>{said}</desc>{time}<extensions>{each}</extensions></metadata>",
        xml(&info.survey)
    )
}

/// Name, description, type and values, in the order that wpt, rte and trk share.
fn about(layer: &Layer, f: &Feature, info: &ChartInfo) -> String {
    let values: String = layer
        .columns
        .iter()
        .zip(&f.values)
        .filter_map(|(c, v)| Some(format!("<ll:{0}>{1}</ll:{0}>", c.name, xml(&written(c, v)?.text()))))
        .collect();
    let values = if values.is_empty() { values } else { format!("<extensions>{values}</extensions>") };
    format!(
        "<name>{}</name><desc>{}</desc><type>{}</type>{values}",
        xml(&layer.label(f, info.units)),
        xml(&layer.told(f)),
        layer.name
    )
}

fn time(f: &Feature) -> Option<String> {
    f.values.iter().find_map(|v| match v {
        Value::Time(t) => Some(t.to_string()),
        _ => None,
    })
}

fn points(tag: &str, line: &[LonLat]) -> String {
    // A line that ends at the antimeridian must not jump round the world.
    line.iter().map(|p| format!("<{tag} {}/>", place(p, EAST_END))).collect()
}

/// The attributes of a place; `east_end` stands for 180° E.
fn place(p: &LonLat, east_end: f64) -> String {
    let lon = if p.lon >= 180.0 { east_end } else { p.lon };
    format!("lat=\"{}\" lon=\"{}\"", fixed(p.lat, 7), fixed(lon, 7))
}
