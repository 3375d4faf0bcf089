//! `crew`: invites, joining, who belongs.

use super::{home, open};
use crate::args::{Cli, CrewCommand};
use crate::failure::Failure;
use crate::{talk, units};
use leadline_survey::{InviteText, field, invite, join};
use serde_json::json;
use std::io::Read;

pub(crate) fn run(cli: &Cli, command: &CrewCommand) -> Result<(), Failure> {
    match command {
        CrewCommand::Invite { hours } => {
            let (home, mut store) = open(cli)?;
            let made = invite(&home, &mut store, i64::from(*hours) * 3_600_000, Vec::new(), units::now())?;
            if cli.json {
                return talk::json(
                    &json!({"invite": made.to_string(), "expires": made.expires.to_string(), "survey": made.name.as_str()}),
                );
            }
            talk::say(&made.to_string())?;
            talk::note(&format!(
                "One device can join \"{}\" with this until {} UTC. It is a secret: give it only to that person.\n\
                 There: leadline crew join {}…   then, with this device near: leadline sync",
                made.name,
                made.expires.minute_text(),
                &made.to_string()[..16]
            ));
            Ok(())
        }
        CrewCommand::Join { invite, device } => {
            let text = if invite == "-" { read_stdin()? } else { invite.clone() };
            let invite: InviteText = text.parse()?;
            let home = home(cli)?;
            if let Some(d) = device {
                home.name_device(&field("device name", d)?)?;
            }
            let id = join(&home, &invite, units::now())?;
            if cli.json {
                return talk::json(&json!({"id": id.to_string(), "name": invite.name.as_str()}));
            }
            talk::say(&format!(
                "This home now has the survey \"{}\". You can import logs at once.",
                invite.name
            ))?;
            talk::say("The crew admits this device when it meets one of them: leadline sync")
        }
        CrewCommand::List => list(cli),
    }
}

fn read_stdin() -> Result<String, Failure> {
    let mut text = String::new();
    // An invite has some hundred letters; more is something else.
    std::io::stdin()
        .take(8192)
        .read_to_string(&mut text)
        .map_err(|e| Failure::Input(format!("standard input: {e}")))?;
    Ok(text)
}

fn list(cli: &Cli) -> Result<(), Failure> {
    let (_, store) = open(cli)?;
    let (me, crew, peers) = (store.device(), store.crew()?, store.peers()?);
    if cli.json {
        let members: Vec<_> = crew
            .members()
            .iter()
            .map(|(id, m)| json!({"device": id.to_string(), "name": m.name.as_str(), "role": m.role, "admitted_by": m.by.to_string(), "this": *id == me}))
            .collect();
        return talk::json(&json!({ "members": members, "peers": peers }));
    }
    for (id, m) in crew.members() {
        let met = peers.iter().find(|p| p.device == id.to_string()).map(|p| format!("last met {}", p.met));
        let note = if *id == me {
            "this device".to_owned()
        } else {
            met.unwrap_or_else(|| "not met by this device".to_owned())
        };
        talk::say(&format!("{:20} {}  {note}", m.name, id.short()))?;
    }
    if !crew.members().contains_key(&me) {
        talk::say("This device is not admitted yet: meet a device of the crew (leadline sync).")?;
    }
    Ok(())
}
