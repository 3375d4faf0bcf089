//! Nothing is lost at many times the rate of any boat's instruments.
//!
//! `LEADLINE_SENTENCES=1000000` makes it a million sentences.

use super::live::{Live, device};
use std::net::UdpSocket;
use std::time::{Duration, Instant};

/// Sentences a second: a thousand boats' instruments.
const RATE: u32 = 20_000;

fn sentence(body: &str) -> String {
    format!("${body}*{:02X}\r\n", body.bytes().fold(0, |a, b| a ^ b))
}

#[test]
fn nothing_is_lost_from_datagrams() {
    let sentences: u32 =
        std::env::var("LEADLINE_SENTENCES").ok().and_then(|n| n.parse().ok()).unwrap_or(60_000);
    let d = device();
    let mut live = Live::start(&d, &["udp:127.0.0.1:0"]);
    let to = live.address();
    let socket = UdpSocket::bind("127.0.0.1:0").expect("bound");
    let begun = Instant::now();
    // A fix and nine depths a second of the log, ten a second of depths: days of it within seconds.
    let (mut depths, mut bytes) = (0u64, 0u64);
    for i in 0..sentences {
        let (s, k) = (i / 10, i % 10);
        let line = if k == 0 {
            let (day, of_day) = (1 + s / 86_400, s % 86_400);
            let (h, m, sec) = (of_day / 3600, of_day / 60 % 60, of_day % 60);
            let lon = 24.78 + f64::from(s % 3_000) * 0.0016;
            sentence(&format!(
                "GPRMC,{h:02}{m:02}{sec:02}.00,A,4812.6000,N,007{lon:07.4},E,3.9,90.0,{day:02}0526,,,D"
            ))
        } else {
            depths += 1;
            sentence(&format!("SDDPT,{:.2},0.0", 5.0 + f64::from(i % 1_000) * 0.01))
        };
        bytes += line.len() as u64;
        socket.send_to(line.as_bytes(), &to).expect("sent");
        let due = begun + Duration::from_secs_f64(f64::from(i) / f64::from(RATE));
        if due > Instant::now() {
            std::thread::sleep(due - Instant::now());
        }
    }
    live.bytes(bytes);
    let took = begun.elapsed();
    let ended = live.end();
    let lost: u64 = ended["problems"]["no-position"].as_u64().unwrap_or(0);
    println!(
        "{sentences} sentences in {:.1} s: {} soundings, {lost} depths without a place, {} legs",
        took.as_secs_f64(),
        ended["soundings"],
        ended["legs"]
    );
    assert_eq!((ended["bytes"].as_u64(), ended["lost_bytes"].as_u64()), (Some(bytes), Some(0)));
    let soundings = ended["soundings"].as_u64().expect("a number");
    assert_eq!(soundings + lost + ended["problems"]["duplicate"].as_u64().unwrap_or(0), depths, "{ended}");
}
