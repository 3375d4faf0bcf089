//! The simulation can fail: every flaw that is built into a desk is found, and named as what it is.

use super::memory::Flaw;
use super::seeds::run;

/// Seeds in which each flaw must show.
const SEEDS: u64 = 40;

fn is_found(flaw: Flaw, words: &[&str]) {
    let found = (0..SEEDS).find_map(|seed| run(seed, flaw, false).end.err());
    let said = found.unwrap_or_else(|| panic!("{flaw:?} is not found in {SEEDS} seeds"));
    assert!(words.iter().any(|w| said.contains(w)), "{flaw:?} is found as: {said}");
}

#[test]
fn a_desk_that_acknowledges_before_it_stores_is_found() {
    is_found(Flaw::AcksBeforeStoring, &["without it"]);
}

#[test]
fn a_desk_that_forgets_strips_is_found() {
    is_found(Flaw::ForgetsStrips, &["without it"]);
}

#[test]
fn a_desk_that_admits_anyone_is_found() {
    is_found(Flaw::AdmitsAnyone, &["not in the crew"]);
}

#[test]
fn a_desk_that_trusts_forgers_is_found() {
    is_found(Flaw::TrustsForgers, &["nobody signed"]);
}

#[test]
fn a_crash_that_leaves_half_a_group_is_found() {
    is_found(Flaw::KeepsHalfAGroup, &["a part of what it was storing"]);
}

#[test]
fn a_desk_that_tells_an_old_digest_is_found() {
    is_found(Flaw::TellsOldDigest, &["do not come to hold the same", "hold the same and"]);
}

#[test]
fn a_desk_that_keeps_one_side_of_a_fork_is_found() {
    is_found(Flaw::OverwritesForks, &["has lost entry", "without it"]);
}

#[test]
fn a_meeting_that_speaks_before_admission_is_found() {
    is_found(Flaw::SpeaksBeforeAdmission, &["not in the crew"]);
}
