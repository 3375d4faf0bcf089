//! `level`: what boats and days are off by, as their crossings tell; apply it, take it back.

use super::adopt::datum_words;
use super::open;
use crate::args::{Cli, LevelArgs};
use crate::failure::Failure;
use crate::{talk, units};
use leadline_model::{ClusterLevel, UtcMillis};
use leadline_survey::{
    AdoptedSurvey, BoatFound, DayFound, Differences, Found, Ground, Proposal, Spread, Store, apply_levelling,
    undo_levelling,
};
use serde_json::{Value, json};

pub(crate) fn run(cli: &Cli, a: &LevelArgs) -> Result<(), Failure> {
    let (_, mut store) = open(cli)?;
    if a.undo {
        return undo(cli, &mut store);
    }
    let (proposal, ground, adopted) = store.propose_levelling()?;
    if proposal.crossings == 0 {
        return Err(Failure::Input(
            "nothing to level: no two tracks cross; drive lines across the ones you have, then import them"
                .into(),
        ));
    }
    let new = a.apply && apply_levelling(&mut store, proposal.levelling.clone(), units::now())?;
    if cli.json {
        return talk::json(&as_json(&proposal, &ground, &adopted, new));
    }
    print(cli, &proposal)?;
    datums(cli, &proposal, &adopted)?;
    if new {
        talk::say("\nApplied, for the whole crew. Take it back with: leadline level --undo")
    } else if a.apply {
        talk::say("\nExactly this is in force already; nothing was changed.")
    } else {
        in_force(&ground, &proposal)
    }
}

fn datums(cli: &Cli, p: &Proposal, adopted: &[AdoptedSurvey]) -> Result<(), Failure> {
    for (d, a) in p.datums.iter().zip(adopted) {
        let found = datum_words(cli, d.offset_m, d.uncertainty95_m, d.crossings);
        talk::say(&format!("\nAdopted survey {}: {found}", a.name))?;
    }
    Ok(())
}

fn undo(cli: &Cli, store: &mut Store) -> Result<(), Failure> {
    let undone = undo_levelling(store, units::now())?;
    if cli.json {
        return talk::json(&json!({"undone": undone, "in_force": null}));
    }
    talk::say(if undone {
        "Taken back: depths are as the gauges and drafts alone give them."
    } else {
        "No levelling is in force; nothing was changed."
    })
}

fn in_force(ground: &Ground, proposal: &Proposal) -> Result<(), Failure> {
    match &ground.levelling {
        None => talk::say("\nNothing is changed yet. Bring it into force with: leadline level --apply"),
        Some(l) if l.what == proposal.levelling => talk::say("\nExactly this is in force."),
        Some(l) if l.what.inputs == ground.inputs => talk::say(
            "\nAnother levelling of the same soundings is in force. Put this one in its place with: leadline level --apply",
        ),
        Some(_) => talk::say(
            "\nThe levelling in force was solved from less than is here now. Renew it with: leadline level --apply",
        ),
    }?;
    for other in &ground.other_levellings {
        talk::note(&format!(
            "Also applied, not in force: a levelling of {} boat-days.",
            other.what.days.len()
        ));
    }
    Ok(())
}

fn print(cli: &Cli, p: &Proposal) -> Result<(), Failure> {
    talk::say(&format!(
        "{} boat-days tied by {} crossings ({} of them near misses{}){}\n",
        p.days.len(),
        p.crossings,
        p.near,
        match p.one_of {
            1 => String::new(),
            n => format!("; one of {n} was drawn by lot, there are so many"),
        },
        match p.levelling.clusters.len() {
            1 => String::new(),
            n => format!(", in {n} groups that do not cross each other"),
        }
    ))?;
    talk::say(&format!(
        "  {:<14} {:<10}  {:>22}  {:>12}  {:>9}",
        "boat", "day (UTC)", "too deep by", "known before", "crossings"
    ))?;
    p.days.iter().try_for_each(|d| talk::say(&day_line(cli, d)))?;
    if p.days.iter().any(|d| !d.known && !d.floating) {
        talk::say("  Where no stage was known, that is about how high the water stood above the datum.")?;
    }
    floating(p)?;
    talk::say("")?;
    p.boats.iter().try_for_each(boat_lines)?;
    talk::say("\nDifferences at crossings: root mean square, size of 95 %, share within √(TVU₁² + TVU₂²)")?;
    differences(cli, &p.before, &p.after)
}

fn day_line(cli: &Cli, d: &DayFound) -> String {
    let signed = format!("{}{}", if d.offset_m < 0.0 { "" } else { "+" }, cli.units.depth(d.offset_m));
    let before = if d.known { format!("± {}", cli.units.depth(d.prior95_m)) } else { "no stage".to_owned() };
    format!(
        "  {:<14} {:<10}  {signed:>10} ± {:>9}  {before:>12}  {:>9}{}",
        d.boat.as_str(),
        date(d.day),
        cli.units.depth(d.uncertainty95_m),
        d.crossings,
        if d.floating { "  floats" } else { "" }
    )
}

/// The date of a day since 1970 (UTC).
pub(crate) fn date(day: i32) -> String {
    UtcMillis(i64::from(day) * 86_400_000).date_text()
}

fn floating(p: &Proposal) -> Result<(), Failure> {
    let floats =
        |(i, c): &(usize, &ClusterLevel)| c.floating && p.days.iter().any(|d| usize::from(d.cluster) == *i);
    for (i, _) in p.levelling.clusters.iter().enumerate().filter(floats) {
        let days: Vec<String> = p
            .days
            .iter()
            .filter(|d| usize::from(d.cluster) == i)
            .map(|d| format!("{} {}", d.boat, date(d.day)))
            .collect();
        talk::say(&format!(
            "\n  On no datum, only level among themselves: {}.\n  One gauge reading on one of these days brings them down: leadline stage add --at UTC --level M",
            days.join(", ")
        ))?;
    }
    Ok(())
}

fn boat_lines(b: &BoatFound) -> Result<(), Failure> {
    let lag = if b.lag.determined {
        format!(
            "position {:+.2} ± {:.2} s behind the depth (applied)",
            b.lag.value,
            b.lag.uncertainty95.max(0.1)
        )
    } else {
        format!(
            "lag not determined (± {:.2} s stays): it takes opposite or crossing lines over a slope",
            b.lag.uncertainty95
        )
    };
    let scale = if b.scale.determined {
        format!(
            "sound speed {:+.2} ± {:.2} % (applied)",
            b.scale.value * 100.0,
            b.scale.uncertainty95 * 100.0
        )
    } else {
        format!(
            "sound-speed scale not determined (± {:.2} % stays): it takes the same places at clearly different water levels, or a boat that knows its own",
            b.scale.uncertainty95 * 100.0
        )
    };
    talk::say(&format!("  {}: {lag}; {scale}", b.boat))
}

/// Rows of the three kinds of crossings.
pub(crate) fn differences(cli: &Cli, before: &Differences, after: &Differences) -> Result<(), Failure> {
    let one = |s: &Spread| {
        format!("{} / {} / {:.0} %", cli.units.depth(s.rms_m), cli.units.depth(s.size95_m), s.within * 100.0)
    };
    for (what, b, a) in [
        ("one boat, one day", &before.day, &after.day),
        ("one boat, two days", &before.boat, &after.boat),
        ("two boats", &before.boats, &after.boats),
    ] {
        if b.crossings > 0 {
            talk::say(&format!("  {what:<19} {:>7}  {:<26} levelled: {}", b.crossings, one(b), one(a)))?;
        }
    }
    Ok(())
}

fn as_json(p: &Proposal, ground: &Ground, adopted: &[AdoptedSurvey], applied: bool) -> Value {
    let days: Vec<Value> = p
        .days
        .iter()
        .map(|d| {
            json!({
                "boat": d.boat.as_str(), "day": date(d.day), "too_deep_m": mm(d.offset_m), "u95_m": mm(d.uncertainty95_m),
                "prior95_m": mm(d.prior95_m), "stage_known": d.known, "cluster": d.cluster, "floating": d.floating,
                "crossings": d.crossings,
            })
        })
        .collect();
    let boats: Vec<Value> = p
        .boats
        .iter()
        .map(|b| json!({"boat": b.boat.as_str(), "lag_s": found(&b.lag), "scale": found(&b.scale)}))
        .collect();
    let datums: Vec<Value> = p
        .datums
        .iter()
        .zip(adopted)
        .map(|(d, a)| {
            json!({
                "survey": a.survey.to_string(), "name": a.name.as_str(), "above_m": mm(d.offset_m),
                "u95_m": mm(d.uncertainty95_m), "crossings": d.crossings,
            })
        })
        .collect();
    let standing = ground.levelling.as_ref();
    json!({
        "applied": applied,
        "in_force": standing.map(|l| json!({
            "boat_days": l.what.days.len(), "device": l.device.to_string(), "claimed": l.claimed.to_string(),
            "of_the_same_soundings": l.what.inputs == ground.inputs, "this": l.what == p.levelling,
        })),
        "others": ground.other_levellings.len(),
        "crossings": p.crossings, "near": p.near, "one_of": p.one_of, "clusters": p.levelling.clusters.len(),
        "boat_days": days, "boats": boats, "datums": datums,
        "before": differences_json(&p.before), "after": differences_json(&p.after),
    })
}

fn found(f: &Found) -> Value {
    json!({"value": f.value, "u95": f.uncertainty95, "prior95": f.prior95, "determined": f.determined})
}

pub(crate) fn differences_json(d: &Differences) -> Value {
    let one = |s: &Spread| json!({"crossings": s.crossings, "rms_m": mm(s.rms_m), "size95_m": mm(s.size95_m), "within": s.within});
    json!({"boat_day": one(&d.day), "boat": one(&d.boat), "boats": one(&d.boats)})
}

/// Whole millimetres.
fn mm(metres: f64) -> f64 {
    (metres * 1000.0).round() / 1000.0
}
