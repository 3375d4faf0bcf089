//! `verify`: every byte of the store.

use super::open;
use crate::args::Cli;
use crate::failure::Failure;
use crate::talk;
use std::process::ExitCode;

pub(crate) fn run(cli: &Cli) -> Result<ExitCode, Failure> {
    let (_, mut store) = open(cli)?;
    let report = store.check()?;
    let digest = store.holdings_digest()?;
    if cli.json {
        let mut v = serde_json::to_value(&report).unwrap_or_default();
        v["digest"] = digest.to_string().into();
        talk::json(&v)?;
    } else {
        talk::say(&format!(
            "{} entries and {} strips read and hashed again; digest {}",
            report.entries,
            report.strips,
            digest.short()
        ))?;
        if report.wanted > 0 {
            talk::say(&format!(
                "{} strips are named but not here yet: meet a device that has them.",
                report.wanted
            ))?;
        }
        report.faults.iter().try_for_each(|f| talk::say(&format!("  {f}")))?;
        if report.faults.is_empty() {
            talk::say("Everything is whole.")?;
        }
    }
    let damaged = report.faults.len() > usize::from(report.rebuilt);
    Ok(if damaged { ExitCode::from(4) } else { ExitCode::SUCCESS })
}
