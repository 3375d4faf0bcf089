//! `survey`: begin, list, pick, show.

use super::{home, open};
use crate::args::{Cli, SurveyCommand};
use crate::failure::Failure;
use crate::{shapes, talk, units};
use leadline_model::{Shoreline, SpeedLimits};
use leadline_survey::{Ground, field, found_survey, set_shore, set_speeds};
use serde_json::json;
use std::path::Path;

pub(crate) fn run(cli: &Cli, command: &SurveyCommand) -> Result<(), Failure> {
    match command {
        SurveyCommand::New { name, datum, device } => {
            let home = home(cli)?;
            if let Some(d) = device {
                home.name_device(&field("device name", d)?)?;
            }
            let (name, datum) = (field("survey name", name)?, field("datum", datum)?);
            let id = found_survey(&home, &name, &datum, units::now())?;
            if cli.json {
                return talk::json(
                    &json!({"id": id.to_string(), "name": name.as_str(), "datum": datum.as_str()}),
                );
            }
            talk::say(&format!("Began the survey \"{name}\" ({}). Depths count from: {datum}.", id.short()))?;
            talk::say("Next: leadline import LOG --boat NAME   or   leadline crew invite")
        }
        SurveyCommand::List => list(cli),
        SurveyCommand::Use { name } => {
            let home = home(cli)?;
            home.choose(&home.pick(Some(name))?)?;
            list(cli)
        }
        SurveyCommand::Show => show(cli),
        SurveyCommand::Adopt(args) => super::adopt::run(cli, args),
        SurveyCommand::Set { fair_speed, max_speed } => set(cli, *fair_speed, *max_speed),
        SurveyCommand::Shore { file, stage, .. } => shore(cli, file.as_deref(), *stage),
    }
}

fn list(cli: &Cli) -> Result<(), Failure> {
    let all = home(cli)?.surveys()?;
    if cli.json {
        return talk::json(&json!({ "surveys": all }));
    }
    if all.is_empty() {
        return talk::say("No survey yet. Begin one: leadline survey new NAME");
    }
    for s in &all {
        let name =
            s.name.as_deref().map_or_else(|| "(name not known yet)".to_owned(), leadline_model::escaped);
        let guest = if s.guest { "  (a gift: read only)" } else { "" };
        talk::say(&format!("{} {name}  {}{guest}", if s.current { "*" } else { " " }, &s.id[..8]))?;
        if let Some(why) = &s.damaged {
            talk::say(&format!("    damaged: {why}"))?;
        }
    }
    Ok(())
}

fn set(cli: &Cli, fair: Option<f64>, max: Option<f64>) -> Result<(), Failure> {
    let mm_s = |what, v: Option<f64>| -> Result<Option<u32>, Failure> {
        v.map(|v| units::millimetres(what, v, 0.1, 50.0).map(i32::unsigned_abs)).transpose()
    };
    let (fair, max) = (mm_s("--fair-speed", fair)?, mm_s("--max-speed", max)?);
    let (_, mut store) = open(cli)?;
    let now = Ground::of(&store.survey_writes()?).settings();
    let whole = |metres: f64| (metres * 1000.0).round() as u32;
    let limits = SpeedLimits {
        fair_mm_s: fair.unwrap_or(whole(now.fair_speed)),
        void_mm_s: max.unwrap_or(whole(now.max_speed)),
    };
    if limits.fair_mm_s > limits.void_mm_s {
        return Err(Failure::Input(format!(
            "--fair-speed {} lies above --max-speed {}: give both, the first not above the second",
            f64::from(limits.fair_mm_s) / 1000.0,
            f64::from(limits.void_mm_s) / 1000.0
        )));
    }
    if !set_speeds(&mut store, limits, units::now())? && !cli.json {
        talk::note("That stands already; nothing was changed.");
    }
    show(cli)
}

fn shore(cli: &Cli, file: Option<&Path>, stage: f64) -> Result<(), Failure> {
    let (_, mut store) = open(cli)?;
    let shore = match file {
        Some(file) => Shoreline {
            stage_mm: units::millimetres("--stage", stage, -10_000.0, 10_000.0)?,
            rings: shapes::shore(file)?,
        },
        None => Shoreline::default(),
    };
    if !set_shore(&mut store, shore, units::now())? && !cli.json {
        talk::note("That stands already; nothing was changed.");
    }
    show(cli)
}

/// The shoreline in words.
fn shore_words(shore: &Shoreline) -> String {
    format!(
        "{} rings of {} corners, drawn at a stage of {:.2} m",
        shore.rings.len(),
        shore.corners(),
        f64::from(shore.stage_mm) / 1000.0
    )
}

fn show(cli: &Cli) -> Result<(), Failure> {
    let (_, store) = open(cli)?;
    let (name, datum) = store.name()?.map(|(n, d)| (n.to_string(), d.to_string())).unwrap_or_default();
    let crew = store.crew()?;
    let ground = Ground::of(&store.survey_writes()?);
    let settings = ground.settings();
    let adopted = super::adopt::listed(cli, &store)?;
    if cli.json {
        return talk::json(&json!({
            "id": store.survey().to_string(), "name": name, "datum": datum, "crew": crew.members().len(), "store": store.path(),
            "fair_speed_m_s": settings.fair_speed, "max_speed_m_s": settings.max_speed,
            "shore": ground.shore.as_ref().map(|s| json!({"rings": s.rings.len(), "corners": s.corners(), "stage_m": f64::from(s.stage_mm) / 1000.0})),
            "guest": store.is_guest()?,
            "adopted": adopted.iter().map(|(id, name, held)| json!({"id": id.to_string(), "name": name, "held": held})).collect::<Vec<_>>(),
        }));
    }
    talk::say(&format!(
        "{name}\n  id     {}\n  datum  {datum}\n  crew   {} devices\n  store  {}\n  speed  over {:.2} m/s a sounding is at best fair, over {:.2} m/s void\n  shore  {}",
        store.survey(),
        crew.members().len(),
        store.path().display(),
        settings.fair_speed,
        settings.max_speed,
        ground.shore.as_ref().map_or_else(|| "not drawn".to_owned(), shore_words)
    ))?;
    if store.is_guest()? {
        talk::say("  a gift: this device reads it and is not of its crew")?;
    }
    for (id, name, held) in adopted {
        let where_ = if held { "" } else { "  not in this home: read a parcel of it" };
        talk::say(&format!("  adopts {name}  {}{where_}", id.short()))?;
    }
    Ok(())
}
