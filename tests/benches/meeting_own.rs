//! A meeting of entries alone beside the sync protocol that belongs to the documents: the same documents, one run.

use crate::legs::{filled, joined};
use crate::meeting_full::as_files;
use leadline_model::StageReading;
use leadline_survey::{Home, SurveyDesk, Wants, add_stage};
use std::path::Path;
use std::process::Command;
use std::sync::atomic::Ordering;
use std::time::Instant;

pub(crate) fn beside_own_protocol(dir: &Path, legs: u64) {
    println!("| {legs} legs | what is lacking | documents | B | messages | round trips | s |");
    println!("|---|---|---|---|---|---|---|");
    let (a, id) = filled(&dir.join("own-a"), legs);
    let b = joined(&dir.join("own-b"), &a, &id);
    let desk = |home: &Home| SurveyDesk::new(home, id).expect("a desk").wanting(Wants::EntriesOnly);
    let (one, other) = (desk(&a), desk(&b));
    ours("everything", &one, &other);
    ours("nothing", &one, &other);
    let reading = StageReading { gauge: crate::common::text("weir"), at: crate::common::NOW, level_mm: 1 };
    let mut store = a.store(&id).expect("a store");
    add_stage(&mut store, reading, crate::common::NOW).expect("written");
    let last =
        store.entries_in_force().expect("read").into_iter().find(|e| e.ops().len() == 1 && is_stage(e));
    ours("one entry", &one, &other);
    let files = dir.join("own-files");
    as_files(&store, &files);
    let last = last.expect("it is there").id().to_string();
    let mut program = std::env::current_exe().expect("a bench has a path");
    program.pop();
    program.pop();
    program.extend(["examples", "own_sync"]);
    match Command::new(&program).arg(files.join("entries")).arg(last).status() {
        Ok(status) => assert!(status.success(), "{} failed", program.display()),
        Err(_) => println!("not built: `cargo build --release --workspace --example own_sync`"),
    }
}

fn is_stage(entry: &leadline_logbook::Entry) -> bool {
    entry.ops().iter().any(|op| matches!(op, leadline_logbook::Op::Stage { .. }))
}

/// Frames in memory, real stores: checked, signed entries, documents made, all durable.
fn ours(lacking: &str, a: &SurveyDesk, b: &SurveyDesk) {
    let before = super::FRAMES.load(Ordering::Relaxed);
    let began = Instant::now();
    let (s, _) = super::meet(a, b);
    assert!(s.same_entries || s.was_equal, "{s:?}");
    println!(
        "| a meeting: signed entries, checked and on the disk | {lacking} | | {} | {} | {} | {:.3} |",
        s.bytes_sent + s.bytes_received,
        super::FRAMES.load(Ordering::Relaxed) - before,
        s.round_trips,
        began.elapsed().as_secs_f64()
    );
}
