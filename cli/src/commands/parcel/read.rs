//! `parcel read`.

use super::{code, holds, passphrase, terms, wholeness};
use crate::args::Cli;
use crate::commands::home;
use crate::failure::Failure;
use crate::talk;
use clap::Args;
use leadline_survey::{Home, ParcelRead, read_parcels};
use serde_json::{Value, json};
use std::path::PathBuf;
use std::process::ExitCode;

/// `parcel read`
#[derive(Debug, Args)]
pub(crate) struct ReadArgs {
    /// The files
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// A file with the passphrase of a locked parcel in its first line; - to type it
    #[arg(long, value_name = "FILE")]
    pub passphrase_file: Option<PathBuf>,
}

pub(super) fn run(cli: &Cli, args: &ReadArgs) -> Result<ExitCode, Failure> {
    let home = home(cli)?;
    let only = cli.survey.as_deref().map(|pick| home.pick(Some(pick))).transpose()?;
    let words = args.passphrase_file.as_deref().map(passphrase).transpose()?;
    let read = read_parcels(&home, only, &args.files, words.as_deref())?;
    tell(cli, &home, &read)?;
    Ok(code(read.iter().all(|r| r.end.is_whole())))
}

/// Says what came of parcels that were read.
pub(crate) fn tell(cli: &Cli, home: &Home, read: &[ParcelRead]) -> Result<(), Failure> {
    if cli.json {
        let mut files = read.iter().map(|r| as_json(home, r)).collect::<Result<Vec<_>, _>>()?;
        // One file stands by itself, several in a list.
        let all = if files.len() == 1 { files.remove(0) } else { json!({ "files": files }) };
        talk::json(&all)?;
    }
    for r in read {
        if !cli.json {
            say(r, read.len() > 1)?;
        }
        wholeness(&r.end);
        if r.accepted.own_returned {
            talk::note(
                "This device's own entries came back: its folder is an older copy. It goes on under a new epoch; nothing is lost.",
            );
        }
    }
    Ok(())
}

fn as_json(home: &Home, r: &ParcelRead) -> Result<Value, Failure> {
    let a = &r.accepted;
    let digest = home.store(&r.header.survey)?.holdings_digest()?.to_string();
    Ok(json!({
        "path": r.path, "whole": r.end.is_whole(), "entries_new": a.entries, "entries_known": a.known, "waiting": a.waiting,
        "strips_new": a.strips, "refused": a.refused, "holds": holds(&r.header), "terms": terms(&r.terms), "digest": digest,
        "survey": r.header.survey.to_string(), "guest": r.guest, "lacking_logs": r.lacking,
    }))
}

fn say(r: &ParcelRead, named: bool) -> Result<(), Failure> {
    let a = &r.accepted;
    let which = if named { format!("{}: ", r.path.display()) } else { String::new() };
    talk::say(&format!(
        "{which}{} new entries, {} new strips ({} entries were here already)",
        a.entries, a.strips, a.known
    ))?;
    if let Some(part) = r.terms.part {
        talk::say(&format!("  part {} of {}; the others can be read in any order", part.number, part.of))?;
    }
    if r.lacking > 0 {
        talk::say(&format!(
            "  it builds on entries of {} logs that are not all here: what came is kept, and counts; meet the crew or read the parcel before it",
            r.lacking
        ))?;
    }
    if a.waiting > 0 {
        talk::say(&format!("{} entries wait until their device is admitted.", a.waiting))?;
    }
    if r.guest {
        talk::say(&format!(
            "  \"{}\" is here as a gift: charts, depths and exports work (--survey {}); writing into it does not",
            r.header.name,
            r.header.survey.short()
        ))?;
    }
    if r.guest && !r.terms.pass_on {
        talk::note("Its giver asks not to pass it on: this program will not.");
    }
    if let Some(first) = a.refused.first() {
        talk::note(&format!("{} entries or strips were bad and are kept aside: {first}", a.refused.len()));
    }
    Ok(())
}
