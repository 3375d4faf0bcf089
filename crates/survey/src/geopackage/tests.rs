use super::*;

fn point(x: f64, y: f64) -> GeoRow {
    let mut wkb = vec![1, 1, 0, 0, 0];
    wkb.extend(x.to_le_bytes());
    wkb.extend(y.to_le_bytes());
    let values = vec![GeoValue::Real(y), GeoValue::Text("O'Brien; DROP TABLE".into()), GeoValue::Null];
    GeoRow { wkb, bounds: [x, x, y, y], values }
}

fn table(n: u32) -> GeoTable {
    let column = |name: &str, kind| GeoColumn { name: name.into(), kind, about: format!("about {name}") };
    GeoTable {
        name: "spots".into(),
        title: "some spots".into(),
        geometry: "POINT",
        columns: vec![column("depth_m", "REAL"), column("boat", "TEXT"), column("newest_utc", "DATETIME")],
        rows: (0..n).map(|i| point(f64::from(i), f64::from(i) / 2.0)).collect(),
    }
}

const CHANGED: &str = "2026-05-01T10:00:00.000Z";

fn written(tables: &[GeoTable]) -> (tempfile::TempDir, std::path::PathBuf) {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("x.gpkg");
    write_geopackage(&path, tables, CHANGED, "words").expect("written");
    (dir, path)
}

/// GeoPackage 1.3 §1.1.1: application id, version, integrity, foreign keys.
#[test]
fn the_file_is_what_the_standard_asks_for() {
    let (_dir, path) = written(&[table(300)]);
    let db = Connection::open(&path).expect("opens");
    let one = |sql: &str| db.query_row(sql, [], |r| r.get::<_, SqlValue>(0)).expect(sql);
    assert_eq!(one("PRAGMA application_id"), SqlValue::Integer(0x4750_4B47));
    assert_eq!(one("PRAGMA user_version"), SqlValue::Integer(10300));
    assert_eq!(one("PRAGMA integrity_check"), SqlValue::Text("ok".into()));
    assert_eq!(one("SELECT count(*) FROM pragma_foreign_key_check"), SqlValue::Integer(0));
    assert_eq!(one("SELECT count(*) FROM spots"), SqlValue::Integer(300));
    assert_eq!(
        one("SELECT count(*) FROM rtree_spots_geom WHERE minx >= 9.5 AND maxx <= 20.5"),
        SqlValue::Integer(11)
    );
    assert_eq!(one("SELECT max_x FROM gpkg_contents"), SqlValue::Real(299.0));
    assert_eq!(one("SELECT boat FROM spots WHERE fid = 1"), SqlValue::Text("O'Brien; DROP TABLE".into()));
    assert_eq!(one("SELECT hex(substr(geom, 1, 8)) FROM spots"), SqlValue::Text("47500001E6100000".into()));
}

#[test]
fn same_tables_same_bytes_and_an_older_file_is_replaced() {
    let (_a, one) = written(&[table(50)]);
    let (_b, two) = written(&[table(50)]);
    let bytes = fs::read(&one).expect("read");
    assert_eq!(bytes, fs::read(&two).expect("read"));
    write_geopackage(&two, &[table(5)], CHANGED, "words").expect("replaced");
    let db = Connection::open(&two).expect("opens");
    let n: i64 = db.query_row("SELECT count(*) FROM spots", [], |r| r.get(0)).expect("counted");
    assert_eq!(n, 5);
}

#[test]
fn an_empty_table_and_no_table_are_fine() {
    let (_dir, path) = written(&[table(0)]);
    let db = Connection::open(&path).expect("opens");
    let x: SqlValue = db.query_row("SELECT min_x FROM gpkg_contents", [], |r| r.get(0)).expect("a row");
    assert_eq!(x, SqlValue::Null);
    written(&[]);
}

#[test]
fn a_folder_that_is_not_there_is_said_and_nothing_is_left() {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("none/x.gpkg");
    assert!(matches!(write_geopackage(&path, &[table(1)], CHANGED, ""), Err(Error::File { .. })));
    let mut twice = table(2);
    twice.columns.push(twice.columns[0].clone());
    let path = dir.path().join("y.gpkg");
    assert!(write_geopackage(&path, &[twice], CHANGED, "").is_err(), "a column stands twice");
    assert_eq!(fs::read_dir(dir.path()).expect("listed").count(), 0);
}
