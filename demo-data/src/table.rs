//! The second logger of one boat: a table in feet and knots with named columns.

use crate::bed::lonlat;
use crate::days::Moment;
use leadline_model::{FOOT, KNOT};
use std::fmt::Write as _;

/// One row a second, with one row a sounder left empty and one row written twice.
pub(crate) fn feet(moments: &[Moment]) -> Vec<u8> {
    let mut out = String::from("time_utc,lat,lon,depth_below_transducer_ft,speed_kn,hdop\n");
    for (second, moment) in moments.iter().enumerate() {
        let Some(fix) = moment.fix.as_ref() else { continue };
        let at = lonlat(fix.east, fix.north);
        let depth = moment.depth.map_or_else(String::new, |d| format!("{:.1}", d / FOOT));
        let row = format!(
            "{},{:.6},{:.6},{depth},{:.1},{:.1}",
            moment.stamp,
            at.lat,
            at.lon,
            fix.speed / KNOT,
            fix.hdop
        );
        for _ in 0..if second == 40 { 2 } else { 1 } {
            // Writing to a String cannot fail.
            let _ = writeln!(out, "{row}");
        }
    }
    out.into_bytes()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::receiver::Fix;
    use leadline_model::UtcMillis;

    #[test]
    fn a_row_in_feet_and_knots() {
        let fix = Fix { east: 0.0, north: 0.0, speed: 2.0, course_deg: 0.0, hdop: 0.86, sats: 9 };
        let moment =
            Moment { stamp: UtcMillis(0), old_date: false, fix: Some(fix), depth: Some(3.048), celsius: 9.0 };
        let text = String::from_utf8(feet(&[moment])).expect("text");
        let row: Vec<&str> = text.lines().nth(1).expect("one row").split(',').collect();
        assert_eq!((row[0], row[3], row[4], row[5]), ("1970-01-01T00:00:00Z", "10.0", "3.9", "0.9"));
    }
}
