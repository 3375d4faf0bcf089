//! `sync`: meet other devices of the crew.

use super::open;
use crate::args::{Cli, SyncArgs};
use crate::failure::Failure;
use crate::{net, talk};
use leadline_model::{DeviceId, SurveyId, Text};
use leadline_net::{Event, NearBy, PeerId, Plan, Summary, who_is_near};
use leadline_survey::{Home, Store};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::time::Duration;

/// Two beacons of everybody, one of which may be lost.
const LISTEN: Duration = Duration::from_millis(4_500);

pub(crate) fn run(cli: &Cli, a: &SyncArgs) -> Result<(), Failure> {
    let (home, store) = open(cli)?;
    if store.is_guest()? {
        return Err(Failure::Input(
            "this survey came as a gift and this device is not of its crew, so nobody meets it here: ask for a newer gift, or join the crew (`leadline crew join`)".to_owned(),
        ));
    }
    if a.near {
        return list_near(cli, &home, &store);
    }
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
        who: net::who(&store)?,
        listen,
        with,
        find,
        once: a.once,
        patience: Some(net::PATIENCE),
    };
    let names = net::names(&store)?;
    drop(store);
    let (near, met, adopted) = (BTreeMap::new(), BTreeMap::new(), Vec::new());
    let mut teller = Teller { cli, home: &home, names, near, met, adopted, find };
    let met = net::meet(&home, survey, plan, wants, |event| teller.tell(event))?;
    if cli.json {
        let digest = home.store(&survey)?.holdings_digest()?;
        return talk::json(&json!({
            "meetings": met.iter().map(as_json).collect::<Vec<_>>(), "adopted": teller.adopted,
            "digest": digest.to_string(),
        }));
    }
    Ok(())
}

/// Says what happens, in words.
struct Teller<'a> {
    cli: &'a Cli,
    home: &'a Home,
    /// The crew's names.
    names: BTreeMap<[u8; 32], Text>,
    /// What those who are near are called.
    near: BTreeMap<PeerId, String>,
    /// What those say that were met in this run; a newcomer is in no crew list yet.
    met: BTreeMap<PeerId, String>,
    /// Meetings about adopted surveys that moved something.
    adopted: Vec<Value>,
    /// This device's addresses that only itself can reach are no news.
    find: bool,
}

impl Teller<'_> {
    fn name(&mut self, peer: &PeerId, summary: &Summary) {
        if let Some((_, name)) = &summary.peer {
            self.met.insert(*peer, name.to_string());
            self.near.entry(*peer).and_modify(|n| *n = name.to_string());
        }
    }

    fn tell(&mut self, event: &Event) {
        match event {
            Event::Listening(a) if self.find && net::is_loopback(a) => {}
            Event::Listening(a) => talk::note(&format!("Others can reach this device at {}", net::words(a))),
            Event::FindingOff(why) => {
                talk::note(&format!("Devices cannot be looked for here ({why}); use --listen and --with."))
            }
            Event::Near { peer, address, device } if !self.near.contains_key(peer) => {
                let name =
                    self.met.get(peer).cloned().unwrap_or_else(|| called(&self.names, device.as_ref()));
                if !self.cli.quiet {
                    talk::note(&format!("Near: {name} ({})", net::words(address)));
                }
                self.near.insert(*peer, name);
            }
            Event::Gone(peer) => {
                if let Some(name) = self.near.remove(peer)
                    && !self.cli.quiet
                {
                    talk::note(&format!("{name} is gone."));
                }
            }
            Event::Met { summary, peer, .. } => {
                self.name(peer, summary);
                if !self.cli.json {
                    drop(talk::say(&words(summary)));
                }
            }
            Event::InStep { summary, peer, .. } => {
                self.name(peer, summary);
                if !self.cli.json {
                    drop(talk::say(&format!("{} Staying in step.", words(summary))));
                }
            }
            Event::Pushed { entries, strips, .. } if !self.cli.json => {
                drop(talk::say(&format!("Gave {entries} new entries and {strips} strips.")))
            }
            Event::Taken { entries, strips, .. } if !self.cli.json => {
                drop(talk::say(&format!("Got {entries} new entries and {strips} strips.")))
            }
            Event::Adopted { survey, summary, .. } => self.tell_adopted(survey, summary),
            Event::AdoptedFailed { survey, why, .. } if !self.cli.quiet => {
                talk::note(&format!("About the adopted survey {}: {why}", self.survey_name(survey)))
            }
            _ => tell_failures(self.cli, event),
        }
    }

    /// Nothing new is no news.
    fn tell_adopted(&mut self, survey: &SurveyId, s: &Summary) {
        if s.was_equal || s.entries_new + s.strips_new + s.entries_sent + s.strips_sent == 0 {
            return;
        }
        let name = self.survey_name(survey);
        if self.cli.json {
            let mut row = as_json(s);
            row["survey"] = json!({"id": survey.to_string(), "name": name});
            self.adopted.push(row);
        } else {
            drop(talk::say(&format!(
                "Of the adopted survey {name}: got {} entries and {} strips, gave {} and {}.",
                s.entries_new, s.strips_new, s.entries_sent, s.strips_sent
            )));
        }
    }

    fn survey_name(&self, survey: &SurveyId) -> String {
        let named = || {
            let store = self.home.holds(survey).then(|| self.home.store(survey)).transpose().ok()??;
            store.name().ok()?.map(|(name, _)| name.to_string())
        };
        named().unwrap_or_else(|| survey.short())
    }
}

fn called(names: &BTreeMap<[u8; 32], Text>, device: Option<&[u8; 32]>) -> String {
    device.and_then(|d| names.get(d)).map_or_else(|| "a device of this crew".to_owned(), Text::to_string)
}

/// Says what went wrong, and nothing else.
pub(crate) fn tell_failures(cli: &Cli, event: &Event) {
    if let Event::Failed { why, again, .. } = event
        && !cli.quiet
    {
        let next = again.map(|d| format!(" Trying again in {} s.", d.as_secs())).unwrap_or_default();
        talk::note(&format!("A meeting failed: {why}.{next}"));
    }
}

/// `sync --near`: who is there, without meeting anybody.
fn list_near(cli: &Cli, home: &Home, store: &Store) -> Result<(), Failure> {
    let names = net::names(store)?;
    let secrets = net::secrets(home, store.survey())?();
    let me = store.device().0;
    let mut who = net::who(store)?;
    who.known.push(me);
    let mut found = who_is_near(&secrets, &who, LISTEN)?;
    // `sync` may run in this home too.
    found.retain(|n| n.device != Some(me));
    // A device that holds former secrets too speaks once for each.
    found.sort_by_key(|n| n.device);
    let mut rows: Vec<NearBy> = Vec::new();
    for n in found {
        match rows.last_mut() {
            Some(last) if last.device.is_some() && last.device == n.device => {
                last.addresses.extend(n.addresses)
            }
            _ => rows.push(n),
        }
    }
    if cli.json {
        let row = |n: &NearBy| {
            json!({
                "device": n.device.map(|d| DeviceId(d).to_string()),
                "name": n.device.and_then(|d| names.get(&d)).map(Text::as_str),
                "addresses": n.addresses.iter().map(net::words).collect::<Vec<_>>(),
            })
        };
        return talk::json(&json!({"near": rows.iter().map(row).collect::<Vec<_>>()}));
    }
    if rows.is_empty() {
        return talk::say("No device of this crew is near, or none runs `leadline sync`.");
    }
    for n in &rows {
        let at: Vec<_> = n.addresses.iter().map(net::words).collect();
        talk::say(&format!("{:20} {}", called(&names, n.device.as_ref()), at.join("  ")))?;
    }
    Ok(())
}

pub(crate) fn words(s: &Summary) -> String {
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

pub(crate) fn as_json(s: &Summary) -> Value {
    json!({
        "device": s.peer.as_ref().map(|(d, _)| d.to_string()), "name": s.peer.as_ref().map(|(_, n)| n.as_str().to_owned()),
        "joined": s.joined, "entries_sent": s.entries_sent, "entries_received": s.entries_received, "entries_new": s.entries_new,
        "strips_sent": s.strips_sent, "strips_received": s.strips_received, "strips_new": s.strips_new, "refused": s.refused,
        "bytes_sent": s.bytes_sent, "bytes_received": s.bytes_received, "round_trips": s.round_trips, "was_equal": s.was_equal,
    })
}
