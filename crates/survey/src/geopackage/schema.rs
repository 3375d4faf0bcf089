//! The tables that GeoPackage 1.3 asks for.

use super::GeoTable;

/// Named in the extension's row, as the standard's own annex has it.
pub(super) const RTREE_DEFINITION: &str = "http://www.geopackage.org/spec130/#extension_rtree";
/// Where the words of the metadata are explained.
pub(super) const METADATA_STANDARD: &str = "http://www.geopackage.org/spec130/#extension_metadata";

/// §1.1.1 (application id "GPKG", version), §1.1.2, §1.1.3, §2.1.5, §2.3.1, Annexes F.8 (metadata) and F.9 (schema).
pub(super) const BASE: &str = "
PRAGMA application_id = 0x47504B47;
PRAGMA user_version = 10300;
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL PRIMARY KEY,
  organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL,
  definition TEXT NOT NULL,
  description TEXT
);
INSERT INTO gpkg_spatial_ref_sys VALUES
  ('Undefined Cartesian', -1, 'NONE', -1, 'undefined', 'undefined Cartesian coordinates'),
  ('Undefined geographic', 0, 'NONE', 0, 'undefined', 'undefined geographic coordinates'),
  ('WGS 84 geodetic', 4326, 'EPSG', 4326,
   'GEOGCS[\"WGS 84\",DATUM[\"WGS_1984\",SPHEROID[\"WGS 84\",6378137,298.257223563,AUTHORITY[\"EPSG\",\"7030\"]],AUTHORITY[\"EPSG\",\"6326\"]],PRIMEM[\"Greenwich\",0,AUTHORITY[\"EPSG\",\"8901\"]],UNIT[\"degree\",0.0174532925199433,AUTHORITY[\"EPSG\",\"9122\"]],AXIS[\"Latitude\",NORTH],AXIS[\"Longitude\",EAST],AUTHORITY[\"EPSG\",\"4326\"]]',
   'longitude and latitude in degrees');
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY,
  data_type TEXT NOT NULL,
  identifier TEXT UNIQUE,
  description TEXT DEFAULT '',
  last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE,
  min_y DOUBLE,
  max_x DOUBLE,
  max_y DOUBLE,
  srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id)
);
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL,
  column_name TEXT NOT NULL,
  geometry_type_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL,
  z TINYINT NOT NULL,
  m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id)
);
CREATE TABLE gpkg_extensions (
  table_name TEXT,
  column_name TEXT,
  extension_name TEXT NOT NULL,
  definition TEXT NOT NULL,
  scope TEXT NOT NULL,
  CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name)
);
CREATE TABLE gpkg_metadata (
  id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL,
  md_scope TEXT NOT NULL DEFAULT 'dataset',
  md_standard_uri TEXT NOT NULL,
  mime_type TEXT NOT NULL DEFAULT 'text/xml',
  metadata TEXT NOT NULL DEFAULT ''
);
CREATE TABLE gpkg_metadata_reference (
  reference_scope TEXT NOT NULL,
  table_name TEXT,
  column_name TEXT,
  row_id_value INTEGER,
  timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  md_file_id INTEGER NOT NULL,
  md_parent_id INTEGER,
  CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
  CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id)
);
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL,
  column_name TEXT NOT NULL,
  name TEXT,
  title TEXT,
  description TEXT,
  mime_type TEXT,
  constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name)
);
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL,
  constraint_type TEXT NOT NULL,
  value TEXT,
  min NUMERIC,
  min_is_inclusive BOOLEAN,
  max NUMERIC,
  max_is_inclusive BOOLEAN,
  description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value)
);
INSERT INTO gpkg_extensions VALUES
  ('gpkg_metadata', NULL, 'gpkg_metadata', 'http://www.geopackage.org/spec130/#extension_metadata', 'read-write'),
  ('gpkg_metadata_reference', NULL, 'gpkg_metadata', 'http://www.geopackage.org/spec130/#extension_metadata', 'read-write'),
  ('gpkg_data_columns', NULL, 'gpkg_schema', 'http://www.geopackage.org/spec130/#extension_schema', 'read-write'),
  ('gpkg_data_column_constraints', NULL, 'gpkg_schema', 'http://www.geopackage.org/spec130/#extension_schema', 'read-write');
";

/// The feature table and its R-tree.
pub(super) fn table(t: &GeoTable) -> String {
    let name = &t.name;
    let columns: String = t.columns.iter().map(|c| format!(", {} {}", quoted(&c.name), c.kind)).collect();
    format!(
        "CREATE TABLE {} (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom {}{columns});
         CREATE VIRTUAL TABLE {} USING rtree(id, minx, maxx, miny, maxy);",
        quoted(name),
        t.geometry,
        index(name)
    )
}

pub(super) fn insert_row(t: &GeoTable) -> String {
    let marks = ", ?".repeat(t.columns.len());
    format!("INSERT INTO {} VALUES (?, ?{marks})", quoted(&t.name))
}

pub(super) fn insert_index(name: &str) -> String {
    format!("INSERT INTO {} VALUES (?, ?, ?, ?, ?)", index(name))
}

/// Annex F.3: six triggers keep the index right when another program changes rows. Which one runs depends on
/// whether the row's id changed and whether a geometry is left.
pub(super) fn index_triggers(name: &str) -> String {
    let (table, index) = (quoted(name), index(name));
    let trigger = |ending: &str| quoted(&format!("rtree_{name}_geom_{ending}"));
    let filled = "NEW.geom NOTNULL AND NOT ST_IsEmpty(NEW.geom)";
    let empty = "(NEW.geom ISNULL OR ST_IsEmpty(NEW.geom))";
    let add = format!(
        "INSERT OR REPLACE INTO {index} VALUES (NEW.fid, ST_MinX(NEW.geom), ST_MaxX(NEW.geom), \
         ST_MinY(NEW.geom), ST_MaxY(NEW.geom));"
    );
    let remove = format!("DELETE FROM {index} WHERE id = OLD.fid;");
    let rows = [
        ("insert", "INSERT", filled.to_owned(), add.clone()),
        ("update1", "UPDATE OF geom", format!("OLD.fid = NEW.fid AND {filled}"), add.clone()),
        ("update2", "UPDATE OF geom", format!("OLD.fid = NEW.fid AND {empty}"), remove.clone()),
        ("update3", "UPDATE", format!("OLD.fid != NEW.fid AND {filled}"), format!("{remove} {add}")),
        (
            "update4",
            "UPDATE",
            format!("OLD.fid != NEW.fid AND {empty}"),
            format!("DELETE FROM {index} WHERE id IN (OLD.fid, NEW.fid);"),
        ),
        ("delete", "DELETE", "OLD.geom NOTNULL".to_owned(), remove),
    ];
    rows.iter()
        .map(|(ending, event, when, what)| {
            format!(
                "CREATE TRIGGER {} AFTER {event} ON {table} WHEN {when} BEGIN {what} END;\n",
                trigger(ending)
            )
        })
        .collect()
}

fn index(name: &str) -> String {
    quoted(&format!("rtree_{name}_geom"))
}

fn quoted(name: &str) -> String {
    format!("\"{}\"", name.replace('"', "\"\""))
}
