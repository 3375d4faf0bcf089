//! `quality`: how good the soundings are, by boat and pass, and what would make them better.

mod advice;

use super::level::{differences, differences_json};
use super::open;
use crate::args::Cli;
use crate::failure::Failure;
use crate::talk;
use advice::{Pull, advice, pulls};
use leadline_model::{Grade, Pass, VoidReason};
use leadline_survey::{Computed, Proposal, SoundingCounts, Why};
use serde_json::{Value, json};

pub(crate) fn run(cli: &Cli) -> Result<(), Failure> {
    let (_, store) = open(cli)?;
    let computed = store.compute()?;
    if computed.reduced.tally.total.soundings == 0 {
        return Err(Failure::Input(
            "no soundings yet; begin with: leadline import FILE --boat NAME".to_owned(),
        ));
    }
    let (proposal, ..) = store.propose_levelling()?;
    let pulls = pulls(&computed);
    let todo = advice(&computed, &proposal, &pulls);
    if cli.json {
        return talk::json(&as_json(&computed, &proposal, &pulls, &todo));
    }
    boats(&computed)?;
    passes(&computed)?;
    if proposal.crossings > 0 {
        talk::say("\nCrossings: root mean square, size of 95 %, share within √(TVU₁² + TVU₂²)")?;
        differences(cli, &proposal.before, &proposal.after)?;
    }
    disputes(&computed)?;
    copies(&computed)?;
    if !pulls.is_empty() {
        talk::say("\nPasses that pull the map (mean difference to the cells they share with others)")?;
        for p in &pulls {
            let Some(pass) = computed.reduced.passes.get(p.pass) else { continue };
            let side = if p.mean_m < 0.0 { "shoaler" } else { "deeper" };
            talk::say(&format!(
                "  {}  {} {side} in {} cells",
                name(pass),
                cli.units.depth(p.mean_m.abs()),
                p.cells
            ))?;
        }
    }
    talk::say("\nWhat to do")?;
    if todo.is_empty() {
        talk::say("  Nothing stands out.")?;
    }
    todo.iter().try_for_each(|t| talk::say(&format!("  - {t}")))
}

fn name(pass: &Pass) -> String {
    format!("{:<12} {} UTC", pass.boat.as_str(), pass.first.minute_text())
}

fn percent(c: &SoundingCounts, g: Grade) -> f64 {
    100.0 * c.of(g) as f64 / c.soundings.max(1) as f64
}

fn grades(c: &SoundingCounts) -> String {
    Grade::ALL.iter().map(|g| format!("{:>5.1} % {g}", percent(c, *g))).collect::<Vec<_>>().join(" ")
}

/// Reasons of void soundings, most frequent first.
fn reasons(c: &SoundingCounts) -> Vec<(u64, VoidReason)> {
    let mut all: Vec<_> = VoidReason::ALL.iter().map(|r| (c.void(*r), *r)).filter(|(n, _)| *n > 0).collect();
    all.sort_by(|a, b| b.cmp(a));
    all
}

fn boats(computed: &Computed) -> Result<(), Failure> {
    talk::say("Boats")?;
    for b in &computed.reduced.tally.boats {
        talk::say(&format!("  {:<12} {:>8}  {}", b.boat.as_str(), b.counts.soundings, grades(&b.counts)))?;
        let why: Vec<String> = reasons(&b.counts).iter().map(|(n, r)| format!("{n} {}", r.words())).collect();
        if !why.is_empty() {
            talk::say(&format!("  {:<12} {:>8}  void: {}", "", "", why.join(", ")))?;
        }
    }
    Ok(())
}

fn passes(computed: &Computed) -> Result<(), Failure> {
    talk::say("\nPasses")?;
    for (pass, counts) in computed.reduced.passes.iter().zip(&computed.reduced.tally.passes) {
        let worst = reasons(counts).first().map_or(String::new(), |(n, r)| format!("  ({n} {})", r.words()));
        talk::say(&format!("  {}  {:>7}  {}{worst}", name(pass), counts.soundings, grades(counts)))?;
    }
    Ok(())
}

fn by_why(computed: &Computed) -> Vec<(Why, usize)> {
    let count = |w: Why| computed.reduced.disputes.iter().filter(|d| d.why == w).count();
    Why::ALL.iter().map(|w| (*w, count(*w))).filter(|(_, n)| *n > 0).collect()
}

fn disputes(computed: &Computed) -> Result<(), Failure> {
    let all = by_why(computed);
    if !all.is_empty() {
        talk::say("\nDisputed cells (both depths are kept)")?;
    }
    all.iter().try_for_each(|(why, n)| talk::say(&format!("  {n:>7}  {}", why.words())))
}

fn copies(computed: &Computed) -> Result<(), Failure> {
    let found = &computed.reduced.copies;
    if !found.is_empty() {
        talk::say("\nRecorded twice, counted once (overrule with: leadline take-back --copies …)")?;
    }
    for c in found {
        let shift = if c.shift_ms == 0 {
            String::new()
        } else {
            format!(", its clock {:+.1} s", c.shift_ms as f64 / 1000.0)
        };
        talk::say(&format!(
            "  {} soundings of {} from {} UTC are those of {}{shift}",
            c.soundings,
            c.copy.boat,
            c.copy.first.minute_text(),
            c.standing.boat
        ))?;
    }
    Ok(())
}

fn as_json(computed: &Computed, proposal: &Proposal, pulls: &[Pull], todo: &[String]) -> Value {
    let counts = |c: &SoundingCounts| {
        let grades: serde_json::Map<_, _> =
            Grade::ALL.iter().map(|g| (g.word().to_owned(), json!(c.of(*g)))).collect();
        let void: serde_json::Map<_, _> = reasons(c)
            .into_iter()
            .map(|(n, r)| (json!(r).as_str().unwrap_or("?").to_owned(), json!(n)))
            .collect();
        json!({"soundings": c.soundings, "grades": grades, "void": void})
    };
    let with = |mut v: Value, more: &[(&str, Value)]| {
        for (key, value) in more {
            v[*key] = value.clone();
        }
        v
    };
    let reduced = &computed.reduced;
    let boats: Vec<Value> = reduced
        .tally
        .boats
        .iter()
        .map(|b| with(counts(&b.counts), &[("boat", json!(b.boat.as_str()))]))
        .collect();
    let passes: Vec<Value> = reduced
        .passes
        .iter()
        .zip(&reduced.tally.passes)
        .map(|(p, c)| {
            with(counts(c), &[("boat", json!(p.boat.as_str())), ("first", json!(p.first.to_string()))])
        })
        .collect();
    let pulls: Vec<Value> =
        pulls.iter().map(|p| json!({"pass": p.pass, "mean_m": p.mean_m, "cells": p.cells})).collect();
    let disputes: serde_json::Map<_, _> =
        by_why(computed).into_iter().map(|(w, n)| (w.code().to_owned(), json!(n))).collect();
    let copies: Vec<Value> = reduced
        .copies
        .iter()
        .map(|c| {
            json!({
                "boat": c.copy.boat.as_str(), "first": c.copy.first.to_string(), "last": c.copy.last.to_string(),
                "of": c.standing.boat.as_str(), "soundings": c.soundings, "shift_ms": c.shift_ms,
                "depth_difference_m": c.depth_difference_m,
            })
        })
        .collect();
    json!({
        "total": counts(&reduced.tally.total), "boats": boats, "passes": passes,
        "crossings": {"before": differences_json(&proposal.before), "levelled": differences_json(&proposal.after)},
        "disputes": disputes, "copies": copies, "pulls": pulls, "advice": todo,
    })
}
