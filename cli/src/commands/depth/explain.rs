//! `depth --explain`: the terms of one sounding of each pass.

use crate::args::Cli;
use crate::failure::Failure;
use crate::talk;
use leadline_survey::{Computed, Conditions, Explained, StageHow, StageUsed};
use serde_json::{Value, json};

pub(crate) fn print(cli: &Cli, all: &[Explained], computed: &Computed) -> Result<(), Failure> {
    if all.is_empty() {
        return talk::say("  Nothing was measured in this cell: the depth lies between soundings around it.");
    }
    for e in all {
        talk::say(&format!("\n  {}, {} UTC", e.boat, e.sounding.time))?;
        for t in &e.terms {
            let value = if t.value == 0.0 { String::new() } else { format!("{:+.3}", t.value) };
            let band =
                if t.uncertainty95 == 0.0 { String::new() } else { format!("± {:.3}", t.uncertainty95) };
            talk::say(&format!("    {:<22} {value:>8}  {band}", t.name))?;
        }
        if let Some(rest) = scatter(e) {
            talk::say(&format!("    {:<22} {:>8}  ± {rest:.3}", "scatter of the track", ""))?;
        }
        let state = match e.sounding.void {
            Some(why) => format!("void: {}", why.words()),
            None => e.sounding.grade.to_string(),
        };
        talk::say(&format!(
            "    {:<22} {:>8.3}  ± {:.3} m at 95 %, {state}",
            "reduced depth", e.sounding.depth_m, e.sounding.tvu95_m
        ))?;
        if let Some(c) = computed.reduced.conditions.get(e.sounding.pass as usize) {
            talk::say(&format!("    stage: {}", stage_words(cli, c)))?;
        }
    }
    Ok(())
}

/// What the neighbours on the track add to the uncertainty, 95 %, metres.
fn scatter(e: &Explained) -> Option<f64> {
    let terms: f64 = e.terms.iter().map(|t| t.uncertainty95 * t.uncertainty95).sum();
    let rest = (e.sounding.tvu95_m * e.sounding.tvu95_m - terms).max(0.0).sqrt();
    (rest > 0.005).then_some(rest)
}

fn stage_words(cli: &Cli, c: &Conditions) -> String {
    let one = |s: &StageUsed| {
        let gauge = s.gauge.as_ref().map_or("?", |g| g.as_str());
        let level = cli.units.depth(s.level_m);
        match s.how {
            StageHow::Unknown => "unknown: depths count from the water level of that day".to_owned(),
            StageHow::Alone(ms) => {
                format!("{level}, the reading of {gauge} {:.1} h away", ms as f64 / 3_600_000.0)
            }
            StageHow::BetweenGauges { permille } => {
                let second = s.second.as_ref().map_or("?", |g| g.as_str());
                format!("{level}, {:.0} % of the way from {gauge} to {second}", f64::from(permille) / 10.0)
            }
            StageHow::Beyond { metres } => format!("{level} at {gauge}, {metres} m away along the channel"),
            _ => format!("{level}, between readings of {gauge}"),
        }
    };
    let [first, last] = &c.stage;
    if first == last { one(first) } else { format!("{} … {}", one(first), one(last)) }
}

pub(crate) fn as_json(all: &[Explained], computed: &Computed) -> Value {
    let one = |e: &Explained| {
        let mut terms: Vec<Value> = e
            .terms
            .iter()
            .map(|t| json!({"term": t.name, "adds_m": t.value, "u95_m": t.uncertainty95}))
            .collect();
        if let Some(rest) = scatter(e) {
            terms.push(json!({"term": "scatter of the track", "adds_m": 0.0, "u95_m": rest}));
        }
        let how = computed.reduced.conditions.get(e.sounding.pass as usize).map(|c| c.stage[0].level_m);
        json!({
            "boat": e.boat.as_str(), "time": e.sounding.time.to_string(), "depth_m": e.sounding.depth_m,
            "tvu95_m": e.sounding.tvu95_m, "thu95_m": e.sounding.thu95_m, "grade": e.sounding.grade.word(),
            "void": e.sounding.void, "stage_at_start_m": how, "terms": terms,
        })
    };
    Value::Array(all.iter().map(one).collect())
}
