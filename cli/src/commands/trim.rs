//! `trim`: what was measured near home stays on this device.

use super::home;
use crate::args::Cli;
use crate::failure::Failure;
use crate::{talk, units};
use clap::Args;
use leadline_survey::Trim;
use serde_json::json;

/// `trim`
#[derive(Debug, Args)]
pub(crate) struct TrimArgs {
    /// The middle of a place, such as your own jetty: longitude,latitude; without it the places are listed
    #[arg(long, value_name = "LON,LAT", allow_hyphen_values = true)]
    pub near: Option<String>,
    /// How far around it, metres
    #[arg(long, value_name = "M", requires = "near", default_value_t = 300.0)]
    pub radius: f64,
    /// Take a place back: what is there leaves this device again
    #[arg(long, requires = "near")]
    pub undo: bool,
}

pub(crate) fn run(cli: &Cli, args: &TrimArgs) -> Result<(), Failure> {
    let home = home(cli)?;
    let mut trims = home.trims()?;
    let Some(near) = &args.near else { return list(cli, &trims) };
    let (at, _) = units::place("--near", near)?;
    if !(1.0..=20_000.0).contains(&args.radius) {
        return Err(Failure::Input(format!("--radius {}: metres, between 1 and 20000", args.radius)));
    }
    let same = |t: &Trim| (t.lon, t.lat) == (at.lon, at.lat);
    let known = trims.iter().any(same);
    if args.undo && !known {
        return Err(Failure::Input(format!(
            "--near {near}: no such place is trimmed; `leadline trim` lists them"
        )));
    }
    trims.retain(|t| !same(t));
    if !args.undo {
        trims.push(Trim { lon: at.lon, lat: at.lat, radius_m: args.radius });
    }
    let held = home.set_trims(&trims)?;
    if cli.json {
        return talk::json(&json!({"trims": trims, "held_back_strips": held}));
    }
    if args.undo {
        talk::say(
            "Taken back. Logs that were cut on import stay cut; import them again to have all of them.",
        )?;
    } else {
        talk::say(
            "From now on, soundings there are cut from a log before anything of it is signed: nothing tells of them.",
        )?;
    }
    if held > 0 {
        talk::say(&format!(
            "{held} strips (up to ten minutes on one tile each) were signed before: this device holds them back from meetings and parcels. \
             Their signed entries name the tile, about 860 m wide, and go along; whoever has met this device since they were imported has the strips already."
        ))?;
    }
    Ok(())
}

fn list(cli: &Cli, trims: &[Trim]) -> Result<(), Failure> {
    if cli.json {
        return talk::json(&json!({ "trims": trims }));
    }
    if trims.is_empty() {
        return talk::say(
            "Nothing is trimmed. Keep your own jetty to this device: leadline trim --near LON,LAT --radius 300",
        );
    }
    trims.iter().try_for_each(|t| talk::say(&format!("{},{}  within {} m", t.lon, t.lat, t.radius_m)))
}
