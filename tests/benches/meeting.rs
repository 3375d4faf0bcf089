//! What a meeting moves: against the packed missing strips, and with nothing to give, at growing sizes. Two real
//! stores; the meeting's frames are carried in memory, so the bytes are exact and the time is the store's.
//!
//! `cargo bench --bench meeting` (add `-- 3000000` for the largest size). With `-- full` a meeting of at least 30 MB over
//! real sockets beside rsync, and one entry missing among 100,000; with `-- keep DIR` the items of that meeting as files;
//! with `-- fifty` a meeting with nothing new of two devices that know fifty; with `-- own` entries alone beside the
//! documents' own sync protocol (after `cargo build --release --workspace --example own_sync`).
#![allow(clippy::print_stdout, reason = "a bench prints its table")]

mod common;
mod legs;
#[path = "meeting_fifty.rs"]
mod meeting_fifty;
#[path = "meeting_full.rs"]
mod meeting_full;
#[path = "meeting_own.rs"]
mod meeting_own;

use common::{NOW, request, sizes, text};
use leadline_survey::{Home, INVITE_MILLIS, Role, SurveyDesk, found_survey, import_file, invite, join};
use leadline_sync::{Answer, Binding, Desk, DeskError, Input, Meeting, Output, Question, Summary};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

/// Legs of the full meeting: more than 30 MB.
const FULL_LEGS: u64 = 10_000;

fn main() {
    let dir = tempfile::tempdir().expect("a folder");
    let args: Vec<String> = std::env::args().collect();
    if let Some(at) = args.iter().position(|a| a == "keep") {
        let to = args.get(at + 1).expect("a folder after `keep`");
        return meeting_full::keep(dir.path(), FULL_LEGS, Path::new(to));
    }
    if let Some(at) = args.iter().position(|a| a == "full") {
        // Fewer legs only where a quick look is enough.
        let legs = args.get(at + 1).and_then(|n| n.parse().ok()).unwrap_or(FULL_LEGS);
        meeting_full::full(dir.path(), legs);
        return meeting_full::one_missing(dir.path(), 10 * legs);
    }
    if args.iter().any(|a| a == "fifty") {
        return meeting_fifty::nothing_new(dir.path(), 50);
    }
    if args.iter().any(|a| a == "own") {
        return meeting_own::beside_own_protocol(dir.path(), 2_000);
    }
    println!(
        "| soundings | entries | strips | packed strips B | moved B | over 1.00 x strips, B an entry | bar: (1.05 x strips + 400 B an entry) used | s | MB/s | again: B | again: round trips |"
    );
    println!("|---|---|---|---|---|---|---|---|---|---|---|");
    for n in sizes() {
        one(dir.path(), n);
    }
}

fn one(dir: &Path, n: u64) {
    let at = |name: &str| dir.join(format!("{name}-{n}"));
    let log = at("log.nmea");
    std::fs::write(&log, leadline_demo_data::synthetic_bytes(7, n as usize)).expect("written");
    let (a, b) = (Home::open(Some(&at("a"))).expect("a home"), Home::open(Some(&at("b"))).expect("a home"));
    let id = found_survey(&a, &text("Bench"), &text("datum"), NOW).expect("founded");
    let mut store = a.store(&id).expect("a store");
    import_file(&a, &mut store, &log, &request(), &mut |_| {}).expect("imported");
    std::fs::remove_file(&log).expect("removed");
    let made =
        invite(&a, &mut store, Role::Keeper, INVITE_MILLIS * 10_000, Vec::new(), NOW).expect("an invite");
    join(&b, &made, NOW).expect("joined");
    let strips: u64 = store
        .strip_digests()
        .expect("read")
        .iter()
        .map(|d| store.packed_strip(d).expect("read").expect("held").len() as u64)
        .sum();
    let counts = store.counts().expect("counted");
    let (desk_a, desk_b) =
        (SurveyDesk::new(&a, id).expect("a desk"), SurveyDesk::new(&b, id).expect("a desk"));
    let t = Instant::now();
    let (sa, sb) = meet(&desk_a, &desk_b);
    let s = t.elapsed().as_secs_f64();
    print_took();
    assert!(sa.same_entries && u64::from(sb.strips_new) == counts.strips, "{sb:?}");
    let moved = sa.bytes_sent + sb.bytes_sent;
    let entries = counts.entries + 1;
    let (again, _) = meet(&desk_a, &desk_b);
    assert!(again.was_equal);
    println!(
        "| {n} | {entries} | {} | {strips} | {moved} | {:.0} | {:.3} | {s:.2} | {:.1} | {} | {} |",
        counts.strips,
        (moved as f64 - strips as f64) / entries as f64,
        moved as f64 / (1.05 * strips as f64 + 400.0 * entries as f64),
        moved as f64 / 1e6 / s,
        again.bytes_sent + again.bytes_received,
        again.round_trips
    );
}

/// Drives two meetings against each other until both have ended.
pub(crate) fn meet(a: &SurveyDesk, b: &SurveyDesk) -> (Summary, Summary) {
    let end = |mine: &str, theirs: &str| Binding { mine: mine.into(), theirs: theirs.into() };
    let begin = |desk: &SurveyDesk, binding| {
        let (config, holdings) = desk.open(binding).expect("opened");
        Meeting::new(config, holdings, 0)
    };
    let (mut ma, mut mb) = (begin(a, end("a", "b")), begin(b, end("b", "a")));
    let (mut ended_a, mut ended_b) = (None, None);
    let mut clock = 0;
    while ended_a.is_none() || ended_b.is_none() {
        let moved = turn(&mut ma, a, &mut mb, &mut ended_a) | turn(&mut mb, b, &mut ma, &mut ended_b);
        if !moved && (ended_a.is_none() || ended_b.is_none()) {
            // Nothing moves: time passes, so that a group that is not full gets stored.
            clock += 250;
            ma.handle(Input::Tick(clock));
            mb.handle(Input::Tick(clock));
        }
    }
    (ended_a.expect("ended"), ended_b.expect("ended"))
}

/// Frames that [`meet`] has carried.
pub(crate) static FRAMES: AtomicU64 = AtomicU64::new(0);

/// What the desks took, by kind of question, s.
static TOOK: Mutex<BTreeMap<String, f64>> = Mutex::new(BTreeMap::new());

/// Prints what the desks took since the last time.
pub(crate) fn print_took() {
    let took = std::mem::take(&mut *TOOK.lock().expect("not poisoned"));
    let took: Vec<_> = took.iter().map(|(k, s)| format!("{k} {s:.2} s")).collect();
    println!("desks: {}", took.join(", "));
}

pub(crate) fn timed(desk: &SurveyDesk, question: Question) -> Result<Answer, DeskError> {
    let kind = match &question {
        Question::Store { entries, .. } if entries.is_empty() => "store strips".to_owned(),
        Question::Store { .. } => "store entries".to_owned(),
        other => format!("{other:?}").split([' ', '(']).next().unwrap_or_default().to_lowercase(),
    };
    let began = Instant::now();
    let answer = desk.answer(question);
    *TOOK.lock().expect("not poisoned").entry(kind).or_default() += began.elapsed().as_secs_f64();
    answer
}

fn turn(m: &mut Meeting, desk: &SurveyDesk, other: &mut Meeting, ended: &mut Option<Summary>) -> bool {
    let mut moved = false;
    while let Some(output) = m.poll() {
        moved = true;
        match output {
            Output::Send(bytes) => {
                FRAMES.fetch_add(1, Ordering::Relaxed);
                other.handle(Input::Frame(bytes));
            }
            Output::Ask(lane, question) => {
                let answer = timed(desk, question);
                m.handle(Input::Answer(lane, answer));
            }
            Output::Finished(s) => *ended = Some(*s),
            Output::Failed(f) => panic!("{f}"),
            _ => panic!("an output this bench does not know"),
        }
    }
    moved
}
