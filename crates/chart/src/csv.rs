//! Points of layers as comma-separated values (RFC 4180).

use crate::layer_text::{Written, written};
use crate::units::fixed;
use crate::{ChartInfo, Layer, Shape, cells_layer};
use leadline_model::Cell;
use std::io;

/// Writes the points of a layer, one row each: lon and lat in degrees (7 decimals), then the layer's columns.
/// Unknown values are empty; lines and areas have no row.
///
/// # Errors
/// Only those of `out`.
pub fn layer_csv(layer: &Layer, out: &mut dyn io::Write) -> io::Result<()> {
    let names: Vec<&str> = layer.columns.iter().map(|c| c.name).collect();
    writeln!(out, "lon,lat{}{}", if names.is_empty() { "" } else { "," }, names.join(","))?;
    for f in &layer.features {
        let Shape::Point(p) = f.shape else { continue };
        write!(out, "{},{}", fixed(p.lon, 7), fixed(p.lat, 7))?;
        for (column, value) in layer.columns.iter().zip(&f.values) {
            match written(column, value) {
                None => write!(out, ",")?,
                Some(Written::Bare(t)) => write!(out, ",{t}")?,
                Some(Written::Words(t)) => write!(out, ",{}", field(&t))?,
            }
        }
        writeln!(out)?;
    }
    Ok(())
}

/// Writes one row per charted cell in order of cell id: position of its soundings, best depth in metres at
/// `stage_m` above the sounding datum (0 = the datum itself), positive down.
///
/// # Errors
/// Only those of `out`.
pub fn cells_csv(cells: &[Cell], stage_m: f64, out: &mut dyn io::Write) -> io::Result<()> {
    let info = ChartInfo { stage_m, ..ChartInfo::default() };
    layer_csv(&cells_layer(cells, &info).without(&["boat"]), out)
}

/// Quoted where RFC 4180 §2 asks for it. What a spreadsheet would take for a formula gets an apostrophe before it,
/// which spreadsheets read as "this is text" (OWASP, "CSV Injection"): names come from other people's devices.
fn field(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        return field(&format!("'{text}"));
    }
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::field;

    #[test]
    fn names_are_no_formulas() {
        for name in ["=1+2", "+1", "-Heron-", "@SUM(A1)", "\t=1", "\r=1"] {
            assert!(field(name).trim_start_matches('"').starts_with('\''), "{name:?}");
        }
        assert_eq!(field("=HYPERLINK(\"a\",\"b\")"), "\"'=HYPERLINK(\"\"a\"\",\"\"b\"\")\"");
        for name in ["Heron", "Heron-2", "a=b", "sure", ""] {
            assert_eq!(field(name), name);
        }
        assert_eq!(field("one, two"), "\"one, two\"");
    }
}
