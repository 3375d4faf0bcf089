//! `status`: what this device holds and how good it is.

use super::open;
use crate::args::Cli;
use crate::failure::Failure;
use crate::talk;
use leadline_model::{Grade, VoidReason};
use leadline_survey::{Computed, Home, SoundingCounts, Store, Tally, open_legs};
use serde_json::json;

pub(crate) fn run(cli: &Cli) -> Result<(), Failure> {
    let (home, store) = open(cli)?;
    let computed = store.compute()?;
    if cli.json {
        return print_json(&home, &store, &computed);
    }
    print_text(&store, &computed)?;
    for (device, leg) in open_legs(&home, &store.survey()) {
        let who = if device.is_some() { "of the crew" } else { "here" };
        talk::say(&format!(
            "  being recorded now {who}: {}, {} points, provisional",
            leg.boat,
            leg.points.len()
        ))?;
    }
    Ok(())
}

fn print_json(home: &Home, store: &Store, computed: &Computed) -> Result<(), Failure> {
    let (counts, tally) = (store.counts()?, &computed.reduced.tally);
    let (name, datum) =
        store.name()?.map(|(n, d)| (n.as_str().to_owned(), d.as_str().to_owned())).unwrap_or_default();
    let grades: serde_json::Map<_, _> =
        Grade::ALL.iter().map(|g| (g.word().to_owned(), json!(tally.total.of(*g)))).collect();
    talk::json(&json!({
        "survey": {"id": store.survey().to_string(), "name": name, "datum": datum},
        "device": store.device().to_string(),
        "passes": computed.reduced.passes.len(),
        "legs": computed.claims.len(),
        "soundings": tally.total.soundings,
        "cells": computed.reduced.cells.len(),
        "tiles": counts.tiles,
        "entries": counts.entries,
        "strips": counts.strips,
        "digest": store.holdings_digest()?.to_string(),
        "grades": grades,
        "disputed": disputed(computed),
        "levelled": computed.ground.levelling.as_ref().map_or(0, |l| l.what.days.len()),
        "levelling_is_current": computed.ground.levelling.as_ref().map(|l| l.what.inputs == computed.ground.inputs),
        "copies": tally.copies,
        "waiting": counts.waiting,
        "masked": counts.masked,
        "crew": super::crew::as_json(store, &store.ledger()?)?,
        "quarantined": counts.quarantined,
        "wanted_strips": counts.wanted,
        "partial_legs": computed.partial_legs,
        "conflicts": computed.ground.conflicts,
        "peers": store.peers()?,
        "recording": open_legs(home, &store.survey()).iter().map(|(d, leg)| json!({
            "device": d.map(|d| d.to_string()), "boat": leg.boat.as_str(), "points": leg.points.len(),
        })).collect::<Vec<_>>(),
    }))
}

/// Cells whose visits differ by more than their uncertainty.
pub(crate) fn disputed(computed: &Computed) -> usize {
    computed.reduced.cells.iter().filter(|c| c.disputed).count()
}

fn print_text(store: &Store, computed: &Computed) -> Result<(), Failure> {
    let (counts, tally) = (store.counts()?, &computed.reduced.tally);
    let crew = store.crew()?;
    match store.name()? {
        Some((name, datum)) => talk::say(&format!("{name}: depths count from {datum}."))?,
        None => {
            talk::say("Joined, not met yet: the crew's data comes with the first meeting (leadline sync).")?
        }
    }
    talk::say(&format!(
        "  {} soundings in {} passes of {} boats, {} cells on {} tiles",
        tally.total.soundings,
        computed.reduced.passes.len(),
        tally.boats.len(),
        computed.reduced.cells.len(),
        counts.tiles
    ))?;
    grade_lines(tally, &mut |line| talk::say(&line))?;
    if disputed(computed) > 0 {
        talk::say(&format!(
            "  {} cells disputed: visits differ by more than their uncertainty",
            disputed(computed)
        ))?;
    }
    if tally.copies > 0 {
        talk::say(&format!("  {} soundings were recorded twice and count once", tally.copies))?;
    }
    if let Some(l) = &computed.ground.levelling {
        let renew = if l.what.inputs == computed.ground.inputs {
            ""
        } else {
            "; newer soundings or statements are not in it: leadline level --apply"
        };
        talk::say(&format!("  {} boat-days are levelled{renew}", l.what.days.len()))?;
    }
    talk::say(&format!(
        "  crew of {}, {} entries, {} strips, digest {}",
        crew.members().len(),
        counts.entries,
        counts.strips,
        store.holdings_digest()?.short()
    ))?;
    for (n, what) in [
        (counts.wanted, "strips not here yet: meet a device that has them"),
        (counts.waiting, "entries wait for their device's admission"),
        (counts.quarantined, "entries were bad and are kept aside (see leadline verify)"),
    ] {
        if n > 0 {
            talk::say(&format!("  {n} {what}"))?;
        }
    }
    if counts.masked > 0 {
        talk::say(&format!("  {} entries do not count: their device was dismissed", counts.masked))?;
    }
    let ledger = store.ledger()?;
    super::crew::lines(store, &crew, &ledger).iter().try_for_each(|l| talk::say(&format!("  {l}")))?;
    own_standing(store)?;
    computed.ground.conflicts.iter().for_each(|c| talk::note(&format!("Conflict: {c}.")));
    Ok(())
}

/// What this device must know of its own place in the crew.
fn own_standing(store: &Store) -> Result<(), Failure> {
    if let Some(at) = store.refused_at()? {
        talk::note(&format!(
            "Another device refused this one as dismissed ({at}). Ask the crew; until then expect that what is written here does not count."
        ));
    }
    Ok(())
}

/// How many soundings of each grade, and why the void ones are void.
pub(crate) fn grade_lines(
    tally: &Tally,
    say: &mut dyn FnMut(String) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let parts: Vec<_> =
        Grade::ALL.iter().map(|g| format!("{} {}", share(&tally.total, *g), g.word())).collect();
    say(format!("  {}", parts.join(", ")))?;
    for r in VoidReason::ALL.iter().filter(|r| tally.total.void(**r) > 0) {
        say(format!("  {:>7} void: {}", tally.total.void(*r), r.words()))?;
    }
    Ok(())
}

fn share(c: &SoundingCounts, g: Grade) -> String {
    let all = c.soundings.max(1) as f64;
    format!("{:.1} %", 100.0 * c.of(g) as f64 / all)
}
