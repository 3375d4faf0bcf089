//! `boat`: setups.

mod bar;

pub(crate) use bar::BarArgs;

use super::open;
use crate::args::{BoatCommand, Cli, SetupArgs};
use crate::failure::Failure;
use crate::{talk, units};
use leadline_model::{Setup, Text, UtcMillis};
use leadline_survey::{Ground, field, rename_boat, set_boat};
use serde_json::json;

/// Before any log: a setup "for all times" begins here.
const ALWAYS: UtcMillis = UtcMillis(946_684_800_000);

pub(crate) fn run(cli: &Cli, command: &BoatCommand) -> Result<(), Failure> {
    match command {
        BoatCommand::Set { name, setup, from } => {
            let from = from.as_deref().map_or(Ok(ALWAYS), date)?;
            let setup = parse(field("boat name", name)?, from, setup)?;
            if setup.draft_mm.or(setup.sound_speed_mm_s).or(setup.lag_ms).is_none()
                && setup.temp_centi.is_none()
            {
                return Err(Failure::Input(
                    "nothing to state: give --draft, --sound-speed, --temperature or --lag".into(),
                ));
            }
            let (_, mut store) = open(cli)?;
            let new = set_boat(&mut store, setup, units::now())?;
            if !cli.json && !new {
                talk::note("That stands already; nothing was changed.");
            }
            list(cli)
        }
        BoatCommand::Rename { old, new } => {
            let (_, mut store) = open(cli)?;
            let (old, new) = (field("boat name", old)?, field("new name", new)?);
            let before = Ground::of(&store.survey_writes()?);
            let joins = old != new && before.boats(&store.survey_writes()?).contains(&before.boat(&new));
            let changed = rename_boat(&mut store, &old, &new, units::now())?;
            if !cli.json && !changed {
                talk::note("That stands already; nothing was changed.");
            } else if !cli.json && joins && before.boat(&new) != before.boat(&old) {
                talk::note(&format!(
                    "{new} was there already: both names are one boat now (`leadline boat rename {old} {old}` parts them)."
                ));
            }
            list(cli)
        }
        BoatCommand::BarCheck(a) => bar::run(cli, a),
        BoatCommand::List => list(cli),
    }
}

/// A date alone means its first moment in UTC.
fn date(text: &str) -> Result<UtcMillis, Failure> {
    let full = if text.len() == 10 { format!("{text}T00:00Z") } else { text.to_owned() };
    units::time("--from", &full)
}

/// The setup as typed, in whole units.
pub(crate) fn parse(boat: Text, from: UtcMillis, a: &SetupArgs) -> Result<Setup, Failure> {
    let scaled = |what, v: Option<f64>, lo, hi| v.map(|v| units::millimetres(what, v, lo, hi)).transpose();
    Ok(Setup {
        boat,
        from,
        draft_mm: scaled("--draft", a.draft, -10.0, 50.0)?,
        sound_speed_mm_s: scaled("--sound-speed", a.sound_speed, 1300.0, 1700.0)?,
        temp_centi: scaled("--temperature", a.temperature, -3.0, 50.0)?.map(|milli| (milli / 10) as i16),
        lag_ms: scaled("--lag", a.lag, -60.0, 60.0)?,
    })
}

fn list(cli: &Cli) -> Result<(), Failure> {
    let (_, store) = open(cli)?;
    let writes = store.survey_writes()?;
    let ground = Ground::of(&writes);
    let boats = ground.boats(&writes);
    if cli.json {
        let setups: Vec<_> = ground
            .setups
            .iter()
            .map(|s| {
                json!({
                    "boat": s.boat.as_str(), "from": s.from.to_string(), "draft_m": metres(s.draft_mm),
                    "sound_speed_m_s": metres(s.sound_speed_mm_s), "temperature_c": s.temp_centi.map(|t| f64::from(t) / 100.0),
                    "lag_s": metres(s.lag_ms),
                })
            })
            .collect();
        let names: Vec<_> = boats.iter().map(|b| b.as_str()).collect();
        let renames: Vec<_> = ground
            .renames
            .iter()
            .map(|(old, now)| json!({"boat": old.as_str(), "to": now.as_str()}))
            .collect();
        return talk::json(&json!({
            "boats": names, "setups": setups, "renames": renames, "conflicts": ground.conflicts,
        }));
    }
    for boat in boats {
        let former: Vec<String> =
            ground.renames.iter().filter(|(_, now)| *now == boat).map(|(old, _)| old.to_string()).collect();
        let former =
            if former.is_empty() { String::new() } else { format!(" (formerly {})", former.join(", ")) };
        talk::say(&format!("{boat}{former}"))?;
        let mut any = false;
        for s in ground.setups.iter().filter(|s| s.boat == boat) {
            any = true;
            talk::say(&format!("  {}", words(s, cli)))?;
        }
        if !any {
            talk::say("  nothing stated: draft and assumed sound speed unknown (depths are at best loose)")?;
        }
    }
    ground.conflicts.iter().for_each(|c| talk::note(&format!("Conflict: {c}.")));
    Ok(())
}

fn metres(milli: Option<i32>) -> Option<f64> {
    milli.map(|m| f64::from(m) / 1000.0)
}

fn words(s: &Setup, cli: &Cli) -> String {
    let from = if s.from == ALWAYS { "always".to_owned() } else { format!("from {}", s.from.minute_text()) };
    let mut parts = vec![from];
    parts.extend(
        metres(s.draft_mm).map(|d| format!("transducer {} below the water line", cli.units.depth(d))),
    );
    parts.extend(metres(s.sound_speed_mm_s).map(|c| format!("sounder assumes {c} m/s")));
    parts.extend(s.temp_centi.map(|t| format!("water {:.1} °C", f64::from(t) / 100.0)));
    parts.extend(metres(s.lag_ms).map(|l| format!("position {l} s behind the depth")));
    parts.join(", ")
}
