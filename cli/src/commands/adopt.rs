//! `survey adopt`: another survey of the same water, read together with this one.

use super::{home, open};
use crate::args::Cli;
use crate::failure::Failure;
use crate::{talk, units};
use clap::Args;
use leadline_model::SurveyId;
use leadline_survey::{Adoption, Home, Store, adopt_survey, read_parcels, unadopt_survey};
use serde_json::json;
use std::path::{Path, PathBuf};

/// `survey adopt`
#[derive(Debug, Args)]
pub(crate) struct AdoptArgs {
    /// A survey of this home, by name or start of its id, or the file of a parcel of it
    #[arg(value_name = "SURVEY|PARCEL")]
    pub other: String,
    /// Take the adoption back: the map is as it was before
    #[arg(long)]
    pub undo: bool,
    /// A file with the passphrase of a locked parcel in its first line; - to type it
    #[arg(long, value_name = "FILE", conflicts_with = "undo")]
    pub passphrase_file: Option<PathBuf>,
}

pub(super) fn run(cli: &Cli, args: &AdoptArgs) -> Result<(), Failure> {
    if args.undo {
        return undo(cli, args);
    }
    let (home, mut store) = open(cli)?;
    let other = match Path::new(&args.other).is_file() {
        true => from_parcel(&home, args)?,
        false => home.pick(Some(&args.other))?,
    };
    let adoption = adopt_survey(&home, &mut store, &other, units::now())?;
    tell(cli, &other, &adoption)
}

fn from_parcel(home: &Home, args: &AdoptArgs) -> Result<SurveyId, Failure> {
    let words = args.passphrase_file.as_deref().map(super::parcel::passphrase).transpose()?;
    let read = read_parcels(home, None, &[PathBuf::from(&args.other)], words.as_deref())?;
    let first = read.first().ok_or_else(|| Failure::Input(format!("{}: nothing was read", args.other)))?;
    talk::note(&format!(
        "{}: {} new entries, {} new strips of \"{}\"",
        args.other, first.accepted.entries, first.accepted.strips, first.header.name
    ));
    Ok(first.header.survey)
}

fn tell(cli: &Cli, other: &SurveyId, a: &Adoption) -> Result<(), Failure> {
    let mm = |m: f64| (m * 1000.0).round() / 1000.0;
    if cli.json {
        return talk::json(&json!({
            "adopted": other.to_string(), "name": a.name.as_str(), "new": a.new, "shared_legs": a.shared_legs,
            "datum": {"above_m": mm(a.datum.offset_m), "u95_m": mm(a.datum.uncertainty95_m), "crossings": a.datum.crossings},
        }));
    }
    let done = if a.new { "Adopted" } else { "Adopted already:" };
    talk::say(&format!(
        "{done} \"{}\" ({}). {}",
        a.name,
        other.short(),
        datum_words(cli, a.datum.offset_m, a.datum.uncertainty95_m, a.datum.crossings)
    ))?;
    if a.shared_legs > 0 {
        talk::say(&format!("{} of its legs are in this survey as well and count once.", a.shared_legs))?;
    }
    talk::say(
        "Until the two are levelled its depths are at best loose: leadline level --apply. To take it back: leadline survey adopt NAME --undo",
    )
}

/// Where the datum of an adopted survey lies.
pub(crate) fn datum_words(cli: &Cli, offset_m: f64, u95_m: f64, crossings: u32) -> String {
    let side = if offset_m < 0.0 { "below" } else { "above" };
    format!(
        "Its datum lies {} {side} this survey's, ± {} (95 %), from {crossings} crossings.",
        cli.units.depth(offset_m.abs()),
        cli.units.depth(u95_m)
    )
}

fn undo(cli: &Cli, args: &AdoptArgs) -> Result<(), Failure> {
    let (home, mut store) = open(cli)?;
    let other = adopted(&home, &store, &args.other)?;
    let undone = unadopt_survey(&mut store, &other, units::now())?;
    if cli.json {
        return talk::json(&json!({"unadopted": other.to_string(), "undone": undone}));
    }
    talk::say(if undone {
        "Taken back. The other survey stays in this home; a levelling that was solved with it is best renewed: leadline level --apply"
    } else {
        "That survey is not adopted; nothing was changed."
    })
}

/// The adopted survey that `pick` means, whether its store is here or not.
fn adopted(home: &Home, store: &Store, pick: &str) -> Result<SurveyId, Failure> {
    let all = leadline_survey::Ground::of(&store.survey_writes()?).adopted();
    let named: Vec<SurveyId> = all
        .iter()
        .filter(|(id, name)| name.as_str() == pick || (pick.len() >= 4 && id.to_string().starts_with(pick)))
        .map(|(id, _)| *id)
        .collect();
    match named.as_slice() {
        [one] => Ok(*one),
        [] => Ok(home.pick(Some(pick))?),
        _ => Err(Failure::Input(format!(
            "several adopted surveys are called {pick}; give the start of the id"
        ))),
    }
}

/// The adopted surveys of a store, for `survey show`: id, name, and whether it is in this home.
pub(super) fn listed(cli: &Cli, store: &Store) -> Result<Vec<(SurveyId, String, bool)>, Failure> {
    let home = home(cli)?;
    let all = leadline_survey::Ground::of(&store.survey_writes()?).adopted();
    Ok(all.into_iter().map(|(id, name)| (id, name.to_string(), home.holds(&id))).collect())
}
