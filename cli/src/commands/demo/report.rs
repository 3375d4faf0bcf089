//! What the demo says at the end, for people who do not program.

use super::Files;
use super::weak::weakest;
use crate::args::Cli;
use crate::commands::chart;
use crate::commands::level::{date, differences, differences_json};
use crate::commands::status::{disputed, grade_lines};
use crate::failure::Failure;
use crate::talk;
use leadline_demo_data as water;
use leadline_model::StageReading;
use leadline_net::Summary;
use leadline_survey::{Computed, DayFound, Imported, ParcelRead, Proposal, Store};
use serde_json::json;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Everything that happened.
pub(crate) struct Told<'a> {
    pub dir: &'a Path,
    pub imported: [(&'static str, Vec<Imported>); 2],
    pub meeting: Summary,
    pub proposal: Proposal,
    pub parcel: (PathBuf, ParcelRead),
    pub readings: Vec<StageReading>,
    pub files: Files,
}

pub(crate) fn print(cli: &Cli, told: &Told<'_>, laptop: &Store) -> Result<(), Failure> {
    let computed = laptop.compute()?;
    let truth = against_truth(cli, &computed);
    if cli.json {
        return as_json(told, &computed, laptop, &truth);
    }
    let say = |text: &str| talk::say(text);
    say(&format!(
        "{}: an invented reservoir, measured by two invented boats on four days.\n",
        water::WATER_NAME
    ))?;
    boats(told)?;
    meeting(told, laptop)?;
    thrown_out(&computed)?;
    levels(told)?;
    levelling(cli, told)?;
    quality(&computed, &truth)?;
    files(told)?;
    say(&format!("\n{}", leadline_model::CAUTION))
}

fn boats(told: &Told<'_>) -> Result<(), Failure> {
    talk::say("What each boat had")?;
    for (boat, files) in &told.imported {
        let sum = |f: fn(&Imported) -> u64| files.iter().map(f).sum::<u64>();
        let (lines, soundings) = (sum(|i| i.report.lines), sum(|i| i.report.soundings));
        talk::say(&format!(
            "  {boat}: {} log files, {lines} lines, {soundings} depths with a position",
            files.len()
        ))?;
        let mut problems: BTreeMap<&str, u64> = BTreeMap::new();
        files
            .iter()
            .flat_map(|f| &f.report.problems)
            .for_each(|(p, n)| *problems.entry(p.words()).or_default() += n);
        let mut worst: Vec<_> = problems.into_iter().collect();
        worst.sort_by_key(|(words, n)| (std::cmp::Reverse(*n), *words));
        for (words, n) in worst.iter().take(4) {
            talk::say(&format!("    {n:>6} lines: {words}"))?;
        }
    }
    Ok(())
}

fn meeting(told: &Told<'_>, laptop: &Store) -> Result<(), Failure> {
    let m = &told.meeting;
    talk::say("\nThe meeting (over the network, no server)")?;
    talk::say(&format!(
        "  Heron gave {} entries and {} strips of soundings, Plover gave {} and {}.",
        m.entries_received, m.strips_received, m.entries_sent, m.strips_sent
    ))?;
    talk::say(&format!(
        "  It cost {:.0} KB one way, {:.0} KB the other, and {} round trips. Both now hold the same.",
        m.bytes_received as f64 / 1000.0,
        m.bytes_sent as f64 / 1000.0,
        m.round_trips
    ))?;
    let (path, read) = &told.parcel;
    let size = std::fs::metadata(path).map_or(0, |f| f.len());
    talk::say(&format!(
        "  The laptop got everything from one file ({:.0} KB): {} entries, {} strips; digest {}.",
        size as f64 / 1000.0,
        read.accepted.entries,
        read.accepted.strips,
        laptop.holdings_digest()?.short()
    ))?;
    let same = if told.files.same_everywhere {
        "All three devices draw the same chart, byte for byte."
    } else {
        "The devices draw DIFFERENT charts: that is a defect."
    };
    talk::say(&format!("  {same}"))
}

fn thrown_out(computed: &Computed) -> Result<(), Failure> {
    talk::say("\nWhat was thrown out, and how good the rest is (share of all depths)")?;
    grade_lines(&computed.reduced.tally, &mut |line| talk::say(&line))?;
    talk::say(
        "  sure = within the limits of S-44 Order 1b, fair = within those of Order 2, loose = worse, void = kept but never charted",
    )
}

fn levels(told: &Told<'_>) -> Result<(), Failure> {
    talk::say("\nHow high the water stood (above the sounding datum)")?;
    let mut days: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for r in &told.readings {
        days.entry(r.at.date_text()).or_default().push(format!("{:+.2} m", f64::from(r.level_mm) / 1000.0));
    }
    days.iter().try_for_each(|(day, levels)| talk::say(&format!("  {day}: {}", levels.join(" … "))))
}

/// The boat-day whose stage nobody read.
fn ungauged(proposal: &Proposal) -> Option<&DayFound> {
    let (boat, day) = water::UNGAUGED;
    proposal.days.iter().find(|d| d.boat.as_str() == boat && date(d.day) == day)
}

/// How far the ungauged boat-day ended from its true level: positive = too deep, metres.
fn level_error(proposal: &Proposal) -> Option<f64> {
    let day = ungauged(proposal)?;
    // Its depths counted from the water of that day: too deep by the true level, which levelling has to find.
    Some(true_level()? - day.offset_m)
}

fn true_level() -> Option<f64> {
    let noon = format!("{}T08:00:00Z", water::UNGAUGED.1).parse().ok()?;
    Some(water::water_level_m(noon))
}

fn levelling(cli: &Cli, told: &Told<'_>) -> Result<(), Failure> {
    let p = &told.proposal;
    talk::say("\nLevelling: boats and days brought together where their tracks cross")?;
    differences(cli, &p.before, &p.after)?;
    if let (Some(day), Some(level), Some(error)) = (ungauged(p), true_level(), level_error(p)) {
        talk::say(&format!(
            "  Nobody read the gauge on {}, when {} was out alone. The crossings say the water stood at {:+.2} ± {:.2} m;\n  in truth it was {level:+.2} m: {:.1} cm off.",
            date(day.day),
            day.boat,
            day.offset_m,
            day.uncertainty95_m,
            error.abs() * 100.0
        ))?;
    }
    Ok(())
}

fn quality(computed: &Computed, truth: &Truth) -> Result<(), Failure> {
    let cells = &computed.reduced.cells;
    let mut bands: Vec<f64> = cells.iter().map(|c| c.tvu95_m).collect();
    bands.sort_by(f64::total_cmp);
    let median = bands.get(bands.len() / 2).copied().unwrap_or(f64::NAN);
    talk::say("\nHow good the map is")?;
    talk::say(&format!(
        "  {} cells measured; half of them are known to ± {median:.2} m or better (95 %).",
        cells.len()
    ))?;
    talk::say(&format!(
        "  Against the true bed, known because it is invented, at {} places: off by {:+.3} m on average, {:.3} m RMSE,\n  {:.1} % inside the stated band.",
        truth.n,
        truth.bias_m,
        truth.rmse_m,
        truth.inside * 100.0
    ))?;
    talk::say(&format!(
        "  {} cells are disputed: visits differ by more than their uncertainty.",
        disputed(computed)
    ))?;
    for w in weakest(cells, 3) {
        talk::say(&format!(
            "  Weak around {:.5},{:.5}: of its cells {} loose, {} disputed.",
            w.at.lon, w.at.lat, w.loose, w.disputed
        ))?;
    }
    Ok(())
}

fn files(told: &Told<'_>) -> Result<(), Failure> {
    talk::say("\nLook at")?;
    told.files.paths.iter().try_for_each(|p| talk::say(&format!("  {}", p.display())))?;
    talk::say(&format!(
        "Next, try\n  {} --home {} depth --at {:.5},{:.5} --stage 0.35",
        program(),
        told.dir.join("laptop").display(),
        water::lonlat(0.0, 0.0).lon,
        water::lonlat(0.0, 0.0).lat
    ))
}

/// The map against the formula of the bed.
pub(crate) struct Truth {
    pub n: usize,
    pub bias_m: f64,
    pub rmse_m: f64,
    pub inside: f64,
    pub mean_band_m: f64,
    pub error95_m: f64,
}

fn against_truth(cli: &Cli, computed: &Computed) -> Truth {
    let surface = chart::surface(cli, computed);
    let errors: Vec<(f64, f64)> = water::truth_grid()
        .iter()
        .filter_map(|p| surface.depth_at(p.cell.middle()).map(|e| (e.depth_m - p.depth_m, e.tvu95_m)))
        .collect();
    let n = errors.len();
    let mean = |f: &dyn Fn(&(f64, f64)) -> f64| errors.iter().map(f).sum::<f64>() / n.max(1) as f64;
    let mut sizes: Vec<f64> = errors.iter().map(|(e, _)| e.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    Truth {
        n,
        bias_m: mean(&|(e, _)| *e),
        rmse_m: mean(&|(e, _)| e * e).sqrt(),
        inside: mean(&|(e, u)| f64::from(u8::from(e.abs() <= *u))),
        mean_band_m: mean(&|(_, u)| *u),
        error95_m: sizes.get(n * 95 / 100).copied().unwrap_or(f64::NAN),
    }
}

fn as_json(told: &Told<'_>, computed: &Computed, laptop: &Store, t: &Truth) -> Result<(), Failure> {
    let m = &told.meeting;
    talk::json(&json!({
        "files": told.files.paths,
        "same_everywhere": told.files.same_everywhere,
        "digest": laptop.holdings_digest()?.to_string(),
        "meeting": {
            "entries_sent": m.entries_sent, "entries_received": m.entries_received, "strips_sent": m.strips_sent,
            "strips_received": m.strips_received, "bytes_sent": m.bytes_sent, "bytes_received": m.bytes_received,
            "round_trips": m.round_trips,
        },
        "levelling": {
            "boat_days": told.proposal.days.len(), "crossings": told.proposal.crossings,
            "before": differences_json(&told.proposal.before), "after": differences_json(&told.proposal.after),
            "ungauged": ungauged(&told.proposal).map(|d| json!({
                "boat": d.boat.as_str(), "day": date(d.day), "level_m": d.offset_m, "u95_m": d.uncertainty95_m,
                "true_level_m": true_level(), "error_m": level_error(&told.proposal),
            })),
        },
        "soundings": computed.reduced.tally.total.soundings,
        "cells": computed.reduced.cells.len(),
        "disputed": disputed(computed),
        "truth": {
            "places": t.n, "bias_m": t.bias_m, "rmse_m": t.rmse_m, "inside": t.inside, "mean_band_m": t.mean_band_m,
            "error95_m": t.error95_m,
        },
    }))
}

/// This program as it was called, so that the next command can be copied.
fn program() -> String {
    std::env::args().next().unwrap_or_else(|| "leadline".to_owned())
}
