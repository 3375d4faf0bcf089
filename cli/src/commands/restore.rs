//! `restore`: a backup put back.

use super::parcel::passphrase;
use crate::args::Cli;
use crate::failure::Failure;
use crate::talk;
use clap::Args;
use leadline_model::escaped;
use leadline_survey::{Home, Restored, RestoredSurvey, restore};
use serde_json::{Value, json};
use std::path::PathBuf;
use std::process::ExitCode;

/// `restore`
#[derive(Debug, Args)]
pub(crate) struct RestoreArgs {
    /// A backup, or a folder of them: the newest is taken
    #[arg(value_name = "FILE|DIR")]
    pub target: PathBuf,
    /// A file with the passphrase in its first line; - to type it
    #[arg(long, value_name = "FILE")]
    pub passphrase_file: Option<PathBuf>,
    /// Take what is whole of a damaged backup, or of one whose chain has a gap
    #[arg(long)]
    pub damaged: bool,
}

pub(crate) fn run(cli: &Cli, args: &RestoreArgs) -> Result<ExitCode, Failure> {
    let words = args.passphrase_file.as_deref().map(passphrase).transpose()?;
    let (home, done) = restore(cli.home.as_deref(), &args.target, words.as_deref(), args.damaged)?;
    if cli.json {
        talk::json(&as_json(&home, &done))?;
    } else {
        say(&home, &done)?;
    }
    let lacking = done.surveys.iter().any(|s| s.lacking > 0);
    Ok(ExitCode::from(u8::from(lacking || !done.faults.is_empty())))
}

fn as_json(home: &Home, done: &Restored) -> Value {
    let survey = |s: &RestoredSurvey| {
        json!({
            "id": s.id.to_string(), "name": s.name, "new": s.new, "guest": s.guest, "entries_new": s.accepted.entries,
            "entries_known": s.accepted.known, "strips_new": s.accepted.strips, "masked": s.accepted.masked,
            "waiting": s.accepted.waiting, "refused": s.accepted.refused, "marks_new": s.marks, "lacking": s.lacking,
            "digest": s.digest.to_string(), "as_it_was": s.as_it_was,
        })
    };
    json!({
        "files": done.files, "faults": done.faults, "from_device": done.from.to_string(), "from_name": done.from_name,
        "device": home.key().id().to_string(), "same_device": done.same_device, "key_not_taken": done.key_not_taken,
        "surveys": done.surveys.iter().map(survey).collect::<Vec<_>>(),
    })
}

fn say(home: &Home, done: &Restored) -> Result<(), Failure> {
    let from = escaped(&done.from_name).to_string();
    for s in &done.surveys {
        let name = s.name.as_deref().map_or_else(|| s.id.to_string(), |n| escaped(n).to_string());
        let how = if s.as_it_was {
            "exactly as it was when the backup was made"
        } else if s.lacking == 0 {
            "all of the backup is here, beside what was here already"
        } else {
            "not all of the backup is here"
        };
        talk::say(&format!(
            "{name}: {} new entries, {} new strips, {} new private marks; {how} (digest {})",
            s.accepted.entries,
            s.accepted.strips,
            s.marks,
            s.digest.short()
        ))?;
        if s.lacking > 0 {
            talk::note(&format!(
                "{} entries or strips of the backup are not here: meet a device of the crew that has them.",
                s.lacking
            ));
        }
    }
    done.faults.iter().for_each(|f| talk::note(&format!("Wrong with the backup: {}", escaped(f))));
    if done.key_not_taken {
        talk::note(
            "The backup holds another device's key; this home has one of its own, which stays. To be that device, restore into an empty home (--home DIR).",
        );
    }
    if done.same_device {
        talk::say(&format!(
            "This device is {from}, as before; it goes on under a new epoch. If the old one turns up again, do not use both: one of them should join by an invite (leadline crew invite)."
        ))?;
        return Ok(());
    }
    let me = home.key().id();
    talk::say(&format!(
        "This device has an identity of its own ({}); it is in the place of {from} ({}).",
        me.short(),
        done.from.short()
    ))?;
    if done.surveys.iter().any(|s| s.guest) {
        talk::say(&format!(
            "It reads, charts and exports now. To measure on: ask a keeper for an invite (there: leadline crew invite; here: leadline crew join INVITE, then leadline sync), and if {from} is lost, have it put out: leadline crew dismiss {} --why lost",
            done.from.short()
        ))?;
        talk::note(
            "If no keeper is left: begin anew (leadline survey new NAME) and read this one together with it (leadline survey adopt).",
        );
    }
    Ok(())
}
