//! Cells as comma-separated values.

use crate::nodes::canonical;
use crate::units::fixed;
use leadline_model::Cell;
use std::io;

/// Column names, in order.
pub(crate) const HEADER: &str = "lon,lat,depth_m,tvu95_m,grade,soundings,passes,devices,newest_utc,disputed";

/// Writes one row per charted cell in order of cell id: position of its soundings in degrees (7 decimals),
/// best depth in metres at `stage_m` above the sounding datum (0 = the datum itself), positive down.
///
/// # Errors
/// Only those of `out`.
pub fn cells_csv(cells: &[Cell], stage_m: f64, out: &mut dyn io::Write) -> io::Result<()> {
    writeln!(out, "{HEADER}")?;
    for c in canonical(cells) {
        let p = c.at.lonlat();
        writeln!(
            out,
            "{},{},{},{},{},{},{},{},{},{}",
            fixed(p.lon, 7),
            fixed(p.lat, 7),
            fixed(c.depth_m + stage_m, 3),
            fixed(c.tvu95_m, 3),
            c.grade,
            c.soundings,
            c.passes,
            c.devices,
            c.newest,
            c.disputed
        )?;
    }
    Ok(())
}
