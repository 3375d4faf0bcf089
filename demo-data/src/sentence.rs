//! NMEA 0183 sentences as a boat's instruments write them. Source of the layouts: gpsd "NMEA Revealed".

use crate::bed::lonlat;
use crate::receiver::Fix;
use leadline_model::{FATHOM, FOOT, KNOT, LonLat, UtcMillis};

/// `$body*hh` without a line end; the checksum is the exclusive or of the body.
pub(crate) fn framed(body: &str) -> String {
    let sum = body.bytes().fold(0, |sum, c| sum ^ c);
    format!("${body}*{sum:02X}")
}

/// RMC; without a fix its fields are empty and its status is V.
pub(crate) fn rmc(at: UtcMillis, day: UtcMillis, fix: Option<&Fix>, mode: char) -> String {
    let (time, date) = (time_of_day(at), ddmmyy(day));
    framed(&match fix {
        Some(f) => {
            let place = position(lonlat(f.east, f.north));
            format!("GPRMC,{time},A,{place},{:.1},{:.1},{date},,,{mode}", f.speed / KNOT, f.course_deg)
        }
        None => format!("GPRMC,{time},V,,,,,,,{date},,,N"),
    })
}

/// GGA; quality 0 without a fix.
pub(crate) fn gga(at: UtcMillis, fix: Option<&Fix>, quality: u8) -> String {
    let time = time_of_day(at);
    framed(&match fix {
        Some(f) => {
            let place = position(lonlat(f.east, f.north));
            format!("GPGGA,{time},{place},{quality},{:02},{:.1},312.4,M,-38.2,M,,", f.sats, f.hdop)
        }
        None => format!("GPGGA,{time},,,,,0,00,99.9,,M,,M,,"),
    })
}

/// GLL with a mode letter.
pub(crate) fn gll(at: UtcMillis, fix: Option<&Fix>, mode: char) -> String {
    let time = time_of_day(at);
    framed(&match fix {
        Some(f) => format!("GPGLL,{},{time},A,{mode}", position(lonlat(f.east, f.north))),
        None => format!("GPGLL,,,,,{time},V,N"),
    })
}

/// GSA with as many satellites as are used.
pub(crate) fn gsa(fix: Option<&Fix>) -> String {
    framed(&match fix {
        Some(f) => {
            let ids: Vec<String> = (1..=12u32)
                .map(|i| if i <= f.sats { format!("{:02}", 2 * i + 1) } else { String::new() })
                .collect();
            format!("GPGSA,A,3,{},{:.1},{:.1},{:.1}", ids.join(","), f.hdop * 1.7, f.hdop, f.hdop * 1.4)
        }
        None => "GPGSA,A,1,,,,,,,,,,,,,99.9,99.9,99.9".to_owned(),
    })
}

/// DPT with hundredths of a metre; no depth is an empty field.
pub(crate) fn dpt(depth: Option<f64>, offset_m: f64) -> String {
    framed(&match depth {
        Some(d) => format!("SDDPT,{d:.2},{offset_m:.2}"),
        None => format!("SDDPT,,{offset_m:.2}"),
    })
}

/// DBT in three units, each rounded on its own.
pub(crate) fn dbt(depth: Option<f64>) -> String {
    framed(&match depth {
        Some(d) => format!("SDDBT,{:.1},f,{d:.1},M,{:.1},F", d / FOOT, d / FATHOM),
        None => "SDDBT,,f,,M,,F".to_owned(),
    })
}

/// MTW.
pub(crate) fn mtw(celsius: f64) -> String {
    framed(&format!("SDMTW,{celsius:.1},C"))
}

/// A line about satellites in view, which a survey does not need.
pub(crate) fn gsv(second: usize) -> String {
    let el = 20 + second % 60;
    framed(&format!("GPGSV,1,1,03,05,{el:02},083,41,13,{:02},201,38,21,{:02},310,33", 80 - el, el / 2 + 5))
}

/// `hhmmss.ss`.
pub(crate) fn time_of_day(at: UtcMillis) -> String {
    let ms = at.millis_of_day();
    let s = ms / 1000;
    format!("{:02}{:02}{:02}.{:02}", s / 3600, s / 60 % 60, s % 60, ms % 1000 / 10)
}

/// `ddmmyy`.
pub(crate) fn ddmmyy(at: UtcMillis) -> String {
    let (y, m, d) = at.date();
    format!("{d:02}{m:02}{:02}", y.rem_euclid(100))
}

/// `ddmm.mmmm,N,dddmm.mmmm,E`.
pub(crate) fn position(p: LonLat) -> String {
    let ns = if p.lat < 0.0 { 'S' } else { 'N' };
    let ew = if p.lon < 0.0 { 'W' } else { 'E' };
    let (lat, lon) = (ten_thousandths(p.lat), ten_thousandths(p.lon));
    let split = |v: u64| (v / 600_000, v % 600_000 / 10_000, v % 10_000);
    let ((ad, am, af), (od, om, of)) = (split(lat), split(lon));
    format!("{ad:02}{am:02}.{af:04},{ns},{od:03}{om:02}.{of:04},{ew}")
}

/// Ten-thousandths of a minute of arc.
fn ten_thousandths(degrees: f64) -> u64 {
    libm::round(degrees.abs() * 600_000.0) as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn checksums_of_real_lines() {
        // Source: lines of gpsd's test logs as quoted in the golden list (checksums 79, 38, 1B, 51).
        assert_eq!(framed("SDDPT,5.3,0.4,"), "$SDDPT,5.3,0.4,*79");
        assert_eq!(framed("SDDBT,17.5,f,5.3,M,2.9,F"), "$SDDBT,17.5,f,5.3,M,2.9,F*38");
        assert_eq!(framed("INMTW,17.9,C"), "$INMTW,17.9,C*1B");
        assert_eq!(framed("SDDPT,,0.4,"), "$SDDPT,,0.4,*51");
    }

    #[test]
    fn positions_of_a_real_line() {
        // 5251.0094,N is 52.850156667 and 00518.8172,E is 5.313620 (gpsd's lake log).
        let p = LonLat { lon: 5.313_62, lat: 52.850_156_667 };
        assert_eq!(position(p), "5251.0094,N,00518.8172,E");
        assert_eq!(position(LonLat { lon: -0.5, lat: -10.999_999_99 }), "1100.0000,S,00030.0000,W");
    }

    #[test]
    fn satellites_have_twelve_fields() {
        let fix = Fix { east: 0.0, north: 0.0, speed: 2.0, course_deg: 9.0, hdop: 0.9, sats: 7 };
        for line in [gsa(Some(&fix)), gsa(None)] {
            assert_eq!(line.split(',').count(), 3 + 12 + 3, "{line}");
        }
    }

    #[test]
    fn depth_sentences() {
        assert_eq!(dbt(Some(5.3)), "$SDDBT,17.4,f,5.3,M,2.9,F*39");
        assert!(dbt(None).starts_with("$SDDBT,,f,,M,,F*"));
        assert!(dpt(None, 0.3).starts_with("$SDDPT,,0.30*"));
        assert!(dpt(Some(4.126), 0.3).starts_with("$SDDPT,4.13,0.30*"));
    }
}
