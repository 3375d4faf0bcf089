//! What would make the map better, in plain words.

use crate::commands::level::date;
use leadline_model::{Pass, Text, VoidReason};
use leadline_survey::{
    Computed, Conditions, DayFound, DraftSource, Proposal, SoundSource, SoundingCounts, Why,
};
use std::collections::BTreeMap;

/// A pass that lies off the cells it shares with others.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Pull {
    /// Its number.
    pub pass: usize,
    /// How much deeper its soundings are than the cells, on average, metres.
    pub mean_m: f64,
    /// Cells compared.
    pub cells: u32,
}

/// With fewer cells nothing is said of a pass.
const LEAST_CELLS: u32 = 20;
/// A smaller pull is not worth a word, metres.
const LEAST_PULL_M: f64 = 0.10;

/// Passes that pull the map, the strongest first.
pub(crate) fn pulls(computed: &Computed) -> Vec<Pull> {
    let mut sums = vec![(0.0, 0u32); computed.reduced.passes.len()];
    for cell in computed.reduced.cells.iter().filter(|c| c.passes > 1) {
        let open = computed.reduced.soundings_of(cell).iter().filter(|s| s.void.is_none());
        let mut of: BTreeMap<u32, (f64, f64)> = BTreeMap::new();
        for s in open {
            let (sum, n) = of.entry(s.pass).or_default();
            *sum += s.depth_m;
            *n += 1.0;
        }
        for (pass, (sum, n)) in of {
            if let Some((off, cells)) = sums.get_mut(pass as usize) {
                *off += sum / n - cell.depth_m;
                *cells += 1;
            }
        }
    }
    let mut pulls: Vec<Pull> = sums
        .into_iter()
        .enumerate()
        .filter(|(_, (_, cells))| *cells >= LEAST_CELLS)
        .map(|(pass, (off, cells))| Pull { pass, mean_m: off / f64::from(cells), cells })
        .filter(|p| p.mean_m.abs() >= LEAST_PULL_M)
        .collect();
    pulls.sort_by(|a, b| b.mean_m.abs().total_cmp(&a.mean_m.abs()).then(a.pass.cmp(&b.pass)));
    pulls
}

/// Advice, the most useful first.
pub(crate) fn advice(computed: &Computed, proposal: &Proposal, pulls: &[Pull]) -> Vec<String> {
    let reduced = &computed.reduced;
    let mut out = Vec::new();
    unlevelled(computed, proposal, pulls, &mut out);
    let passes = || reduced.passes.iter().zip(&reduced.tally.passes).zip(&reduced.conditions);
    for ((pass, counts), conditions) in passes() {
        of_pass(computed, pass, counts, conditions, &mut out);
    }
    let mut boats: BTreeMap<&Text, &Conditions> = BTreeMap::new();
    passes().for_each(|((p, _), c)| {
        boats.insert(&p.boat, c);
    });
    boats.into_iter().for_each(|(boat, c)| of_boat(boat, c, proposal, &mut out));
    let disputes = |why| reduced.disputes.iter().filter(|d| d.why == why).count();
    let weed = disputes(Why::Weed);
    if weed > 0 {
        out.push(format!(
            "{weed} cells look like weed against bottom: measure them again when the weed is down."
        ));
    }
    let open = disputes(Why::Unexplained);
    if open > 0 {
        out.push(format!(
            "{open} cells are disputed and nothing tells which depth is right: drive over them again, or decide with leadline leave-out --cell."
        ));
    }
    out
}

fn unlevelled(computed: &Computed, proposal: &Proposal, pulls: &[Pull], out: &mut Vec<String>) {
    let gain = proposal.before.boats.rms_m.max(proposal.before.boat.rms_m)
        - proposal.after.boats.rms_m.max(proposal.after.boat.rms_m);
    match &computed.ground.levelling {
        None if proposal.crossings > 0 && (gain > 0.02 || !pulls.is_empty()) => out.push(format!(
            "Level the boats and days: differences at crossings shrink by {gain:.2} m. See leadline level, then leadline level --apply."
        )),
        Some(l) if l.what.inputs != computed.ground.inputs => out.push(
            "The levelling in force was solved before the newest soundings or statements came: renew it with leadline level --apply.".to_owned(),
        ),
        _ => {}
    }
    let floating: Vec<&DayFound> = proposal.days.iter().filter(|d| d.floating).collect();
    if let Some(first) = floating.first() {
        out.push(format!(
            "{} boat-days hang on no datum ({} {} …): one gauge reading on one of these days brings all down.",
            floating.len(),
            first.boat,
            date(first.day)
        ));
    }
}

fn of_pass(
    computed: &Computed,
    pass: &Pass,
    counts: &SoundingCounts,
    conditions: &Conditions,
    out: &mut Vec<String>,
) {
    let when = format!("{} on {}", pass.boat, pass.first.minute_text());
    let share = |r: VoidReason| counts.void(r) as f64 / counts.soundings.max(1) as f64;
    if share(VoidReason::TooFast) > 0.02 {
        out.push(format!(
            "{when} UTC: {:.0} % was driven too fast for a sounder; slow down where it matters.",
            100.0 * share(VoidReason::TooFast)
        ));
    }
    if share(VoidReason::NoFix) + share(VoidReason::PoorFix) > 0.05 {
        out.push(format!("{when} UTC: many depths have no good fix; give the receiver a free sky."));
    }
    if share(VoidReason::OutOfRange) + share(VoidReason::SecondEcho) > 0.05 {
        out.push(format!(
            "{when} UTC: the sounder often lost the bottom; check its transducer, its range and its power."
        ));
    }
    let levelled = computed.ground.levelling.as_ref().is_some_and(|l| {
        let days = l
            .what
            .days
            .iter()
            .filter(|d| l.what.boats.get(usize::from(d.boat)).is_some_and(|b| b.boat == pass.boat));
        days.into_iter().any(|d| i64::from(d.day) == pass.first.0.div_euclid(86_400_000))
    });
    if conditions.stage_unknown > 0 && !levelled {
        out.push(format!(
            "{when} UTC: the water level is unknown; add a reading (leadline stage add), or level that day."
        ));
    }
}

fn of_boat(boat: &Text, c: &Conditions, proposal: &Proposal, out: &mut Vec<String>) {
    if c.draft.source == DraftSource::Unknown {
        out.push(format!(
            "{boat}: nobody said how deep the transducer hangs; measure it: leadline boat set \"{boat}\" --draft M"
        ));
    }
    if let Some(d) = c.draft.typed_minus_log_m.filter(|d| d.abs() >= 0.04) {
        out.push(format!(
            "{boat}: the typed draft and the sounder's own differ by {:.2} m; check which is right (the typed one counts).",
            d.abs()
        ));
    }
    if c.sound.source == SoundSource::SounderUnknown {
        out.push(format!(
            "{boat}: what sound speed its sounder assumes is unknown; find it in its settings: leadline boat set \"{boat}\" --sound-speed M/S"
        ));
    }
    if c.sound.source == SoundSource::TemperatureUnknown {
        out.push(format!(
            "{boat}: no water temperature; read a thermometer: leadline boat set \"{boat}\" --temperature C, or leadline water add"
        ));
    }
    let days: Vec<&DayFound> =
        proposal.days.iter().filter(|d| d.boat == *boat && d.known && !d.floating).collect();
    let one_side = |sign: f64| days.iter().all(|d| d.offset_m * sign > d.uncertainty95_m);
    if days.len() >= 2 && (one_side(1.0) || one_side(-1.0)) {
        let mean = days.iter().map(|d| d.offset_m).sum::<f64>() / days.len() as f64;
        let side = if mean > 0.0 { "too deep" } else { "too shoal" };
        out.push(format!(
            "{boat}: on every day its depths are {side} by about {:.2} m; check its draft and its sounder's offset.",
            mean.abs()
        ));
    }
}
