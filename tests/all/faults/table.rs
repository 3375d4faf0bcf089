//! Every command, and what is promised of it when it is struck down. A new command is a line here.

use super::homes::{Homes, Start};
use crate::home::program;
use std::collections::BTreeSet;
use std::process::Command;

/// A command that writes.
pub(super) struct Row {
    pub(super) name: &'static str,
    pub(super) args: Vec<String>,
    pub(super) start: Start,
    /// Whether it is all there or not at all; else it may be there in part, as with several logs.
    pub(super) whole: bool,
    /// Whether typing it again, after it was done, does it again.
    pub(super) again: bool,
    /// Of so many tries of others, one of this: it takes that much longer.
    pub(super) share: usize,
}

/// The commands that write, by the words that name them, and as they are tried.
const WRITES: [(&str, &str); 43] = [
    ("survey new", "survey new Testmere"),
    ("survey use", "survey use Testmere"),
    ("survey set", "survey set --fair-speed 3.5 --max-speed 6"),
    ("survey shore", "survey shore lake.geojson --stage 0.3"),
    ("survey adopt", "survey adopt gift.parcel"),
    ("boat set", "boat set Heron --draft 0.4 --from 2026-05-02"),
    ("boat rename", "boat rename Plover Lapwing"),
    ("import", "import b.nmea --boat Heron --draft 0.35"),
    ("import", "import card --boat Heron"),
    ("record", "record --from replay:live.nmea@max --boat Heron"),
    ("leave-out", "leave-out --boat Heron --from 2026-05-01T10:01Z --to 2026-05-01T10:02Z --why fouled"),
    ("take-back", "take-back --cell 7.413,48.21 --why mistaken"),
    ("stage add", "stage add --at 2026-05-04T08:00Z --level 0.35"),
    ("stage import", "stage import readings.csv"),
    ("gauge add", "gauge add weir --zero 0.42 --at 7.413,48.21"),
    ("gauge river", "gauge river centre.csv"),
    ("water add", "water add --at 2026-05-01T09:00Z --temperature 14.5"),
    ("level", "level --apply"),
    ("level", "level --undo"),
    ("sync", "sync --with ADDRESS --once"),
    ("crew invite", "crew invite"),
    ("crew join", "crew join INVITE"),
    ("crew name", "crew name tablet"),
    ("crew role", "crew role plover reader"),
    ("crew dismiss", "crew dismiss plover --why lost"),
    ("crew rotate", "crew rotate"),
    ("parcel read", "parcel read more.parcel"),
    ("parcel write", "parcel write out.parcel"),
    ("mark add", "mark add landing 7.4131,48.2101 --name ramp"),
    ("mark share", "mark share all"),
    ("mark remove", "mark remove MARK"),
    ("trim", "trim --near 7.4135,48.21 --radius 40"),
    ("verify", "verify"),
    ("view", "view --revoke 1"),
    ("status", "status"),
    ("backup", "backup lake.backup"),
    ("backup", "backup stick"),
    ("backup", "backup stick --keep 1"),
    ("backup", "backup locked.backup --with-key --passphrase-file words.txt"),
    ("restore", "restore all.backup"),
    ("restore", "restore plover.backup"),
    ("restore", "restore key.backup --passphrase-file words.txt"),
    ("prune", "prune --backup all.backup --yes"),
];

/// Commands that only read; what they write is a file that the person names.
const READS: [&str; 30] = [
    "survey list",
    "survey show",
    "boat bar-check",
    "boat list",
    "check",
    "passes",
    "stage show",
    "gauge list",
    "water list",
    "quality",
    "depth",
    "chart",
    "compare",
    "volume",
    "structure",
    "coverage",
    "plan",
    "export",
    "crew list",
    "parcel inspect",
    "mark list",
    "history",
    "inspect",
    "completions",
    "man",
    "help",
    "backup list",
    "backup inspect",
    "parcel give",
    "prune list",
];

/// Commands that write and are tried elsewhere.
const ELSEWHERE: [(&str, &str); 2] = [
    ("demo", "writes into a new folder of its own"),
    ("parcel take", "reads a parcel as `parcel read` does, from a socket"),
];

/// What is done in steps, of which some may be there; typed again, it comes to the same end.
const IN_STEPS: [&str; 13] = [
    "survey new",
    "import card",
    "record",
    "sync",
    "parcel read",
    "survey adopt",
    "crew name",
    "crew join",
    // The new secret is kept before the entries that announce it; those are all there or none.
    "crew dismiss",
    "crew rotate",
    "mark share",
    "trim",
    "restore",
];

/// What, typed again, is done again. A log that is recorded a second time, after half of it, gives other legs.
const AGAIN: [&str; 4] = ["crew invite", "mark add", "crew rotate", "record"];

/// The rows, filled in.
pub(super) fn rows(homes: &Homes) -> Vec<Row> {
    let fill = |word: &str| match word {
        "ADDRESS" => homes.address(),
        "INVITE" => homes.invite.clone(),
        "MARK" => homes.mark.clone(),
        other => other.to_owned(),
    };
    let row = |(_, typed): &(&'static str, &'static str)| Row {
        name: typed,
        args: typed.split(' ').map(fill).collect(),
        start: match *typed {
            "survey new Testmere" | "restore all.backup" => Start::Empty,
            t if t.starts_with("restore key.backup") => Start::Empty,
            "level --undo" => Start::Levelled,
            _ => Start::Crew,
        },
        whole: !IN_STEPS.iter().any(|w| typed.starts_with(w)),
        again: AGAIN.iter().any(|w| typed.starts_with(w)),
        share: match typed.split(' ').next() {
            Some("sync" | "record") => 8,
            // A passphrase takes its time.
            Some(_) if typed.contains("words.txt") => 8,
            Some("level") => 4,
            _ => 1,
        },
    };
    WRITES.iter().map(row).collect()
}

/// The names of all commands, as the program's own help lists them.
fn commands() -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    let mut open = vec![Vec::new()];
    while let Some(words) = open.pop() {
        let inside = listed(&words);
        if inside.is_empty() || words.len() == 2 {
            found.insert(words.join(" "));
            continue;
        }
        open.extend(inside.into_iter().map(|name| [words.clone(), vec![name]].concat()));
    }
    found
}

/// What stands under "Commands:" in a command's help.
fn listed(words: &[String]) -> Vec<String> {
    let out = Command::new(program()).args(words).arg("--help").output().expect("the program starts");
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    let mut lines = text.lines().skip_while(|l| *l != "Commands:").skip(1);
    let mut names = Vec::new();
    while let Some(line) = lines.next().filter(|l| l.starts_with("  ")) {
        // A longer explanation stands deeper.
        if !line.starts_with("   ") {
            names.extend(line.split_whitespace().next().map(str::to_owned));
        }
    }
    names.retain(|n| n != "help");
    names
}

#[test]
fn every_command_is_known_to_write_or_not_to() {
    let known = |name: &String| {
        let is = |k: &str| k == name || name.strip_prefix(k).is_some_and(|rest| rest.starts_with(' '));
        WRITES.iter().any(|(k, _)| is(k))
            || READS.iter().any(|k| is(k))
            || ELSEWHERE.iter().any(|(k, _)| is(k))
    };
    let commands = commands();
    assert!(commands.len() > 40, "{commands:?}");
    let strange: Vec<_> = commands.iter().filter(|c| !known(c)).collect();
    assert!(
        strange.is_empty(),
        "{strange:?}: a command that writes needs a row in tests/all/faults/table.rs, one that reads a word there"
    );
    assert!(!known(&"scuttle".to_owned()) && !known(&"survey sell".to_owned()));
}
