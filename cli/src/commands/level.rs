//! `level`: what boats and days are off by.

use super::open;
use crate::args::{Cli, LevelArgs};
use crate::failure::Failure;
use crate::{talk, units};
use leadline_survey::{Ground, undo_levelling};
use serde_json::json;

pub(crate) fn run(cli: &Cli, a: &LevelArgs) -> Result<(), Failure> {
    if a.apply {
        return Err(Failure::Input("solving a levelling is not built yet".to_owned()));
    }
    let (_, mut store) = open(cli)?;
    if a.undo && !undo_levelling(&mut store, units::now())? && !cli.json {
        talk::note("No levelling is in force; nothing was changed.");
    }
    let ground = Ground::of(&store.survey_writes()?);
    let days = ground.levelling.as_ref().map_or(0, |l| l.what.days.len());
    if cli.json {
        return talk::json(&json!({"in_force": ground.levelling.is_some(), "boat_days": days}));
    }
    talk::say(&format!("{days} boat-days are levelled."))
}
