//! Several kinds of logs, days that are typed, logs that are packed.

use super::live::{Live, device};
use crate::home::small_log;
use flate2::write::GzEncoder;
use std::io::Write;

#[test]
fn a_source_of_another_kind_is_refused_and_the_rest_is_recorded() {
    let d = device();
    let mut live = Live::start(&d, &["-", "udp:127.0.0.1:0"]);
    let to = live.address();
    let log = small_log(60, |s| 5.0 + f64::from(s % 9) * 0.1);
    live.say(log.as_bytes());
    live.bytes(log.len() as u64);
    let socket = std::net::UdpSocket::bind("127.0.0.1:0").expect("bound");
    // Each datagram is one frame; 4 KiB are looked at.
    for _ in 0..120 {
        socket.send_to(b"(1436454509.053905) can0 09F8027F#36FC8A360400FFFF\n", &to).expect("sent");
        std::thread::sleep(std::time::Duration::from_millis(1));
    }
    let warning = live.warning("other-kind");
    let words = warning["words"].as_str().expect("words");
    for part in ["speaks nmea-2000", "this recording is nmea-0183", "nothing of that source", "second window"]
    {
        assert!(words.contains(part), "{words}");
    }
    let ended = live.end();
    assert_eq!(ended["soundings"], 60, "{ended}");
    assert_eq!(d.json(&["status"])["soundings"], 60);
}

#[test]
fn a_typed_day_dates_a_log_without_one() {
    let d = device();
    let log: String =
        small_log(60, |_| 5.0).split_inclusive('\n').filter(|l| !l.contains("RMC")).collect::<String>();
    let path = d.write("dateless.nmea", &log);
    let source = format!("replay:{}@max", path.display());
    let record = ["record", "--boat", "Heron", "--json", "--from", &source];
    d.run(&record).says(1, &[]);
    assert_eq!(d.json(&["status"])["soundings"], 0);
    d.run(&[&record[..], &["--date", "2026-05-01"]].concat()).says(0, &["\"soundings\":60"]);
    assert_eq!(d.json(&["status"])["soundings"], 60);
    d.run(&[&record[..], &["--date", "yesterday"]].concat()).says(1, &["--date"]);
}

#[test]
fn check_looks_into_packed_logs() {
    let d = device();
    let log = small_log(60, |_| 5.0);
    let mut gz = GzEncoder::new(Vec::new(), flate2::Compression::fast());
    gz.write_all(log.as_bytes()).expect("packed");
    let packed = d.write("a.nmea.gz", gz.finish().expect("packed"));
    let plain = d.write("a.nmea", &log);
    let look = |p: &std::path::Path| d.json(&["check", p.to_str().expect("UTF-8")])["sources"][0].clone();
    let (mut a, mut b) = (look(&packed), look(&plain));
    assert_eq!(a["format"], "nmea-0183", "{a}");
    for v in [&mut a, &mut b] {
        v.as_object_mut().expect("an object").remove("source");
    }
    assert_eq!(a, b);
    let broken = d.write("b.nmea.gz", &std::fs::read(&packed).expect("read")[..200]);
    d.run(&["check", broken.to_str().expect("UTF-8")]).says(1, &["b.nmea.gz"]);
}
