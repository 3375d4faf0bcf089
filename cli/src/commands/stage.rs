//! `stage`: gauge readings.

use super::open;
use crate::args::{Cli, LevelUnitArg, StageCommand, StageImportArgs};
use crate::failure::Failure;
use crate::{talk, units};
use leadline_model::StageReading;
use leadline_survey::gauge::{GaugeNote, GaugeOptions, LevelUnit};
use leadline_survey::{Ground, ImportedLevels, add_stage, field, import_levels};
use serde_json::json;

pub(crate) fn run(cli: &Cli, command: &StageCommand) -> Result<(), Failure> {
    match command {
        StageCommand::Import(a) => import(cli, a),
        StageCommand::Add { at, level, gauge } => {
            let reading = StageReading {
                gauge: field("gauge name", gauge)?,
                at: units::time("--at", at)?,
                level_mm: units::millimetres("--level", *level, -10_000.0, 10_000.0)?,
            };
            let (_, mut store) = open(cli)?;
            if !add_stage(&mut store, reading, units::now())? && !cli.json {
                talk::note("That stands already; nothing was changed.");
            }
            show(cli)
        }
        StageCommand::Show => show(cli),
    }
}

fn import(cli: &Cli, a: &StageImportArgs) -> Result<(), Failure> {
    let zone = |z: &str| z.parse().map_err(|e| Failure::Input(format!("--zone {z}: {e}")));
    let options = GaugeOptions {
        unit: a.unit.map(|u| match u {
            LevelUnitArg::M => LevelUnit::Metres,
            LevelUnitArg::Ft => LevelUnit::Feet,
        }),
        zone: a.zone.as_deref().map(zone).transpose()?,
        offset_mm: a.add.map_or(Ok(0), |m| units::millimetres("--add", m, -10_000.0, 10_000.0))?,
        column: a.column.clone(),
    };
    let gauge = a.gauge.as_deref().map(|g| field("gauge name", g)).transpose()?;
    let (_, mut store) = open(cli)?;
    let done = import_levels(&mut store, &a.file, gauge.as_ref(), &options, units::now())?;
    let ground = Ground::of(&store.survey_writes()?);
    if cli.json { import_json(a, &done, &ground) } else { import_text(a, &done, &ground) }
}

fn import_json(a: &StageImportArgs, done: &ImportedLevels, ground: &Ground) -> Result<(), Failure> {
    let gauges: Vec<_> = done
        .gauges
        .iter()
        .map(|(name, readings, new)| json!({"gauge": name.as_str(), "readings": readings, "new": new}))
        .collect();
    let skipped: serde_json::Map<_, _> =
        done.file.skipped.iter().map(|(why, n)| (why.words().to_owned(), json!(n))).collect();
    let notes: Vec<_> = notes(a, done, ground).collect();
    talk::json(&json!({
        "path": a.file, "lines": done.file.lines, "gauges": gauges, "skipped": skipped, "notes": notes,
        "conflicts": ground.conflicts,
    }))
}

fn import_text(a: &StageImportArgs, done: &ImportedLevels, ground: &Ground) -> Result<(), Failure> {
    for (name, readings, new) in &done.gauges {
        talk::say(&format!("{}: {readings} readings of {name}, {new} of them new", a.file.display()))?;
    }
    for (why, n) in &done.file.skipped {
        talk::say(&format!("  {n:>7} rows left out: {why}"))?;
        if let Some(e) = done.file.examples.iter().find(|e| e.reason == *why) {
            talk::say(&format!("           first at line {}", e.line))?;
        }
    }
    notes(a, done, ground).for_each(|n| talk::note(&format!("Note: {n}.")));
    ground.conflicts.iter().for_each(|c| talk::note(&format!("Conflict: {c}.")));
    Ok(())
}

/// What a person should know of the levels. Where the zero of each gauge is stated already, nothing is said of it.
fn notes(a: &StageImportArgs, done: &ImportedLevels, ground: &Ground) -> impl Iterator<Item = String> {
    let stated =
        a.add.is_some() || done.gauges.iter().all(|(name, ..)| ground.gauges.iter().any(|g| g.name == *name));
    done.file.notes.iter().filter_map(move |note| match note {
        GaugeNote::FromGaugeZero | GaugeNote::DatumNotStated if stated => None,
        GaugeNote::FromGaugeZero | GaugeNote::DatumNotStated => {
            Some(format!("{note} (`leadline gauge add NAME --zero M`)"))
        }
        other => Some(other.to_string()),
    })
}

/// Readings of a gauge that are listed one by one; of more, the ends and extremes are said.
const LISTED: usize = 60;

fn show(cli: &Cli) -> Result<(), Failure> {
    let (_, store) = open(cli)?;
    let ground = Ground::of(&store.survey_writes()?);
    let above = ground.stages_above_datum();
    if cli.json {
        let metres = |r: &StageReading| f64::from(r.level_mm) / 1000.0;
        let readings: Vec<_> = ground
            .stages
            .iter()
            .zip(&above)
            .map(|(r, stage)| {
                json!({
                    "gauge": r.gauge.as_str(), "at": r.at.to_string(), "level_m": metres(r), "stage_m": metres(stage),
                })
            })
            .collect();
        return talk::json(&json!({"stages": readings, "conflicts": ground.conflicts}));
    }
    if ground.stages.is_empty() {
        return talk::say(
            "No stage readings. Without them depths count from the water level of their day, and are at best loose.",
        );
    }
    for of_gauge in above.chunk_by(|a, b| a.gauge == b.gauge) {
        if of_gauge.len() > LISTED {
            summary(cli, of_gauge)?;
            continue;
        }
        for r in of_gauge {
            talk::say(&format!("{} UTC  {:>10}  {}", r.at.minute_text(), level(cli, r), r.gauge))?;
        }
    }
    if above != ground.stages {
        talk::say(
            "Heights above the sounding datum: the zeros of the gauges are added (leadline gauge list).",
        )?;
    }
    ground.conflicts.iter().for_each(|c| talk::note(&format!("Conflict: {c}.")));
    Ok(())
}

fn level(cli: &Cli, r: &StageReading) -> String {
    cli.units.depth(f64::from(r.level_mm) / 1000.0)
}

fn summary(cli: &Cli, readings: &[StageReading]) -> Result<(), Failure> {
    let lowest = readings.iter().min_by_key(|r| r.level_mm);
    let highest = readings.iter().max_by_key(|r| r.level_mm);
    let (Some(first), Some(last), Some(lowest), Some(highest)) =
        (readings.first(), readings.last(), lowest, highest)
    else {
        return Ok(());
    };
    talk::say(&format!(
        "{}: {} readings from {} to {} UTC, lowest {}, highest {} (all of them: --json)",
        first.gauge,
        readings.len(),
        first.at.minute_text(),
        last.at.minute_text(),
        level(cli, lowest),
        level(cli, highest)
    ))
}
