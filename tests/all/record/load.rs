//! Nothing is lost at many times the rate of any boat's instruments.
//!
//! `LEADLINE_SENTENCES=1000000` makes it a million sentences.

use super::live::{Live, device};
use serde_json::Value;
use std::io::Write;
use std::net::{TcpStream, UdpSocket};
use std::time::{Duration, Instant};

/// Datagrams a second: a hundred boats' instruments. A system drops datagrams when a computer is too busy for too
/// long, whoever reads them; a connection waits instead.
const DATAGRAM_RATE: u32 = 4_000;

fn sentence(body: &str) -> String {
    format!("${body}*{:02X}\r\n", body.bytes().fold(0, |a, b| a ^ b))
}

/// A fix and nine depths a second of the log; whether it is a depth.
fn line(i: u32) -> (String, bool) {
    let (s, k) = (i / 10, i % 10);
    if k > 0 {
        return (sentence(&format!("SDDPT,{:.2},0.0", 5.0 + f64::from(i % 1_000) * 0.01)), true);
    }
    let (day, of_day) = (1 + s / 86_400, s % 86_400);
    let (h, m, sec) = (of_day / 3600, of_day / 60 % 60, of_day % 60);
    let lon = 24.78 + f64::from(s % 3_000) * 0.0016;
    let fix =
        format!("GPRMC,{h:02}{m:02}{sec:02}.00,A,4812.6000,N,007{lon:07.4},E,3.9,90.0,{day:02}0526,,,D");
    (sentence(&fix), false)
}

/// Sends so many sentences by `send`; how many depths and bytes they were.
fn sent(sentences: u32, mut send: impl FnMut(u32, &str)) -> (u64, u64) {
    let (mut depths, mut bytes) = (0, 0);
    for i in 0..sentences {
        let (line, is_depth) = line(i);
        depths += u64::from(is_depth);
        bytes += line.len() as u64;
        send(i, &line);
    }
    (depths, bytes)
}

/// Every byte came, and every depth is a sounding or has its reason.
fn all_there(ended: &Value, (depths, bytes): (u64, u64)) {
    assert_eq!((ended["bytes"].as_u64(), ended["lost_bytes"].as_u64()), (Some(bytes), Some(0)), "{ended}");
    let reasons: u64 =
        ["no-position", "duplicate"].iter().filter_map(|p| ended["problems"][*p].as_u64()).sum();
    assert_eq!(ended["soundings"].as_u64().map(|n| n + reasons), Some(depths), "{ended}");
}

#[test]
fn nothing_is_lost_from_a_connection() {
    let sentences = std::env::var("LEADLINE_SENTENCES").ok().and_then(|n| n.parse().ok()).unwrap_or(100_000);
    let d = device();
    let mut live = Live::start(&d, &["listen:127.0.0.1:0"]);
    let mut out = std::io::BufWriter::new(TcpStream::connect(live.address()).expect("taken"));
    let begun = Instant::now();
    let all = sent(sentences, |_, line| out.write_all(line.as_bytes()).expect("taken"));
    out.flush().expect("taken");
    live.bytes(all.1);
    let took = begun.elapsed().as_secs_f64();
    let ended = live.end();
    println!(
        "{sentences} sentences in {took:.1} s: {} of {} depths are soundings",
        ended["soundings"], all.0
    );
    all_there(&ended, all);
}

#[test]
fn nothing_is_lost_from_datagrams() {
    let d = device();
    let mut live = Live::start(&d, &["udp:127.0.0.1:0"]);
    let to = live.address();
    let socket = UdpSocket::bind("127.0.0.1:0").expect("bound");
    let begun = Instant::now();
    let all = sent(20_000, |i, line| {
        let due = begun + Duration::from_secs_f64(f64::from(i) / f64::from(DATAGRAM_RATE));
        std::thread::sleep(due.saturating_duration_since(Instant::now()));
        socket.send_to(line.as_bytes(), &to).expect("sent");
    });
    live.bytes(all.1);
    all_there(&live.end(), all);
}
