//! What recording costs: the share of a core at ten depths and ten fixes a second, and the memory of an hour and of a
//! day of such data played as fast as can be.
//!
//! `cargo bench --bench record` (add `-- 60` to listen for so many seconds).
#![allow(clippy::print_stdout, reason = "a bench prints its table")]

mod common;

use common::{NOW, peak_rss_mb, request, text};
use leadline_record::{Plan, Recorded, Source, Told, record};
use leadline_survey::{Home, found_survey};
use std::fmt::Write;
use std::net::UdpSocket;
use std::path::Path;
use std::time::{Duration, Instant};

/// Ticks of the processor's account a second, as Linux tells them to programs.
const TICKS: f64 = 100.0;

fn main() {
    let dir = tempfile::tempdir().expect("a folder");
    let seconds = std::env::args().filter_map(|a| a.parse().ok()).max().unwrap_or(30);
    live(&dir.path().join("live"), seconds);
    println!("| hours at 10 Hz | log MB | recorded in s | soundings | legs | peak RSS MB |");
    println!("|---|---|---|---|---|---|");
    for hours in [1, 24] {
        played(dir.path(), hours);
    }
}

/// Ten times a second RMC, GGA, VTG, DPT and a GSV, as one boat's instruments speak.
fn tenth(t: u32) -> String {
    let (s, tenth) = (t / 10, t % 10);
    let (h, m, sec) = (s / 3600 % 24, s / 60 % 60, s % 60);
    let lon = 24.78 + f64::from(t % 30_000) * 0.00016;
    let mut out = String::new();
    for body in [
        format!("GPRMC,{h:02}{m:02}{sec:02}.{tenth}0,A,4812.6000,N,007{lon:08.5},E,3.9,90.0,010526,,,D"),
        format!("GPGGA,{h:02}{m:02}{sec:02}.{tenth}0,4812.6000,N,007{lon:08.5},E,2,09,0.9,340.0,M,47.0,M,,"),
        "GPVTG,90.0,T,,M,3.9,N,7.2,K,D".to_owned(),
        "GPGSV,1,1,00".to_owned(),
        format!("SDDPT,{:.2},0.0", 5.0 + f64::from(t % 1_000) * 0.01),
    ] {
        let sum = body.bytes().fold(0, |a, b| a ^ b);
        write!(out, "${body}*{sum:02X}\r\n").expect("a string takes all");
    }
    out
}

fn recorded(home: &Path, source: Source, lasts: Option<Duration>, tell: &mut dyn FnMut(Told)) -> Recorded {
    let home = Home::open(Some(home)).expect("a home");
    let id = found_survey(&home, &text("Bench"), &text("datum"), NOW).expect("founded");
    let store = home.store(&id).expect("a store");
    let plan = Plan { sources: vec![source], request: request(), lasts };
    record(&home, store, plan, tell).expect("recorded")
}

fn live(home: &Path, seconds: u64) {
    let port = UdpSocket::bind("127.0.0.1:0").and_then(|s| s.local_addr()).expect("a port").port();
    let source = format!("udp:127.0.0.1:{port}").parse().expect("a source");
    let sender = std::thread::spawn(move || {
        let socket = UdpSocket::bind("127.0.0.1:0").expect("bound");
        let begun = Instant::now();
        for t in 0..(seconds as u32 + 5) * 10 {
            let due = begun + Duration::from_millis(u64::from(t) * 100);
            std::thread::sleep(due.saturating_duration_since(Instant::now()));
            for line in tenth(t).split_inclusive('\n') {
                // Nobody may listen yet, or any more.
                drop(socket.send_to(line.as_bytes(), ("127.0.0.1", port)));
            }
        }
    });
    let (mut first, mut last) = (None, (0.0, Instant::now()));
    let lasts = Some(Duration::from_secs(seconds + 2));
    recorded(home, source, lasts, &mut |told| {
        if let Told::Status(_) = told {
            last = (processor_seconds(), Instant::now());
            first.get_or_insert(last);
        }
    });
    let (cpu, at) = first.expect("a status");
    let share = (last.0 - cpu) / (last.1 - at).as_secs_f64();
    println!(
        "at 10 Hz (50 sentences a second), {seconds} s, sender included: {:.2} % of one core",
        share * 100.0
    );
    sender.join().expect("sent");
}

/// User and system time of this process (Linux).
fn processor_seconds() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // The name in brackets may hold blanks.
    let rest = stat.rsplit(')').next().unwrap_or_default();
    let fields: Vec<f64> = rest.split_whitespace().map(|f| f.parse().unwrap_or(0.0)).collect();
    (fields.get(11).unwrap_or(&f64::NAN) + fields.get(12).unwrap_or(&f64::NAN)) / TICKS
}

fn played(dir: &Path, hours: u32) {
    let log = dir.join("day.nmea");
    let text: String = (0..hours * 36_000).map(tenth).collect();
    let mb = text.len() as f64 / 1e6;
    std::fs::write(&log, &text).expect("written");
    drop(text);
    // What making the log took is not recording's.
    drop(std::fs::write("/proc/self/clear_refs", "5"));
    let begun = Instant::now();
    let source = format!("replay:{}@max", log.display()).parse().expect("a source");
    let done = recorded(&dir.join(format!("played-{hours}")), source, None, &mut |_| {});
    println!(
        "| {hours} | {mb:.0} | {:.1} | {} | {} | {:.0} |",
        begun.elapsed().as_secs_f64(),
        done.imported.report.soundings,
        done.imported.legs,
        peak_rss_mb()
    );
}
