//! `leave-out` and `take-back`: verdicts.

use super::open;
use crate::args::{Cli, LeaveOutArgs, ScopeArgs, TakeBackArgs};
use crate::failure::Failure;
use crate::{shapes, talk, units};
use leadline_model::{Decision, DeviceId, Scope, Text, Verdict, VoidReason};
use leadline_survey::{
    DepthFilter, Ground, Standing, Store, decision_words, field, leave_out, not_copies, scope_words,
    take_back_one,
};
use serde_json::{Value, json};

pub(crate) fn run(cli: &Cli, a: &LeaveOutArgs) -> Result<(), Failure> {
    let (_, mut store) = open(cli)?;
    let Some(scope) = scope(&a.scope)? else { return list(cli, &store) };
    let (depths, why) = (depths(&a.scope)?, field("--why", a.why.as_deref().unwrap_or_default())?);
    let words = scope_words(&scope);
    let new = leave_out(&mut store, scope, depths, why, units::now())?;
    report(
        cli,
        &store,
        &if new {
            format!("Left out: {words}.")
        } else {
            "That stands already; nothing was changed.".to_owned()
        },
    )
}

pub(crate) fn take_back(cli: &Cli, a: &TakeBackArgs) -> Result<(), Failure> {
    let (_, mut store) = open(cli)?;
    let why = field("--why", &a.why)?;
    let done = match (scope(&a.scope)?, a.verdict.as_deref()) {
        (Some(scope), _) if a.copies => {
            let words = scope_words(&scope);
            not_copies(&mut store, scope, why, units::now())?;
            format!("No copies: {words}.")
        }
        (Some(scope), _) => {
            let words = scope_words(&scope);
            leadline_survey::take_back(&mut store, scope, depths(&a.scope)?, why, units::now())?;
            format!("Taken back: {words}.")
        }
        (None, id) => {
            take_back_one(&mut store, id.unwrap_or_default(), why, units::now())?;
            "Taken back.".to_owned()
        }
    };
    report(cli, &store, &done)
}

/// What was typed; `None` for the list, or where a verdict's id is given.
fn scope(a: &ScopeArgs) -> Result<Option<Scope>, Failure> {
    if let (Some(boat), Some(from), Some(to)) = (&a.boat, &a.from, &a.to) {
        let (from, to) = (units::time("--from", from)?, units::time("--to", to)?);
        if from >= to {
            return Err(Failure::Input(format!("--from {from} is not before --to {to}")));
        }
        return Ok(Some(Scope::Stretch { boat: field("boat name", boat)?, from, to }));
    }
    if let Some(file) = &a.area {
        return shapes::area(file).map(|ring| Some(Scope::Area(ring)));
    }
    let cell = a.cell.as_deref().map(|c| units::place("--cell", c));
    Ok(cell.transpose()?.map(|(_, at)| Scope::Cell(at.cell())))
}

fn depths(a: &ScopeArgs) -> Result<DepthFilter, Failure> {
    let mm = |what, v: Option<f64>| v.map(|v| units::millimetres(what, v, -10_000.0, 10_000.0)).transpose();
    let (shoaler, deeper) = (mm("--shoaler-than", a.shoaler_than)?, mm("--deeper-than", a.deeper_than)?);
    match (shoaler, deeper) {
        (Some(s), Some(d)) if d >= s => Err(Failure::Input(
            "no depth is shoaler than the one and deeper than the other; swap them, or give one".to_owned(),
        )),
        _ => Ok(DepthFilter { shoaler_than_mm: shoaler, deeper_than_mm: deeper }),
    }
}

/// What is in force now, and how much it leaves out.
fn report(cli: &Cli, store: &Store, done: &str) -> Result<(), Failure> {
    let computed = store.compute()?;
    let left_out = computed.reduced.tally.total.void(VoidReason::LeftOut);
    if cli.json {
        let mut object = as_json(&computed.ground, store)?;
        if let Some(o) = object.as_object_mut() {
            o.insert("left_out".to_owned(), json!(left_out));
        }
        return talk::json(&object);
    }
    talk::say(done)?;
    talk::say(&format!(
        "  {left_out} soundings are left out now; they are kept (leadline leave-out --list)"
    ))?;
    conflicts(&computed.ground);
    Ok(())
}

fn list(cli: &Cli, store: &Store) -> Result<(), Failure> {
    let ground = Ground::of(&store.survey_writes()?);
    if cli.json {
        return talk::json(&as_json(&ground, store)?);
    }
    if ground.verdicts.is_empty() {
        return talk::say("No verdicts: every sounding counts that the screening lets pass.");
    }
    let crew = store.crew()?;
    for s in &ground.verdicts {
        let v = &s.what;
        let id: String = s.write.to_string().chars().take(8).collect();
        talk::say(&format!(
            "{id}  {:9}  {}{}",
            decision_words(v.decision),
            scope_words(&v.scope),
            filter_words(v, cli)
        ))?;
        let by = crew.name_of(&s.device).map_or_else(|| s.device.short(), ToString::to_string);
        talk::say(&format!("          by {by}, {} UTC: {}", s.claimed.minute_text(), v.why))?;
        if v.decision != Decision::Keep {
            talk::say(&format!("          take back: leadline take-back --verdict {id} --why TEXT"))?;
        }
    }
    conflicts(&ground);
    Ok(())
}

fn conflicts(ground: &Ground) {
    ground.conflicts.iter().for_each(|c| talk::note(&format!("Conflict: {c}.")));
}

fn filter_words(v: &Verdict, cli: &Cli) -> String {
    let depth = |mm: i32| cli.units.depth(f64::from(mm) / 1000.0);
    let shoaler = v.shoaler_than_mm.map(|d| format!(", only shoaler than {}", depth(d)));
    let deeper = v.deeper_than_mm.map(|d| format!(", only deeper than {}", depth(d)));
    format!("{}{}", shoaler.unwrap_or_default(), deeper.unwrap_or_default())
}

fn as_json(ground: &Ground, store: &Store) -> Result<Value, Failure> {
    let crew = store.crew()?;
    let name = |d: &DeviceId| crew.name_of(d).map(Text::as_str);
    let verdicts: Vec<Value> = ground.verdicts.iter().map(|s| verdict_json(s, name(&s.device))).collect();
    Ok(json!({"verdicts": verdicts, "conflicts": ground.conflicts}))
}

fn verdict_json(s: &Standing<Verdict>, by: Option<&str>) -> Value {
    let v = &s.what;
    let metres = |mm: Option<i32>| mm.map(|mm| f64::from(mm) / 1000.0);
    let scope = match &v.scope {
        Scope::Stretch { boat, from, to } => {
            json!({"boat": boat.as_str(), "from": from.to_string(), "to": to.to_string()})
        }
        Scope::Area(ring) => {
            let corners: Vec<_> = ring.iter().map(|p| p.lonlat()).map(|p| [p.lon, p.lat]).collect();
            json!({ "area": corners })
        }
        Scope::Cell(cell) => json!({"cell": [cell.lonlat().lon, cell.lonlat().lat]}),
    };
    json!({
        "id": s.write.to_string(), "decision": v.decision, "scope": scope,
        "shoaler_than_m": metres(v.shoaler_than_mm), "deeper_than_m": metres(v.deeper_than_mm),
        "until": v.until.to_string(), "why": v.why.as_str(),
        "by": by, "device": s.device.to_string(), "claimed": s.claimed.to_string(),
    })
}
