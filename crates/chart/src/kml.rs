//! KML 2.2 (OGC 07-147r2): one folder a layer, values as typed `ExtendedData`, everything on the ground.
//!
//! Depths stand in the values and names only: KML's altitudes count upwards from sea level or ground.

use crate::layer_text::written;
use crate::units::fixed;
use crate::xml::xml;
use crate::{ChartInfo, Colour, Feature, INK, Kind, Layer, Shape, depth_colour, statement_text};
use leadline_model::LonLat;
use std::io;

/// How opaque areas are, as KML's two hexadecimal digits.
const AREA_ALPHA: &str = "b0";
/// Points larger than this cover each other where cells lie side by side.
const POINT_SCALE: &str = "0.4";

/// Writes layers as one document.
///
/// # Errors
/// Only those of `out`.
pub fn layers_kml(layers: &[Layer], info: &ChartInfo, out: &mut dyn io::Write) -> io::Result<()> {
    let titles: Vec<&str> = layers.iter().map(|l| l.title.as_str()).collect();
    let contents = titles.join("; ");
    write!(
        out,
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<kml xmlns=\"http://www.opengis.net/kml/2.2\">\n<Document>\n\
         <name>{}: {}</name>\n<description>{}</description>\n",
        xml(&info.survey),
        xml(&contents),
        statement_text(info, &contents).lines().map(xml).collect::<Vec<_>>().join("\n")
    )?;
    for layer in layers {
        styles(layer, out)?;
    }
    for layer in layers {
        schema(layer, out)?;
    }
    for layer in layers {
        writeln!(out, "<Folder>\n<name>{}</name>", xml(&layer.title))?;
        for (i, f) in layer.features.iter().enumerate() {
            placemark(layer, i, f, info, out)?;
        }
        out.write_all(b"</Folder>\n")?;
    }
    out.write_all(b"</Document>\n</kml>\n")
}

/// One style a layer; areas have one each, from the depth colours.
fn styles(layer: &Layer, out: &mut dyn io::Write) -> io::Result<()> {
    let name = layer.name;
    writeln!(
        out,
        "<Style id=\"{name}\"><IconStyle><scale>{POINT_SCALE}</scale></IconStyle><LabelStyle><scale>0.6</scale>\
         </LabelStyle><LineStyle><color>{}</color><width>1.5</width></LineStyle></Style>",
        colour("ff", INK)
    )?;
    let areas = layer.features.iter().filter(|f| matches!(f.shape, Shape::Areas(_)));
    let n = areas.clone().count();
    for i in 0..n {
        writeln!(
            out,
            "<Style id=\"{name}-{i}\"><LineStyle><color>{}</color><width>0.5</width></LineStyle><PolyStyle>\
             <color>{}</color></PolyStyle></Style>",
            colour("80", INK),
            colour(AREA_ALPHA, depth_colour(i, n))
        )?;
    }
    Ok(())
}

/// `aabbggrr`.
fn colour(alpha: &str, Colour(r, g, b): Colour) -> String {
    format!("{alpha}{b:02x}{g:02x}{r:02x}")
}

fn schema(layer: &Layer, out: &mut dyn io::Write) -> io::Result<()> {
    let name = layer.name;
    writeln!(out, "<Schema id=\"{name}-values\" name=\"{name}\">")?;
    for c in &layer.columns {
        let kind = match c.kind {
            Kind::Number { .. } | Kind::Level => "double",
            Kind::Whole => "int",
            Kind::Flag => "bool",
            Kind::Text | Kind::Time => "string",
        };
        writeln!(out, "<SimpleField type=\"{kind}\" name=\"{}\"/>", xml(c.name))?;
    }
    out.write_all(b"</Schema>\n")
}

fn placemark(
    layer: &Layer,
    i: usize,
    f: &Feature,
    info: &ChartInfo,
    out: &mut dyn io::Write,
) -> io::Result<()> {
    let style = match f.shape {
        Shape::Areas(_) => format!("{}-{i}", layer.name),
        _ => layer.name.to_owned(),
    };
    write!(
        out,
        "<Placemark><name>{}</name><styleUrl>#{style}</styleUrl><ExtendedData><SchemaData schemaUrl=\"#{}-values\">",
        xml(&layer.label(f, info.units)),
        layer.name
    )?;
    for (c, v) in layer.columns.iter().zip(&f.values) {
        if let Some(w) = written(c, v) {
            write!(out, "<SimpleData name=\"{}\">{}</SimpleData>", xml(c.name), xml(&w.text()))?;
        }
    }
    writeln!(out, "</SchemaData></ExtendedData>{}</Placemark>", geometry(&f.shape))
}

fn geometry(shape: &Shape) -> String {
    match shape {
        Shape::Point(p) => format!("<Point><coordinates>{}</coordinates></Point>", tuple(p)),
        Shape::Lines(lines) => {
            let one = |l: &Vec<LonLat>| {
                format!("<LineString><tessellate>1</tessellate>{}</LineString>", coordinates(l))
            };
            multi(lines.iter().map(one))
        }
        Shape::Areas(areas) => multi(areas.iter().map(|a| polygon(a))),
    }
}

fn multi(parts: impl Iterator<Item = String>) -> String {
    format!("<MultiGeometry>{}</MultiGeometry>", parts.collect::<String>())
}

fn polygon(rings: &[Vec<LonLat>]) -> String {
    let ring = |(i, r): (usize, &Vec<LonLat>)| {
        let side = if i == 0 { "outerBoundaryIs" } else { "innerBoundaryIs" };
        format!("<{side}><LinearRing>{}</LinearRing></{side}>", coordinates(r))
    };
    let rings: String = rings.iter().enumerate().map(ring).collect();
    format!("<Polygon><tessellate>1</tessellate>{rings}</Polygon>")
}

fn coordinates(line: &[LonLat]) -> String {
    format!("<coordinates>{}</coordinates>", line.iter().map(tuple).collect::<Vec<_>>().join(" "))
}

fn tuple(p: &LonLat) -> String {
    format!("{},{}", fixed(p.lon, 7), fixed(p.lat, 7))
}
