//! A hundred thousand mutated entries and strips: by strangers and, worse, by members who sign them. Nothing panics,
//! no document is poisoned, and memory stays where it was. In a process of its own, so that memory can be told.

#[allow(dead_code, reason = "shared with the laws")]
#[path = "laws/replica.rs"]
mod replica;
#[allow(dead_code, reason = "shared with the laws")]
#[path = "laws/world.rs"]
mod world;

#[path = "mutants/chance.rs"]
mod chance;
#[path = "mutants/entries.rs"]
mod entries;
#[path = "mutants/strips.rs"]
mod strips;

use chance::Chance;
use std::collections::BTreeMap;

/// What became of the mutants, by reason.
type Tally = BTreeMap<String, usize>;

const SEED: u64 = 2026;
/// Beyond what is in use when the run is warm: room for one full strip, one full entry and their documents.
const ROOM: u64 = 64 << 20;

#[test]
#[allow(clippy::print_stdout, reason = "what became of the mutants is worth reading")]
fn mutants_poison_nothing() {
    let mut chance = Chance(SEED);
    let mut tally = Tally::new();
    run(&mut chance, &mut Tally::new(), 10);
    let before = peaks();
    run(&mut chance, &mut tally, 1);
    let grown = peaks().zip(before).map(|(after, before)| (after.0 - before.0, after.1 - before.1));
    println!("seed {SEED}: {tally:#?}\npeaks grown by (address space, resident) {grown:?} bytes");
    // Linux tells; elsewhere the run itself must do.
    assert!(grown.is_none_or(|(space, resident)| space < ROOM && resident < ROOM), "{grown:?}");
    assert!(tally.values().sum::<usize>() >= 100_000);
    for class in [
        "entry accepted",
        "entry accepted unread",
        "entry waits",
        "entry known",
        "entry: TooLong",
        "entry: Layout",
        "entry: envelope",
        "entry: other survey",
        "entry: signature",
        "entry: unsound",
        "entry: fork",
        "strip unchanged",
        "strip of other content",
        "strip: Columns",
        "strip: Count",
        "strip: Version",
        "strip: TooLong",
        "frame within its limit",
        "frame: Packing",
    ] {
        assert!(tally.contains_key(class), "no mutant ended as: {class}");
    }
}

fn run(chance: &mut Chance, tally: &mut Tally, part: usize) {
    entries::by_strangers(chance, tally, 10_000 / part);
    entries::by_members(chance, tally, 30_000 / part, entries::altered);
    entries::by_members(chance, tally, 20_000 / part, entries::invented);
    strips::strips(chance, tally, 35_000 / part);
    strips::frames(chance, tally, 5_000 / part);
}

/// Highest address space and resident memory so far, bytes: an allocation that was never touched shows in the first.
fn peaks() -> Option<(u64, u64)> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let kb = |name| {
        status.lines().find_map(|l| l.strip_prefix(name)?.split_whitespace().next()?.parse::<u64>().ok())
    };
    Some((kb("VmPeak:")? << 10, kb("VmHWM:")? << 10))
}
