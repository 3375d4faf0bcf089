//! Faults: every command that writes is struck down, starved of its disk and cut off from its power; what was
//! acknowledged is there afterwards, the store is whole, and the command can simply be repeated.
//!
//! `LEADLINE_FAULTS=10000` sets how many faults are tried, `LEADLINE_FAULT_ONLY="import kill@17"` tries one again; of
//! those that strike a command several, with `;` between them.

mod check;
mod damage;
mod disk;
mod homes;
mod layer;
mod media;
mod power;
mod strike;
mod table;
mod together;

use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// How many faults each of the two great tests tries: half of all.
fn half_of_all() -> usize {
    let all =
        std::env::var("LEADLINE_FAULTS").map_or(1000, |n| n.parse().expect("LEADLINE_FAULTS is a number"));
    usize::div_ceil(all, 2)
}

/// The one case that is to be tried again, if any.
fn only() -> Option<String> {
    std::env::var("LEADLINE_FAULT_ONLY").ok()
}

/// Runs `work` on each of the cases, on as many threads as there are cores. Returns what went wrong.
fn on_all_cores<T: Sync>(cases: &[T], work: impl Fn(&T) -> Result<(), String> + Sync) -> Vec<String> {
    let (next, bad) = (AtomicUsize::new(0), Mutex::new(Vec::new()));
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while let Some(case) = cases.get(next.fetch_add(1, Ordering::Relaxed)) {
                    if let Err(why) = work(case) {
                        bad.lock().expect("no panic").push(why);
                    }
                }
            });
        }
    });
    bad.into_inner().expect("no panic")
}
