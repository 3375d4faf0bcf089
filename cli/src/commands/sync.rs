//! `sync`: meet other devices of the crew.

use super::open;
use crate::args::{Cli, SyncArgs};
use crate::failure::Failure;
use crate::{net, talk};
use leadline_net::Summary;
use leadline_net::{Event, Plan, Who};
use leadline_survey::Store;
use serde_json::{Value, json};

pub(crate) fn run(cli: &Cli, a: &SyncArgs) -> Result<(), Failure> {
    let (home, store) = open(cli)?;
    let survey = store.survey();
    let with = a.with.iter().map(|t| net::address(t)).collect::<Result<Vec<_>, _>>()?;
    let listen = a.listen.iter().map(|t| net::address(t)).collect::<Result<Vec<_>, _>>()?;
    let wants = a.wants.wants()?;
    let find = with.is_empty() && listen.is_empty();
    if find && !cli.quiet {
        talk::note("Looking for the crew on this network. Ctrl-C leaves; nothing is lost by leaving.");
    }
    let plan = Plan {
        secrets: net::secrets(&home, survey)?,
        who: who(&store)?,
        listen,
        with,
        find,
        once: a.once,
        patience: Some(net::PATIENCE),
    };
    drop(store);
    let met = net::meet(&home, survey, plan, wants, |event| tell(cli, event))?;
    if cli.json {
        let digest = home.store(&survey)?.holdings_digest()?;
        return talk::json(&json!({
            "meetings": met.iter().map(as_json).collect::<Vec<_>>(), "digest": digest.to_string(),
        }));
    }
    Ok(())
}

/// This device, and those that can be told by name.
fn who(store: &Store) -> Result<Who, Failure> {
    let me = store.device();
    let known = store.crew()?.members().keys().filter(|d| **d != me).map(|d| d.0).collect();
    Ok(Who { device: me.0, known })
}

fn tell(cli: &Cli, event: &Event) {
    match event {
        Event::Listening(a) => talk::note(&format!("Others can reach this device at {}", net::words(a))),
        Event::FindingOff(why) => {
            talk::note(&format!("Devices cannot be looked for here ({why}); use --listen and --with."))
        }
        Event::InStep { summary, .. } if !cli.json => {
            drop(talk::say(&format!("{} Staying in step.", words(summary))))
        }
        Event::Met { summary, .. } if !cli.json => drop(talk::say(&words(summary))),
        Event::Pushed { entries, strips, .. } if !cli.json => {
            drop(talk::say(&format!("Gave {entries} new entries and {strips} strips.")))
        }
        Event::Taken { entries, strips, .. } if !cli.json => {
            drop(talk::say(&format!("Got {entries} new entries and {strips} strips.")))
        }
        Event::Failed { why, again, .. } if !cli.quiet => {
            let next = again.map(|d| format!(" Trying again in {} s.", d.as_secs())).unwrap_or_default();
            talk::note(&format!("A meeting failed: {why}.{next}"));
        }
        _ => {}
    }
}

fn words(s: &Summary) -> String {
    let name = s.peer.as_ref().map_or_else(|| "a device".to_owned(), |(_, n)| n.to_string());
    if s.was_equal {
        return format!(
            "Met {name}: both hold the same already ({} bytes).",
            s.bytes_sent + s.bytes_received
        );
    }
    let joined = if s.joined { " It was admitted to the crew." } else { "" };
    let refused: u32 = s.refused.values().sum();
    let bad =
        if refused > 0 { format!(" {refused} items were bad and are kept aside.") } else { String::new() };
    format!(
        "Met {name}: got {} entries and {} strips, gave {} and {} ({:.1} KB, {} round trips).{joined}{bad}",
        s.entries_new,
        s.strips_new,
        s.entries_sent,
        s.strips_sent,
        (s.bytes_sent + s.bytes_received) as f64 / 1000.0,
        s.round_trips
    )
}

fn as_json(s: &Summary) -> Value {
    json!({
        "device": s.peer.as_ref().map(|(d, _)| d.to_string()), "name": s.peer.as_ref().map(|(_, n)| n.as_str().to_owned()),
        "joined": s.joined, "entries_sent": s.entries_sent, "entries_received": s.entries_received, "entries_new": s.entries_new,
        "strips_sent": s.strips_sent, "strips_received": s.strips_received, "strips_new": s.strips_new, "refused": s.refused,
        "bytes_sent": s.bytes_sent, "bytes_received": s.bytes_received, "round_trips": s.round_trips, "was_equal": s.was_equal,
    })
}
