//! What every raster says about itself, and the words for its coordinate reference system.

use crate::ChartInfo;

/// EPSG:3857 as OGC 01-009 text, as most programs read it.
pub(crate) const WKT: &str = r#"PROJCS["WGS 84 / Pseudo-Mercator",GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,AUTHORITY["EPSG","7030"]],AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,AUTHORITY["EPSG","8901"]],UNIT["degree",0.0174532925199433,AUTHORITY["EPSG","9122"]],AUTHORITY["EPSG","4326"]],PROJECTION["Mercator_1SP"],PARAMETER["central_meridian",0],PARAMETER["scale_factor",1],PARAMETER["false_easting",0],PARAMETER["false_northing",0],UNIT["metre",1,AUTHORITY["EPSG","9001"]],AXIS["Easting",EAST],AXIS["Northing",NORTH],EXTENSION["PROJ4","+proj=merc +a=6378137 +b=6378137 +lat_ts=0 +lon_0=0 +x_0=0 +y_0=0 +k=1 +units=m +nadgrids=@null +wktext +no_defs"],AUTHORITY["EPSG","3857"]]"#;

/// The same as the text of a .prj file beside a grid.
pub(crate) const PRJ: &str = r#"PROJCS["WGS_1984_Web_Mercator_Auxiliary_Sphere",GEOGCS["GCS_WGS_1984",DATUM["D_WGS_1984",SPHEROID["WGS_1984",6378137.0,298.257223563]],PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]],PROJECTION["Mercator_Auxiliary_Sphere"],PARAMETER["False_Easting",0.0],PARAMETER["False_Northing",0.0],PARAMETER["Central_Meridian",0.0],PARAMETER["Standard_Parallel_1",0.0],PARAMETER["Auxiliary_Sphere_Type",0.0],UNIT["Meter",1.0]]"#;

/// Name and text of every statement; texts are escaped for showing, not yet for a format.
pub(crate) fn statements(info: &ChartInfo, contents: &str) -> Vec<(&'static str, String)> {
    let place = |(name, text)| match name {
        "units" => (name, "metres, depths positive down; positions in metres of EPSG:3857".to_owned()),
        _ => (name, text),
    };
    crate::statements::statements(info, contents).into_iter().map(place).collect()
}

/// The statements as one text, a line each.
pub(crate) fn in_words(statements: &[(&'static str, String)]) -> String {
    let lines: Vec<String> = statements.iter().map(|(k, v)| format!("{k}: {v}")).collect();
    lines.join("\n")
}

/// Text inside XML, in element or attribute.
pub(crate) fn xml(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}
