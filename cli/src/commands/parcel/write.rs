//! `parcel write`.

use super::{holds, passphrase, terms};
use crate::args::Cli;
use crate::commands::open;
use crate::failure::Failure;
use crate::{shapes, talk, units};
use clap::{Args, ValueEnum};
use leadline_model::{DeviceId, UtcMillis};
use leadline_survey::{
    LEAST_PART_BYTES, ParcelArea, ParcelLock, ParcelRequest, Since, Store, WrittenParcel, write_parcels,
};
use serde_json::json;
use std::path::{Path, PathBuf};

/// `parcel write`
#[derive(Debug, Args)]
pub(crate) struct WriteArgs {
    /// The file
    pub file: PathBuf,
    /// For somebody outside the crew, who will read it as a guest
    #[arg(long)]
    pub gift: bool,
    /// `no` asks whoever takes it to give it to nobody; their program honours that
    #[arg(long, value_name = "YES|NO", value_enum, default_value = "yes")]
    pub pass_on: YesNo,
    #[command(flatten)]
    pub selection: SelectionArgs,
    /// Cut it into files of at most this size, such as 20MB; each can be read alone
    #[arg(long, value_name = "SIZE")]
    pub split: Option<String>,
    /// Encrypt it, so that only who knows the passphrase, or only the crew, can read it
    #[arg(long, value_enum, value_name = "HOW")]
    pub lock: Option<LockArg>,
    /// A file with the passphrase in its first line; - to type it
    #[arg(long, value_name = "FILE", default_value = "-")]
    pub passphrase_file: PathBuf,
}

/// What goes along.
#[derive(Debug, Default, Args)]
pub(crate) struct SelectionArgs {
    /// Leave out what the receiver has: a device as it was last met, or an earlier parcel
    #[arg(long, value_name = "DEVICE|PARCEL")]
    pub since: Option<String>,
    /// Only tiles that this touches: a drawn area (GeoJSON or CSV), or the first digits of a quadkey
    #[arg(long, value_name = "FILE|QUADKEY")]
    pub area: Option<String>,
    /// Only what was measured from this day or moment on
    #[arg(long, value_name = "DATE")]
    pub from: Option<String>,
    /// Only what was measured before this day or moment
    #[arg(long, value_name = "DATE")]
    pub to: Option<String>,
}

/// Yes or no.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum YesNo {
    /// Yes
    Yes,
    /// No
    No,
}

/// Who can open it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum LockArg {
    /// Whoever knows the passphrase
    Passphrase,
    /// Every device of the crew
    Crew,
}

pub(super) fn run(cli: &Cli, args: &WriteArgs) -> Result<(), Failure> {
    let (home, store) = open(cli)?;
    let lock = match args.lock {
        None => None,
        Some(LockArg::Crew) if args.gift => {
            return Err(Failure::Input(
                "a gift goes outside the crew, so the crew's key cannot lock it; take --lock passphrase"
                    .to_owned(),
            ));
        }
        Some(LockArg::Crew) => Some(ParcelLock::Crew),
        Some(LockArg::Passphrase) => Some(ParcelLock::Passphrase(passphrase(&args.passphrase_file)?)),
    };
    let request = ParcelRequest {
        split: args.split.as_deref().map(size).transpose()?,
        lock,
        gift: args.gift,
        keep_to_yourself: args.pass_on == YesNo::No,
        ..selection(&store, &args.selection)?
    };
    let written = write_parcels(&home, &store, &args.file, &request, units::now())?;
    let kept = store.held_back()?.len();
    if kept > 0 && !cli.json {
        talk::note(&format!("{kept} strips with soundings near home are held back (leadline trim)."));
    }
    tell(cli, args, &written)
}

/// The selection as typed.
pub(crate) fn selection(store: &Store, args: &SelectionArgs) -> Result<ParcelRequest, Failure> {
    let moment = |what: &str, text: &Option<String>| text.as_deref().map(|t| date(what, t)).transpose();
    let request = ParcelRequest {
        since: args.since.as_deref().map(|s| since(store, s)).transpose()?,
        area: args.area.as_deref().map(area).transpose()?,
        from: moment("--from", &args.from)?,
        to: moment("--to", &args.to)?,
        ..ParcelRequest::default()
    };
    if let (Some(from), Some(to)) = (request.from, request.to)
        && from >= to
    {
        return Err(Failure::Input(format!(
            "--from {from} does not lie before --to {to}; nothing would be chosen"
        )));
    }
    Ok(request)
}

/// A day (its first moment, UTC) or a moment.
fn date(what: &str, text: &str) -> Result<UtcMillis, Failure> {
    let full = if text.trim().len() == 10 { format!("{}T00:00Z", text.trim()) } else { text.to_owned() };
    units::time(what, &full)
}

fn area(text: &str) -> Result<ParcelArea, Failure> {
    let is_key = (1..=15).contains(&text.len()) && text.bytes().all(|b| (b'0'..=b'3').contains(&b));
    if is_key && !Path::new(text).exists() {
        return Ok(ParcelArea::Quadkey(text.to_owned()));
    }
    shapes::area(Path::new(text)).map(ParcelArea::Ring)
}

/// A file that is there, else a device by its name or the start of its id.
fn since(store: &Store, text: &str) -> Result<Since, Failure> {
    if Path::new(text).is_file() {
        return Ok(Since::Parcel(text.into()));
    }
    let crew = store.crew()?;
    let named: Vec<DeviceId> = crew
        .members()
        .iter()
        .filter(|(id, m)| m.name.as_str() == text || (text.len() >= 4 && id.to_string().starts_with(text)))
        .map(|(id, _)| *id)
        .collect();
    match named.as_slice() {
        [one] => Ok(Since::Device(*one)),
        [] => Err(Failure::Input(format!(
            "--since {text}: neither a parcel's file nor a device of this crew; `leadline crew list` shows the devices"
        ))),
        _ => Err(Failure::Input(format!(
            "--since {text}: several devices are called so; give the start of its id"
        ))),
    }
}

/// Bytes, with kB, MB or GB behind the number; a thousand each.
fn size(text: &str) -> Result<u64, Failure> {
    let bad = || {
        Failure::Input(format!(
            "--split {text}: give a size such as 500kB, 20MB or 4GB, not below {LEAST_PART_BYTES} bytes"
        ))
    };
    let lower = text.trim().to_ascii_lowercase();
    let digits = lower.trim_end_matches(|c: char| c.is_ascii_alphabetic() || c == ' ');
    let factor = match lower[digits.len()..].trim() {
        "" | "b" => 1u64,
        "k" | "kb" => 1_000,
        "m" | "mb" => 1_000_000,
        "g" | "gb" => 1_000_000_000,
        _ => return Err(bad()),
    };
    let bytes = digits.parse::<u64>().ok().and_then(|n| n.checked_mul(factor));
    bytes.filter(|n| *n >= LEAST_PART_BYTES).ok_or_else(bad)
}

fn tell(cli: &Cli, args: &WriteArgs, written: &[WrittenParcel]) -> Result<(), Failure> {
    let bytes: u64 = written.iter().map(|w| w.bytes).sum();
    if cli.json {
        let files: Vec<_> = written
            .iter()
            .map(|w| json!({"path": w.path, "bytes": w.bytes, "holds": holds(&w.header), "terms": terms(&w.terms)}))
            .collect();
        let (path, all) = (written.first().map(|w| &w.path), written.first().map(|w| holds(&w.header)));
        return talk::json(&json!({"path": path, "bytes": bytes, "holds": all, "files": files}));
    }
    for w in written {
        let h = &w.header.holds;
        talk::say(&format!(
            "{}: {} entries, {} soundings in {} strips, {:.1} KB",
            w.path.display(),
            h.entries,
            h.soundings,
            h.strips,
            w.bytes as f64 / 1000.0
        ))?;
    }
    if written.iter().all(|w| w.header.holds.strips == 0) {
        talk::note("No soundings were chosen; the file holds statements only.");
    }
    let who = match (args.gift, args.lock) {
        (true, _) => "Whoever gets it reads it as a guest",
        (false, Some(LockArg::Crew)) => "Only devices of the crew can open it",
        _ => "Any device of the crew can read it",
    };
    talk::say(&format!("{who}: leadline parcel read FILE"))?;
    if args.lock.is_none() {
        talk::note(
            "It is not encrypted: whoever has the file can read it. --lock passphrase or --lock crew encrypts it.",
        );
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_as_people_type_them() {
        for (text, bytes) in
            [("65536", 65_536), ("500kB", 500_000), ("20 MB", 20_000_000), ("4g", 4_000_000_000)]
        {
            assert_eq!(size(text).ok(), Some(bytes), "{text}");
        }
        for text in ["", "MB", "-5MB", "20 miles", "1kB", "99999999999999999999GB"] {
            assert!(size(text).is_err(), "{text}");
        }
    }
}
