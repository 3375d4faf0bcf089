//! `parcel`: the survey as a file.

use super::open;
use crate::args::{Cli, ParcelCommand};
use crate::failure::Failure;
use crate::{talk, units};
use leadline_survey::{ParcelEnd, ParcelHeader};
use leadline_survey::{inspect_parcel, read_parcel, write_parcel};
use serde_json::{Value, json};
use std::path::Path;
use std::process::ExitCode;

pub(crate) fn run(cli: &Cli, command: &ParcelCommand) -> Result<ExitCode, Failure> {
    match command {
        ParcelCommand::Write { file } => write(cli, file).map(|()| ExitCode::SUCCESS),
        ParcelCommand::Read { file } => read(cli, file),
        ParcelCommand::Inspect { file } => inspect(cli, file),
    }
}

fn write(cli: &Cli, file: &Path) -> Result<(), Failure> {
    let (home, store) = open(cli)?;
    let header = write_parcel(&home, &store, file, units::now())?;
    let bytes = std::fs::metadata(file).map_err(Failure::output(file))?.len();
    if cli.json {
        return talk::json(&json!({"path": file, "bytes": bytes, "holds": holds(&header)}));
    }
    talk::say(&format!(
        "{}: {} entries, {} soundings in {} strips, {:.1} KB. Any device of the crew can read it: leadline parcel read FILE",
        file.display(),
        header.holds.entries,
        header.holds.soundings,
        header.holds.strips,
        bytes as f64 / 1000.0
    ))
}

fn read(cli: &Cli, file: &Path) -> Result<ExitCode, Failure> {
    let (_, mut store) = open(cli)?;
    let r = read_parcel(&mut store, file)?;
    if cli.json {
        let a = &r.accepted;
        talk::json(&json!({
            "path": file, "whole": r.end.is_whole(), "entries_new": a.entries, "entries_known": a.known, "waiting": a.waiting,
            "strips_new": a.strips, "refused": a.refused, "holds": holds(&r.header), "digest": store.holdings_digest()?.to_string(),
        }))?;
    } else {
        let a = &r.accepted;
        talk::say(&format!(
            "{} new entries, {} new strips ({} entries were here already)",
            a.entries, a.strips, a.known
        ))?;
        if a.waiting > 0 {
            talk::say(&format!("{} entries wait until their device is admitted.", a.waiting))?;
        }
        if !a.refused.is_empty() {
            talk::note(&format!(
                "{} entries or strips were bad and are kept aside: {}",
                a.refused.len(),
                a.refused[0]
            ));
        }
    }
    wholeness(&r.end);
    if r.accepted.own_returned {
        talk::note(
            "This device's own entries came back: its folder is an older copy. It goes on under a new epoch; nothing is lost.",
        );
    }
    Ok(code(&r.end))
}

fn inspect(cli: &Cli, file: &Path) -> Result<ExitCode, Failure> {
    let (header, end) = inspect_parcel(file)?;
    if cli.json {
        talk::json(&json!({
            "survey": {"id": header.survey.to_string(), "name": header.name.as_str()}, "maker": header.maker.to_string(),
            "maker_name": header.maker_name.as_str(), "made": header.made.to_string(), "full": header.presupposes.is_none(),
            "holds": holds(&header), "whole": end.is_whole(), "torn_bytes": end.torn, "damaged_frames": end.damaged,
        }))?;
    } else {
        let h = &header.holds;
        talk::say(&format!("A parcel of \"{}\" ({})", header.name, header.survey.short()))?;
        talk::say(&format!(
            "  made by {} ({}) on {} UTC, by that device's clock",
            header.maker_name,
            header.maker.short(),
            header.made.minute_text()
        ))?;
        talk::say(&format!(
            "  {} entries, {} soundings in {} strips on {} tiles",
            h.entries,
            h.soundings,
            h.strips,
            h.tiles.len()
        ))?;
        if let Some((a, b)) = h.span {
            talk::say(&format!("  measured from {} to {} UTC", a.minute_text(), b.minute_text()))?;
        }
        let need = if header.presupposes.is_some() {
            "what its maker knew the receiver to hold"
        } else {
            "nothing: it is full"
        };
        talk::say(&format!("  presupposes {need}"))?;
        if end.is_whole() {
            talk::say("  whole: every byte is as its maker sealed it")?;
        }
    }
    wholeness(&end);
    Ok(code(&end))
}

fn wholeness(end: &ParcelEnd) {
    if !end.is_whole() {
        talk::note(&format!(
            "The parcel is cut or damaged: {} bytes at its start are whole ({} entries, {} strips), {} bytes after them are not. \
             What is whole is good; get the parcel again for the rest.",
            end.whole, end.entries, end.strips, end.torn
        ));
    }
}

/// A cut parcel is the user's input: 1, though what was whole has been taken.
fn code(end: &ParcelEnd) -> ExitCode {
    ExitCode::from(u8::from(!end.is_whole()))
}

fn holds(header: &ParcelHeader) -> Value {
    let h = &header.holds;
    let tiles: Vec<_> = h.tiles.iter().map(ToString::to_string).collect();
    json!({
        "entries": h.entries, "strips": h.strips, "soundings": h.soundings, "tiles": tiles,
        "from": h.span.map(|(a, _)| a.to_string()), "to": h.span.map(|(_, b)| b.to_string()),
    })
}
