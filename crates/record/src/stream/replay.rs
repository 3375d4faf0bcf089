//! A log played back in its own time, or faster.
//!
//! The times in its lines give the pace, whatever kind of log it is; a step back or of more than ten seconds is not
//! waited for. Logs without times that are understood: ten lines a second, times the speed.

use super::lines::Lines;
use super::{Brought, Outlet};
use leadline_ingest::time_of_line;
use std::path::Path;
use std::time::Duration;
use tokio::fs::File;
use tokio::io::{AsyncBufReadExt, BufReader};
use tokio::time::Instant;

const DAY_MS: i64 = 86_400_000;
/// Longest step of the log that is waited for, ms.
const LONGEST_STEP_MS: i64 = 10_000;
/// Pace of a log without times that are understood, ms a line.
const LINE_MS: f64 = 100.0;
/// Lines after which a log without a time counts as one that has none.
const PATIENCE: u64 = 200;

pub(super) async fn replay(path: &Path, speed: Option<f64>, out: &Outlet) {
    let file = match File::open(path).await {
        Ok(file) => file,
        Err(e) => return out.fail(format!("cannot read it: {e}")).await,
    };
    let pace = speed
        .map_or_else(|| "as fast as can be".to_owned(), |s| format!("{s} times as fast as it was written"));
    if !out.give(Brought::Up(pace)).await {
        return;
    }
    let ended = match speed {
        None => super::pump(file, out).await.map(drop),
        Some(speed) => paced(file, speed, out).await,
    };
    match ended {
        Ok(()) => {
            out.give(Brought::Ended).await;
        }
        Err(e) => out.fail(format!("cannot read on: {e}")).await,
    }
}

async fn paced(file: File, speed: f64, out: &Outlet) -> std::io::Result<()> {
    let (mut from, mut lines) = (BufReader::new(file), Lines::default());
    let mut pace = Pace { speed, due: Instant::now(), last: None, lines: 0 };
    let mut line = Vec::new();
    loop {
        line.clear();
        // A file that is no log must not fill the memory.
        let mut part = tokio::io::AsyncReadExt::take(&mut from, 64 << 10);
        if part.read_until(b'\n', &mut line).await? == 0 {
            out.lines(lines.rest()).await;
            return Ok(());
        }
        let wait = pace.step(&line);
        pace.due += wait;
        if pace.due > Instant::now() {
            tokio::time::sleep_until(pace.due).await;
        }
        if !out.lines(lines.push(&line)).await {
            return Ok(());
        }
    }
}

struct Pace {
    speed: f64,
    due: Instant,
    /// Time of day of the last sentence that had one, ms.
    last: Option<i64>,
    lines: u64,
}

impl Pace {
    /// How long to wait before this line.
    fn step(&mut self, line: &[u8]) -> Duration {
        self.lines += 1;
        let ms = match time_of_line(line) {
            Some(now) => {
                let step = self.last.map_or(0, |last| (now - last).rem_euclid(DAY_MS));
                self.last = Some(now);
                if step <= LONGEST_STEP_MS { step as f64 } else { 0.0 }
            }
            None if self.last.is_none() && self.lines > PATIENCE => LINE_MS,
            None => 0.0,
        };
        Duration::from_secs_f64(ms / 1000.0 / self.speed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_logs_own_times_give_the_pace() {
        let mut pace = Pace { speed: 10.0, due: Instant::now(), last: None, lines: 0 };
        let ms = |pace: &mut Pace, time: &str| {
            let line = format!("$GPZDA,{time},20,08,2018,00,00\r\n");
            pace.step(line.as_bytes()).as_millis()
        };
        assert_eq!(ms(&mut pace, "235959.00"), 0);
        assert_eq!(ms(&mut pace, "000000.00"), 100);
        assert_eq!(pace.step(b"$SDDPT,5.3,0.4,*79\r\n").as_millis(), 0);
        assert_eq!(ms(&mut pace, "000000.00"), 0);
        assert_eq!(ms(&mut pace, "000010.00"), 1000);
        assert_eq!(ms(&mut pace, "000100.00"), 0, "a gap is not waited for");
        assert_eq!(ms(&mut pace, "000000.00"), 0, "nor a step back");
    }
}
