//! A long day, simulated: five devices record and stay in touch by processes that run all the time; they are killed,
//! cut off, set back to an older copy of their folder, and draw charts meanwhile. Memory and files must stay in measure,
//! and in the evening all hold the same: every sounding of every log, once.
//!
//! `LEADLINE_SOAK_HOURS=24` makes it a whole day; `LEADLINE_SOAK_PACE=N` runs it N times as fast as life.

use crate::home::Device;
use crate::sim::Dice;
use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

const DEVICES: usize = 5;

fn number(name: &str, usual: u64) -> u64 {
    std::env::var(name).ok().and_then(|n| n.parse().ok()).unwrap_or(usual)
}

/// A boat's day: a sounding a second, along lines of its own.
fn log(boat: usize, seconds: u64) -> String {
    let mut out = String::new();
    for s in 0..seconds {
        let (day, h, m, sec) = (1 + s / 86_400, s / 3600 % 24, s / 60 % 60, s % 60);
        let (line, along) = (s / 900, s % 900);
        let along = if line % 2 == 0 { along } else { 899 - along };
        let lon = 24.70 + along as f64 * 0.0016;
        let lat = 12.0 + boat as f64 * 0.4 + line as f64 * 0.003;
        let depth = 4.0 + (along as f64 * 0.01).sin() + boat as f64 * 0.1;
        for body in [
            format!(
                "GPRMC,{h:02}{m:02}{sec:02}.00,A,48{lat:07.4},N,007{lon:07.4},E,3.9,90.0,{day:02}0526,,,D"
            ),
            format!("GPGGA,{h:02}{m:02}{sec:02}.00,48{lat:07.4},N,007{lon:07.4},E,2,09,0.9,340.0,M,47.0,M,,"),
            format!("SDDPT,{depth:.2},0.0"),
        ] {
            let sum = body.bytes().fold(0, |a, b| a ^ b);
            out.push_str(&format!("${body}*{sum:02X}\r\n"));
        }
    }
    out
}

/// One device with its two processes.
struct Boat {
    device: Device,
    name: String,
    port: u16,
    record: Option<Child>,
    sync: Option<Child>,
    /// An older copy of its survey's files.
    copy: bool,
}

impl Boat {
    fn spawn(&self, args: &[&str]) -> Child {
        let quiet = self.device.command(args).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
        quiet.expect("the program starts")
    }

    fn record(&mut self, log: &str, pace: u64) {
        let from = format!("replay:{log}@{pace}x");
        self.record = Some(self.spawn(&["record", "--from", &from, "--boat", &self.name, "--quiet"]));
    }

    /// The first one waits, the others come to it and stay.
    fn sync(&mut self, first: u16) {
        let (own, to) = (format!("127.0.0.1:{}", self.port), format!("127.0.0.1:{first}"));
        let mut args = vec!["sync", "--listen", &own, "--quiet"];
        if self.port != first {
            args.extend(["--with", &to]);
        }
        self.sync = Some(self.spawn(&args));
    }

    /// Both processes die as by a cut of the power.
    fn die(&mut self) {
        for child in [self.record.take(), self.sync.take()].into_iter().flatten() {
            kill(child);
        }
    }

    /// Resident memory of the two processes, KiB.
    fn memory(&self) -> [u64; 2] {
        [&self.record, &self.sync].map(|c| c.as_ref().and_then(|c| resident(c.id())).unwrap_or(0))
    }

    fn stored(&self) -> u64 {
        size(&self.device.home().join("surveys"))
    }
}

impl Drop for Boat {
    fn drop(&mut self) {
        self.die();
    }
}

fn kill(mut child: Child) {
    drop(child.kill());
    drop(child.wait());
}

fn resident(pid: u32) -> Option<u64> {
    let text = std::fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    text.lines().find_map(|l| l.strip_prefix("VmRSS:"))?.split_whitespace().next()?.parse().ok()
}

fn size(dir: &Path) -> u64 {
    let files = std::fs::read_dir(dir).into_iter().flatten().flatten();
    files.map(|e| if e.path().is_dir() { size(&e.path()) } else { e.metadata().map_or(0, |m| m.len()) }).sum()
}

fn copy(from: &Path, to: &Path) {
    drop(std::fs::remove_dir_all(to));
    std::fs::create_dir_all(to).expect("a folder");
    for e in std::fs::read_dir(from).expect("a folder").flatten() {
        let to = to.join(e.file_name());
        if e.path().is_dir() {
            copy(&e.path(), &to);
        } else {
            std::fs::copy(e.path(), to).expect("copied");
        }
    }
}

fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a port").port()
}

fn crew(hours: u64) -> Vec<Boat> {
    let mut boats: Vec<Boat> = Vec::new();
    for n in 0..DEVICES {
        let device = Device::new();
        match boats.first() {
            None => drop(device.found("Longwater")),
            Some(first) => device.join_as("keeper", &first.device),
        }
        device.write("day.nmea", log(n, hours * 3600));
        let (name, port) = (format!("Boat {n}"), free_port());
        boats.push(Boat { device, name, port, record: None, sync: None, copy: false });
    }
    boats
}

/// What happened, counted.
#[derive(Debug, Default)]
struct Tally {
    killed: u32,
    cut: u32,
    copied: u32,
    restored: u32,
    charted: u32,
}

/// The rest of the log from a little before this second on, as the instruments would go on sending.
fn rest_of(boat: usize, from: u64, hours: u64) -> String {
    let log = log(boat, hours * 3600);
    let lines = (from.saturating_sub(30) * 3) as usize;
    log.lines().skip(lines).map(|l| format!("{l}\r\n")).collect()
}

fn event(boats: &mut [Boat], n: usize, what: usize, at: u64, (hours, pace): (u64, u64), tally: &mut Tally) {
    let first = boats[0].port;
    let b = &mut boats[n];
    let surveys = b.device.home().join("surveys");
    let older = b.device.file("older");
    match what {
        // The power is cut; then all is switched on again.
        0 | 1 => {
            b.die();
            if what == 1 && b.copy {
                // Somebody puts the older copy back.
                copy(&older, &surveys);
                tally.restored += 1;
            } else {
                copy(&surveys, &older);
                b.copy = true;
                tally.copied += 1;
            }
            b.device.run(&["verify"]).says(0, &["whole"]);
            b.device.write("rest.nmea", rest_of(n, at, hours));
            b.record("rest.nmea", pace);
            b.sync(first);
            tally.killed += 1;
        }
        // The link alone.
        2 => {
            if let Some(sync) = b.sync.take() {
                kill(sync);
            }
            b.sync(first);
            tally.cut += 1;
        }
        _ => {
            b.device.run(&["chart", "--between", "straight", "-o", "map.png", "--quiet"]).says(0, &[]);
            tally.charted += 1;
        }
    }
}

#[test]
fn a_day_of_five_devices() {
    let hours = number("LEADLINE_SOAK_HOURS", 2);
    let pace = number("LEADLINE_SOAK_PACE", 300);
    let mut boats = crew(hours);
    let first = boats[0].port;
    for b in &mut boats {
        b.record("day.nmea", pace);
        b.sync(first);
    }
    let began = Instant::now();
    let (mut dice, mut tally) = (Dice::new(2026), Tally::default());
    let mut seen: Vec<(u64, u64, u64, u64)> = Vec::new();
    loop {
        let at = began.elapsed().as_secs() * pace;
        if at >= hours * 3600 {
            break;
        }
        std::thread::sleep(Duration::from_millis(1500));
        let memory: Vec<[u64; 2]> = boats.iter().map(Boat::memory).collect();
        let most = |i: usize| memory.iter().map(|m| m[i]).max().unwrap_or(0);
        let stored = boats.iter().map(Boat::stored).max().unwrap_or(0);
        seen.push((at, most(0), most(1), stored));
        let (mut n, what) = (dice.below(DEVICES), dice.below(4));
        if n == 0 && what < 3 && at > hours * 900 {
            // From the second quarter on the one that the others come to stays on, so that its memory tells.
            n = 1 + dice.below(DEVICES - 1);
        }
        event(&mut boats, n, what, at, (hours, pace), &mut tally);
    }
    boats.iter_mut().for_each(Boat::die);
    evening(&boats, hours);
    println!("{hours} hours at {pace} times life, {DEVICES} devices: {tally:?}");
    in_measure(&seen, begun_anew(&mut boats), hours);
}

/// Resident memory of processes that stay in touch and were begun just now, with all of the day to tell, after each
/// has told something new, KiB.
fn begun_anew(boats: &mut [Boat]) -> u64 {
    let first = boats[0].port;
    boats.iter_mut().for_each(|b| b.sync(first));
    for (n, b) in boats.iter().enumerate() {
        let more = crate::home::small_log_on(20 + n as u32, 900, |s| 4.0 + f64::from(s % 90) * 0.01);
        b.device.import(&b.device.write("more.nmea", more), &b.name);
        std::thread::sleep(Duration::from_secs(4));
    }
    boats.iter().map(|b| b.memory()[1]).max().unwrap_or(0)
}

/// The cards are read in, all meet, and all hold the same: every sounding once.
fn evening(boats: &[Boat], hours: u64) {
    for b in boats {
        b.device.run(&["import", "day.nmea", "--boat", &b.name, "--quiet"]).says(0, &[]);
    }
    for _ in 0..2 {
        boats[1..].iter().for_each(|b| drop(crate::home::meet(&boats[0].device, &b.device)));
    }
    let told: Vec<_> = boats.iter().map(|b| b.device.json(&["status"])).collect();
    for (b, t) in boats.iter().zip(&told) {
        assert_eq!(t["digest"], told[0]["digest"], "{}", b.name);
        assert_eq!(t["soundings"].as_u64(), Some(DEVICES as u64 * hours * 3600), "{}: {t}", b.name);
        b.device.run(&["verify"]).says(0, &["whole"]);
    }
}

/// Memory in the last quarter is not above that of the first one, or of processes begun anew with the same data, by more
/// than 16 MiB, and the files grow with the soundings and not faster.
fn in_measure(seen: &[(u64, u64, u64, u64)], anew: u64, hours: u64) {
    let quarter = seen.len().div_ceil(4).max(1);
    let of_record = (seen.iter().map(|s| s.1).collect::<Vec<_>>(), 0);
    let of_sync = (seen.iter().map(|s| s.2).collect(), anew);
    for (what, (memory, anew)) in [("record", of_record), ("sync", of_sync)] {
        let by_quarter: Vec<u64> = memory.chunks(quarter).filter_map(|q| q.iter().max().copied()).collect();
        println!("{what}: {by_quarter:?} KiB in the quarters of the day");
        let (early, late) = (by_quarter[0], by_quarter[by_quarter.len() - 1]);
        assert!(late < early.max(anew) + (16 << 10), "{what} grows: {by_quarter:?}, begun anew {anew} KiB");
    }
    println!("sync begun anew in the evening: {anew} KiB");
    let per_sounding = |s: &(u64, u64, u64, u64)| s.3 as f64 / (DEVICES as u64 * s.0.max(1)) as f64;
    let (half, end) = (&seen[seen.len() / 2], &seen[seen.len() - 1]);
    println!(
        "largest store after {} and {} of {hours} hours: {:.0} and {:.0} bytes a sounding",
        half.0 / 3600,
        end.0 / 3600,
        per_sounding(half),
        per_sounding(end)
    );
    assert!(per_sounding(end) < 1.5 * per_sounding(half) + 50.0, "the store grows faster than its soundings");
}
