//! `mark`: point notes, private until they are shared.

use super::open;
use crate::args::Cli;
use crate::failure::Failure;
use crate::{talk, units};
use clap::{Args, Subcommand, ValueEnum};
use leadline_model::{Mark, MarkKind, Text};
use leadline_survey::{KnownMark, field, mark_note, remove_mark, share_mark};
use serde_json::{Value, json};

/// `mark`
#[derive(Debug, Subcommand)]
pub(crate) enum MarkCommand {
    /// Note a place; it stays on this device until it is shared
    #[command(
        after_help = "Examples:\n  leadline mark add hazard 7.41310,48.21730 --name \"the wreck\" --depth 0.8\n  leadline mark add landing 7.41310,48.21730 --name \"north ramp\" --note \"steep, slippery\""
    )]
    Add(AddArgs),
    /// List the marks
    List,
    /// Give a mark to the crew, or all that are private
    #[command(after_help = "Examples:\n  leadline mark share 4f2a9c01\n  leadline mark share all")]
    Share {
        /// Its id, or `all`
        id: String,
    },
    /// Remove a mark, for the whole crew if it is shared
    Remove {
        /// Its id
        id: String,
    },
}

/// `mark add`
#[derive(Debug, Args)]
pub(crate) struct AddArgs {
    /// What it is of
    #[arg(value_enum)]
    pub kind: KindArg,
    /// Where: longitude,latitude in degrees
    #[arg(value_name = "LON,LAT", allow_hyphen_values = true)]
    pub at: String,
    /// A short name
    #[arg(long, value_name = "TEXT")]
    pub name: String,
    /// Depth over it below the sounding datum, metres (negative = dries)
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub depth: Option<f64>,
    /// More words
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
}

/// Kinds of marks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum KindArg {
    /// Something a boat can hit
    Hazard,
    /// Where a boat can be brought to land
    Landing,
    /// A tree's foot or a pile
    Stump,
    /// Any other place worth finding again
    Waypoint,
}

impl From<KindArg> for MarkKind {
    fn from(kind: KindArg) -> Self {
        match kind {
            KindArg::Hazard => Self::Hazard,
            KindArg::Landing => Self::Landing,
            KindArg::Stump => Self::Stump,
            KindArg::Waypoint => Self::Waypoint,
        }
    }
}

/// The word for a kind.
pub(crate) fn kind_word(kind: MarkKind) -> &'static str {
    match kind {
        MarkKind::Hazard => "hazard",
        MarkKind::Landing => "landing",
        MarkKind::Stump => "stump",
        MarkKind::Waypoint => "waypoint",
    }
}

pub(crate) fn run(cli: &Cli, command: &MarkCommand) -> Result<(), Failure> {
    match command {
        MarkCommand::Add(args) => add(cli, args),
        MarkCommand::List => list(cli),
        MarkCommand::Share { id } => share(cli, id),
        MarkCommand::Remove { id } => {
            let (_, mut store) = open(cli)?;
            let gone = remove_mark(&mut store, id, units::now())?;
            if cli.json {
                return talk::json(
                    &json!({"removed": gone.id, "name": gone.mark.name.as_str(), "shared": gone.shared}),
                );
            }
            talk::say(&format!("Removed {} \"{}\".", kind_word(gone.mark.kind), gone.mark.name))
        }
    }
}

fn add(cli: &Cli, args: &AddArgs) -> Result<(), Failure> {
    let (_, mut store) = open(cli)?;
    let mark = Mark {
        kind: args.kind.into(),
        place: units::place("the place", &args.at)?.1,
        depth_mm: args.depth.map(|d| units::millimetres("--depth", d, -1_000.0, 11_000.0)).transpose()?,
        name: field("name", &args.name)?,
        note: mark_note(args.note.as_deref())?,
    };
    let id = store.keep_mark(&mark)?;
    if cli.json {
        return talk::json(&json!({"id": id.to_string(), "shared": false}));
    }
    talk::say(&format!(
        "Noted {} \"{}\" on this device alone ({}). The crew gets it with: leadline mark share {}",
        kind_word(mark.kind),
        mark.name,
        id.short(),
        id.short()
    ))
}

fn list(cli: &Cli) -> Result<(), Failure> {
    let (_, store) = open(cli)?;
    let marks = store.marks()?;
    if cli.json {
        return talk::json(&json!({"marks": marks.iter().map(as_json).collect::<Vec<_>>()}));
    }
    if marks.is_empty() {
        return talk::say("No marks. Note one: leadline mark add hazard LON,LAT --name TEXT");
    }
    marks.iter().try_for_each(|m| talk::say(&line(cli, m)))
}

fn line(cli: &Cli, m: &KnownMark) -> String {
    let at = m.mark.place.lonlat();
    let depth = match m.mark.depth_mm {
        Some(mm) => cli.units.depth(f64::from(mm) / 1000.0),
        None => "depth not known".to_owned(),
    };
    format!(
        "{}  {:<8}  {:.6},{:.6}  {depth:<15}  {}{}  ({})",
        &m.id[..8],
        kind_word(m.mark.kind),
        at.lon,
        at.lat,
        m.mark.name,
        m.note().map(|n: &Text| format!(": {n}")).unwrap_or_default(),
        if m.shared { "shared" } else { "this device alone" }
    )
}

fn as_json(m: &KnownMark) -> Value {
    let at = m.mark.place.lonlat();
    json!({
        "id": m.id, "kind": kind_word(m.mark.kind), "lon": at.lon, "lat": at.lat,
        "depth_m": m.mark.depth_mm.map(|mm| f64::from(mm) / 1000.0), "name": m.mark.name.as_str(),
        "note": m.note().map(Text::as_str), "shared": m.shared,
    })
}

fn share(cli: &Cli, id: &str) -> Result<(), Failure> {
    let (_, mut store) = open(cli)?;
    let ids: Vec<String> = match id {
        "all" => store.marks()?.into_iter().filter(|m| !m.shared).map(|m| m.id).collect(),
        one => vec![one.to_owned()],
    };
    let mut shared = 0;
    for id in &ids {
        shared += usize::from(share_mark(&mut store, id, units::now())?);
    }
    if cli.json {
        return talk::json(&json!({"shared": shared}));
    }
    talk::say(&format!("Shared {shared} marks; the crew gets them with the next meeting or parcel."))
}
