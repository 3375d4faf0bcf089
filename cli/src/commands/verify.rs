//! `verify`: every byte of the store; what is whole in a damaged one is saved.

use super::{home, open};
use crate::args::Cli;
use crate::failure::Failure;
use crate::talk;
use clap::Args;
use leadline_model::Digest;
use leadline_survey::{Error, Home, Repaired, Store, StoreReport};
use std::process::ExitCode;

/// Ids shown of each kind; `--json` has all.
const SHOWN: usize = 8;

/// `verify`
#[derive(Debug, Args)]
pub(crate) struct VerifyArgs {
    /// Put what is whole in a damaged store into a fresh one; the damaged file is kept beside it
    #[arg(long)]
    pub repair: bool,
}

pub(crate) fn run(cli: &Cli, args: &VerifyArgs) -> Result<ExitCode, Failure> {
    if args.repair {
        return repair(cli);
    }
    let (home, mut store) = open(cli)?;
    let report = home.check(&mut store)?;
    let digest = store.holdings_digest().ok();
    if cli.json {
        report_json(&report, digest, None)?;
    } else {
        report_text(&report, digest)?;
        if is_damaged(&report) {
            talk::note(
                "Next: leadline verify --repair saves what is whole; the damaged file is kept. If the whole folder is in doubt, copy it away first.",
            );
        }
    }
    Ok(if is_damaged(&report) { ExitCode::from(4) } else { ExitCode::SUCCESS })
}

/// Caches that were made again are no damage any more.
fn is_damaged(report: &StoreReport) -> bool {
    report.faults.len() > usize::from(report.rebuilt)
}

fn repair(cli: &Cli) -> Result<ExitCode, Failure> {
    let home = home(cli)?;
    let survey = home.pick(cli.survey.as_deref())?;
    let looked = home.store(&survey).and_then(|mut store| {
        let report = home.check(&mut store)?;
        Ok((is_damaged(&report), store.has_kept()))
    });
    let repaired = match looked {
        Ok((true, _)) => Some(home.repair(&survey)?),
        Err(e) if e.is_damage() => Some(home.repair(&survey)?),
        Err(e) => return Err(e.into()),
        Ok((false, true)) => Some(home.store(&survey)?.take_from_kept(&home.trims()?)?),
        Ok((false, false)) => None,
    };
    let (report, digest) = after(&home, &survey)?;
    if cli.json {
        report_json(&report, Some(digest), repaired.as_ref())?;
    } else {
        if let Some(repaired) = &repaired {
            say(repaired)?;
        }
        report_text(&report, Some(digest))?;
    }
    Ok(if is_damaged(&report) { ExitCode::from(4) } else { ExitCode::SUCCESS })
}

fn after(home: &Home, survey: &leadline_model::SurveyId) -> Result<(StoreReport, Digest), Error> {
    let mut store: Store = home.store(survey)?;
    Ok((home.check(&mut store)?, store.holdings_digest()?))
}

fn say(r: &Repaired) -> Result<(), Failure> {
    talk::say(&format!(
        "Saved {} entries, {} strips and {} private marks. The damaged store is kept until you remove it:\n  {}",
        r.entries,
        r.strips,
        r.marks,
        r.kept.display()
    ))?;
    let lists = [
        ("entries were damaged", &r.damaged_entries),
        ("strips were damaged", &r.damaged_strips),
        ("more ids stand in an index alone, of entries or strips", &r.uncertain),
    ];
    for (what, ids) in lists.into_iter().filter(|(_, ids)| !ids.is_empty()) {
        let short: Vec<&str> = ids.iter().take(SHOWN).filter_map(|id| id.get(..8)).collect();
        let more = if ids.len() > SHOWN { ", …" } else { "" };
        talk::say(&format!("{} {what}: {}{more}", ids.len(), short.join(", ")))?;
    }
    if r.marks_changed {
        talk::note(
            "A private mark was changed or lost by the damage, and nothing tells which: look at each (leadline mark list).",
        );
    }
    if !(r.damaged_entries.is_empty() && r.damaged_strips.is_empty() && r.uncertain.is_empty()) {
        talk::note(
            "They come back with the next meeting (leadline sync), a parcel of the crew (leadline parcel read), or the log they were made of, imported again.",
        );
    }
    Ok(())
}

fn report_json(
    report: &StoreReport,
    digest: Option<Digest>,
    repaired: Option<&Repaired>,
) -> Result<(), Failure> {
    let mut v = serde_json::to_value(report).unwrap_or_default();
    v["digest"] = digest.map(|d| d.to_string()).into();
    if let Some(repaired) = repaired {
        v["repaired"] = serde_json::to_value(repaired).unwrap_or_default();
    }
    talk::json(&v)
}

fn report_text(report: &StoreReport, digest: Option<Digest>) -> Result<(), Failure> {
    let digest = digest.map_or_else(|| "unknown".to_owned(), |d| d.short());
    talk::say(&format!(
        "{} entries and {} strips read and hashed again; digest {digest}",
        report.entries, report.strips,
    ))?;
    if report.wanted > 0 {
        talk::say(&format!(
            "{} strips are named but not here yet: meet a device that has them.",
            report.wanted
        ))?;
    }
    report.faults.iter().try_for_each(|f| talk::say(&format!("  {f}")))?;
    if report.uncompared {
        talk::note(
            "The disk takes no writes: what is made of the entries, and can be made again, was not compared.",
        );
    }
    if report.faults.is_empty() {
        talk::say("Everything is whole.")?;
    }
    Ok(())
}
