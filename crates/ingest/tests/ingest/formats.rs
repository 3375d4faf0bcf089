//! NMEA 2000, Signal K, GPX and GeoJSON: what comes out of small logs whose truth is known.

use crate::common::{at, n, read, read_assuming, read_chunks, soundings};
use leadline_ingest::{Format, Options, Problem};
use leadline_model::{DepthFrom, FixClass, Flags, Sounding};

fn hex(data: &[u8]) -> String {
    data.iter().map(|b| format!("{b:02X}")).collect()
}

/// One frame in the log form; `ms` after 2022-09-10T12:06:57Z by a computer that is 41 s ahead.
fn frame(ms: i64, id: u32, data: &[u8]) -> String {
    let stamp = 1_662_811_617_000 + 41_000 + ms;
    format!("({}.{:03}000) can0 {id:08X}#{}\n", stamp / 1000, stamp % 1000, hex(data))
}

/// 129029 of second `s` in seven frames: the boat goes east by 1e-5 degrees a second.
fn gnss(s: u32, sequence: u8, source: u32) -> String {
    let mut m = vec![0x37, 0x2d, 0x4b];
    m.extend((436_170_000 + s * 10_000).to_le_bytes());
    m.extend(531_801_465_000_000_000i64.to_le_bytes());
    m.extend((54_284_500_000_000_000i64 + i64::from(s) * 100_000_000_000).to_le_bytes());
    m.extend(46_100_000i64.to_le_bytes());
    m.extend([0x10, 0xfc, 0x0c]);
    m.extend(70i16.to_le_bytes());
    m.extend(130i16.to_le_bytes());
    m.extend(4660i32.to_le_bytes());
    m.push(0);
    let mut log = String::new();
    let id = 0x0DF8_0500 | source;
    let first = [&[sequence << 5, m.len() as u8][..], &m[..6]].concat();
    let ms = i64::from(s) * 1000;
    log += &frame(ms, id, &first);
    for (i, part) in m[6..].chunks(7).enumerate() {
        let mut f = vec![sequence << 5 | (i as u8 + 1)];
        f.extend(part);
        f.resize(8, 0xff);
        log += &frame(ms, id, &f);
    }
    log
}

fn bus_depth(ms: i64, centimetres: u32) -> String {
    let mut m = vec![0xff];
    m.extend(centimetres.to_le_bytes());
    m.extend([0xbc, 0x02, 0xff]);
    frame(ms, 0x0DF5_0B23, &m)
}

fn drive() -> String {
    (0..20).map(|s| gnss(s, (s % 8) as u8, 0x10) + &bus_depth(i64::from(s) * 1000 + 250, 500 + s)).collect()
}

#[test]
fn a_bus_log_is_placed_by_the_receivers_time_and_the_stamps_between() {
    let (legs, report) = read(drive().as_bytes());
    assert_eq!((report.format, report.soundings), (Format::Nmea2000, 20));
    assert_eq!(legs[0].instrument, "NMEA 2000 35/128267");
    let all = soundings(&legs);
    let first: &Sounding = &all[0];
    // The computer's clock is 41 s off; the receiver's counts.
    assert_eq!(first.time, at("2022-09-10T12:06:57.250Z"));
    assert_eq!((first.depth_mm, first.from, first.offset_mm), (5_000, DepthFrom::Transducer, Some(700)));
    assert_eq!((first.fix, first.sats, first.hdop_centi), (FixClass::Autonomous, Some(12), Some(70)));
    // A quarter of the way: 2.5e-6 degrees east of the first fix. One unit of the grid is 1.7e-7 degrees.
    let step = f64::from(all[1].at.x() - first.at.x()) * 360.0 / f64::from(1u32 << 31);
    assert!((step - 1e-5).abs() < 4e-7, "{step}");
    assert!(all.windows(2).take(18).all(|w| w[1].time.0 - w[0].time.0 == 1000));
    assert!(all.last().expect("20").flags.has(Flags::HELD));
}

#[test]
fn the_three_ways_of_writing_give_the_same_soundings() {
    let log = drive();
    let plain: String = log
        .lines()
        .map(|l| {
            let (stamp, rest) = l[1..].split_once(") can0 ").expect("log form");
            let (id, data) = rest.split_once('#').expect("log form");
            let id = u32::from_str_radix(id, 16).expect("hex");
            let ms: i64 = stamp.replace('.', "")[..13].parse().expect("digits");
            let time = leadline_model::UtcMillis(ms).to_string();
            let bytes: Vec<_> = data.as_bytes().chunks(2).map(|b| String::from_utf8_lossy(b)).collect();
            format!("{time},3,{},{},255,{},{}\n", id >> 8 & 0x3_ffff, id & 255, bytes.len(), bytes.join(","))
        })
        .collect();
    let screen: String = log
        .lines()
        .map(|l| {
            let (stamp, rest) = l.split_once(" can0 ").expect("log form");
            let (id, data) = rest.split_once('#').expect("log form");
            let bytes: Vec<_> = data.as_bytes().chunks(2).map(|b| String::from_utf8_lossy(b)).collect();
            format!(" {stamp}  can0  {id}   [{}]  {}\n", bytes.len(), bytes.join(" "))
        })
        .collect();
    let expected = soundings(&read(log.as_bytes()).0);
    assert_eq!(soundings(&read(plain.as_bytes()).0), expected);
    assert_eq!(soundings(&read(screen.as_bytes()).0), expected);
}

#[test]
fn a_position_alone_counts_while_no_timed_one_comes() {
    // System time each second, rapid positions, no 129029.
    let mut log = String::new();
    for s in 0..12u32 {
        let ms = i64::from(s) * 1000;
        let mut time = vec![1, 0xf0, 0x2d, 0x4b];
        time.extend((436_170_000 + s * 10_000).to_le_bytes());
        log += &frame(ms, 0x0DF0_1010, &time);
        let lon = 54_284_681 + s as i32 * 100;
        let place = [531_801_965i32.to_le_bytes(), lon.to_le_bytes()].concat();
        log += &frame(ms + 100, 0x09F8_0110, &place);
        log += &bus_depth(ms + 600, 300 + s);
    }
    let (legs, report) = read(log.as_bytes());
    assert_eq!(report.soundings, 12);
    assert_eq!(soundings(&legs)[0].time, at("2022-09-10T12:06:57.600Z"));
    // Positions before any stated time have no time.
    let late: String = log.lines().skip(1).map(|l| format!("{l}\n")).collect();
    assert_eq!(n(&read(late.as_bytes()).1, Problem::NoDate), 1);
}

#[test]
fn of_two_receivers_the_lower_address_stands_and_its_silence_is_bridged() {
    let mut log = String::new();
    for s in 0..20 {
        if !(5..15).contains(&s) {
            log += &gnss(s, (s % 8) as u8, 0x10);
        }
        log += &gnss(s, (s % 8) as u8, 0x20);
        log += &bus_depth(i64::from(s) * 1000 + 250, 400);
    }
    let (legs, report) = read(log.as_bytes());
    assert_eq!(report.soundings, 20);
    let all = soundings(&legs);
    assert!(all.windows(2).all(|w| w[1].at.x() >= w[0].at.x()), "no leaps between receivers");
}

#[test]
fn torn_frames_of_the_bus_are_named() {
    let mut lines: Vec<String> = drive().lines().map(|l| format!("{l}\n")).collect();
    lines.remove(3);
    lines[20].truncate(30);
    let (_, report) = read(lines.concat().as_bytes());
    // The frames behind the gap, and the cut line with the one that it runs into.
    assert_eq!(n(&report, Problem::TornLine), 4, "{report:?}");
    assert!(report.soundings >= 18);
}

fn delta(time: &str, values: &str) -> String {
    format!(
        r#"{{"context":"vessels.urn:mrn:signalk:uuid:c0d79334-4e25-4245-8892-54e8ccc8021d","updates":[{{"$source":"bus.35","timestamp":"{time}","values":[{values}]}}]}}"#
    ) + "\n"
}

#[test]
fn deltas_are_placed_by_their_timestamps_and_other_vessels_are_not() {
    let mut log = String::from(
        r#"{"name":"server","version":"1.8.2","self":"vessels.urn:mrn:signalk:uuid:c0d79334-4e25-4245-8892-54e8ccc8021d","roles":["master"]}"#,
    ) + "\n";
    for s in 0..10 {
        let place = format!(
            r#"{{"path":"navigation.position","value":{{"latitude":52.8501567,"longitude":{}}}}}"#,
            5.313_62 + f64::from(s) * 1e-5
        );
        log += &delta(&format!("2014-08-15T16:00:{s:02}.000Z"), &place);
        log += &format!(
            r#"{{"context":"vessels.urn:mrn:imo:mmsi:244660000","updates":[{{"timestamp":"2014-08-15T16:00:{s:02}.100Z","values":[{{"path":"navigation.position","value":{{"latitude":1.0,"longitude":2.0}}}}]}}]}}"#
        );
        log.push('\n');
        log += &delta(
            &format!("2014-08-15T16:00:{s:02}.500Z"),
            r#"{"path":"environment.depth.belowSurface","value":5.2},{"path":"environment.depth.belowTransducer","value":4.6},{"path":"environment.depth.surfaceToTransducer","value":0.6},{"path":"environment.water.temperature","value":291.15}"#,
        );
    }
    let (legs, report) = read(log.as_bytes());
    assert_eq!((report.format, report.soundings), (Format::SignalK, 10));
    let all = soundings(&legs);
    assert_eq!(all[0].time, at("2014-08-15T16:00:00.500Z"));
    assert_eq!((all[0].depth_mm, all[0].offset_mm, all[1].temp_centi), (4_600, Some(600), Some(1_800)));
    assert!(all.iter().all(|s| s.at.lonlat().lat > 52.0));
    assert_eq!(report.uses.not_needed, 11, "the greeting and the other vessel");
}

#[test]
fn broken_deltas_are_named() {
    let good = delta(
        "2014-08-15T16:00:00Z",
        r#"{"path":"navigation.position","value":{"latitude":52.8,"longitude":5.3}}"#,
    );
    let null = delta("2014-08-15T16:00:01Z", r#"{"path":"environment.depth.belowTransducer","value":null}"#);
    let log = good.clone() + &null + "{\"updates\":[{\"val\n" + &good.replace("16:00:00Z", "16:00:00");
    let (_, report) = read(log.as_bytes());
    assert_eq!(n(&report, Problem::NoDepth), 1);
    assert_eq!(n(&report, Problem::TornLine), 1);
    assert_eq!(n(&report, Problem::MalformedField), 1);
}

const GPX: &str = r#"<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.1" creator="an example" xmlns="http://www.topografix.com/GPX/1/1" xmlns:s="urn:example:sounder">
 <metadata><time>2026-05-01T10:00:00Z</time></metadata>
 <wpt lat="52.0" lon="5.0"><name>slip</name></wpt>
 <trk><name>bay &amp; creek</name><trkseg>
  <trkpt lat="52.850000" lon="5.313620"><ele>0</ele><time>2026-05-01T10:00:00Z</time><hdop>0.9</hdop><extensions><s:depth>3.45</s:depth><s:temp>17.5</s:temp></extensions></trkpt>
  <!-- <trkpt lat="1" lon="1"><extensions><depth>9</depth></extensions></trkpt> -->
  <trkpt lon="5.313720" lat="52.850000"><time>2026-05-01T10:00:02.5Z</time><extensions><ns:wrap xmlns:ns="urn:x"><ns:depth>3.5</ns:depth></ns:wrap></extensions></trkpt>
  <trkpt lat="52.850000" lon="5.313820"><time>2026-05-01T10:00:04Z</time></trkpt>
  <trkpt lat="52.850000" lon="5.313920"/>
  <trkpt lat="52.850000" lon="5.314020"><time>2026-05-01T10:00:06Z</time><extensions><depth>0</depth></extensions></trkpt>
  <trkpt lat="92.850000" lon="105.314120"><time>2026-05-01T10:00:08Z</time><extensions><depth>4</depth></extensions></trkpt>
 </trkseg></trk>
</gpx>
"#;

#[test]
fn tracks_with_depths() {
    let (legs, report) = read(GPX.as_bytes());
    assert_eq!((report.format, report.lines), (Format::Gpx, 6));
    assert_eq!(legs[0].instrument, "GPX");
    let all = soundings(&legs);
    let short: Vec<_> = all.iter().map(|s| (s.time.to_string(), s.depth_mm)).collect();
    assert_eq!(
        short,
        [
            ("2026-05-01T10:00:00Z".to_owned(), 3_450),
            ("2026-05-01T10:00:02.500Z".to_owned(), 3_500),
            ("2026-05-01T10:00:06Z".to_owned(), 0),
        ]
    );
    assert_eq!(
        (all[0].hdop_centi, all[0].temp_centi, all[0].from),
        (Some(90), Some(1_750), DepthFrom::Unknown)
    );
    assert_eq!(report.uses.not_needed, 2, "points without a depth");
    assert_eq!(n(&report, Problem::PositionOutOfRange), 1);
    let torn = &GPX[..GPX.find("10:00:06Z").expect("there")];
    assert_eq!(n(&read(torn.as_bytes()).1, Problem::TornLine), 1);
}

const GEOJSON: &str = r#"{"type":"FeatureCollection","crs":{"type":"name","properties":{"name":"EPSG:4326"}},
"properties":{"convention":"CSB 3.1","platform":{"type":"Ship","sensors":[{"type":"Sounder"}]}},
"features":[
{"type":"Feature","geometry":{"type":"Point","coordinates":[-119.372498,72.095873]},"properties":{"depth":108.9,"time":"2015-08-06T22:00:00.000Z","note":"a \"quoted\" {brace}\\"}},
{"type":"Feature","geometry":{"type":"Point","coordinates":[-119.372600,72.095900,0.0]},"properties":{"time":"2015-08-06T22:00:10Z","depth":"107.5"}},
{"type":"Feature","geometry":{"type":"LineString","coordinates":[[0,0],[1,1]]},"properties":{"depth":1}},
{"type":"Feature","geometry":{"type":"Point","coordinates":[-119.3727,72.096]},"properties":{"time":"2015-08-06T22:00:20Z","depth":null}},
{"type":"Feature","geometry":null,"properties":null}
]}"#;

#[test]
fn points_with_depths() {
    let (legs, report) = read(GEOJSON.as_bytes());
    assert_eq!((report.format, report.lines, report.soundings), (Format::GeoJson, 5, 2));
    let all = soundings(&legs);
    assert_eq!((all[0].depth_mm, all[1].depth_mm), (108_900, 107_500));
    assert_eq!(all[0].time, at("2015-08-06T22:00:00Z"));
    assert_eq!((report.uses.not_needed, n(&report, Problem::NoDepth)), (2, 1));
    let torn = &GEOJSON[..GEOJSON.find("107.5").expect("there")];
    assert_eq!(n(&read(torn.as_bytes()).1, Problem::TornLine), 1);
    // Points whose properties name no depth.
    let other = GEOJSON.replace("depth", "catch");
    assert_eq!(n(&read(other.as_bytes()).1, Problem::UnknownColumns), 3);
}

#[test]
fn chunks_make_no_difference() {
    let long = GPX.replace("<s:depth>3.45", &format!("<x>{}</x><s:depth>3.45", "y".repeat(70_000)));
    for log in [drive(), GPX.to_owned(), GEOJSON.to_owned(), long] {
        let whole = read(log.as_bytes());
        for size in [1, 7, 100, 4096] {
            let chunks: Vec<&[u8]> = log.as_bytes().chunks(size).collect();
            assert_eq!(read_chunks(&chunks, Options::default()), whole, "{size}");
        }
    }
}

#[test]
fn a_stated_date_does_not_move_logs_that_have_one() {
    let (legs, _) = read_assuming(GPX.as_bytes(), "2026-05-01T00:00:00Z");
    assert_eq!(soundings(&legs), soundings(&read(GPX.as_bytes()).0));
}
