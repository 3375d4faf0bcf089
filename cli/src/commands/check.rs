//! `check`: what a source says, before anything is recorded.

use super::import::{good, kind_json};
use crate::args::Cli;
use crate::failure::Failure;
use crate::talk;
use clap::Args;
use leadline_record::{CheckPlan, Checked, Source, check_file, check_sources};
use serde_json::{Value, json};
use std::path::Path;
use std::process::ExitCode;
use std::time::Duration;

/// What `check` is told.
#[derive(Debug, Args)]
pub(crate) struct CheckArgs {
    /// Live sources as for `record`, or log files
    #[arg(required = true, value_name = "SOURCE|FILE")]
    pub sources: Vec<String>,
    /// How long live sources are listened to
    #[arg(long, default_value_t = 10, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=86_400))]
    pub seconds: u32,
}

pub(crate) fn run(cli: &Cli, a: &CheckArgs) -> Result<ExitCode, Failure> {
    let mut done = Vec::new();
    let mut live = Vec::new();
    for typed in &a.sources {
        match typed.parse::<Source>() {
            Ok(source) => live.push(source),
            Err(_) if Path::new(typed).is_file() => {
                done.extend(check_file(Path::new(typed)).map_err(super::record::failure)?);
            }
            Err(e) => return Err(Failure::Input(format!("{e}; and no file has that name"))),
        }
    }
    if !live.is_empty() {
        if !cli.quiet && !cli.json {
            talk::note(&format!("Listening for {} s. Ctrl-C ends it earlier.", a.seconds));
        }
        let plan = CheckPlan { sources: live, lasts: Duration::from_secs(u64::from(a.seconds)) };
        done.extend(check_sources(&plan).map_err(super::record::failure)?);
    }
    if cli.json {
        talk::json(&json!({ "sources": done.iter().map(as_json).collect::<Vec<_>>() }))?;
    } else {
        done.iter().try_for_each(print)?;
    }
    let away = done.iter().any(|c| !c.up);
    let silent = done.iter().all(|c| c.report.lines == 0);
    Ok(ExitCode::from(if away { 3 } else { u8::from(silent) }))
}

fn print(c: &Checked) -> Result<(), Failure> {
    talk::say(&format!("{}: {}", c.name, c.words))?;
    let r = &c.report;
    if r.lines > 0 {
        let over = if c.seconds >= 1.0 { format!(" in {:.0} s", c.seconds) } else { String::new() };
        talk::say(&format!("  {} lines{over}; taken for {}, because {}", r.lines, r.format, r.why))?;
    }
    if !c.talkers().is_empty() {
        talk::say(&format!("  talkers: {}", c.talkers().join(", ")))?;
    }
    for kind in &r.kinds {
        let rate = c.rate(kind.count).map_or_else(String::new, |r| format!("{r:6.2} a second"));
        talk::say(&format!("  {:24} {:>8}  {rate:16}  {}", kind.name, kind.count, good(kind.good)))?;
    }
    for reference in c.references() {
        talk::say(&format!("  depth by {reference}"))?;
    }
    for (what, age) in ["depth", "fix", "time"].iter().zip(c.ages) {
        if let Some(age) = age {
            talk::say(&format!("  last {what} {age:.1} s ago"))?;
        }
    }
    for (p, n) in &r.problems {
        talk::say(&format!("  {n:>7}  {}", p.words()))?;
    }
    let lacks = c.lacks();
    if lacks.is_empty() && c.pulse.all_depths() > 0 {
        talk::say("  This has all that a map needs: depth, position and time.")?;
    }
    lacks.iter().try_for_each(|l| talk::say(&format!("  ! {l}")))
}

fn as_json(c: &Checked) -> Value {
    let r = &c.report;
    let rate = |n| c.rate(n).map(|r| (r * 100.0).round() / 100.0);
    json!({
        "source": c.name, "up": c.up, "words": c.words, "seconds": c.seconds, "format": r.format.code(), "why": r.why,
        "lines": r.lines, "talkers": c.talkers(), "references": c.references(), "lacks": c.lacks(),
        "kinds": r.kinds.iter().map(|k| {
            let mut kind = kind_json(k);
            kind["per_second"] = json!(rate(k.count));
            kind
        }).collect::<Vec<_>>(),
        "problems": r.problems.iter().map(|(p, n)| (p.code().to_owned(), json!(n))).collect::<serde_json::Map<_, _>>(),
        "depths": c.pulse.all_depths(), "fixes": c.pulse.fixes, "fixes_without_warrant": c.pulse.void_fixes,
        "depth_age_s": c.ages[0], "fix_age_s": c.ages[1], "time_age_s": c.ages[2],
        "first": c.pulse.first.map(|t| t.to_string()), "last": c.pulse.time.map(|t| t.to_string()),
    })
}
