//! One small hostile layer through every writer.

use super::*;
use crate::{
    ChartInfo, layer_csv, layer_geojson, layer_xyz, layers_geojson, layers_gpx, layers_kml, statement_text,
};
use leadline_model::CAUTION;
use std::io;

const COLUMNS: [Column; 6] = [
    Column::new("name", Kind::Text, "what it is called"),
    Column::new("depth_m", Kind::Number { decimals: 3 }, "depth"),
    Column::new("VALDCO", Kind::Level, "level"),
    Column::new("count", Kind::Whole, "how many"),
    Column::new("newest_utc", Kind::Time, "when"),
    Column::new("open", Kind::Flag, "whether"),
];

fn values(name: &str, depth: f64) -> Vec<Value> {
    vec![
        Value::Text(name.to_owned()),
        Value::Number(depth),
        Value::Unknown,
        Value::Whole(-3),
        Value::Time("2026-05-01T10:00:00.5Z".parse().expect("a time")),
        Value::Flag(true),
    ]
}

fn points() -> Layer {
    let mut layer = Layer::new("spots", "some <spots>", &COLUMNS);
    let hostile = "=a,\"b\"\n<c>&'\u{202e}]]>\u{ffff}";
    layer.push(Shape::point(LonLat { lon: 180.0, lat: -17.0 }), values(hostile, -0.0004));
    layer.push(Shape::point(LonLat { lon: 7.123_456_78, lat: 48.0 }), values("plain", f64::NAN));
    layer.push(Shape::Lines(Vec::new()), values("nothing", 1.0));
    layer
}

fn over_the_date_line() -> Layer {
    let mut layer = Layer::new("plan", "lines", &COLUMNS);
    let line = [179.99, -179.98, -179.97].map(|lon| LonLat { lon, lat: 10.0 });
    layer.push(Shape::track(&line), values("over", 2.5));
    layer
}

fn info() -> ChartInfo {
    ChartInfo {
        survey: "Mere <&> \u{7}".into(),
        datum: "sill".into(),
        stage_m: 0.35,
        newest: Some(UtcMillis(0)),
        ..ChartInfo::default()
    }
}

fn text(write: impl FnOnce(&mut dyn io::Write) -> io::Result<()>) -> String {
    let mut out = Vec::new();
    write(&mut out).expect("memory");
    String::from_utf8(out).expect("UTF-8")
}

#[test]
fn json_is_json_and_hides_nothing() {
    let text = text(|o| layer_geojson(&points(), &info(), o));
    let v: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let f = &v["features"];
    assert_eq!(f.as_array().expect("features").len(), 2, "a feature without geometry is none");
    let p = &f[0]["properties"];
    assert_eq!(p["name"], "=a,\"b\"\\u{a}<c>&'\\u{202e}]]>\u{ffff}");
    assert_eq!((&p["depth_m"], &p["count"], &p["open"]), (&0.0.into(), &(-3).into(), &true.into()));
    assert!(p.get("VALDCO").is_none() && f[1]["properties"].get("depth_m").is_none());
    assert!(text.contains("[7.1234568,48.0000000]"), "RFC 7946 §11.2: no more digits than known");
    let both = [points(), over_the_date_line()];
    let v: serde_json::Value =
        serde_json::from_str(&self::text(|o| layers_geojson(&both, &info(), o))).expect("JSON");
    assert_eq!(v["features"][2]["properties"]["layer"], "plan");
    assert_eq!(v["leadline"]["contents"], "some <spots>; lines");
}

/// RFC 4180 §2.5 to §2.7: fields with commas, quotes or line breaks are quoted, quotes doubled.
#[test]
fn csv_and_xyz_are_one_row_a_point() {
    let csv = text(|o| layer_csv(&points(), o));
    let rows: Vec<&str> = csv.lines().collect();
    assert_eq!(rows[0], "lon,lat,name,depth_m,VALDCO,count,newest_utc,open");
    assert_eq!(
        rows[1],
        "180.0000000,-17.0000000,\"'=a,\"\"b\"\"\\u{a}<c>&'\\u{202e}]]>\u{ffff}\",0.000,,-3,2026-05-01T10:00:00.500Z,true"
    );
    assert_eq!(rows[2], "7.1234568,48.0000000,plain,,,-3,2026-05-01T10:00:00.500Z,true");
    assert_eq!(rows.len(), 3);
    assert_eq!(text(|o| layer_xyz(&points(), o)), "180.0000000 -17.0000000 0.000\n");
    let short = points().without(&["name", "open"]);
    assert_eq!(short.columns.len(), 4);
    assert!(short.features.iter().all(|f| f.values.len() == 4));
}

/// GPX 1.1 schema: longitude is below 180; children of wpt in order time, name, desc, type, extensions.
#[test]
fn gpx_keeps_to_the_schema() {
    let gpx = text(|o| layers_gpx(&[points(), over_the_date_line()], &info(), o));
    let tree = resvg::usvg::roxmltree::Document::parse(&gpx).expect("XML");
    let order: Vec<&str> =
        tree.root_element().children().filter(|n| n.is_element()).map(|n| n.tag_name().name()).collect();
    assert_eq!(order, ["metadata", "wpt", "wpt", "rte", "rte"]);
    let wpt = tree.descendants().find(|n| n.has_tag_name("wpt")).expect("a point");
    assert_eq!((wpt.attribute("lon"), wpt.attribute("lat")), (Some("-180.0000000"), Some("-17.0000000")));
    let inside: Vec<&str> = wpt.children().map(|n| n.tag_name().name()).collect();
    assert_eq!(inside, ["time", "name", "desc", "type", "extensions"]);
    let lons: Vec<&str> =
        tree.descendants().filter(|n| n.has_tag_name("rtept")).filter_map(|n| n.attribute("lon")).collect();
    assert_eq!(lons, ["179.9900000", "179.9999999", "-180.0000000", "-179.9800000", "-179.9700000"]);
    assert!(gpx.contains(CAUTION) && !gpx.contains("<ele>") && !gpx.contains("nothing"));
}

/// OGC 07-147r2: colours are aabbggrr; values are typed in a Schema.
#[test]
fn kml_is_typed_and_coloured() {
    let mut areas = Layer::new("areas", "areas", &COLUMNS);
    let ring = [(7.0, 48.0), (7.1, 48.0), (7.1, 48.1), (7.0, 48.0)].map(|(lon, lat)| LonLat { lon, lat });
    for name in ["shoal", "deep"] {
        areas.push(Shape::Areas(vec![vec![ring.to_vec()]]), values(name, 1.0));
    }
    let kml = text(|o| layers_kml(&[areas, points(), over_the_date_line()], &info(), o));
    let tree = resvg::usvg::roxmltree::Document::parse(&kml).expect("XML");
    let count = |tag| tree.descendants().filter(|n| n.has_tag_name(tag)).count();
    assert_eq!((count("Placemark"), count("Folder"), count("Polygon"), count("LineString")), (5, 3, 2, 2));
    // The ramp begins at 253, 254, 204.
    assert!(kml.contains("<PolyStyle><color>b0ccfefd</color></PolyStyle>"), "{kml}");
    assert!(
        kml.contains("<SimpleField type=\"int\" name=\"count\"/>") && kml.contains("7.1234568,48.0000000")
    );
    assert!(kml.contains(&CAUTION[..40]));
}

#[test]
fn statements_are_one_line_each() {
    let said = statement_text(&info(), "x\ny");
    assert_eq!(said.lines().count(), 10);
    assert!(said.contains("contents: x\\u{a}y\n") && said.contains("survey: Mere <&> \\u{7}\n"));
    assert!(said.contains("stage_m: 0.350\n") && said.contains("newest_utc: 1970-01-01T00:00:00Z\n"));
}

#[test]
fn stores_get_what_the_texts_show() {
    let number = Column::new("d", Kind::Number { decimals: 2 }, "");
    assert_eq!(number.as_written(&Value::Number(1.23456)), Value::Number(1.23));
    assert_eq!(number.as_written(&Value::Number(-0.001)), Value::Number(0.0));
    assert_eq!(number.as_written(&Value::Number(f64::INFINITY)), Value::Unknown);
    let words = Column::new("w", Kind::Text, "");
    assert_eq!(words.as_written(&Value::Text("a\u{1b}".into())), Value::Text("a\\u{1b}".into()));
}
