//! `crew list`: the ledger of devices.

use super::role_word;
use crate::args::Cli;
use crate::commands::open;
use crate::failure::Failure;
use crate::talk;
use leadline_survey::{Crew, Ledger, LedgerRow, Store};
use serde_json::{Value, json};

pub(super) fn run(cli: &Cli) -> Result<(), Failure> {
    let (_, store) = open(cli)?;
    let (crew, ledger) = (store.crew()?, store.ledger()?);
    if cli.json {
        return talk::json(&as_json(&store, &ledger)?);
    }
    lines(&store, &crew, &ledger).iter().try_for_each(|line| talk::say(line))
}

/// The ledger as one object.
pub(crate) fn as_json(store: &Store, ledger: &Ledger) -> Result<Value, Failure> {
    let dismissed = ledger.rows.iter().filter(|r| r.role.is_none());
    Ok(json!({
        "members": ledger.rows.iter().filter(|r| r.role.is_some()).collect::<Vec<_>>(),
        "dismissed": dismissed.collect::<Vec<_>>(),
        "peers": store.peers()?,
        "waiting": ledger.waiting,
        "masked": ledger.masked,
        "secret_change": store.crew()?.secret().map_or(0, |(generation, _)| generation),
    }))
}

/// One line a device, and what this device must know of itself.
pub(crate) fn lines(store: &Store, crew: &Crew, ledger: &Ledger) -> Vec<String> {
    let mut out: Vec<String> = ledger.rows.iter().flat_map(device_lines).collect();
    let me = store.device();
    if let Some(d) = crew.dismissed().get(&me) {
        let by = crew.name_of(&d.by).map_or_else(|| d.by.short(), ToString::to_string);
        out.push(format!(
            "This device was dismissed by {by} ({}): what it writes does not count for the crew.",
            d.why
        ));
    } else if !crew.members().contains_key(&me) {
        out.push("This device is not admitted yet: meet a device of the crew (leadline sync).".to_owned());
    }
    out
}

fn device_lines(r: &LedgerRow) -> Vec<String> {
    let part = r.role.map_or("dismissed", role_word);
    let met = match (&r.met, r.this) {
        (_, true) => "this device".to_owned(),
        (Some(at), _) => format!("last met {at}"),
        _ => "not met by this device".to_owned(),
    };
    let by = match (&r.dismissed_by, r.founder) {
        (Some(by), _) => {
            let why = r.why.as_ref().map(|w| format!(": {w}")).unwrap_or_default();
            format!("dismissed by {by}{why}")
        }
        (None, true) => "began the survey".to_owned(),
        _ => format!("admitted by {}", r.admitted_by_name),
    };
    let mut out = vec![format!("{:20} {}  {part:11}  {met}; {by}", r.name, &r.device[..8])];
    let mut more = |text: String| out.push(format!("{:22}{text}", ""));
    if let Some(lacks) = r.lacks.filter(|n| *n > 0) {
        more(format!("lacks {lacks} entries that are here, as far as the last meeting told"));
    }
    if r.ahead > 0 {
        more(format!("held {} entries at the last meeting that are not here", r.ahead));
    }
    if r.masked > 0 {
        more(format!("{} of its entries do not count", r.masked));
    }
    if let Some(s) = r.clock_s.filter(|s| s.abs() >= CLOCK_WORTH_TELLING_S) {
        let way = if s > 0 { "ahead of" } else { "behind" };
        more(format!(
            "its clock was {} s {way} this device's at the last meeting (sure to a few seconds)",
            s.abs()
        ));
    }
    if r.forks > 0 {
        more(format!(
            "forked: {} places of its logbook have two contents (a copied folder, or a restored backup)",
            r.forks
        ));
    }
    out
}

/// Less is what two clocks and a slow network can differ by.
const CLOCK_WORTH_TELLING_S: i64 = 5;
