//! CSV and XYZ tables, and files that are no logs.

use super::common::{at, n, read, read_assuming, soundings};
use leadline_ingest::{Format, Problem};
use leadline_model::{DepthFrom, Flags, Sounding};

fn one(table: &str) -> Sounding {
    let (legs, report) = read(table.as_bytes());
    assert_eq!((report.format, report.soundings), (Format::Csv, 1), "{table}: {report:?}");
    soundings(&legs)[0]
}

fn place(s: &Sounding, lon: f64, lat: f64) {
    let p = s.at.lonlat();
    assert!((p.lon - lon).abs() < 3e-7 && (p.lat - lat).abs() < 3e-7, "{p:?}");
}

#[test]
fn crowdsourced_bathymetry_form() {
    // Source: "Crowdsourced Bathymetry File Formats for Submission to the IHO DCDB" v3.0, sample row.
    let s = one("LON,LAT,DEPTH,TIME\n-119.372498, 72.095873, 108.9, 2015-08-06T22:00:00.000Z\n");
    place(&s, -119.372_498, 72.095_873);
    assert_eq!((s.time, s.depth_mm, s.from), (at("2015-08-06T22:00:00Z"), 108_900, DepthFrom::Unknown));
    // The archive's download form, and its sentinel.
    let (legs, report) = read(
        b"UNIQUE_ID,FILE_UUID,LON,LAT,DEPTH,TIME,PLATFORM_NAME,PROVIDER\n\
          A-1,f,-119.372498,72.095873,108.9,2015-08-06T22:00:00.000Z,\"a, b\",c\n\
          A-1,f,-119.372498,72.095873,-1000000000,2015-08-06T22:00:01.000Z,x,c\n",
    );
    assert_eq!((report.soundings, n(&report, Problem::DepthOutOfRange)), (1, 1));
    assert_eq!(legs[0].counts[&Problem::DepthOutOfRange], 1);
    assert_eq!(legs[0].instrument, "CSV");
}

#[test]
fn delimiters_units_and_directions() {
    let time = "2026-05-01T10:00:00Z";
    for (table, mm) in [
        (format!("lat;lon;depth (ft);time\n52,85;5,25;10,0;{time}\n"), 3048),
        (format!("latitude\tlongitude\tdepth [fathoms]\ttimestamp\n52.85\t5.25\t1\t{time}\n"), 1829),
        (format!("time lon lat z\n{time} 5.25 52.85 2.4\n"), 2400),
        (format!("x,y,z,time\n5.25,52.85,-2.4,{time}\n"), 2400),
        (format!("lon,lat,elevation_m,time\n5.25,52.85,-2.4,{time}\n"), 2400),
        (
            format!(
                "\u{feff}\"lon\",\"lat\",\"depth_cm\",\"time\"\r\n\"5.25\",\"52.85\",\"240\",\"{time}\"\r\n"
            ),
            2400,
        ),
        (format!("# lon lat depth time\n5.25 52.85 2.4 {time}\n"), 2400),
        (format!("lon,lat,depth,time\n5.25E,52.85N,2.4e0,{time}\n"), 2400),
    ] {
        let s = one(&table);
        place(&s, 5.25, 52.85);
        assert_eq!((s.depth_mm, s.time), (mm, at(time)), "{table}");
    }
    let s = one(
        "lon,lat,depth below keel,time_utc,sog (kn),hdop,sats,water temp (F)\n5,52,2,2026-05-01 10:00,10,0.9,12,68\n",
    );
    assert_eq!((s.from, s.speed_mm_s, s.hdop_centi), (DepthFrom::Keel, Some(5144), Some(90)));
    assert_eq!((s.sats, s.temp_centi, s.time), (Some(12), Some(2000), at("2026-05-01T10:00:00Z")));
}

#[test]
fn ways_to_write_a_time() {
    let time = |names: &str, fields: &str| {
        let (legs, report) = read(format!("lon,lat,depth,{names}\n5.1,52.1,2,{fields}\n").as_bytes());
        soundings(&legs)
            .first()
            .map(|s| s.time)
            .ok_or_else(|| report.problems.keys().copied().collect::<Vec<_>>())
    };
    let ten = Ok(at("2026-05-01T10:00:00Z"));
    assert_eq!(time("time", "2026-05-01T12:00:00+02:00"), ten);
    assert_eq!(time("time", "1777629600"), ten);
    assert_eq!(time("time", "1777629600000"), ten);
    assert_eq!(time("date,time_utc", "2026-05-01,10:00:00"), ten);
    assert_eq!(time("date,utc", "20260501,100000.0"), ten);
    assert_eq!(time("date,time", "2026/05/01,10:00Z"), ten);
    assert_eq!(time("time", "2026-05-01 10:00:00"), Err(vec![Problem::NoZone]));
    assert_eq!(time("time", "10:00:00"), Err(vec![Problem::NoDate]));
    assert_eq!(time("time", ""), Err(vec![Problem::NoDate]));
    assert_eq!(time("time", "soon"), Err(vec![Problem::BadRow]));
    assert_eq!(time("time", "1899-05-01T10:00:00Z"), Err(vec![Problem::BadDate]));
    assert_eq!(time("remark", "x"), Err(vec![Problem::NoDate]));
}

#[test]
fn without_times_as_of_a_stated_date() {
    let (legs, report) =
        read_assuming(b"lon,lat,depth\n5.1,52.1,2\n5.1,52.1,x\n5.1,52.1,3\n", "2026-05-01T10:00:00Z");
    assert_eq!((report.soundings, n(&report, Problem::BadRow)), (2, 1));
    let all = soundings(&legs);
    assert_eq!((all[0].time, all[1].time), (at("2026-05-01T10:00:00Z"), at("2026-05-01T10:00:02Z")));
    assert!(all.iter().all(|s| s.flags == Flags::ASSUMED_TIME));
}

#[test]
fn without_names() {
    let s = one("-119.37 72.09 10.5 2015-08-06T22:00:00Z\n");
    place(&s, -119.37, 72.09);
    let s = one("72.09,-119.37,10.5,2015-08-06T22:00:00Z\n");
    place(&s, -119.37, 72.09);
    for table in ["5.25 52.85 2.4\n5.26 52.85 2.5\n", "490398.1 3367546.8 2.4\n490399.1 3367546.8 2.4\n"] {
        let (legs, report) = read(table.as_bytes());
        assert_eq!((legs.len(), report.format), (0, Format::Unknown), "{table}");
        assert_eq!(n(&report, Problem::NotALog), 2);
    }
}

#[test]
fn swapped_columns_are_not_guessed() {
    let (legs, report) = read(
        b"lat,lon,depth,time\n-119.37,72.09,10,2015-08-06T22:00:00Z\n-80,72.09,10,2015-08-06T22:00:00Z\n",
    );
    assert_eq!((legs.len(), n(&report, Problem::SwappedColumns)), (0, 2));
    let (_, report) = read(b"lat,lon,depth,time\n-119.37,272.09,10,2015-08-06T22:00:00Z\n");
    assert_eq!(n(&report, Problem::PositionOutOfRange), 1);
}

#[test]
fn bad_rows() {
    let (_, report) = read(
        b"lon,lat,depth,time\n5.1,52.1\n5.1,,2,2015-08-06T22:00:00Z\n5.1,52.1,,2015-08-06T22:00:00Z\n\
          5.x,52.1,2,2015-08-06T22:00:00Z\n5.1,52.1,2,2015-08-06T22:00:00Z\n5.1,52.1,2,2015-08-06T22:00:00Z\n",
    );
    for p in [Problem::NoPosition, Problem::NoDepth, Problem::Duplicate] {
        assert_eq!(n(&report, p), 1, "{p}");
    }
    assert_eq!((n(&report, Problem::BadRow), report.soundings), (2, 1));
}

#[test]
fn rows_in_any_order_give_few_legs() {
    let row = |i: u64| {
        let minute = i * 37 % 60;
        format!("5.1{i:03},52.1,2,2026-05-01T10:{minute:02}:{:02}Z\n", i / 60)
    };
    let table: String = (0..600).map(row).collect();
    let (legs, report) = read(format!("lon,lat,depth,time\n{table}").as_bytes());
    assert_eq!((legs.len(), report.soundings), (6, 600));
}

#[test]
fn files_that_are_no_logs() {
    let noise: Vec<u8> = (0..5000u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
    for (file, format, words) in [
        (&b""[..], Format::Empty, ""),
        (b"\r\n \n", Format::Empty, ""),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", Format::Unknown, "PNG"),
        (b"<?xml version=\"1.0\"?><kml/>", Format::Unknown, "XML"),
        (b"\xff\xfe$\0G\0", Format::Unknown, "UTF-16"),
        (b"Dear diary,\ntoday we went fishing.\n", Format::Unknown, "Dear diary"),
        (b"lon,lat,elevation\n5.1,52.1,250\n", Format::Unknown, "heights"),
        (b"name,age\nx,3\n", Format::Unknown, "name,age"),
        (&noise, Format::Unknown, "binary"),
    ] {
        let (legs, report) = read(file);
        assert_eq!((report.format, legs.len()), (format, 0));
        let reading = report.reading.unwrap_or_default();
        assert!(reading.contains(words), "{reading}");
        if format == Format::Unknown {
            assert!(report.problems[&Problem::NotALog] >= 1);
            assert!(report.examples[0].detail.contains(words));
        }
    }
    // A log whose first bytes are noise of the line is still a log.
    let (_, report) = read(b"\0\0\xff$SDDPT,5.3,0.4,*79\r\n");
    assert_eq!(report.format, Format::Nmea0183);
}

#[test]
fn the_report_says_how_columns_were_taken() {
    let (_, report) = read(b"x,y,z\n5.1,52.1,-2\n");
    let reading = report.reading.unwrap_or_default();
    assert_eq!(reading, "columns lon 1, lat 2, depth 3 (metres, counted upward), no time; between commas");
}
