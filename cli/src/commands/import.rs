//! `import`: log files into the survey.

use super::{boat, open};
use crate::args::{Cli, ImportArgs};
use crate::failure::Failure;
use crate::{talk, units};
use leadline_model::UtcMillis;
use leadline_survey::{ImportRequest, Imported, field, files_of, import_file};
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
        done.push(import_file(&home, &mut store, file, &request, &mut |n| bar.inc(n))?);
    }
    bar.finish_and_clear();
    if cli.json {
        talk::json(&json!({ "files": done.iter().map(as_json).collect::<Vec<_>>() }))?;
    } else {
        done.iter().try_for_each(print)?;
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
    let date = a.date.as_deref().map(|d| {
        let full = if d.len() == 10 { format!("{d}T00:00:00Z") } else { d.to_owned() };
        units::time("--date", &full)
    });
    Ok(ImportRequest {
        boat: setup.boat,
        draft_mm: setup.draft_mm,
        sound_speed_mm_s: setup.sound_speed_mm_s,
        temp_centi: setup.temp_centi,
        date: date.transpose()?,
        now: units::now(),
    })
}

fn as_json(d: &Imported) -> serde_json::Value {
    let problems: serde_json::Map<_, _> =
        d.report.problems.iter().map(|(p, n)| (p.code().to_owned(), json!(n))).collect();
    json!({
        "path": d.path, "format": d.report.format.code(), "lines": d.report.lines, "soundings": d.report.soundings,
        "problems": problems, "legs": d.legs, "known": d.known, "trimmed": d.trimmed,
    })
}

fn print(d: &Imported) -> Result<(), Failure> {
    let r = &d.report;
    talk::say(&format!(
        "{}: {}, {} lines, {} soundings in {} legs",
        d.path.display(),
        format_words(r.format.code()),
        r.lines,
        r.soundings,
        d.legs
    ))?;
    if d.trimmed > 0 {
        talk::say(&format!(
            "  {} soundings near home were cut off and stay on this device (leadline trim).",
            d.trimmed
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
