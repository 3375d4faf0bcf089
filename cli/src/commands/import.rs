//! `import`: log files into the survey.

use super::{boat, open};
use crate::args::{Cli, ImportArgs};
use crate::failure::Failure;
use crate::{talk, units};
use leadline_model::UtcMillis;
use leadline_survey::{Good, ImportRequest, Imported, Kind, field, files_of, import_logs};
use serde_json::json;
use std::process::ExitCode;

pub(crate) fn run(cli: &Cli, a: &ImportArgs) -> Result<ExitCode, Failure> {
    let (home, mut store) = open(cli)?;
    let request = request(a)?;
    let files = files_of(&a.paths)?;
    if files.is_empty() {
        return Err(Failure::Input("no files there; give log files, or a folder that holds some".into()));
    }
    let total = files.iter().filter_map(|f| std::fs::metadata(f).ok()).map(|m| m.len()).sum();
    let bar = talk::bar(total, "reading logs", cli.quiet || cli.json);
    let mut done = Vec::new();
    for file in &files {
        done.extend(import_logs(&home, &mut store, file, &request, &mut |n| bar.inc(n))?);
    }
    bar.finish_and_clear();
    if cli.json {
        talk::json(&json!({ "files": done.iter().map(as_json).collect::<Vec<_>>() }))?;
    } else {
        done.iter().try_for_each(|d| print(d, a.explain))?;
        talk::say("Next: leadline status   or   leadline chart -o map.png")?;
    }
    let soundings: u64 = done.iter().map(|d| d.report.soundings).sum();
    if soundings == 0 {
        talk::error(lack(&done));
        return Ok(ExitCode::from(1));
    }
    Ok(ExitCode::SUCCESS)
}

fn request(a: &ImportArgs) -> Result<ImportRequest, Failure> {
    let setup = boat::parse(field("boat name", &a.boat)?, UtcMillis(0), &a.setup)?;
    Ok(ImportRequest {
        boat: setup.boat,
        draft_mm: setup.draft_mm,
        sound_speed_mm_s: setup.sound_speed_mm_s,
        temp_centi: setup.temp_centi,
        date: date(a.date.as_deref())?,
        now: units::now(),
    })
}

/// The day of logs that carry none; a day alone begins at midnight.
pub(super) fn date(typed: Option<&str>) -> Result<Option<UtcMillis>, Failure> {
    let full = |d: &str| if d.len() == 10 { format!("{d}T00:00:00Z") } else { d.to_owned() };
    typed.map(|d| units::time("--date", &full(d))).transpose()
}

fn as_json(d: &Imported) -> serde_json::Value {
    let problems: serde_json::Map<_, _> =
        d.report.problems.iter().map(|(p, n)| (p.code().to_owned(), json!(n))).collect();
    json!({
        "path": d.path, "format": d.report.format.code(), "lines": d.report.lines, "soundings": d.report.soundings,
        "problems": problems, "legs": d.legs, "known": d.known, "trimmed": d.trimmed, "on_land": d.on_land,
        "why": d.report.why, "reading": d.report.reading, "uses": uses(d), "kinds": kinds(d),
    })
}

fn uses(d: &Imported) -> serde_json::Value {
    let u = d.report.uses;
    json!({ "used": u.used, "not_needed": u.not_needed, "comments": u.comments, "blank": u.blank })
}

fn kinds(d: &Imported) -> serde_json::Value {
    d.report.kinds.iter().map(kind_json).collect()
}

pub(crate) fn kind_json(k: &Kind) -> serde_json::Value {
    json!({ "name": k.name, "good": good(k.good).replace(' ', "-"), "count": k.count })
}

pub(crate) fn good(good: Good) -> &'static str {
    match good {
        Good::Used => "used",
        Good::NotNeeded => "not needed",
        Good::NotKnown => "not known",
    }
}

/// What the file was taken for and why, and what its lines were good for.
fn explained(d: &Imported) -> Result<(), Failure> {
    let r = &d.report;
    talk::say(&format!("  taken for this because {}", r.why))?;
    if let Some(reading) = &r.reading {
        talk::say(&format!("  read as: {reading}"))?;
    }
    let u = r.uses;
    talk::say(&format!(
        "  lines: {} used, {} not needed, {} remarks, {} blank, {} with a problem",
        u.used,
        u.not_needed,
        u.comments,
        u.blank,
        r.problems.values().sum::<u64>()
    ))?;
    for how in [Good::Used, Good::NotNeeded, Good::NotKnown] {
        let of = r.kinds.iter().filter(|k| k.good == how);
        let list: Vec<_> = of.map(|k| format!("{} {}", k.name, k.count)).collect();
        if !list.is_empty() {
            talk::say(&format!("  {:11} {}", good(how), list.join(", ")))?;
        }
    }
    Ok(())
}

fn print(d: &Imported, explain: bool) -> Result<(), Failure> {
    let r = &d.report;
    talk::say(&format!(
        "{}: {}, {} lines, {} soundings in {} legs",
        d.path.display(),
        format_words(r.format.code()),
        r.lines,
        r.soundings,
        d.legs
    ))?;
    if explain {
        explained(d)?;
    }
    if d.trimmed > 0 {
        talk::say(&format!(
            "  {} soundings near home were cut off and stay on this device (leadline trim).",
            d.trimmed
        ))?;
    }
    if d.on_land > 0 {
        talk::say(&format!(
            "  {} soundings lie on land, beyond the drawn shore: kept, marked, not charted.",
            d.on_land
        ))?;
    }
    if d.known > 0 {
        talk::say(&format!("  {} of these legs were here already; they count once.", d.known))?;
    }
    for (p, n) in &r.problems {
        talk::say(&format!("  {n:>7}  {}", p.words()))?;
        if let Some(e) = r.examples.iter().find(|e| e.problem == *p) {
            let detail = if e.detail.is_empty() { String::new() } else { format!(": {}", e.detail) };
            talk::say(&format!("           first at line {}{detail}", e.line))?;
        }
    }
    Ok(())
}

fn format_words(code: &str) -> &str {
    match code {
        "nmea-0183" => "NMEA 0183 log",
        "csv" => "table",
        "nmea-2000" => "NMEA 2000 log",
        "signal-k" => "Signal K log",
        "gpx" => "GPX file",
        "geojson" => "GeoJSON file",
        "empty" => "empty file",
        _ => "not a log this program reads",
    }
}

/// Why there is no sounding at all.
fn lack(done: &[Imported]) -> &'static str {
    if done.iter().all(|d| d.report.problems.is_empty() && d.report.bytes > 0) {
        "no sounding was found: the files have no depth (no DPT, DBT, DBS or DBK sentence, no depth column); \
         check that the sounder's output goes into the log"
    } else {
        "no sounding was found; see the problems above for what the files lack"
    }
}
