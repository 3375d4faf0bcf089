//! Golden lines of published samples, and two independent parsers.

use super::common::{drive, n, read, sentence as made};
use super::parsers::{agrees_with_nmea, agrees_with_nmea_0183};
use leadline_ingest::Problem;
use leadline_ingest::nmea::{Content, Day, DepthKind, Fix, FixKind, sentence};
use leadline_model::{FixClass, UtcMillis};
use nmea_0183_rs::{NmeaSentence, parse_frame_strict};

/// Source: gpsd regression logs (test/daemon) and "NMEA Revealed"; checksums recomputed.
const GOLDEN: [&str; 16] = [
    "$SDDPT,5.3,0.4,*79",
    "$INDPT,2.3,0.0*46",
    "$SDDPT,4.1,-0.7,100.0*7B",
    "$SDDPT,,0.4,*51",
    "$SDDBT,7.8,f,2.4,M,1.3,F*0D",
    "$SDDBT,,f,22.5,M,,F*33",
    "$SDDBT,17.5,f,5.3,M,2.9,F*38",
    "$INMTW,17.9,C*1B",
    "$SDMTW,,C*1A",
    "$SDVHW,231.3,T,229.9,M,6.6,N,12.3,K*71",
    "$SDHDG,229.8,,,1.3,E*36",
    "$GPGGA,094736,5251.0094,N,00518.8172,E,1,12,0.60,-4,M,46.8,M,,*4B",
    "$GPRMC,094737,A,5251.0093,N,00518.8170,E,5.6,230.5,200818,1.4,E,A*1F",
    "$GPZDA,094737,20,08,2018,-01,00*6B",
    "$GPVTG,220.86,T,,M,2.550,N,4.724,K,A*34",
    "$GPRMC,094737,V,,,,,,,200818,,,N*5E",
];

fn content(line: &str) -> Content {
    sentence(line.as_bytes()).unwrap_or_else(|p| panic!("{line}: {p}")).content
}

fn fix(line: &str) -> Fix {
    match content(line) {
        Content::Fix(fix) => fix,
        other => panic!("{line}: {other:?}"),
    }
}

#[test]
fn depths() {
    for (line, kind, mm, offset) in [
        (GOLDEN[0], DepthKind::Dpt, 5300, Some(400)),
        (GOLDEN[1], DepthKind::Dpt, 2300, None),
        (GOLDEN[2], DepthKind::Dpt, 4100, Some(-700)),
        (GOLDEN[4], DepthKind::Dbt, 2400, None),
        (GOLDEN[5], DepthKind::Dbt, 22_500, None),
        (GOLDEN[6], DepthKind::Dbt, 5300, None),
        // 1 ft = 0.3048 m, 1 fathom = 1.8288 m (international yard and pound agreement, 1959).
        ("$SDDBT,10.0,f,,M,,F", DepthKind::Dbt, 3048, None),
        ("$SDDBS,,f,,M,2.5,F", DepthKind::Dbs, 4572, None),
        ("$SDDBK,,f,-0.2,M,,F", DepthKind::Dbk, -200, None),
    ] {
        match content(line) {
            Content::Depth(d) => assert_eq!((d.kind, d.depth_mm, d.offset_mm), (kind, mm, offset), "{line}"),
            other => panic!("{line}: {other:?}"),
        }
    }
    for (line, problem) in [
        (GOLDEN[3], Problem::NoDepth),
        ("$SDDBT,,f,,M,,F", Problem::NoDepth),
        ("$SDDPT,0.0,0.4", Problem::ZeroDepth),
        ("$SDDBT,-3.0,f,,M,,F", Problem::ZeroDepth),
        ("$SDDPT,99999.0,0.4", Problem::DepthOutOfRange),
        ("$SDDPT,4.x,0.4", Problem::MalformedField),
        ("$SDDBT,17.5,f,5.3,M,2.9", Problem::TornLine),
        ("$SDDPT,5.3", Problem::TornLine),
        ("$SDXYZ,5.3,1", Problem::UnknownSentence),
        ("$SDDPTX,5.3,1", Problem::UnknownSentence),
    ] {
        assert_eq!(sentence(line.as_bytes()).map(|s| s.content), Err(problem), "{line}");
    }
}

#[test]
fn fixes_and_evidence() {
    let gga = fix(GOLDEN[11]);
    // 5251.0094 N = 52.850156667, 00518.8172 E = 5.313620 (gpsd's reference).
    let p = gga.position.expect("a position").lonlat();
    assert!((p.lat - 52.850_156_667).abs() < 1e-9 && (p.lon - 5.313_62).abs() < 1e-9);
    assert_eq!(
        (gga.kind, gga.class, gga.sats, gga.hdop_centi),
        (FixKind::Gga, Some(FixClass::Autonomous), Some(12), Some(60))
    );
    let time = Some((9 * 3600 + 47 * 60 + 36) * 1000);
    assert_eq!((gga.time_of_day, gga.day), (time, None));

    let day = Day::Start(UtcMillis::from_civil(2018, 8, 20, 0, 0, 0, 0).expect("a day"));
    let rmc = fix(GOLDEN[12]);
    // 5.6 kn = 2881 mm/s (a knot is 1852 m an hour, exact).
    assert_eq!((rmc.day, rmc.speed_mm_s, rmc.void), (Some(day), Some(2881), false));
    let void = fix(GOLDEN[15]);
    assert_eq!(
        (void.position, void.void, void.class, void.day),
        (None, true, Some(FixClass::None), Some(day))
    );

    assert_eq!(content(GOLDEN[7]), Content::Temperature(Some(1790)));
    assert_eq!(content(GOLDEN[8]), Content::Temperature(None));
    assert_eq!(content(GOLDEN[9]), Content::NotNeeded);
    assert_eq!(content(GOLDEN[10]), Content::NotNeeded);
    assert_eq!(content(GOLDEN[13]), Content::Date(rmc.time_of_day, day));
    // 2.550 kn = 1312 mm/s; the old form has no letters; km/h stands in for missing knots.
    assert_eq!(content(GOLDEN[14]), Content::Speed(Some(1312)));
    assert_eq!(content("$GPVTG,220.86,,2.550,4.724"), Content::Speed(Some(1312)));
    assert_eq!(content("$GPVTG,220.86,T,,M,,N,4.724,K"), Content::Speed(Some(1312)));
    assert_eq!(
        content("$GPGSA,A,3,07,08,10,16,20,21,26,27,29,76,75,70,1.10,0.60,0.90*0B"),
        Content::Dop(Some(60))
    );
}

#[test]
fn receiver_states() {
    for (line, class, void) in [
        // Status V with a mode is "valid but poor": the class stands, with a warning.
        (
            "$GPRMC,094737,V,5251.0093,N,00518.8170,E,5.6,230.5,200818,1.4,E,E",
            Some(FixClass::Estimated),
            true,
        ),
        ("$GPRMC,094737,V,5251.0093,N,00518.8170,E,5.6,230.5,200818,1.4,E", Some(FixClass::None), true),
        ("$GPRMC,094737,A,5251.0093,N,00518.8170,E,5.6,230.5,200818,1.4,E", None, false),
        ("$GPGLL,5251.0093,N,00518.8170,E,094736,A,D", Some(FixClass::Differential), false),
        ("$GPGGA,094736,5251.0094,N,00518.8172,E,0,00,99.99,-4,M,46.8,M,,", Some(FixClass::None), true),
        ("$GPGGA,094736,5251.0094,N,00518.8172,E,5,12,0.60,-4,M,46.8,M,,", Some(FixClass::RtkFloat), false),
        ("$GNGNS,094736,5251.0094,N,00518.8172,E,ANR,12,0.60,-4,46.8,,", Some(FixClass::RtkFixed), false),
        ("$GNGNS,094736,5251.0094,N,00518.8172,E,NN,00,,,,,", Some(FixClass::None), true),
    ] {
        assert_eq!((fix(line).class, fix(line).void), (class, void), "{line}");
    }
    let nowhere = fix("$GPGGA,094736,0000.0000,N,00000.0000,E,0,00,,,M,,M,,");
    assert_eq!((nowhere.position, nowhere.hdop_centi), (None, None));
    for (line, problem) in [
        ("$GPGLL,9100.0,N,00518.8170,E,094736,A", Problem::PositionOutOfRange),
        ("$GPGLL,8600.0,N,00518.8170,E,094736,A", Problem::PositionOutOfRange),
        ("$GPGLL,5260.0,N,00518.8170,E,094736,A", Problem::PositionOutOfRange),
        ("$GPGLL,5251.0,N,18000.1,E,094736,A", Problem::PositionOutOfRange),
        ("$GPGLL,5251.0,,00518.8170,E,094736,A", Problem::MalformedField),
        ("$GPGLL,5251.0,N,00518.8170,E,254736,A", Problem::MalformedField),
    ] {
        assert_eq!(sentence(line.as_bytes()).map(|s| s.content), Err(problem), "{line}");
    }
    assert_eq!(fix("$GPRMC,000000,A,,,,,,,310226,,").day, Some(Day::Impossible));
    let year_1999 = UtcMillis::from_civil(1999, 8, 22, 0, 0, 0, 0).expect("a day");
    assert_eq!(fix("$GPRMC,000000,A,,,,,,,220899,,").day, Some(Day::Start(year_1999)));
}

#[test]
fn one_flipped_bit_is_rejected() {
    for line in GOLDEN {
        // The body between $ and *: there a flipped bit cannot pass the checksum.
        let star = line.find('*').expect("a checksum");
        for i in 1..star {
            for bit in 0..8 {
                let mut bytes = line.as_bytes().to_vec();
                bytes[i] ^= 1 << bit;
                let got = sentence(&bytes);
                assert!(got.is_err(), "{}: {got:?}", String::from_utf8_lossy(&bytes));
            }
        }
    }
}

#[test]
fn golden_lines_as_a_log() {
    let log = GOLDEN.join("\r\n");
    let (legs, report) = read(log.as_bytes());
    assert_eq!((report.lines, legs.len()), (16, 0));
    assert_eq!((n(&report, Problem::NoDepth), n(&report, Problem::NoPosition)), (1, 6));
    assert_eq!(n(&report, Problem::ReceiverVoid), 1);
    assert_eq!(report.uses.blank, 0);
}

#[test]
fn agrees_with_two_other_parsers() {
    let start = UtcMillis::from_civil(2026, 5, 1, 9, 59, 0, 0).expect("a day");
    let log = drive(start, 90)
        + &GOLDEN.join("\n")
        + "\n"
        + &made("GPGLL,3751.65,S,14507.36,W,225444.25,A")
        + &made("GNGNS,112257.00,3844.24011,S,00908.43828,W,AN,03,10.5,1.5,45.0,,")
        + &made("SDDBS,15.8,f,4.8,M,2.6,F")
        + &made("SDDBK,15.8,f,4.8,M,2.6,F");
    let (mut first, mut second) = (0, 0);
    for line in log.lines() {
        let ours = sentence(line.as_bytes());
        if let Ok(theirs) = nmea::parse_str(line) {
            first += usize::from(agrees_with_nmea(line, ours.as_ref().ok().map(|s| s.content), &theirs));
        }
        let framed = format!("{line}\r\n");
        let frame = parse_frame_strict(&framed).unwrap_or_else(|e| panic!("{line}: {e:?}"));
        second += usize::from(agrees_with_nmea_0183(
            line,
            ours.ok().map(|s| s.content),
            &NmeaSentence::parse(&frame),
        ));
    }
    // 90 s of RMC, GGA and DPT (the first crate has no DBT), and of all four; the golden lines on top.
    assert!(first >= 270 + 8 && second >= 360 + 12, "{first} {second}");
}
