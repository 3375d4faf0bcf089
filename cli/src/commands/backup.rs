//! `backup`: a second copy of all this device holds.

use super::home;
use super::parcel::passphrase;
use crate::args::Cli;
use crate::failure::Failure;
use crate::{talk, units};
use clap::{Args, Subcommand};
use leadline_model::{UtcMillis, escaped};
use leadline_survey::{
    BackedUp, BackupHead, BackupRequest, BackupSurvey, ChainFile, FolderSeen, back_up, backup_seen,
};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// `backup`
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub(crate) struct BackupArgs {
    #[command(subcommand)]
    pub command: Option<BackupCommand>,
    /// A file that ends with .backup, or a folder that is there
    #[arg(required = true, value_name = "FILE|DIR")]
    pub target: Option<PathBuf>,
    /// In a folder: keep the newest N and what they need, and remove older ones of this device
    #[arg(long, value_name = "N")]
    pub keep: Option<usize>,
    /// In a folder: write everything again, not only what is new
    #[arg(long)]
    pub full: bool,
    /// Lock it: a file with the passphrase in its first line; - to type it
    #[arg(long, value_name = "FILE")]
    pub passphrase_file: Option<PathBuf>,
    /// Take along the device's key and the surveys' secrets, so that a new device can be this one
    #[arg(long, requires = "passphrase_file")]
    pub with_key: bool,
}

/// `backup ...`
#[derive(Debug, Subcommand)]
pub(crate) enum BackupCommand {
    /// Say what a backup or a folder of them holds, and whether it is whole
    #[command(
        after_help = "Examples:\n  leadline backup inspect lake.backup\n  leadline backup inspect /media/stick/leadline --passphrase-file words.txt\n\nExit code 1: something is missing or damaged."
    )]
    Inspect {
        /// The file or folder
        #[arg(value_name = "FILE|DIR")]
        target: PathBuf,
        /// A file with the passphrase in its first line; - to type it
        #[arg(long, value_name = "FILE")]
        passphrase_file: Option<PathBuf>,
    },
}

pub(crate) fn run(cli: &Cli, args: &BackupArgs) -> Result<ExitCode, Failure> {
    if let Some(BackupCommand::Inspect { target, passphrase_file }) = &args.command {
        return inspect(cli, target, passphrase_file.as_deref());
    }
    let Some(target) = &args.target else {
        return Err(Failure::Input(
            "name a file that ends with .backup, or a folder that is there".to_owned(),
        ));
    };
    let home = home(cli)?;
    let surveys = cli.survey.as_deref().map(|pick| home.pick(Some(pick))).transpose()?;
    let request = BackupRequest {
        surveys: surveys.into_iter().collect(),
        passphrase: args.passphrase_file.as_deref().map(passphrase).transpose()?,
        with_key: args.with_key,
        full: args.full,
        keep: args.keep,
        now: units::now(),
        program: env!("CARGO_PKG_VERSION").to_owned(),
    };
    let done = back_up(&home, target, &request)?;
    let entries: u64 = done.head.iter().flat_map(|h| &h.surveys).map(|s| s.damaged).sum();
    let damaged = entries + done.damaged_strips;
    tell(cli, args, &done)?;
    if !cli.json && open_recording(home.root()) {
        talk::note("A recording is open: its last minutes, not closed yet, are not in it.");
    }
    if damaged > 0 {
        talk::note(&format!(
            "{damaged} entries or strips of this device's store are damaged and could not be backed up: run `leadline verify`."
        ));
        return Ok(ExitCode::from(4));
    }
    // The backup is made; the folder is not as it was asked for.
    Ok(ExitCode::from(u8::from(!done.not_removed.is_empty() || !done.failed.is_empty())))
}

fn open_recording(root: &Path) -> bool {
    let journals = std::fs::read_dir(root.join("recordings"));
    journals.is_ok_and(|all| all.flatten().any(|f| f.path().is_file()))
}

fn tell(cli: &Cli, args: &BackupArgs, done: &BackedUp) -> Result<(), Failure> {
    if cli.json {
        return talk::json(&json!({
            "path": done.path, "bytes": done.bytes, "written": done.head.is_some(), "verified": true,
            "head": done.head.as_ref().map(head_json), "begun_anew": done.begun_anew, "removed": done.removed,
            "not_removed": done.not_removed, "damaged_strips": done.damaged_strips,
            "failed": done.failed,
        }));
    }
    let path = done.path.display();
    let Some(head) = &done.head else {
        talk::say(&format!(
            "Nothing is new since {path}; all backups it builds on were read and are whole."
        ))?;
        return removed(done);
    };
    if let Some(why) = &done.begun_anew {
        talk::note(&format!("A full backup was begun: {}.", escaped(why)));
    }
    talk::say(&format!("{path}: {:.1} KB, written and read back", done.bytes as f64 / 1000.0))?;
    head.surveys.iter().try_for_each(|s| talk::say(&survey_line(s)))?;
    removed(done)?;
    if args.with_key {
        talk::say("This device's key is in it: whoever has the file and the passphrase can be this device.")?;
    } else {
        talk::note(
            "This device's key is not in it: what is restored elsewhere needs a keeper's invite to go on writing (--with-key takes the key along; for a device that is its survey's only keeper).",
        );
    }
    if args.passphrase_file.is_none() {
        talk::note(
            "It is not locked: whoever has it can read it, private marks too. --passphrase-file locks it.",
        );
    }
    Ok(())
}

fn removed(done: &BackedUp) -> Result<(), Failure> {
    for path in &done.not_removed {
        talk::note(&format!("{} is no longer needed and could not be removed.", path.display()));
    }
    for why in &done.failed {
        talk::note(&format!("Not looked at, and not removed: {}", escaped(why)));
    }
    match done.removed.len() {
        0 => Ok(()),
        n => talk::say(&format!("{n} older files were removed")),
    }
}

fn survey_line(s: &BackupSurvey) -> String {
    let name = s.name.as_deref().map_or_else(|| s.id.clone(), |n| escaped(n).to_string());
    let span = match (s.from, s.to) {
        (Some(from), Some(to)) => format!(", {} to {}", day(from), day(to)),
        _ => String::new(),
    };
    let marks = if s.marks > 0 { format!(", {} private marks", s.marks) } else { String::new() };
    format!(
        "  {name}: {} entries, {} soundings in {} strips{span}{marks}; with those before it {} entries and {} strips of {} devices",
        s.entries,
        s.soundings,
        s.strips,
        s.entries_in_all,
        s.strips_in_all,
        s.devices.len()
    )
}

fn day(ms: i64) -> String {
    UtcMillis(ms.clamp(0, 253_402_300_799_999)).date_text()
}

fn head_json(h: &BackupHead) -> Value {
    let mut v = serde_json::to_value(h).unwrap_or_default();
    v["made"] = h.made().to_string().into();
    v
}

fn inspect(cli: &Cli, target: &Path, words: Option<&Path>) -> Result<ExitCode, Failure> {
    let words = words.map(passphrase).transpose()?;
    let seen = backup_seen(target, words.as_deref())?;
    if cli.json {
        talk::json(&seen_json(&seen))?;
    } else {
        say_seen(&seen)?;
    }
    Ok(ExitCode::from(u8::from(!seen.faults.is_empty())))
}

fn seen_json(seen: &FolderSeen) -> Value {
    let file = |f: &ChainFile| json!({"path": f.path, "bytes": f.bytes, "locked": f.locked, "head": head_json(&f.head)});
    let newest: Vec<_> = seen.newest.iter().filter_map(|n| seen.files.get(*n)).map(|f| &f.path).collect();
    json!({
        "whole": seen.faults.is_empty(), "faults": seen.faults, "newest": newest, "not_opened": seen.locked, "failed": seen.failed, "unreadable": seen.unreadable,
        "files": seen.files.iter().map(file).collect::<Vec<_>>(),
    })
}

fn say_seen(seen: &FolderSeen) -> Result<(), Failure> {
    for (n, f) in seen.files.iter().enumerate() {
        let h = &f.head;
        let kind =
            if h.number == 1 { "full".to_owned() } else { format!("number {} of its chain", h.number) };
        let locked = match (f.locked, h.with_key) {
            (true, true) => ", locked, with the device's key",
            (true, false) => ", locked",
            _ => "",
        };
        let needed = if seen.newest.contains(&n) { " *" } else { "" };
        talk::say(&format!(
            "{}{needed}: {kind}, made {} by {} ({}), {:.1} KB{locked}",
            f.path.display(),
            h.made().minute_text(),
            escaped(&h.device_name),
            h.device.get(..8).unwrap_or_default(),
            f.bytes as f64 / 1000.0
        ))?;
        h.surveys.iter().try_for_each(|s| talk::say(&survey_line(s)))?;
    }
    for path in &seen.locked {
        talk::say(&format!("{}: locked with another passphrase", path.display()))?;
    }
    seen.failed.iter().chain(&seen.unreadable).for_each(|f| talk::note(&escaped(f).to_string()));
    if seen.faults.is_empty() {
        return talk::say("What the newest needs (*) was read from start to end and is whole.");
    }
    seen.faults.iter().for_each(|f| talk::note(&format!("Wrong: {}", escaped(f))));
    Ok(())
}
