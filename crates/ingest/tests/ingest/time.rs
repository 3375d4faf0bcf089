//! Time and place of depths: interpolation, midnight, gaps, clocks that go back, missing dates.

use super::common::{at, depths, drive, fixes, n, read, read_assuming, read_with, sentence, soundings};
use leadline_ingest::{Format, Options, Problem};
use leadline_model::{DepthFrom, FixClass, Flags, UtcMillis};

fn dpt(metres: &str) -> String {
    sentence(&format!("SDDPT,{metres},"))
}

fn gll(time: &str, minutes: &str) -> String {
    sentence(&format!("GPGLL,5251.0000,N,005{minutes},E,{time},A,A"))
}

fn rmc(time: &str, minutes: &str, date: &str) -> String {
    sentence(&format!("GPRMC,{time},A,5251.0000,N,005{minutes},E,5.4,90.0,{date},,,A"))
}

#[test]
fn between_two_fixes_by_arrival() {
    let log = rmc("120000", "10.0000", "010526")
        + &dpt("2.0")
        + &dpt("2.1")
        + &dpt("2.2")
        + &rmc("120002", "10.0040", "010526")
        + &dpt("2.3");
    let (legs, report) = read(log.as_bytes());
    assert_eq!((report.format, report.soundings, report.uses.used), (Format::Nmea0183, 4, 6));
    let all = soundings(&legs);
    let t0 = at("2026-05-01T12:00:00Z");
    // A quarter, a half, three quarters of two seconds and of 0.0040'; the last is held.
    for (s, (ms, minutes, flags)) in all.iter().zip([
        (500, 10.0010, Flags::default()),
        (1000, 10.0020, Flags::default()),
        (1500, 10.0030, Flags::default()),
        (2500, 10.0040, Flags::HELD),
    ]) {
        assert_eq!((s.time, s.flags), (UtcMillis(t0.0 + ms), flags));
        // A place of the grid is about 1.7e-7 degrees.
        assert!((s.at.lonlat().lon - (5.0 + minutes / 60.0)).abs() < 3e-7, "{:?}", s.at.lonlat());
        assert!((s.at.lonlat().lat - 52.85).abs() < 3e-7);
        assert_eq!((s.from, s.speed_mm_s, s.fix), (DepthFrom::Transducer, Some(2778), FixClass::Autonomous));
    }
    assert_eq!(legs[0].instrument, "NMEA 0183 SD/DPT");
}

/// A recording that was cut off goes on some seconds later: the last depth before that is none of the way between.
#[test]
fn nothing_is_interpolated_across_an_interruption() {
    let before =
        rmc("120000", "10.0000", "010526") + &dpt("2.0") + &rmc("120001", "10.0020", "010526") + &dpt("2.1");
    let after = rmc("120009", "10.0180", "010526") + &dpt("2.9") + &rmc("120010", "10.0200", "010526");
    let times = |between: &str| -> Vec<(i64, bool)> {
        let (legs, _) = read(format!("{before}{between}{after}").as_bytes());
        let t0 = at("2026-05-01T12:00:00Z").0;
        soundings(&legs).iter().map(|s| (s.time.0 - t0, s.flags.has(Flags::HELD))).collect()
    };
    assert_eq!(times(""), [(500, false), (5000, false), (9500, false)]);
    assert_eq!(times("# source 1 udp:0.0.0.0:10110\n"), [(500, false), (1500, true), (9500, false)]);
    assert_eq!(times("# a remark\n"), times(""));
}

#[test]
fn across_the_antimeridian() {
    let fix = |t: &str, lon: &str| sentence(&format!("GPRMC,{t},A,1700.0,S,{lon},5.4,90.0,010526,,,A"));
    let log = fix("120000", "17959.9990,E") + &dpt("9.0") + &fix("120001", "17959.9990,W");
    let all = soundings(&read(log.as_bytes()).0);
    assert!(all[0].at.lonlat().lon.abs() > 179.999_999, "{:?}", all[0].at.lonlat());
}

#[test]
fn evidence_comes_from_all_sentences_and_grows_old() {
    let log = rmc("120000", "10.0000", "010526")
        + &sentence("GPGGA,120000,5251.0000,N,00510.0000,E,2,09,1.25,-4,M,46.8,M,,")
        + &sentence("SDMTW,17.9,C")
        + &dpt("2.0")
        + &gll("120004", "10.0040")
        + &dpt("2.1")
        + &gll("120009", "10.0090")
        + &dpt("2.2")
        + &gll("120011", "10.0110");
    let all = soundings(&read(log.as_bytes()).0);
    let (hdop, temp): (Vec<_>, Vec<_>) = all.iter().map(|s| (s.hdop_centi, s.temp_centi)).unzip();
    assert_eq!(hdop, [Some(125), Some(125), None]);
    assert_eq!(temp, [Some(1790), Some(1790), Some(1790)]);
    assert_eq!((all[0].fix, all[0].sats), (FixClass::Differential, Some(9)));
}

#[test]
fn no_fix_is_said_not_dropped() {
    let void = |t: &str| sentence(&format!("GPRMC,{t},V,5251.0000,N,00510.0000,E,,,010526,,,N"));
    let log = void("120000") + &dpt("2.0") + &void("120001") + &dpt("2.1") + &void("120002");
    let (legs, report) = read(log.as_bytes());
    assert_eq!(n(&report, Problem::ReceiverVoid), 3);
    let all = soundings(&legs);
    assert_eq!(all.len(), 2);
    assert!(all.iter().all(|s| s.fix == FixClass::None && s.flags.has(Flags::WARNING)));
}

#[test]
fn too_far_apart_or_too_fast() {
    let gap = rmc("120000", "10.0", "010526") + &dpt("2.0") + &rmc("120011", "10.02", "010526") + &dpt("2.1");
    let (legs, _) = read(gap.as_bytes());
    // Both depths follow their fix in one burst: held, not interpolated over eleven seconds.
    let held: Vec<_> = soundings(&legs).iter().map(|s| (s.time, s.flags)).collect();
    assert_eq!(held, [(at("2026-05-01T12:00:00Z"), Flags::HELD), (at("2026-05-01T12:00:11Z"), Flags::HELD)]);
    // 0.1' of longitude at 52.85° are 112 m in a second.
    let leap = rmc("120000", "10.0", "010526") + &dpt("2.0") + &rmc("120001", "10.1", "010526");
    let (legs, report) = read(leap.as_bytes());
    assert_eq!((legs.len(), n(&report, Problem::NoPosition)), (0, 1));
}

#[test]
fn the_last_fix_is_not_held_for_long() {
    let mut log = rmc("120000", "10.0", "010526") + &dpt("2.0") + &rmc("120001", "10.001", "010526");
    for _ in 0..10 {
        log += &dpt("2.2");
    }
    // Two lines a second: four lines are two seconds.
    let (_, report) = read(log.as_bytes());
    assert_eq!((report.soundings, n(&report, Problem::NoPosition)), (5, 6));
    assert_eq!(n(&read(dpt("2.0").as_bytes()).1, Problem::NoPosition), 1);
}

#[test]
fn across_midnight_without_a_new_date() {
    let log = rmc("235958", "10.0000", "310526")
        + &dpt("2.0")
        + &gll("235959", "10.0010")
        + &dpt("2.1")
        + &gll("000000", "10.0020")
        + &dpt("2.2")
        + &gll("000001", "10.0030");
    let (legs, report) = read(log.as_bytes());
    assert!(report.problems.is_empty(), "{report:?}");
    let times: Vec<_> = soundings(&legs).iter().map(|s| s.time.to_string()).collect();
    assert_eq!(times, ["2026-05-31T23:59:58.500Z", "2026-05-31T23:59:59.500Z", "2026-06-01T00:00:00.500Z"]);
    assert_eq!(legs.len(), 2);
    // A receiver that is late with the date.
    let stale = log.replacen(&gll("000000", "10.0020"), &rmc("000000", "10.0020", "310526"), 1);
    assert_eq!(read(stale.as_bytes()).0, {
        let dated = log.replacen(&gll("000000", "10.0020"), &rmc("000000", "10.0020", "010626"), 1);
        read(dated.as_bytes()).0
    });
}

#[test]
fn the_date_may_come_later_in_the_same_stretch() {
    let early = gll("120000", "10.0000") + &dpt("2.0") + &gll("120001", "10.0010") + &dpt("2.1");
    let (legs, report) = read((early.clone() + &rmc("120002", "10.0020", "010526")).as_bytes());
    assert!(report.problems.is_empty(), "{report:?}");
    let times: Vec<_> = soundings(&legs).iter().map(|s| s.time.to_string()).collect();
    assert_eq!(times, ["2026-05-01T12:00:00.500Z", "2026-05-01T12:00:01.500Z"]);
    // ZDA does as well.
    let zda = early.clone() + &sentence("GPZDA,120001,01,05,2026,,") + &gll("120002", "10.0020");
    let times: Vec<_> = soundings(&read(zda.as_bytes()).0).iter().map(|s| s.time.to_string()).collect();
    // The ZDA is a line more between the fixes: a half and a third.
    assert_eq!(times, ["2026-05-01T12:00:00.500Z", "2026-05-01T12:00:01.333Z"]);
    // After a gap it is another story.
    let (_, report) = read((early + &rmc("120102", "10.0020", "010526")).as_bytes());
    assert_eq!((report.soundings, n(&report, Problem::NoDate)), (0, 2));
}

#[test]
fn the_wait_for_a_date_is_bounded() {
    let mut log = String::new();
    for s in 0..700 {
        log += &gll(&format!("12{:02}{:02}", s / 60, s % 60), &format!("10.{:04}", s * 10));
        log += &dpt("2.0");
    }
    log += &rmc("121140", "10.7000", "010526");
    let (_, report) = read(log.as_bytes());
    assert!((90..=100).contains(&n(&report, Problem::NoDate)), "{report:?}");
    assert_eq!(report.soundings + n(&report, Problem::NoDate), 700);
}

#[test]
fn no_date_at_all() {
    let log = gll("233000", "10.0000") + &dpt("2.0") + &gll("233001", "10.0010");
    let (legs, report) = read(log.as_bytes());
    assert_eq!((legs.len(), n(&report, Problem::NoDate)), (0, 1));
    let (legs, report) = read_assuming(log.as_bytes(), "2012-01-19T00:00:00Z");
    assert!(report.problems.is_empty());
    let s = soundings(&legs)[0];
    assert_eq!((s.time, s.flags), (at("2012-01-19T23:30:00.500Z"), Flags::ASSUMED_TIME));
    // The statement is the log's begin: an earlier time of day is the day after.
    let s = soundings(&read_assuming(log.as_bytes(), "2012-01-19T23:45:00Z").0)[0];
    assert_eq!(s.time, at("2012-01-20T23:30:00.500Z"));
    // The log's own date wins.
    let own = rmc("233000", "10.0000", "010526") + &dpt("2.0") + &gll("233001", "10.0010");
    assert_eq!(
        soundings(&read_assuming(own.as_bytes(), "2026-01-19T00:00:00Z").0)[0].flags,
        Flags::default()
    );
}

#[test]
fn clock_set_back() {
    // As in a real river log: 19:41:24 is followed by 19:41:11.
    let mut log = String::new();
    let mut line = |t: &str, place: i32| {
        log += &rmc(t, &format!("10.{:04}", place * 10), "160906");
        log += &dpt("2.0");
    };
    for s in 0..25 {
        line(&format!("1941{s:02}"), s);
    }
    for s in 11..30 {
        line(&format!("1941{s:02}"), s + 14);
    }
    let (legs, report) = read(log.as_bytes());
    assert_eq!((report.soundings, n(&report, Problem::ClockBack)), (44, 1));
    let all = soundings(&legs);
    let flagged = all.iter().filter(|s| s.flags.has(Flags::CLOCK_JUMP));
    // Ten seconds on each side: 19:41:14.0 to 24.0 before it, 11.0 to 21.0 after it.
    assert_eq!(flagged.count(), 11 + 10);
    // Nobody drives backward: positions either side of the jump are not mixed.
    let lons: Vec<f64> = all.iter().map(|s| (s.at.lonlat().lon - 5.0) * 60.0).collect();
    assert!(lons.iter().all(|m| (10.0..=10.044).contains(m)));
    assert_eq!(legs.len(), 1);
}

#[test]
fn dates_that_cannot_be() {
    let day = |date: &str| rmc("120000", "10.0000", date) + &dpt("2.0") + &rmc("120001", "10.0010", date);
    for date in ["310226", "220899", "010180"] {
        let (_, report) = read(day(date).as_bytes());
        assert_eq!((n(&report, Problem::BadDate), n(&report, Problem::NoDate)), (2, 1), "{date}");
    }
    let default = sentence("GPRMC,115959,V,,,,,,,010115,,,N")
        + &gll("120000", "10.0000")
        + &dpt("2.0")
        + &rmc("120001", "10.0010", "010526");
    assert_eq!(soundings(&read(default.as_bytes()).0)[0].time, at("2026-05-01T12:00:00.500Z"));
    for assumed in [UtcMillis(i64::MIN), UtcMillis(i64::MAX)] {
        let log = gll("120000", "10.0000") + &dpt("2.0") + &gll("120001", "10.0010");
        let (_, report) = read_with(log.as_bytes(), Options { assumed_date: Some(assumed) });
        assert_eq!(n(&report, Problem::NoDate), 1);
    }
    // 1024 weeks before 2026-05-01 is 2006-09-15.
    let (legs, report) = read_assuming(day("150906").as_bytes(), "2026-05-01T00:00:00Z");
    assert_eq!(n(&report, Problem::BadDate), 2);
    assert_eq!(soundings(&legs)[0].time, at("2026-05-01T12:00:00.500Z"));
    assert_eq!(read(day("150906").as_bytes()).1.soundings, 1, "nothing contradicts it");
    let after = day("010526") + &rmc("120002", "10.0020", "150906") + &dpt("2.1") + &gll("120003", "10.0030");
    let (legs, report) = read(after.as_bytes());
    assert_eq!((n(&report, Problem::BadDate), report.soundings, legs.len()), (1, 2, 1));
}

#[test]
fn one_stream_of_depths() {
    let start = at("2026-05-01T12:00:00Z");
    let (legs, report) = read(drive(start, 60).as_bytes());
    assert_eq!((report.soundings, n(&report, Problem::Duplicate)), (60, 60));
    assert!(soundings(&legs).iter().all(|s| s.offset_mm == Some(400) && !s.flags.has(Flags::DISAGREES)));
    assert_eq!(legs[0].counts.get(&Problem::Duplicate), Some(&60));
    // Two talkers, and one that disagrees by more than 0.1 m.
    let pair = |other: &str| {
        fixes(start, 0)
            + &depths(250)
            + &sentence(&format!("XXDPT,{other},"))
            + &fixes(UtcMillis(start.0 + 1000), 1)
    };
    for (other, flags) in [("2.60", Flags::default()), ("2.61", Flags::DISAGREES), ("2.39", Flags::DISAGREES)]
    {
        let all = soundings(&read(pair(other).as_bytes()).0);
        assert_eq!((all.len(), all[0].depth_mm, all[0].flags), (1, 2500, flags), "{other}");
    }
    // A depth from the surface stands on another reference: a duplicate, but no contradiction.
    let surface = fixes(start, 0)
        + &depths(250)
        + &sentence("SDDBS,9.5,f,2.9,M,1.6,F")
        + &fixes(UtcMillis(start.0 + 1000), 1);
    assert_eq!(soundings(&read(surface.as_bytes()).0)[0].flags, Flags::default());
    // Without DPT, DBT stands.
    let log = fixes(start, 0) + &sentence("SDDBT,7.8,f,2.4,M,1.3,F") + &fixes(UtcMillis(start.0 + 1000), 1);
    assert_eq!(read(log.as_bytes()).0[0].instrument, "NMEA 0183 SD/DBT");
}

#[test]
fn lines_without_checksum() {
    let bare = |s: String| format!("{}\n", s.split('*').next().unwrap_or_default());
    let log = bare(rmc("120000", "10.0", "010526")) + &dpt("2.0") + &bare(rmc("120001", "10.001", "010526"));
    let (legs, report) = read(log.as_bytes());
    assert_eq!(n(&report, Problem::NoChecksum), 3);
    assert!(soundings(&legs)[0].flags.has(Flags::UNCHECKED));
    // Where the same sentence just had one, a missing checksum means a torn line.
    let torn =
        rmc("120000", "10.0", "010526") + &dpt("12.0") + "$SDDPT,1,\r\n" + &rmc("120001", "10.001", "010526");
    let (_, report) = read(torn.as_bytes());
    assert_eq!((report.soundings, n(&report, Problem::TornLine)), (1, 1));
    // The end of the file is the end of a line only with a checksum.
    let cut = rmc("120000", "10.0", "010526") + "$SDDBT,7.8,f,2.4,M,1.3,F";
    assert_eq!(n(&read(cut.as_bytes()).1, Problem::TornLine), 1);
}

#[test]
fn long_lines_and_mixed_ends() {
    let fix = rmc("120000", "10.0", "010526");
    let depth = "$SDDPT,5.3,0.4,*79";
    for (length, soundings) in [(1024, 1), (1025, 0)] {
        let log = format!(
            "{fix}{}{depth}\n{}",
            " ".repeat(length - depth.len()),
            rmc("120001", "10.001", "010526")
        );
        let (_, report) = read(log.as_bytes());
        assert_eq!(
            (report.soundings, n(&report, Problem::TooLongLine)),
            (soundings, 1 - soundings),
            "{length}"
        );
    }
    let log = fix + depth + "\r" + depth + "\r\n" + depth + "\n\n \r\r# a remark\n" + depth + "\n\r";
    let (_, report) = read(log.as_bytes());
    assert_eq!((report.lines, report.uses.blank, report.uses.comments), (10, 4, 1));
    assert_eq!(report.soundings, 1, "four times the same held reading");
}
