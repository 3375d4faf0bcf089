//! XYZ: longitude, latitude and depth of points, nothing else.

use crate::units::fixed;
use crate::{Layer, Shape, Value};
use std::io;

/// Writes one line a point that has a `depth_m`: degrees (7 decimals) and metres, positive down, with blanks
/// between. No header: readers of XYZ take every line for a point, so the file's statements need one of
/// their own.
///
/// # Errors
/// Only those of `out`.
pub fn layer_xyz(layer: &Layer, out: &mut dyn io::Write) -> io::Result<()> {
    let Some(depth) = layer.columns.iter().position(|c| c.name == "depth_m") else { return Ok(()) };
    for f in &layer.features {
        if let (Shape::Point(p), Some(Value::Number(d))) = (&f.shape, f.values.get(depth))
            && d.is_finite()
        {
            writeln!(out, "{} {} {}", fixed(p.lon, 7), fixed(p.lat, 7), fixed(*d, 3))?;
        }
    }
    Ok(())
}
