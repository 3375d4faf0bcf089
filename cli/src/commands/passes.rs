//! `passes`: unbroken stretches of one boat.

use super::open;
use crate::args::Cli;
use crate::failure::Failure;
use crate::talk;
use serde_json::json;

pub(crate) fn run(cli: &Cli) -> Result<(), Failure> {
    let (_, store) = open(cli)?;
    let computed = store.compute()?;
    if cli.json {
        let passes: Vec<_> = computed
            .reduced
            .passes
            .iter()
            .map(|p| {
                let legs: Vec<_> = p.legs.iter().map(ToString::to_string).collect();
                json!({"boat": p.boat.as_str(), "first": p.first.to_string(), "last": p.last.to_string(), "soundings": p.soundings, "legs": legs})
            })
            .collect();
        return talk::json(&json!({ "passes": passes }));
    }
    if computed.reduced.passes.is_empty() {
        return talk::say("No passes yet. Next: leadline import LOG --boat NAME");
    }
    talk::say(&format!("{:16} {:>16} {:>6} {:>9} {:>5}", "boat", "from (UTC)", "min", "soundings", "legs"))?;
    for p in &computed.reduced.passes {
        let minutes = (p.last.0 - p.first.0) / 60_000;
        talk::say(&format!(
            "{:16} {:>16} {minutes:>6} {:>9} {:>5}",
            p.boat,
            p.first.minute_text(),
            p.soundings,
            p.legs.len()
        ))?;
    }
    Ok(())
}
