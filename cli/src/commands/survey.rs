//! `survey`: begin, list, pick, show.

use super::{home, open};
use crate::args::{Cli, SurveyCommand};
use crate::failure::Failure;
use crate::{talk, units};
use leadline_survey::{field, found_survey};
use serde_json::json;

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
        talk::say(&format!("{} {name}  {}", if s.current { "*" } else { " " }, &s.id[..8]))?;
    }
    Ok(())
}

fn show(cli: &Cli) -> Result<(), Failure> {
    let (_, store) = open(cli)?;
    let (name, datum) = store.name()?.map(|(n, d)| (n.to_string(), d.to_string())).unwrap_or_default();
    let crew = store.crew()?;
    if cli.json {
        return talk::json(&json!({
            "id": store.survey().to_string(), "name": name, "datum": datum, "crew": crew.members().len(), "store": store.path(),
        }));
    }
    talk::say(&format!(
        "{name}\n  id     {}\n  datum  {datum}\n  crew   {} devices\n  store  {}",
        store.survey(),
        crew.members().len(),
        store.path().display()
    ))
}
