//! A program that is killed at any moment loses at most two seconds, and the next recording goes on.
//!
//! `LEADLINE_KILLS=200` makes it two hundred moments.

use super::live::{Live, device, journals, same_as_file};
use crate::home::{Device, small_log, small_log_on};
use std::collections::HashSet;
use std::time::{Duration, Instant};

/// What the program promises.
const MOST_LOST: Duration = Duration::from_secs(2);
const LANES: u64 = 4;

#[test]
fn killed_at_random_moments() {
    let kills: u64 = std::env::var("LEADLINE_KILLS").ok().and_then(|n| n.parse().ok()).unwrap_or(20);
    let lanes: Vec<_> =
        (0..LANES).map(|lane| std::thread::spawn(move || killed(lane + 1, kills.div_ceil(LANES)))).collect();
    let worst = lanes.into_iter().map(|l| l.join().expect("a lane")).max().expect("lanes");
    println!("killed {kills} times; the most that was lost: {} ms", worst.as_millis());
    assert!(worst <= MOST_LOST, "{worst:?}");
}

/// Kills a recording `times` times; how old the oldest line was that was lost.
fn killed(seed: u64, times: u64) -> Duration {
    let d = device();
    // Enough lines for fifty rounds of three seconds.
    let log = small_log(20_000, |s| 5.0 + f64::from(s % 100) * 0.01);
    let mut lines = log.split_inclusive('\n');
    let mut state = seed;
    let mut worst = Duration::ZERO;
    for round in 0..times {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let moment = Duration::from_millis(300 + (state >> 33) % 2_500);
        let mut live = Live::start(&d, &["-"]);
        if round > 0 {
            live.event("goes-on");
        }
        live.event("up");
        let begun = Instant::now();
        let mut said: Vec<(Instant, &str)> = Vec::new();
        while begun.elapsed() < moment {
            let line = lines.next().expect("the log is long enough");
            live.say(line.as_bytes());
            said.push((Instant::now(), line));
            std::thread::sleep(Duration::from_millis(3));
        }
        live.kill();
        let end = Instant::now();
        let kept = journal(&d);
        let kept: HashSet<&str> = kept.split_inclusive('\n').collect();
        let lost = said.iter().find(|(_, line)| !kept.contains(line));
        worst = worst.max(lost.map_or(Duration::ZERO, |(at, _)| end - *at));
    }
    let mut live = Live::start(&d, &["-"]);
    live.event("goes-on");
    live.say(lines.next().unwrap_or("\r\n").as_bytes());
    let ended = live.wait();
    assert!(ended["soundings"].as_u64() > Some(50), "{ended}");
    d.run(&["verify"]).says(0, &["whole"]);
    let originals: Vec<_> = std::fs::read_dir(d.home().join("originals"))
        .expect("there")
        .map(|e| e.expect("listed").path())
        .filter(|p| p.extension().is_some_and(|e| e == "zst"))
        .collect();
    assert_eq!(originals.len(), 1, "one journal for all of it");
    let journal = zstd::decode_all(std::fs::read(&originals[0]).expect("read").as_slice()).expect("unpacked");
    same_as_file(&d, &journal);
    worst
}

fn journal(d: &Device) -> String {
    let paths = journals(d);
    assert_eq!(paths.len(), 1, "{paths:?}");
    String::from_utf8(std::fs::read(&paths[0]).expect("read")).expect("text")
}

/// Records a log that was taken in, and is killed.
fn killed_after(d: &Device, log: &str) {
    let mut live = Live::start(d, &["-"]);
    live.say(log.as_bytes());
    live.bytes(log.len() as u64);
    live.kill();
}

#[test]
fn another_boats_recording_is_closed() {
    let d = device();
    killed_after(&d, &small_log(100, |_| 5.0));
    let args = ["record", "--from", "-", "--boat", "Plover"];
    d.run(&args).says(
        1,
        &["An earlier recording was not ended", "100 soundings in 1 legs", "no sounding was recorded"],
    );
    let names = d.json(&["boat", "list"])["boats"].to_string();
    assert!(names.contains("Heron"), "{names}");
    assert_eq!(d.json(&["status"])["soundings"], 100);
}

/// A plug that is pulled can leave zeros where a write had not reached the disk. What stands after them counts, and so
/// does what is recorded next.
#[test]
fn zeros_in_a_journal_spoil_nothing_else() {
    let d = device();
    killed_after(&d, &small_log(100, |_| 5.0));
    let path = journals(&d).remove(0);
    let whole = std::fs::read(&path).expect("read");
    let first = whole.windows(2).position(|w| w == b"\n$").expect("a sentence") + 1;
    let hole = first..(first + 4096).min(whole.len() - 2000);
    for (day, hole) in [(2, hole), (3, first..whole.len())] {
        let mut torn = whole.clone();
        torn[hole].fill(0);
        std::fs::write(&path, torn).expect("written");
        killed_after(&d, &small_log_on(day, 60, |_| 4.0));
        let soundings = || d.json(&["status"])["soundings"].as_u64().expect("a number");
        let before = soundings();
        d.run(&["record", "--from", "-", "--boat", "Plover"])
            .says(1, &["An earlier recording was not ended"]);
        assert!(soundings() >= before + 60, "{} {before}", soundings());
    }
}
