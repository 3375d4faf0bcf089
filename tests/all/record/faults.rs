//! What goes wrong on the water: garbage, clocks, bursts, instruments that stop.

use super::live::{Live, device, same_as_file};
use crate::home::{Device, small_log};
use std::time::Duration;

fn sentence(body: &str) -> String {
    format!("${body}*{:02X}\r\n", body.bytes().fold(0, |a, b| a ^ b))
}

/// One second of a log: a fix and `depths` depths; the boat goes on with `s`.
fn second(date: &str, of_day: u32, s: u32, depths: u32) -> String {
    let (h, m, sec) = (of_day / 3600, of_day / 60 % 60, of_day % 60);
    let lon = 24.78 + f64::from(s) * 0.0016;
    let fix = format!("GPRMC,{h:02}{m:02}{sec:02}.00,A,4812.6000,N,007{lon:07.4},E,3.9,90.0,{date},,,D");
    let mut out = sentence(&fix);
    for i in 0..depths {
        out += &sentence(&format!("SDDPT,{:.2},0.0", 5.0 + f64::from(s % 50 + i) * 0.01));
    }
    out
}

/// Records `log` from standard input; the device and what was said at the end.
fn recorded(log: &[u8]) -> (Device, serde_json::Value) {
    let d = device();
    let mut live = Live::start(&d, &["-"]);
    live.say(log);
    let ended = live.wait();
    (d, ended)
}

/// Importing the same bytes finds every leg known.
fn all_known(d: &Device, log: &[u8]) {
    let path = d.write("again.nmea", log);
    let file = &d.import(&path, "Heron")["files"][0];
    assert!(file["legs"].as_u64() > Some(0));
    assert_eq!(file["legs"], file["known"], "{file}");
}

#[test]
fn garbage_between_the_lines() {
    let mut log = Vec::new();
    let mut state = 7u64;
    for (i, line) in small_log(700, |s| 5.0 + f64::from(s % 9) * 0.1).split_inclusive('\n').enumerate() {
        log.extend_from_slice(line.as_bytes());
        if i % 7 == 0 {
            for _ in 0..i % 300 {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                log.push((state >> 56) as u8);
            }
            log.push(b'\n');
        }
    }
    // A line that never ends.
    log.extend_from_slice(&vec![b'$'; 300_000]);
    log.push(b'\n');
    let (d, ended) = recorded(&log);
    assert!(ended["soundings"].as_u64() > Some(600), "{ended}");
    same_as_file(&d, &log);
}

#[test]
fn midnight_and_bursts_of_forty_a_second() {
    let mut log = String::new();
    for s in 0..900u32 {
        let of_day = (86_400 - 450 + s) % 86_400;
        log += &second(if s < 450 { "010526" } else { "020526" }, of_day, s, 40);
    }
    let (d, ended) = recorded(log.as_bytes());
    assert_eq!(ended["legs"], 2, "{ended}");
    assert_eq!(ended["soundings"], 36_000, "{ended}");
    same_as_file(&d, log.as_bytes());
}

#[test]
fn time_that_goes_back() {
    // Eleven minutes, then the clock is set back by three: the mark is passed twice.
    let mut log = String::new();
    for s in 0..660u32 {
        log += &second("010526", 36_000 + s, s, 1);
    }
    for s in 660..900u32 {
        log += &second("010526", 36_000 + s - 180, s, 1);
    }
    let (d, ended) = recorded(log.as_bytes());
    assert!(ended["problems"]["clock-back"].as_u64() >= Some(1), "{ended}");
    all_known(&d, log.as_bytes());
    d.run(&["verify"]).says(0, &["whole"]);
    // Another device that has only the file draws no other number of soundings: what a leg had before time came back
    // is in the joined leg too, and counts once.
    let file = device();
    let path = file.write("log.nmea", &log);
    file.import(&path, "Heron");
    let (a, b) = (d.json(&["status"]), file.json(&["status"]));
    assert_eq!(a["soundings"], b["soundings"], "{a}\n{b}");
}

#[test]
fn a_week_counter_that_rolled_over() {
    let mut log = String::new();
    for s in 0..120u32 {
        // 2026-05-01 less 1,024 weeks is 2006-09-15.
        let date = if (40..80).contains(&s) { "150906" } else { "010526" };
        log += &second(date, 36_000 + s, s, 1);
    }
    let (d, ended) = recorded(log.as_bytes());
    assert_eq!(ended["problems"]["bad-date"], 40, "{ended}");
    assert_eq!(ended["legs"], 1, "{ended}");
    same_as_file(&d, log.as_bytes());
}

/// The same instruments through two gateways: each line comes twice.
#[test]
fn duplicate_sources() {
    let log = small_log(120, |s| 5.0 + f64::from(s % 9) * 0.1);
    let d = device();
    let mut live = Live::start(&d, &["udp:127.0.0.1:0", "udp:127.0.0.1:0"]);
    let to = [live.address(), live.address()];
    let socket = std::net::UdpSocket::bind("127.0.0.1:0").expect("bound");
    for line in log.split_inclusive('\n') {
        for to in &to {
            socket.send_to(line.as_bytes(), to).expect("sent");
            std::thread::sleep(Duration::from_millis(1));
        }
    }
    live.bytes(2 * log.len() as u64);
    let ended = live.end();
    let (n, twice) = (&ended["soundings"], &ended["problems"]["duplicate"]);
    let sum = n.as_u64().unwrap_or(0) + twice.as_u64().unwrap_or(0);
    assert_eq!(sum, 240, "{ended}");
    assert!(n.as_u64() <= Some(240) && n.as_u64() >= Some(120), "{ended}");
    let status = d.json(&["status"]);
    assert_eq!(status["legs"], 1, "{status}");
}

#[test]
fn instruments_that_stop_and_boats_that_fly() {
    let d = device();
    let mut live = Live::start(&d, &["-"]);
    let fast = |s: u32, kn: f64| {
        let slow = second("010526", 36_000 + s, s, 1);
        let (fix, depth) = slow.split_once('\n').expect("lines");
        let body = fix
            .trim_start_matches('$')
            .split('*')
            .next()
            .expect("a body")
            .replace(",3.9,", &format!(",{kn},"));
        sentence(&body) + depth
    };
    let mut s = 0;
    let mut go = |live: &mut Live, kn: f64| {
        s += 1;
        live.say(fast(s, kn).as_bytes());
    };
    for _ in 0..5 {
        go(&mut live, 3.0);
    }
    live.until("a depth", |e| e["vitals"]["depth"]["alive"] == "yes");
    go(&mut live, 10.0);
    live.warning("fast");
    go(&mut live, 20.0);
    live.warning("too-fast");
    go(&mut live, 3.0);
    live.warning("slow-enough");
    let stopped = live.warning("stopped");
    assert!(stopped["words"].as_str().is_some_and(|w| w.contains("has stopped")), "{stopped}");
    live.until("a stopped sign in the status", |e| e["vitals"]["depth"]["alive"] == "stopped");
    go(&mut live, 3.0);
    live.warning("back");
    // The receiver loses its fix.
    live.say(sentence("GPRMC,100100.00,V,4812.6000,N,00724.7800,E,,,010526,,,N").as_bytes());
    live.warning("no-fix");
    live.wait();
}

/// The growing leg is shown to the crew by a meeting that stays on; it is in nobody's survey until it closes.
#[test]
fn the_growing_leg_is_shown_to_the_crew() {
    let heron = device();
    let laptop = Device::new();
    laptop.join(&heron);
    let mut listener = crate::home::Listener::start(&heron);
    let mut meeting = laptop
        .command(&["sync", "--with", &listener.address])
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .spawn()
        .expect("the program starts");
    let mut live = Live::start(&heron, &["-"]);
    let mut shown = serde_json::Value::Null;
    for s in 0..120u32 {
        live.say(second("010526", 36_000 + s, s, 4).as_bytes());
        std::thread::sleep(Duration::from_millis(250));
        if s % 20 == 19 {
            shown = laptop.json(&["status"])["recording"].clone();
            if shown.as_array().is_some_and(|a| !a.is_empty()) {
                break;
            }
        }
    }
    drop((meeting.kill(), meeting.wait()));
    listener.kill();
    assert_eq!(shown[0]["boat"], "Heron", "{shown}");
    assert!(shown[0]["device"].is_string() && shown[0]["points"].as_u64() > Some(0), "{shown}");
    assert_eq!(laptop.json(&["status"])["soundings"], 0);
    let ended = live.wait();
    assert_eq!(ended["legs"], 1, "{ended}");
    assert_eq!(heron.json(&["status"])["recording"], serde_json::json!([]));
}

/// A disk that fills: the system refuses to let any file grow beyond a megabyte, and later allows it again.
#[cfg(target_os = "linux")]
#[test]
fn a_disk_that_refuses_and_takes_again() {
    let d = device();
    let mut live = Live::start_limited(&d, &["-"], 1 << 10);
    let mut sent = 0;
    let mut log = String::new();
    for s in 0..3_000u32 {
        let text = second("010526", 36_000 + s, s, 20);
        sent += text.len() as u64;
        log += &text;
    }
    assert!(sent > 5 << 18, "{sent}");
    live.say(log.as_bytes());
    let refuses = live.warning("disk-refuses");
    assert!(refuses["words"].as_str().is_some_and(|w| w.contains("make room")), "{refuses}");
    live.bytes(sent);
    let pid = live.pid().to_string();
    let raised = std::process::Command::new("prlimit").args(["--pid", &pid, "--fsize=unlimited"]).status();
    assert!(raised.is_ok_and(|s| s.success()), "prlimit of util-linux raised the limit");
    let back = live.warning("disk-back");
    assert!(back["words"].as_str().is_some_and(|w| w.contains("nothing was lost")), "{back}");
    let ended = live.end();
    assert_eq!(
        (ended["soundings"].as_u64(), ended["lost_bytes"].as_u64()),
        (Some(60_000), Some(0)),
        "{ended}"
    );
    same_as_file(&d, log.as_bytes());
}
