//! `stage`: gauge readings.

use super::open;
use crate::args::{Cli, StageCommand};
use crate::failure::Failure;
use crate::{talk, units};
use leadline_model::StageReading;
use leadline_survey::{Ground, add_stage, add_stages, field};
use serde_json::json;
use std::path::Path;

pub(crate) fn run(cli: &Cli, command: &StageCommand) -> Result<(), Failure> {
    if let StageCommand::Import { file, gauge } = command {
        let readings = read_file(file, gauge)?;
        let (_, mut store) = open(cli)?;
        let new = add_stages(&mut store, readings, units::now())?;
        if !cli.json {
            talk::note(&format!("{new} readings are new."));
        }
    }
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

/// Readings of a CSV file; every row must be sound, so that no half of a record is taken for the whole.
fn read_file(path: &Path, gauge: &str) -> Result<Vec<StageReading>, Failure> {
    let bad = |why: String| Failure::Input(format!("{}: {why}", path.display()));
    let mut rows =
        csv::ReaderBuilder::new().trim(csv::Trim::All).from_path(path).map_err(|e| bad(e.to_string()))?;
    let header = rows.headers().map_err(|e| bad(e.to_string()))?.clone();
    let column =
        |names: &[&str]| header.iter().position(|h| names.contains(&h.to_ascii_lowercase().as_str()));
    let (Some(at), Some(level)) = (column(&["time", "at", "utc"]), column(&["level_m", "level", "stage_m"]))
    else {
        return Err(bad(
            "the first line must name the columns time and level_m (metres above the sounding datum)".into(),
        ));
    };
    let of = column(&["gauge"]);
    let mut out = Vec::new();
    for (i, row) in rows.records().enumerate() {
        let row = row.map_err(|e| bad(e.to_string()))?;
        let line = i + 2;
        let metres: f64 = row
            .get(level)
            .and_then(|t| t.parse().ok())
            .ok_or_else(|| bad(format!("line {line}: the level is no number of metres")))?;
        out.push(StageReading {
            gauge: field("gauge name", of.and_then(|c| row.get(c)).unwrap_or(gauge))?,
            at: row.get(at).unwrap_or_default().parse().map_err(|e| bad(format!("line {line}: {e}")))?,
            level_mm: units::millimetres(
                &format!("{}: line {line}: level", path.display()),
                metres,
                -10_000.0,
                10_000.0,
            )?,
        });
    }
    if out.is_empty() { Err(bad("no readings in it".into())) } else { Ok(out) }
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
        return talk::say(
            "No stage readings. Without them depths count from the water level of their day, and are at best loose.",
        );
    }
    for r in &ground.stages {
        talk::say(&format!(
            "{} UTC  {:>10}  {}",
            r.at.minute_text(),
            cli.units.depth(f64::from(r.level_mm) / 1000.0),
            r.gauge
        ))?;
    }
    ground.conflicts.iter().for_each(|c| talk::note(&format!("Conflict: {c}.")));
    Ok(())
}
