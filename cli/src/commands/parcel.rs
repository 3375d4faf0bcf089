//! `parcel`: the survey, or part of it, as a file.

mod give;
mod inspect;
mod read;
mod write;

use crate::args::Cli;
use crate::failure::Failure;
use clap::Subcommand;
use leadline_survey::{ParcelEnd, ParcelHeader, ParcelTerms};
use serde_json::{Value, json};
use std::io::{IsTerminal, Read};
use std::path::Path;
use std::process::ExitCode;

/// `parcel`
#[derive(Debug, Subcommand)]
pub(crate) enum ParcelCommand {
    /// Write the survey, or part of it, to a file
    #[command(
        after_help = "Examples:\n  leadline parcel write lake.parcel\n  leadline parcel write more.parcel --since lake.parcel     (what has come since)\n  leadline parcel write more.parcel --since Plover          (what that device lacked when last met)\n  leadline parcel write bay.parcel --gift --area bay.geojson --pass-on no\n  leadline parcel write lake.parcel --split 20MB --lock crew\n\nPart of a leg goes along with the whole of its signed entry, which names the other tiles of those ten minutes."
    )]
    Write(write::WriteArgs),
    /// Take in parcels, in any order; reading one again changes nothing
    #[command(
        after_help = "Examples:\n  leadline parcel read lake.parcel\n  leadline parcel read lake-1of3.parcel lake-3of3.parcel\n  leadline parcel read lake.parcel --passphrase-file words.txt\n\nA gift of a survey that is not in this home is read as a guest: for charts, depths and exports, not for writing."
    )]
    Read(read::ReadArgs),
    /// Give the survey, or part of it, over the air to somebody outside the crew who stands beside you
    #[command(
        after_help = "Examples:\n  leadline parcel give\n  leadline parcel give --area bay.geojson --pass-on no\n  leadline parcel give --swap        (and take theirs)\n\nIt shows a code to read aloud. Both screens show the same two check words."
    )]
    Give(give::GiveArgs),
    /// Take what somebody beside you gives, by the code on their screen
    #[command(
        after_help = "Examples:\n  leadline parcel take 42-183-7556\n  leadline parcel take 42-183-7556 --at 192.168.43.17:4700\n  leadline parcel take 42-183-7556 --swap        (and give this home's survey)"
    )]
    Take(give::TakeArgs),
    /// Say what a parcel holds, without taking it in
    #[command(after_help = "Example:\n  leadline parcel inspect lake.parcel")]
    Inspect(inspect::InspectArgs),
}

pub(crate) fn run(cli: &Cli, command: &ParcelCommand) -> Result<ExitCode, Failure> {
    match command {
        ParcelCommand::Write(args) => write::run(cli, args).map(|()| ExitCode::SUCCESS),
        ParcelCommand::Read(args) => read::run(cli, args),
        ParcelCommand::Give(args) => give::give(cli, args).map(|()| ExitCode::SUCCESS),
        ParcelCommand::Take(args) => give::take(cli, args).map(|()| ExitCode::SUCCESS),
        ParcelCommand::Inspect(args) => inspect::run(cli, args),
    }
}

/// Far more than a passphrase.
const MOST_PASSPHRASE: u64 = 4096;

/// The first line of `file`, or of standard input.
pub(crate) fn passphrase(file: &Path) -> Result<String, Failure> {
    let failed =
        |e: std::io::Error| Failure::Input(format!("{}: {e}; give the passphrase's file", file.display()));
    let mut bytes = Vec::new();
    if file == Path::new("-") {
        let line = if std::io::stdin().is_terminal() {
            crate::talk::note("Type the passphrase (it is not shown), then Enter:");
            rpassword::read_password().map_err(failed)?
        } else {
            // A line at a time, so that whoever writes it need not end the input.
            let mut line = String::new();
            std::io::stdin().read_line(&mut line).map_err(failed)?;
            line
        };
        bytes.extend_from_slice(line.as_bytes());
    } else {
        let opened = std::fs::File::open(file).map_err(failed)?;
        opened.take(MOST_PASSPHRASE).read_to_end(&mut bytes).map_err(failed)?;
    }
    let text = String::from_utf8(bytes)
        .map_err(|_| Failure::Input(format!("{}: the passphrase is no UTF-8 text", file.display())))?;
    match text.lines().next().unwrap_or_default() {
        "" => Err(Failure::Input(format!(
            "{}: its first line is empty; a passphrase was expected",
            file.display()
        ))),
        words => Ok(words.to_owned()),
    }
}

fn wholeness(end: &ParcelEnd) {
    if !end.is_whole() {
        crate::talk::note(&format!(
            "The parcel is cut or damaged: {} bytes at its start are whole ({} entries, {} strips), {} bytes after them are not. \
             What is whole is good; get the parcel again for the rest.",
            end.whole, end.entries, end.strips, end.torn
        ));
    }
}

/// A cut parcel is the user's input: 1, though what was whole has been taken.
fn code(whole: bool) -> ExitCode {
    ExitCode::from(u8::from(!whole))
}

fn holds(header: &ParcelHeader) -> Value {
    let h = &header.holds;
    let tiles: Vec<_> = h.tiles.iter().map(ToString::to_string).collect();
    json!({
        "entries": h.entries, "strips": h.strips, "soundings": h.soundings, "tiles": tiles,
        "from": h.span.map(|(a, _)| a.to_string()), "to": h.span.map(|(_, b)| b.to_string()),
    })
}

fn terms(terms: &ParcelTerms) -> Value {
    json!({
        "gift": terms.gift, "pass_on": terms.pass_on, "area": terms.area,
        "part": terms.part.map(|p| json!({"number": p.number, "of": p.of, "set": p.set.to_string()})),
        "only_from": terms.dates.0.map(|t| t.to_string()), "only_to": terms.dates.1.map(|t| t.to_string()),
    })
}
