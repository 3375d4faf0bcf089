//! `prune`: raw logs that are no longer needed.

use super::home;
use super::parcel::passphrase;
use crate::args::Cli;
use crate::failure::Failure;
use crate::talk;
use clap::Args;
use leadline_survey::{KeptOriginal, kept_originals, remove_originals};
use serde_json::json;
use std::path::PathBuf;
use std::process::ExitCode;

/// `prune`
#[derive(Debug, Args)]
pub(crate) struct PruneArgs {
    /// A backup that holds what the logs gave: a file, or a folder of which the newest is taken
    #[arg(long, value_name = "FILE|DIR")]
    pub backup: Option<PathBuf>,
    /// A file with the backup's passphrase in its first line; - to type it
    #[arg(long, value_name = "FILE", requires = "backup")]
    pub passphrase_file: Option<PathBuf>,
    /// Remove what can go; without it the logs are only listed
    #[arg(long, requires = "backup")]
    pub yes: bool,
    /// Only list, which is also what happens without --yes
    #[arg(long, conflicts_with = "yes")]
    pub dry_run: bool,
}

pub(crate) fn run(cli: &Cli, args: &PruneArgs) -> Result<ExitCode, Failure> {
    let home = home(cli)?;
    let words = args.passphrase_file.as_deref().map(passphrase).transpose()?;
    let backup = args.backup.as_deref().map(|b| (b, words.as_deref()));
    let all = kept_originals(&home, backup)?;
    let goes: Vec<&KeptOriginal> = all.iter().filter(|o| o.stays.is_none()).collect();
    let bytes: u64 = goes.iter().map(|o| o.bytes).sum();
    if args.yes {
        remove_originals(goes.iter().copied())?;
    }
    let one = |o: &KeptOriginal| json!({"path": o.path, "bytes": o.bytes, "legs": o.legs, "damaged": o.damaged, "stays": o.stays});
    if cli.json {
        talk::json(&json!({
            "logs": all.iter().map(one).collect::<Vec<_>>(), "can_go": goes.len(), "bytes": bytes, "removed": args.yes,
        }))?;
    } else {
        say(args, &all, (goes.len(), bytes))?;
    }
    Ok(ExitCode::from(if all.iter().any(|o| o.damaged) { 4 } else { 0 }))
}

fn say(args: &PruneArgs, all: &[KeptOriginal], (goes, bytes): (usize, u64)) -> Result<(), Failure> {
    if all.is_empty() {
        return talk::say("No raw logs are kept.");
    }
    for o in all {
        let name = o.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let verdict = match (&o.stays, args.yes) {
            (Some(why), _) => format!("stays: {why}"),
            (None, true) => "removed".to_owned(),
            (None, false) => "can go".to_owned(),
        };
        talk::say(&format!(
            "{}  {:.1} KB, {} legs: {verdict}",
            name.get(..12).unwrap_or(&name),
            o.bytes as f64 / 1000.0,
            o.legs
        ))?;
    }
    let what = if args.yes { "removed" } else { "can go" };
    talk::say(&format!("{} of {} raw logs {what}, {:.1} KB", goes, all.len(), bytes as f64 / 1000.0))?;
    if !args.yes && goes > 0 {
        talk::note(
            "With --yes they are removed. Their soundings stay; what Leadline does not read of a log (other sentences) is then gone.",
        );
    }
    Ok(())
}
