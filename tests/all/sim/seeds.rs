//! The seeds that are run, and what is told of one that fails.

use super::folder::Folders;
use super::memory::Flaw;
use super::world::{Stats, Violation, World};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

const SEEDS: u64 = 500;
const FOLDER_SEEDS: u64 = 25;
/// Events until a world is healed.
const EVENTS: usize = 260;
const FOLDER_EVENTS: usize = 140;

/// How one world went.
pub(super) struct Story {
    pub(super) seed: u64,
    pub(super) stats: Stats,
    /// Digest of all events.
    pub(super) digest: u64,
    pub(super) last: Vec<String>,
    pub(super) end: Result<(), Violation>,
}

/// Whether keepers dismiss devices and change roles: unless `LEADLINE_SIM_WORDS` is 0.
fn with_words() -> bool {
    std::env::var_os("LEADLINE_SIM_WORDS").is_none_or(|v| v != "0")
}

pub(super) fn run(seed: u64, flaw: Flaw, folders: bool) -> Story {
    run_with(seed, flaw, folders, with_words())
}

fn run_with(seed: u64, flaw: Flaw, folders: bool, words: bool) -> Story {
    let events = if folders { FOLDER_EVENTS } else { EVENTS };
    let mut world = World::new(seed, flaw, folders.then(Folders::new));
    world.trace.all = std::env::var_os("LEADLINE_SIM_SEED").is_some();
    world.words = words;
    let mut live = || {
        for _ in 0..events {
            world.step()?;
        }
        world.heal()
    };
    let end = catch_unwind(AssertUnwindSafe(&mut live)).unwrap_or_else(|p| {
        let text = p.downcast_ref::<String>().cloned();
        Err(format!("panic: {}", text.unwrap_or_else(|| "see above".to_owned())))
    });
    let (mut stats, trace) = (world.stats, world.trace);
    stats.events = trace.events;
    Story { seed, stats, digest: trace.digest, last: trace.last.into(), end }
}

fn number(name: &str) -> Option<u64> {
    std::env::var(name).ok().map(|v| v.parse().unwrap_or_else(|_| panic!("{name} is not a number: {v}")))
}

/// Runs the seeds on as many threads as there are cores; a world itself knows of none.
fn all(what: &str, count: u64, folders: bool) {
    let only = number("LEADLINE_SIM_SEED");
    let count = if only.is_some() { 1 } else { count };
    let from = only.unwrap_or(0);
    let (next, sum, bad) = (AtomicU64::new(from), Mutex::new(Stats::default()), Mutex::new(Vec::new()));
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..cores {
            scope.spawn(|| {
                loop {
                    let seed = next.fetch_add(1, Ordering::Relaxed);
                    if seed >= from + count {
                        return;
                    }
                    let story = run(seed, Flaw::None, folders);
                    sum.lock().expect("no panic").add(&story.stats);
                    if story.end.is_err() || only.is_some() {
                        bad.lock().expect("no panic").push(story);
                    }
                }
            });
        }
    });
    let mut bad = bad.into_inner().expect("no panic");
    bad.sort_by_key(|s| s.seed);
    println!("{what}: {count} seeds, {:?}", sum.into_inner().expect("no panic"));
    for story in bad.iter().take(3) {
        println!("seed {}, the last events:\n  {}", story.seed, story.last.join("\n  "));
        println!("  ends: {:?}", story.end);
    }
    bad.retain(|s| s.end.is_err());
    let seeds: Vec<_> = bad.iter().map(|s| s.seed).collect();
    assert!(
        bad.is_empty(),
        "{} of {count} seeds fail: {seeds:?}; run one alone with LEADLINE_SIM_SEED=N",
        bad.len()
    );
}

#[test]
fn worlds_in_memory_keep_every_promise() {
    all("in memory", number("LEADLINE_SIM_SEEDS").unwrap_or(SEEDS), false);
}

#[test]
fn worlds_in_folders_keep_every_promise() {
    all("in folders", number("LEADLINE_SIM_SEEDS").map_or(FOLDER_SEEDS, |n| n.div_ceil(20)), true);
}

/// Worlds that once broke a promise. With words: a copied device and a dismissal, where what comes is masked and shows no
/// fork (82 to 360), a strip that nothing names any more (252), entries given again to one that keeps them aside (337),
/// a chain behind a cut that is masked where it is whole and counts where it is not (1862, 2793, 4245, 9529; in 1933 it
/// is given, and is to be counted as that).
/// Without: an entry given twice, as a log had a gap on one side and went on on the other (1810); a copy with a spoiled
/// signature that waited in the place of the genuine one (364).
#[test]
fn worlds_that_failed_once_keep_every_promise() {
    let with =
        [82, 161, 166, 222, 252, 296, 315, 337, 360, 1862, 1933, 2793, 4245, 9529].map(|seed| (seed, true));
    for (seed, words) in with.into_iter().chain([(1810, false), (364, false)]) {
        let story = run_with(seed, Flaw::None, false, words);
        assert_eq!(story.end, Ok(()), "seed {seed}, the last events:\n  {}", story.last.join("\n  "));
    }
}

#[test]
fn one_seed_is_one_story() {
    for seed in 0..20 {
        let (a, b) = (run(seed, Flaw::None, false), run(seed, Flaw::None, false));
        assert_eq!((a.digest, a.stats), (b.digest, b.stats), "seed {seed}");
        assert_ne!(a.digest, run(seed + 1000, Flaw::None, false).digest, "seed {seed}");
    }
}
