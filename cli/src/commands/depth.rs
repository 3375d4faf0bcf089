//! `depth`: at a place, or at every place of a file.

mod explain;

use super::{chart, open};
use crate::args::{Cli, DepthArgs};
use crate::failure::Failure;
use crate::{talk, units};
use leadline_chart::{Basis, Estimate, Surface};
use leadline_model::{GridPos, LonLat};
use leadline_survey::{Computed, Dispute, Explained};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::path::Path;

pub(crate) fn run(cli: &Cli, a: &DepthArgs) -> Result<(), Failure> {
    let stage_m = units::stage(a.stage)?;
    let at = a.at.as_deref().map(units::lonlat).transpose()?;
    let (_, store) = open(cli)?;
    let computed = store.compute()?;
    let surface = chart::surface(cli, &computed);
    match (at, &a.points) {
        (Some(p), _) => {
            let terms = match (a.explain, GridPos::from_lonlat(p)) {
                (true, Some(at)) => store.explain(&computed, at)?,
                _ => Vec::new(),
            };
            one(cli, a, p, stage_m, (&computed, &terms), &surface)
        }
        (None, Some(file)) => points(file, stage_m, &surface),
        (None, None) => Ok(()),
    }
}

fn estimate(surface: &Surface, p: LonLat) -> Option<Estimate> {
    GridPos::from_lonlat(p).and_then(|g| surface.depth_at(g))
}

fn one(
    cli: &Cli,
    a: &DepthArgs,
    p: LonLat,
    stage_m: f64,
    (computed, terms): (&Computed, &[Explained]),
    surface: &Surface,
) -> Result<(), Failure> {
    let found = estimate(surface, p);
    if cli.json {
        let mut answer = as_json(found.as_ref(), p, stage_m, computed);
        answer["disputed"] = dispute_json(computed, p);
        if a.explain {
            answer["explained"] = explain::as_json(terms, computed);
        }
        return talk::json(&answer);
    }
    let stage = units::stage_words(a.stage, cli);
    let Some(e) = found else {
        return talk::say(&format!("Unknown here: no soundings near {:.6},{:.6} ({stage}).", p.lon, p.lat));
    };
    let basis = match e.basis {
        Basis::Cell => "measured in this cell",
        _ => "between soundings",
    };
    talk::say(&format!(
        "{} ± {} ({}, {basis})",
        cli.units.depth(e.depth_m + stage_m),
        cli.units.depth(e.tvu95_m),
        e.grade
    ))?;
    talk::say(&format!("  {stage}"))?;
    for i in passes_at(&e, p, computed) {
        if let Some(pass) = computed.reduced.passes.get(i as usize) {
            talk::say(&format!("  {}, {} UTC", pass.boat, pass.first.minute_text()))?;
        }
    }
    if let Some(d) = dispute_at(computed, p) {
        talk::say(&format!("  Disputed: {}", d.why.words()))?;
        for r in &d.rivals {
            talk::say(&format!(
                "    {} ± {} by {} passes, {} to {}{}",
                cli.units.depth(r.depth_m + stage_m),
                cli.units.depth(r.tvu95_m),
                r.passes,
                r.first.date_text(),
                r.newest.date_text(),
                if r.believed { " (believed)" } else { "" }
            ))?;
        }
    }
    if a.explain {
        explain::print(cli, terms, computed)?;
    }
    talk::note(leadline_model::CAUTION);
    Ok(())
}

fn dispute_at(computed: &Computed, p: LonLat) -> Option<&Dispute> {
    let cell = GridPos::from_lonlat(p)?.cell();
    computed.reduced.disputes.iter().find(|d| d.cell == cell)
}

fn dispute_json(computed: &Computed, p: LonLat) -> Value {
    let Some(d) = dispute_at(computed, p) else { return Value::Null };
    let rivals: Vec<Value> = d
        .rivals
        .iter()
        .map(|r| {
            json!({
                "depth_m": round(r.depth_m), "tvu95_m": round(r.tvu95_m), "passes": r.passes, "soundings": r.soundings,
                "first": r.first.to_string(), "newest": r.newest.to_string(), "believed": r.believed,
            })
        })
        .collect();
    json!({"why": d.why.code(), "rivals": rivals})
}

/// The passes that measured the cell, or those of the cells around.
fn passes_at(e: &Estimate, p: LonLat, computed: &Computed) -> BTreeSet<u32> {
    let cell = GridPos::from_lonlat(p).and_then(|g| computed.reduced.cell(g.cell()));
    match cell {
        Some(c) => {
            computed.reduced.soundings_of(c).iter().filter(|s| s.void.is_none()).map(|s| s.pass).collect()
        }
        None => e.passes.iter().copied().collect(),
    }
}

fn as_json(e: Option<&Estimate>, p: LonLat, stage_m: f64, computed: &Computed) -> Value {
    let Some(e) = e else {
        return json!({
            "lon": p.lon, "lat": p.lat, "depth_m": null, "tvu95_m": null, "grade": null, "stage_m": stage_m, "basis": "none", "passes": [],
        });
    };
    let passes: Vec<_> = passes_at(e, p, computed)
        .into_iter()
        .filter_map(|i| computed.reduced.passes.get(i as usize))
        .map(|p| json!({"boat": p.boat.as_str(), "first": p.first.to_string(), "last": p.last.to_string()}))
        .collect();
    json!({
        "lon": p.lon, "lat": p.lat, "depth_m": round(e.depth_m + stage_m), "tvu95_m": round(e.tvu95_m), "grade": e.grade.word(),
        "stage_m": stage_m, "basis": e.basis.word(), "passes": passes,
    })
}

fn round(m: f64) -> f64 {
    (m * 1000.0).round() / 1000.0
}

/// Copies the rows of a CSV with lon and lat, and adds depth, uncertainty, grade and basis.
fn points(file: &Path, stage_m: f64, surface: &Surface) -> Result<(), Failure> {
    let bad = |why: String| Failure::Input(format!("{}: {why}", file.display()));
    let mut rows =
        csv::ReaderBuilder::new().flexible(true).from_path(file).map_err(|e| bad(e.to_string()))?;
    let header = rows.headers().map_err(|e| bad(e.to_string()))?.clone();
    let column = |name: &str| header.iter().position(|h| h.trim().eq_ignore_ascii_case(name));
    let (Some(lon), Some(lat)) = (column("lon"), column("lat")) else {
        return Err(bad("the first line must name columns lon and lat".to_owned()));
    };
    let write = |e: csv::Error| Failure::output(Path::new("standard output"))(io_error(e));
    let mut out = csv::Writer::from_writer(std::io::stdout().lock());
    out.write_record(header.iter().chain(["depth_m", "tvu95_m", "grade", "basis"])).map_err(write)?;
    for (i, row) in rows.records().enumerate() {
        let line = i + 2;
        let row = row.map_err(|e| bad(e.to_string()))?;
        let number = |c: usize, what: &str| -> Result<f64, Failure> {
            row.get(c)
                .and_then(|t| t.trim().parse().ok())
                .ok_or_else(|| bad(format!("line {line}: {what} is no number in degrees")))
        };
        let found = estimate(surface, LonLat { lon: number(lon, "lon")?, lat: number(lat, "lat")? });
        let added = match found {
            Some(e) => [
                format!("{:.3}", e.depth_m + stage_m),
                format!("{:.3}", e.tvu95_m),
                e.grade.word().to_owned(),
                e.basis.word().to_owned(),
            ],
            None => [String::new(), String::new(), String::new(), "none".to_owned()],
        };
        out.write_record(row.iter().chain(added.iter().map(String::as_str))).map_err(write)?;
    }
    out.flush().map_err(Failure::output(Path::new("standard output")))
}

/// Keeps the kind of an error of the stream itself, so that a reader who has gone is no failure.
fn io_error(e: csv::Error) -> std::io::Error {
    match e.into_kind() {
        csv::ErrorKind::Io(e) => e,
        other => std::io::Error::other(format!("{other:?}")),
    }
}
