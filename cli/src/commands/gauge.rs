//! `gauge`: where gauges stand, where their zeros lie, and the line of a river.

use super::open;
use crate::args::{Cli, GaugeCommand};
use crate::failure::Failure;
use crate::{shapes, talk, units};
use leadline_model::{GridPos, StageReading, Text};
use leadline_survey::{Ground, field, set_gauge, set_river};
use serde_json::json;
use std::collections::BTreeSet;

pub(crate) fn run(cli: &Cli, command: &GaugeCommand) -> Result<(), Failure> {
    let (_, mut store) = open(cli)?;
    let new = match command {
        GaugeCommand::Add { name, zero, at } => {
            let zero = zero.map(|z| units::millimetres("--zero", z, -10_000.0, 10_000.0)).transpose()?;
            let place = at.as_deref().map(|at| units::place("--at", at)).transpose()?;
            set_gauge(&mut store, &field("gauge name", name)?, zero, place.map(|(_, p)| p), units::now())?
        }
        GaugeCommand::River { file, .. } => {
            let line = file.as_deref().map_or(Ok(Vec::new()), shapes::line)?;
            set_river(&mut store, line, units::now())?
        }
        GaugeCommand::List => true,
    };
    if !new && !cli.json {
        talk::note("That stands already; nothing was changed.");
    }
    let ground = Ground::of(&store.survey_writes()?);
    if cli.json { list_json(&ground) } else { list(cli, &ground) }
}

/// All gauges that are stated or read.
fn names(ground: &Ground) -> BTreeSet<&Text> {
    ground.gauges.iter().map(|g| &g.name).chain(ground.stages.iter().map(|s| &s.gauge)).collect()
}

fn readings<'a>(ground: &'a Ground, gauge: &'a Text) -> impl Iterator<Item = &'a StageReading> {
    ground.stages.iter().filter(move |s| s.gauge == *gauge)
}

fn list_json(ground: &Ground) -> Result<(), Failure> {
    let at = |p: &GridPos| [p.lonlat().lon, p.lonlat().lat];
    let gauges: Vec<_> = names(ground)
        .into_iter()
        .map(|name| {
            let stated = ground.gauges.iter().find(|g| g.name == *name);
            let (first, last) = (readings(ground, name).next(), readings(ground, name).last());
            json!({
                "name": name.as_str(), "zero_m": stated.map(|g| f64::from(g.zero_mm) / 1000.0),
                "at": stated.and_then(|g| g.place.as_ref()).map(at), "readings": readings(ground, name).count(),
                "first": first.map(|r| r.at.to_string()), "last": last.map(|r| r.at.to_string()),
            })
        })
        .collect();
    let river: Vec<_> = ground.river.iter().map(at).collect();
    talk::json(&json!({"gauges": gauges, "river": river, "conflicts": ground.conflicts}))
}

fn list(cli: &Cli, ground: &Ground) -> Result<(), Failure> {
    if names(ground).is_empty() {
        talk::say(
            "No gauges. Next: leadline gauge add NAME --zero M   or   leadline stage add --at now --level M",
        )?;
    }
    for name in names(ground) {
        talk::say(&name.to_string())?;
        let zero = match ground.gauges.iter().find(|g| g.name == *name) {
            Some(g) => {
                let p = g.place.map(GridPos::lonlat);
                let place = p.map(|p| format!(", at {:.6},{:.6}", p.lon, p.lat)).unwrap_or_default();
                format!(
                    "  zero {} above the sounding datum{place}",
                    cli.units.depth(f64::from(g.zero_mm) / 1000.0)
                )
            }
            None => "  zero not stated: taken as the sounding datum".to_owned(),
        };
        talk::say(&zero)?;
        let (first, last) = (readings(ground, name).next(), readings(ground, name).last());
        talk::say(&match (first, last) {
            (Some(first), Some(last)) => format!(
                "  {} readings from {} to {} UTC",
                readings(ground, name).count(),
                first.at.minute_text(),
                last.at.minute_text()
            ),
            _ => "  no readings".to_owned(),
        })?;
    }
    if let (Some(a), Some(b)) = (ground.river.first(), ground.river.last()) {
        let (a, b) = (a.lonlat(), b.lonlat());
        talk::say(&format!(
            "river of {} points from {:.5},{:.5} to {:.5},{:.5}",
            ground.river.len(),
            a.lon,
            a.lat,
            b.lon,
            b.lat
        ))?;
    }
    ground.conflicts.iter().for_each(|c| talk::note(&format!("Conflict: {c}.")));
    Ok(())
}
