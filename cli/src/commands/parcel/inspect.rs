//! `parcel inspect`.

use super::{code, holds, passphrase, terms, wholeness};
use crate::args::Cli;
use crate::commands::home;
use crate::failure::Failure;
use crate::talk;
use clap::Args;
use leadline_survey::{LockKind, ParcelEnd, ParcelHeader, ParcelSeen, ParcelTerms, inspect_locked_parcel};
use serde_json::json;
use std::path::PathBuf;
use std::process::ExitCode;

/// `parcel inspect`
#[derive(Debug, Args)]
pub(crate) struct InspectArgs {
    /// The file
    pub file: PathBuf,
    /// A file with the passphrase of a locked parcel in its first line; - to type it
    #[arg(long, value_name = "FILE")]
    pub passphrase_file: Option<PathBuf>,
}

pub(super) fn run(cli: &Cli, args: &InspectArgs) -> Result<ExitCode, Failure> {
    let words = args.passphrase_file.as_deref().map(passphrase).transpose()?;
    match inspect_locked_parcel(&home(cli)?, &args.file, words.as_deref())? {
        ParcelSeen::Locked(how) => {
            if cli.json {
                talk::json(&json!({"path": args.file, "locked": how, "opened": false}))?;
            } else {
                let key = match how {
                    LockKind::Passphrase => "with a passphrase: give it with --passphrase-file",
                    LockKind::Crew => "for a crew that this home does not belong to",
                };
                talk::say(&format!(
                    "A locked parcel; it can be opened {key}. Nothing else shows from outside."
                ))?;
            }
            Ok(ExitCode::SUCCESS)
        }
        ParcelSeen::Content { header, terms, end, locked } => {
            show(cli, &header, &terms, (&end, locked))?;
            wholeness(&end);
            Ok(code(end.is_whole()))
        }
    }
}

fn show(
    cli: &Cli,
    header: &ParcelHeader,
    of_use: &ParcelTerms,
    (end, locked): (&ParcelEnd, bool),
) -> Result<(), Failure> {
    let h = &header.holds;
    let presupposed = header.presupposes.as_ref().map(|have| have.0.iter().map(|l| l.top).sum::<u64>());
    if cli.json {
        return talk::json(&json!({
            "survey": {"id": header.survey.to_string(), "name": header.name.as_str()}, "maker": header.maker.to_string(),
            "maker_name": header.maker_name.as_str(), "made": header.made.to_string(), "full": presupposed.is_none(),
            "presupposed_entries": presupposed, "terms": terms(of_use), "locked": locked, "opened": true,
            "holds": holds(header), "whole": end.is_whole(), "torn_bytes": end.torn, "damaged_frames": end.damaged,
        }));
    }
    let kind = if of_use.gift { "A gift" } else { "A parcel" };
    talk::say(&format!("{kind} of \"{}\" ({})", header.name, header.survey.short()))?;
    if let Some(part) = of_use.part {
        talk::say(&format!("  part {} of {}", part.number, part.of))?;
    }
    talk::say(&format!(
        "  made by {} ({}) on {} UTC, by that device's clock",
        header.maker_name,
        header.maker.short(),
        header.made.minute_text()
    ))?;
    let (tiles, first) = (h.tiles.len(), h.tiles.first().map(ToString::to_string).unwrap_or_default());
    let where_ = if tiles == 0 { String::new() } else { format!(", the first {first}") };
    talk::say(&format!(
        "  {} entries, {} soundings in {} strips on {tiles} tiles{where_}",
        h.entries, h.soundings, h.strips
    ))?;
    if let Some((a, b)) = h.span {
        talk::say(&format!("  measured from {} to {} UTC", a.minute_text(), b.minute_text()))?;
    }
    if of_use.area || of_use.dates != (None, None) {
        talk::say("  chosen by area or dates: it does not hold all of the survey")?;
    }
    match presupposed {
        None => talk::say("  presupposes nothing")?,
        Some(n) => talk::say(&format!("  presupposes {n} entries that its maker knew the receiver to hold"))?,
    }
    if !of_use.pass_on {
        talk::say("  not to be passed on, its maker asks")?;
    }
    if locked {
        talk::say("  encrypted; it could be opened here")?;
    }
    if end.is_whole() {
        talk::say("  whole: every byte is as its maker sealed it")?;
    }
    Ok(())
}
