//! GeoJSON (RFC 7946): WGS 84 degrees with 7 decimals, no `crs`, outer rings counter-clockwise, cut at the
//! antimeridian. Attribute names of depths are those of S-57: VALDCO, DRVAL1 (shoal end), DRVAL2.

mod rings;

use crate::nodes::canonical;
use crate::units::fixed;
use crate::{ChartInfo, Levels, Surface};
use leadline_model::{CAUTION, Cell, PRODUCT, UtcMillis, escaped};
use rings::Degrees;
use std::io;

/// Writes the contours of the safe surface at the chart's stage, one feature a level.
///
/// # Errors
/// Only those of `out`.
pub fn contours_geojson(
    surface: &Surface,
    info: &ChartInfo,
    levels: &Levels,
    out: &mut dyn io::Write,
) -> io::Result<()> {
    let mut file = Collection::begin(info, surface.newest(), "safe depth contours", out)?;
    let degrees = Degrees::new(surface.frame());
    for c in surface.contours(info.stage_m, levels) {
        let lines: Vec<String> = c.lines.iter().flat_map(|l| degrees.line(&l.points)).collect();
        if !lines.is_empty() {
            let properties = format!("\"VALDCO\":{}", short(c.depth_m));
            file.feature("MultiLineString", &format!("[{}]", lines.join(",")), &properties)?;
        }
    }
    file.end()
}

/// Writes the depth areas of the safe surface at the chart's stage, one feature a band. A band without a
/// limit on one side has no attribute there.
///
/// # Errors
/// Only those of `out`.
pub fn areas_geojson(
    surface: &Surface,
    info: &ChartInfo,
    levels: &Levels,
    out: &mut dyn io::Write,
) -> io::Result<()> {
    let mut file = Collection::begin(info, surface.newest(), "safe depth areas", out)?;
    let degrees = Degrees::new(surface.frame());
    for a in surface.areas(info.stage_m, levels) {
        let polygons: Vec<String> = a.polygons.iter().flat_map(|p| degrees.polygon(p)).collect();
        let limit = |name: &str, v: Option<f64>| v.map(|v| format!("\"{name}\":{}", short(v)));
        let limits: Vec<String> =
            [limit("DRVAL1", a.from_m), limit("DRVAL2", a.to_m)].into_iter().flatten().collect();
        if !polygons.is_empty() {
            file.feature("MultiPolygon", &format!("[{}]", polygons.join(",")), &limits.join(","))?;
        }
    }
    file.end()
}

/// Writes the charted cells as points in order of cell id, best depth at the chart's stage.
///
/// # Errors
/// Only those of `out`.
pub fn cells_geojson(cells: &[Cell], info: &ChartInfo, out: &mut dyn io::Write) -> io::Result<()> {
    let cells = canonical(cells);
    let newest = cells.iter().map(|c| c.newest).max();
    let mut file = Collection::begin(info, newest, "cells", out)?;
    let boats = info.boats();
    for c in cells {
        let p = c.at.lonlat();
        let boat = info.boat_of(c.main_pass, &boats).map(|b| format!(",\"boat\":{}", quoted(boats[b])));
        let properties = format!(
            "\"depth_m\":{},\"tvu95_m\":{},\"grade\":\"{}\",\"soundings\":{},\"passes\":{},\"devices\":{},\
             \"newest_utc\":\"{}\",\"disputed\":{}{}",
            fixed(c.depth_m + info.stage_m, 3),
            fixed(c.tvu95_m, 3),
            c.grade,
            c.soundings,
            c.passes,
            c.devices,
            c.newest,
            c.disputed,
            boat.unwrap_or_default()
        );
        file.feature("Point", &format!("[{},{}]", fixed(p.lon, 7), fixed(p.lat, 7)), &properties)?;
    }
    file.end()
}

/// A FeatureCollection being written, one feature a line.
struct Collection<'a> {
    out: &'a mut dyn io::Write,
    first: bool,
}

impl<'a> Collection<'a> {
    fn begin(
        info: &ChartInfo,
        newest: Option<UtcMillis>,
        what: &str,
        out: &'a mut dyn io::Write,
    ) -> io::Result<Self> {
        let boats: Vec<String> = info.boats().into_iter().map(quoted).collect();
        let newest = newest.map_or_else(|| "null".to_owned(), |t| format!("\"{t}\""));
        write!(
            out,
            "{{\"type\":\"FeatureCollection\",\"leadline\":{{\"product\":{},\"contents\":{},\"survey\":{},\
             \"datum\":{},\"stage_m\":{},\"stage\":{},\"newest_utc\":{newest},\"boats\":[{}],\"caution\":{}}},\
             \"features\":[",
            quoted(PRODUCT),
            quoted(what),
            quoted(&info.survey),
            quoted(&info.datum),
            fixed(info.stage_m, 3),
            quoted(&info.stage_text),
            boats.join(","),
            quoted(CAUTION)
        )?;
        Ok(Self { out, first: true })
    }

    fn feature(&mut self, kind: &str, coordinates: &str, properties: &str) -> io::Result<()> {
        let comma = if std::mem::take(&mut self.first) { "" } else { "," };
        write!(
            self.out,
            "{comma}\n{{\"type\":\"Feature\",\"properties\":{{{properties}}},\
             \"geometry\":{{\"type\":\"{kind}\",\"coordinates\":{coordinates}}}}}"
        )
    }

    fn end(self) -> io::Result<()> {
        self.out.write_all(b"\n]}\n")
    }
}

/// A JSON string; control characters and direction overrides are made visible first.
fn quoted(text: &str) -> String {
    serde_json::Value::from(escaped(text)).to_string()
}

/// Metres with as many decimals as needed, at most four.
fn short(v: f64) -> String {
    fixed(v, 4).trim_end_matches('0').trim_end_matches('.').to_owned()
}
