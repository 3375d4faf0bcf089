//! Areas and lines that people drew in another program: GeoJSON (RFC 7946), or CSV with lon and lat.

use crate::failure::Failure;
use leadline_model::{
    GridPos, LonLat, MAX_AREA_CORNERS, MAX_RIVER_POINTS, MAX_SHORE_CORNERS, MAX_SHORE_RINGS,
};
use leadline_survey::canonical_ring;
use serde_json::Value;
use std::fs::File;
use std::io::Read;
use std::path::Path;

/// Far more than the points allowed need.
const MAX_FILE_BYTES: u64 = 4 << 20;

/// The corners of one drawn area, each once.
pub(crate) fn area(path: &Path) -> Result<Vec<GridPos>, Failure> {
    let refused = |why: String| Failure::Input(format!("{}: {why}", path.display()));
    let corners = match read(path)? {
        Drawn::Table(points) => points,
        Drawn::Shape(kind, places) => match (kind.as_str(), places.as_array().map(Vec::as_slice)) {
            ("Polygon", Some([ring])) => points_of(ring).map_err(refused)?,
            ("Polygon", Some([_, holes @ ..])) if !holes.is_empty() => {
                return Err(refused(format!(
                    "the area has {} holes; draw it without, or as several areas",
                    holes.len()
                )));
            }
            _ => return Err(refused(format!("it holds a {kind}; an area is one Polygon"))),
        },
    };
    let ring = canonical_ring(&on_grid(&corners).map_err(refused)?);
    match ring.len() {
        3..=MAX_AREA_CORNERS => Ok(ring),
        n @ 0..3 => Err(refused(format!("{n} corners; an area has at least 3"))),
        n => Err(refused(format!("{n} corners; at most {MAX_AREA_CORNERS}: simplify the drawing"))),
    }
}

/// The rings of a drawn shore, islands among them, none crossing itself or another.
pub(crate) fn shore(path: &Path) -> Result<Vec<Vec<GridPos>>, Failure> {
    rings(path, "shore")
}

/// The rings of a drawn water, with islands or without; a shore's drawing will do.
pub(crate) fn water(path: &Path) -> Result<Vec<Vec<GridPos>>, Failure> {
    rings(path, "water")
}

fn rings(path: &Path, what: &str) -> Result<Vec<Vec<GridPos>>, Failure> {
    let refused = |why: String| Failure::Input(format!("{}: {why}", path.display()));
    let rings = match read(path)? {
        Drawn::Table(points) => vec![points],
        Drawn::Shape(kind, places) => {
            let list = |v: &Value| v.as_array().cloned().unwrap_or_default();
            let rings: Vec<Value> = match kind.as_str() {
                "Polygon" => list(&places),
                "MultiPolygon" => list(&places).iter().flat_map(list).collect(),
                _ => {
                    return Err(refused(format!("it holds a {kind}; a {what} is a Polygon or MultiPolygon")));
                }
            };
            rings.iter().map(points_of).collect::<Result<_, _>>().map_err(refused)?
        }
    };
    let rings: Vec<Vec<GridPos>> = rings
        .iter()
        .map(|r| Ok(canonical_ring(&on_grid(r)?)))
        .collect::<Result<_, String>>()
        .map_err(refused)?;
    let corners: usize = rings.iter().map(Vec::len).sum();
    if rings.is_empty() || rings.iter().any(|r| r.len() < 3) {
        return Err(refused(format!("a {what} has rings of at least 3 corners each")));
    }
    if rings.len() > MAX_SHORE_RINGS || corners > MAX_SHORE_CORNERS {
        return Err(refused(format!(
            "{} rings with {corners} corners; at most {MAX_SHORE_RINGS} with {MAX_SHORE_CORNERS}: simplify the drawing",
            rings.len()
        )));
    }
    match leadline_chart::shore_crossing(&rings) {
        None => Ok(rings),
        Some(at) => {
            let p = at.lonlat();
            Err(refused(format!(
                "the {what} crosses itself near {:.6},{:.6}; mend the drawing there",
                p.lon, p.lat
            )))
        }
    }
}

/// The points of one drawn line, in their order.
pub(crate) fn line(path: &Path) -> Result<Vec<GridPos>, Failure> {
    let refused = |why: String| Failure::Input(format!("{}: {why}", path.display()));
    let points = match read(path)? {
        Drawn::Table(points) => points,
        Drawn::Shape(kind, places) if kind == "LineString" => points_of(&places).map_err(refused)?,
        Drawn::Shape(kind, _) => {
            return Err(refused(format!("it holds a {kind}; a centre line is one LineString")));
        }
    };
    let mut line = on_grid(&points).map_err(refused)?;
    line.dedup();
    match line.len() {
        2..=MAX_RIVER_POINTS => Ok(line),
        n @ 0..2 => Err(refused(format!("{n} points; a line has at least 2"))),
        n => Err(refused(format!("{n} points; at most {MAX_RIVER_POINTS}: simplify the drawing"))),
    }
}

/// What a file holds.
enum Drawn {
    /// Points of a table.
    Table(Vec<LonLat>),
    /// The type and coordinates of one geometry.
    Shape(String, Value),
}

fn read(path: &Path) -> Result<Drawn, Failure> {
    let refused = |why: String| Failure::Input(format!("{}: {why}", path.display()));
    let unreadable = |e| refused(format!("cannot read it: {e}; check the name and the permissions"));
    let mut bytes = Vec::new();
    let file = File::open(path).map_err(unreadable)?;
    file.take(MAX_FILE_BYTES + 1).read_to_end(&mut bytes).map_err(unreadable)?;
    if bytes.len() as u64 > MAX_FILE_BYTES {
        return Err(refused("the file is over 4 MiB; one drawing with few points is meant".to_owned()));
    }
    if bytes.trim_ascii_start().first() == Some(&b'{') {
        let json: Value =
            serde_json::from_slice(&bytes).map_err(|e| refused(format!("it is no JSON: {e}")))?;
        geometry(&json).map_err(refused)
    } else {
        table(&bytes).map(Drawn::Table).map_err(refused)
    }
}

/// The one geometry of a GeoJSON text.
fn geometry(json: &Value) -> Result<Drawn, String> {
    let kind = json.get("type").and_then(Value::as_str).unwrap_or("thing without a type");
    match kind {
        "FeatureCollection" => match json.get("features").and_then(Value::as_array).map(Vec::as_slice) {
            Some([one]) => geometry(one),
            Some(all) => Err(format!("it holds {} features; keep one in the file", all.len())),
            None => Err("the collection has no features".to_owned()),
        },
        "Feature" => match json.get("geometry") {
            Some(g) if g.is_object() && g.get("geometry").is_none() => geometry(g),
            _ => Err("the feature has no geometry".to_owned()),
        },
        _ => {
            let places = json.get("coordinates").cloned().unwrap_or_default();
            Ok(Drawn::Shape(leadline_model::escaped(kind), places))
        }
    }
}

fn points_of(list: &Value) -> Result<Vec<LonLat>, String> {
    let list = list.as_array().ok_or("the coordinates are no list of positions")?;
    let point = |(i, p): (usize, &Value)| {
        let number = |n: usize| p.get(n).and_then(Value::as_f64);
        match (number(0), number(1)) {
            (Some(lon), Some(lat)) => Ok(LonLat { lon, lat }),
            _ => Err(format!("position {}: not a longitude and a latitude", i + 1)),
        }
    };
    list.iter().enumerate().map(point).collect()
}

fn table(bytes: &[u8]) -> Result<Vec<LonLat>, String> {
    let mut rows = csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(true).from_reader(bytes);
    let header = rows.headers().map_err(|e| e.to_string())?.clone();
    let column = |name: &str| header.iter().position(|h| h.eq_ignore_ascii_case(name));
    let (Some(lon), Some(lat)) = (column("lon"), column("lat")) else {
        return Err("neither GeoJSON nor a table whose first line names the columns lon and lat".to_owned());
    };
    let row = |(i, row): (usize, csv::Result<csv::StringRecord>)| {
        let row = row.map_err(|e| e.to_string())?;
        let number = |c: usize| row.get(c).and_then(|t| t.parse().ok());
        match (number(lon), number(lat)) {
            (Some(lon), Some(lat)) => Ok(LonLat { lon, lat }),
            _ => Err(format!("line {}: lon or lat is no number in degrees", i + 2)),
        }
    };
    rows.records().enumerate().map(row).collect()
}

fn on_grid(points: &[LonLat]) -> Result<Vec<GridPos>, String> {
    let place = |(i, p): (usize, &LonLat)| {
        GridPos::from_lonlat(*p).ok_or_else(|| {
            let (lon, lat) = (p.lon, p.lat);
            format!(
                "position {} ({lon},{lat}): longitude is -180 to 180, latitude -85 to 85; is it latitude,longitude?",
                i + 1
            )
        })
    };
    points.iter().enumerate().map(place).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(text: &str) -> tempfile::NamedTempFile {
        let f = tempfile::NamedTempFile::new().expect("a temporary file");
        std::fs::write(f.path(), text).expect("written");
        f
    }

    fn refused(read: fn(&Path) -> Result<Vec<GridPos>, Failure>, text: &str, words: &str) {
        let f = file(text);
        let e = read(f.path()).expect_err(text).to_string();
        assert!(e.contains(words) && e.contains(&f.path().display().to_string()), "{e}");
    }

    const RING: &str = "[[7.4,48.2],[7.5,48.2],[7.5,48.3],[7.4,48.2]]";

    #[test]
    fn one_area_in_any_dress() {
        // RFC 7946 §3.1.6: the first and last position of a ring are the same; §3.2, §3.3: features.
        let polygon = format!(r#"{{"type":"Polygon","coordinates":[{RING}]}}"#);
        let feature = format!(r#"{{"type":"Feature","properties":null,"geometry":{polygon}}}"#);
        let collection = format!("\n{{\"type\":\"FeatureCollection\",\"features\":[{feature}]}}");
        let csv = "name,lat,lon\na,48.2,7.4\nb,48.2,7.5\nc,48.3,7.5\n".to_owned();
        let all: Vec<_> =
            [polygon, feature, collection, csv].iter().map(|t| area(file(t).path()).expect(t)).collect();
        assert_eq!(all[0].len(), 3);
        assert!(all.iter().all(|a| *a == all[0]));
    }

    #[test]
    fn lines_keep_their_order() {
        let json = r#"{"type":"LineString","coordinates":[[7.5,48.2,3.0],[7.4,48.1],[7.4,48.1],[7.3,48.1]]}"#;
        let csv = "lon,lat\n7.5,48.2\n7.4,48.1\n7.3,48.1\n";
        let lines = [json, csv].map(|t| line(file(t).path()).expect(t));
        assert_eq!(lines[0], lines[1]);
        assert_eq!(lines[0].len(), 3);
        assert!(lines[0].windows(2).all(|w| w[1].x() < w[0].x()));
    }

    #[test]
    fn a_shore_may_have_islands_but_no_knots() {
        let island = "[[7.43,48.21],[7.45,48.21],[7.45,48.23],[7.43,48.21]]";
        let lake = format!(r#"{{"type":"Polygon","coordinates":[{RING},{island}]}}"#);
        let both = format!(r#"{{"type":"MultiPolygon","coordinates":[[{RING}],[{island}]]}}"#);
        let rings = shore(file(&lake).path()).expect("a lake");
        assert_eq!(rings.iter().map(Vec::len).collect::<Vec<_>>(), [3, 3]);
        assert_eq!(shore(file(&both).path()).expect("two"), rings);
        let bow = r#"{"type":"Polygon","coordinates":[[[7,48],[8,49],[8,48],[7,49],[7,48]]]}"#;
        let f = file(bow);
        let e = shore(f.path()).expect_err("a bow").to_string();
        assert!(e.contains("crosses itself near 7.500000,48.50"), "{e}");
        let off =
            format!(r#"{{"type":"Polygon","coordinates":[{RING},[[7.4,48.25],[7.6,48.25],[7.6,48.3]]]}}"#);
        let f = file(&off);
        assert!(shore(f.path()).expect_err("over the edge").to_string().contains("crosses itself"));
        let f = file(r#"{"type":"Point","coordinates":[7,48]}"#);
        assert!(shore(f.path()).expect_err("a point").to_string().contains("it holds a Point"));
        let many: String = (0..6001).map(|i| format!("{},{}\n", f64::from(i) * 0.001, i % 7)).collect();
        let f = file(&format!("lon,lat\n{many}"));
        assert!(shore(f.path()).expect_err("many").to_string().contains("6001 corners"));
    }

    #[test]
    fn what_is_no_area_or_line_is_refused() {
        let hole = format!(r#"{{"type":"Polygon","coordinates":[{RING},{RING}]}}"#);
        refused(area, &hole, "1 holes");
        refused(area, r#"{"type":"Point","coordinates":[7,48]}"#, "it holds a Point");
        refused(area, r#"{"type":"FeatureCollection","features":[{},{}]}"#, "2 features");
        refused(area, r#"{"type":"Feature"}"#, "no geometry");
        refused(area, r#"{"type":"Polygon","coordinates":[[["a",1]]]}"#, "position 1");
        refused(area, "{", "no JSON");
        refused(area, "lon,lat\n7.4,48.2\n7.5,48.2\n7.4,48.2\n", "2 corners");
        refused(area, "lon,lat\n48.2,97.4\n1,2\n3,4\n", "is it latitude,longitude?");
        refused(area, "lon,lat\n7.4,north\n", "line 2");
        refused(area, "x,y\n1,2\n", "columns lon and lat");
        refused(line, "lon,lat\n7.4,48.2\n", "1 points");
        refused(line, &format!(r#"{{"type":"Polygon","coordinates":[{RING}]}}"#), "one LineString");
        let many: String = (0..1001).map(|i| format!("{},{}\n", f64::from(i) * 0.001, i % 7)).collect();
        refused(area, &format!("lon,lat\n{many}"), "1001 corners; at most 1000");
        refused(line, &format!("lon,lat\n{many}{many}"), "at most 2000");
    }
}
