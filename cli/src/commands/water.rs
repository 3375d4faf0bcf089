//! `water`: temperature and salt, which decide the speed of sound.

use super::open;
use crate::args::{Cli, WaterCommand};
use crate::failure::Failure;
use crate::{talk, units};
use leadline_model::{Layer, MAX_LAYERS, WaterCast};
use leadline_survey::{Ground, add_cast};
use serde_json::json;
use std::path::Path;

pub(crate) fn run(cli: &Cli, command: &WaterCommand) -> Result<(), Failure> {
    if let WaterCommand::Add { at, salinity, temperature, profile } = command {
        let cast = WaterCast {
            at: units::time("--at", at)?,
            salinity_centi: salt(salinity.unwrap_or_default())?,
            layers: match (temperature, profile) {
                (_, Some(file)) => read_profile(file)?,
                (Some(t), None) => vec![Layer { depth_mm: 0, temp_centi: degrees("--temperature", *t)? }],
                (None, None) => Vec::new(),
            },
        };
        let (_, mut store) = open(cli)?;
        if !add_cast(&mut store, cast, units::now())? && !cli.json {
            talk::note("That stands already; nothing was changed.");
        }
    }
    list(cli)
}

fn salt(s: f64) -> Result<u16, Failure> {
    if (0.0..=50.0).contains(&s) {
        Ok((s * 100.0).round() as u16)
    } else {
        Err(Failure::Input(format!(
            "--salinity {s}: practical salinity lies between 0 and 50; the sea has 35"
        )))
    }
}

fn degrees(what: &str, celsius: f64) -> Result<i16, Failure> {
    let milli = units::millimetres(what, celsius, -3.0, 50.0)?;
    Ok((f64::from(milli) / 10.0).round() as i16)
}

/// Layers from the surface down; every row must be sound.
fn read_profile(path: &Path) -> Result<Vec<Layer>, Failure> {
    let bad = |why: String| Failure::Input(format!("{}: {why}", path.display()));
    let mut rows =
        csv::ReaderBuilder::new().trim(csv::Trim::All).from_path(path).map_err(|e| bad(e.to_string()))?;
    let header = rows.headers().map_err(|e| bad(e.to_string()))?.clone();
    let column = |name: &str| header.iter().position(|h| h.eq_ignore_ascii_case(name));
    let (Some(depth), Some(temperature)) = (column("depth_m"), column("temperature_c")) else {
        return Err(bad("the first line must name the columns depth_m and temperature_c".to_owned()));
    };
    let mut layers: Vec<Layer> = Vec::new();
    for (i, row) in rows.records().enumerate() {
        let line = i + 2;
        let row = row.map_err(|e| bad(e.to_string()))?;
        let number = |c: usize, what: &str| -> Result<f64, Failure> {
            let value = row.get(c).and_then(|t| t.parse().ok());
            value.ok_or_else(|| bad(format!("line {line}: {what} is no number")))
        };
        let what = |name| format!("{}: line {line}: {name}", path.display());
        let layer = Layer {
            depth_mm: units::millimetres(&what("depth_m"), number(depth, "depth_m")?, 0.0, 12_000.0)?,
            temp_centi: degrees(&what("temperature_c"), number(temperature, "temperature_c")?)?,
        };
        if layers.last().is_some_and(|above| above.depth_mm >= layer.depth_mm) {
            return Err(bad(format!("line {line}: depths must grow from the surface down")));
        }
        layers.push(layer);
    }
    match layers.len() {
        1..=MAX_LAYERS => Ok(layers),
        0 => Err(bad("no layers in it".to_owned())),
        n => Err(bad(format!("{n} layers; at most {MAX_LAYERS}: keep those where the temperature turns"))),
    }
}

fn list(cli: &Cli) -> Result<(), Failure> {
    let (_, store) = open(cli)?;
    let ground = Ground::of(&store.survey_writes()?);
    let celsius = |l: &Layer| f64::from(l.temp_centi) / 100.0;
    let depth = |l: &Layer| f64::from(l.depth_mm) / 1000.0;
    if cli.json {
        let layer = |l: &Layer| json!({"depth_m": depth(l), "temperature_c": celsius(l)});
        let casts: Vec<_> = ground
            .casts
            .iter()
            .map(|c| {
                let layers: Vec<_> = c.layers.iter().map(layer).collect();
                json!({"at": c.at.to_string(), "salinity": f64::from(c.salinity_centi) / 100.0, "layers": layers})
            })
            .collect();
        return talk::json(&json!({"casts": casts, "conflicts": ground.conflicts}));
    }
    if ground.casts.is_empty() {
        return talk::say(
            "Nothing measured of the water. Without it temperatures come from the logs and the boats' setups, and the \
             water is taken as fresh.",
        );
    }
    for c in &ground.casts {
        let salt = match c.salinity_centi {
            0 => "fresh".to_owned(),
            s => format!("salinity {:.2}", f64::from(s) / 100.0),
        };
        let layers: Vec<String> = c
            .layers
            .iter()
            .map(|l| format!("{:.1} °C at {}", celsius(l), cli.units.depth(depth(l))))
            .collect();
        let layers = if layers.is_empty() { "temperature not said".to_owned() } else { layers.join(", ") };
        talk::say(&format!("{} UTC  {salt}, {layers}", c.at.minute_text()))?;
    }
    ground.conflicts.iter().for_each(|c| talk::note(&format!("Conflict: {c}.")));
    Ok(())
}
