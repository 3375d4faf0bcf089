//! `stage`: gauge readings.

use super::open;
use crate::args::{Cli, StageCommand};
use crate::failure::Failure;
use crate::{talk, units};
use leadline_model::StageReading;
use leadline_survey::{Ground, add_stage, field};
use serde_json::json;

pub fn run(cli: &Cli, command: &StageCommand) -> Result<(), Failure> {
    if let StageCommand::Add { at, level, gauge } = command {
        let reading = StageReading {
            gauge: field("gauge name", gauge)?,
            at: units::time("--at", at)?,
            level_mm: units::millimetres("--level", *level, -10_000.0, 10_000.0)?,
        };
        let (_, mut store) = open(cli)?;
        if !add_stage(&mut store, reading, units::now())? && !cli.json {
            talk::note("That stands already; nothing was changed.");
        }
    }
    show(cli)
}

fn show(cli: &Cli) -> Result<(), Failure> {
    let (_, store) = open(cli)?;
    let ground = Ground::of(&store.survey_writes()?);
    if cli.json {
        let readings: Vec<_> = ground
            .stages
            .iter()
            .map(|r| json!({"gauge": r.gauge.as_str(), "at": r.at.to_string(), "level_m": f64::from(r.level_mm) / 1000.0}))
            .collect();
        return talk::json(&json!({"stages": readings, "conflicts": ground.conflicts}));
    }
    if ground.stages.is_empty() {
        return talk::say("No stage readings. Without them depths count from the water level of their day, and are at best loose.");
    }
    for r in &ground.stages {
        talk::say(&format!("{} UTC  {:>10}  {}", r.at.minute_text(), cli.units.depth(f64::from(r.level_mm) / 1000.0), r.gauge))?;
    }
    ground.conflicts.iter().for_each(|c| talk::note(&format!("Conflict: {c}.")));
    Ok(())
}
