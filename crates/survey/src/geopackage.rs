//! GeoPackage 1.3 (OGC 12-128r17): one SQLite file of feature tables with R-tree indexes, column descriptions
//! and the file's statements as metadata.
//!
//! The tables come as plain values; this module knows nothing of charts. Same tables, same bytes: no clock is
//! read, and the date of the contents is the one given.

mod schema;

use crate::Error;
use rusqlite::types::{ToSqlOutput, Value as SqlValue};
use rusqlite::{Connection, OpenFlags, ToSql, params, params_from_iter};
use std::fs;
use std::path::Path;

/// A feature table.
#[derive(Clone, Debug, PartialEq)]
pub struct GeoTable {
    /// Table name: lower-case letters, digits and `_`.
    pub name: String,
    /// What it holds, in words.
    pub title: String,
    /// Geometry type of all rows: `POINT`, `MULTILINESTRING`, `MULTIPOLYGON`, or `GEOMETRY` for any.
    pub geometry: &'static str,
    /// Columns beside the geometry.
    pub columns: Vec<GeoColumn>,
    /// Rows.
    pub rows: Vec<GeoRow>,
}

/// A column.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GeoColumn {
    /// Its name: letters, digits and `_`.
    pub name: String,
    /// `REAL`, `INTEGER`, `TEXT`, `DATETIME` or `BOOLEAN`.
    pub kind: &'static str,
    /// What it says, in words.
    pub about: String,
}

/// A row.
#[derive(Clone, Debug, PartialEq)]
pub struct GeoRow {
    /// Geometry as little-endian well-known binary in longitude and latitude, not empty.
    pub wkb: Vec<u8>,
    /// Least x, greatest x, least y, greatest y.
    pub bounds: [f64; 4],
    /// One value a column.
    pub values: Vec<GeoValue>,
}

/// A value.
#[derive(Clone, Debug, PartialEq)]
pub enum GeoValue {
    /// Not known.
    Null,
    /// For REAL.
    Real(f64),
    /// For INTEGER and BOOLEAN.
    Whole(i64),
    /// For TEXT and DATETIME.
    Text(String),
}

impl ToSql for GeoValue {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(match self {
            Self::Null => ToSqlOutput::Owned(SqlValue::Null),
            Self::Real(v) => ToSqlOutput::Owned(SqlValue::Real(*v)),
            Self::Whole(v) => ToSqlOutput::Owned(SqlValue::Integer(*v)),
            Self::Text(t) => t.to_sql()?,
        })
    }
}

/// Writes `tables` to `path`, whole or not at all. `changed` is the moment that the contents are of, as
/// `2026-05-01T10:00:00.000Z`; `statement` says in words what the file holds.
pub fn write_geopackage(
    path: &Path,
    tables: &[GeoTable],
    changed: &str,
    statement: &str,
) -> Result<(), Error> {
    let temp = path.with_extension(format!("{}.tmp", std::process::id()));
    let sqlite = |source| Error::Sqlite { path: path.to_owned(), source };
    // SQLite would add to a file that is there already, and says only "unable to open" of a missing folder.
    let made = fs::File::create(&temp).map(drop).map_err(Error::file(path));
    let filled = made.and_then(|()| fill(&temp, tables, changed, statement).map_err(sqlite));
    let written = filled.and_then(|()| {
        fs::File::open(&temp).and_then(|f| f.sync_all()).map_err(Error::file(path))?;
        fs::rename(&temp, path).map_err(Error::file(path))
    });
    written.inspect_err(|_| drop(fs::remove_file(&temp)))
}

fn fill(temp: &Path, tables: &[GeoTable], changed: &str, statement: &str) -> rusqlite::Result<()> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut db = Connection::open_with_flags(temp, flags)?;
    build(&mut db, tables, changed, statement)?;
    db.close().map_err(|(_, e)| e)
}

fn build(db: &mut Connection, tables: &[GeoTable], changed: &str, statement: &str) -> rusqlite::Result<()> {
    // The file is thrown away if anything fails: no journal is needed.
    db.execute_batch("PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF; PRAGMA foreign_keys = ON;")?;
    let tx = db.transaction()?;
    tx.execute_batch(schema::BASE)?;
    tx.execute(
        "INSERT INTO gpkg_metadata VALUES (1, 'dataset', ?1, 'text/plain', ?2)",
        [schema::METADATA_STANDARD, statement],
    )?;
    tx.execute(
        "INSERT INTO gpkg_metadata_reference VALUES ('geopackage', NULL, NULL, NULL, ?1, 1, NULL)",
        [changed],
    )?;
    for table in tables {
        add_table(&tx, table, changed)?;
    }
    tx.commit()
}

fn add_table(db: &Connection, t: &GeoTable, changed: &str) -> rusqlite::Result<()> {
    let [west, east, south, north] = extent(&t.rows).map_or([None; 4], |b| b.map(Some));
    db.execute(
        "INSERT INTO gpkg_contents VALUES (?1, 'features', ?1, ?2, ?3, ?4, ?5, ?6, ?7, 4326)",
        params![t.name, t.title, changed, west, south, east, north],
    )?;
    db.execute_batch(&schema::table(t))?;
    db.execute(
        "INSERT INTO gpkg_geometry_columns VALUES (?1, 'geom', ?2, 4326, 0, 0)",
        [t.name.as_str(), t.geometry],
    )?;
    for c in &t.columns {
        db.execute(
            "INSERT INTO gpkg_data_columns VALUES (?1, ?2, NULL, NULL, ?3, NULL, NULL)",
            [&t.name, &c.name, &c.about],
        )?;
    }
    add_rows(db, t)?;
    // The triggers call functions that only programs for maps have, so they come when all rows are in.
    db.execute_batch(&schema::index_triggers(&t.name))?;
    db.execute(
        "INSERT INTO gpkg_extensions VALUES (?1, 'geom', 'gpkg_rtree_index', ?2, 'write-only')",
        [t.name.as_str(), schema::RTREE_DEFINITION],
    )?;
    Ok(())
}

fn add_rows(db: &Connection, t: &GeoTable) -> rusqlite::Result<()> {
    let mut row = db.prepare(&schema::insert_row(t))?;
    let mut index = db.prepare(&schema::insert_index(&t.name))?;
    for (id, r) in (1i64..).zip(&t.rows) {
        let geometry = GeoBlob(blob(r));
        let first: [&dyn ToSql; 2] = [&id, &geometry];
        row.execute(params_from_iter(first.into_iter().chain(r.values.iter().map(|v| v as &dyn ToSql))))?;
        let [west, east, south, north] = r.bounds;
        index.execute(params![id, west, east, south, north])?;
    }
    Ok(())
}

struct GeoBlob(Vec<u8>);

impl ToSql for GeoBlob {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        self.0.as_slice().to_sql()
    }
}

/// GeoPackage's own header (§2.1.3) before the WKB: `GP`, version 0, flags, reference system, envelope.
fn blob(r: &GeoRow) -> Vec<u8> {
    // Bit 0: little-endian; bits 1 to 3: envelope of x and y. A point is its own envelope.
    let point = r.wkb.get(1..5) == Some(&[1, 0, 0, 0]);
    let mut out = vec![b'G', b'P', 0, if point { 1 } else { 1 | 1 << 1 }];
    out.extend(4326i32.to_le_bytes());
    if !point {
        r.bounds.iter().for_each(|v| out.extend(v.to_le_bytes()));
    }
    out.extend(&r.wkb);
    out
}

fn extent(rows: &[GeoRow]) -> Option<[f64; 4]> {
    rows.iter()
        .map(|r| r.bounds)
        .reduce(|a, b| [a[0].min(b[0]), a[1].max(b[1]), a[2].min(b[2]), a[3].max(b[3])])
}

#[cfg(test)]
mod tests;
