//! `crew`: invites, joining, who belongs, who may do what.

use super::door::{self, ByArgs};
use super::{home, open};
use crate::args::Cli;
use crate::failure::Failure;
use crate::{talk, units};
use clap::{Subcommand, ValueEnum};
use leadline_survey::{InviteText, Role, dismiss_and_rotate, field, invite, join, rotate_secret};
use serde_json::json;
use std::io::Read;

mod list;

pub(crate) use list::{as_json, lines};

/// `crew`
#[derive(Debug, Subcommand)]
pub(crate) enum CrewCommand {
    /// Make a one-time invite to this survey
    #[command(
        after_help = "Examples:\n  leadline crew invite                  (may measure and state)\n  leadline crew invite --role reader    (may read and pass on, not write)\n  leadline crew invite --role keeper    (may also admit and dismiss: a second device of yours)\n  leadline crew invite --code           (side by side: a code to read aloud)\n  leadline crew invite --qr             (a picture to scan)"
    )]
    Invite {
        /// Hours it is honoured
        #[arg(long, value_name = "H", default_value_t = 48)]
        hours: u32,
        /// What the device may do
        #[arg(long, value_enum, default_value_t = RoleArg::Contributor)]
        role: RoleArg,
        #[command(flatten)]
        by: ByArgs,
    },
    /// Join the crew that an invite or a code is for
    #[command(
        after_help = "Examples:\n  leadline crew join leadline:0a1b…     (the whole invite)\n  leadline crew join 42-183-7556        (a code read aloud; the other device waits near)\n  leadline crew join 42-183-7556 --at 192.168.4.17:4700"
    )]
    Join {
        /// The whole invite, a code read aloud, or - to read the invite from standard input
        invite: String,
        /// With a code: where the other device waits, if it is not found by itself
        #[arg(long, value_name = "ADDR")]
        at: Option<String>,
        /// Name of this device, shown to the crew
        #[arg(long, value_name = "TEXT")]
        device: Option<String>,
    },
    /// List the crew: who is who, when it was met, and what it lacks
    List,
    /// Give this device another name in the crew
    #[command(after_help = "Example:\n  leadline crew name \"Coot's tablet\"")]
    Name {
        /// The name
        name: String,
    },
    /// Change what a device may do from now on; a dismissed one is admitted again
    #[command(
        after_help = "Examples:\n  leadline crew role phone reader\n  leadline crew role 3f2a91c0 contributor   (by the start of its id)\n\nWhat it wrote until now stays as it is. Devices learn of the change when they meet."
    )]
    Role {
        /// The device: its name, or the start of its id
        device: String,
        /// What it may do
        role: RoleArg,
    },
    /// Put a device out of the crew, as one that was lost or sold
    #[command(
        after_help = "Example:\n  leadline crew dismiss phone --why \"lost at the ramp\"\n\nWhat the device wrote until now and what it holds stay: nothing can be called back from it. From now on what it\nwrites does not count, and every device that has learned of this refuses to meet it. The survey's secret is\nchanged too, and goes to the crew in their next meetings."
    )]
    Dismiss {
        /// The device: its name, or the start of its id
        device: String,
        /// The reason, for the crew
        #[arg(long, value_name = "TEXT")]
        why: String,
        /// Leave the survey's secret as it is
        #[arg(long)]
        keep_secret: bool,
    },
    /// Change the survey's secret; the crew gets the new one in its next meetings
    #[command(after_help = "Example:\n  leadline crew rotate     (after an invite came into wrong hands)")]
    Rotate,
}

/// What a device may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum RoleArg {
    /// Reads and passes on
    Reader,
    /// Also measures and states
    Contributor,
    /// Also admits and dismisses
    Keeper,
}

impl From<RoleArg> for Role {
    fn from(r: RoleArg) -> Self {
        match r {
            RoleArg::Reader => Self::Reader,
            RoleArg::Contributor => Self::Contributor,
            RoleArg::Keeper => Self::Keeper,
        }
    }
}

pub(crate) fn role_word(role: Role) -> &'static str {
    match role {
        Role::Reader => "reader",
        Role::Contributor => "contributor",
        Role::Keeper => "keeper",
    }
}

pub(crate) fn run(cli: &Cli, command: &CrewCommand) -> Result<(), Failure> {
    match command {
        CrewCommand::Invite { role, by, .. } if by.code => {
            door::invite_by_code(cli, (*role).into(), by.listen.as_deref())
        }
        CrewCommand::Invite { hours, role, by } => make_invite(cli, *hours, (*role).into(), by.qr),
        CrewCommand::Join { invite, at, device } => join_crew(cli, invite, at.as_deref(), device.as_deref()),
        CrewCommand::List => list::run(cli),
        CrewCommand::Name { name } => rename(cli, name),
        CrewCommand::Role { device, role } => change_role(cli, device, (*role).into()),
        CrewCommand::Dismiss { device, why, keep_secret } => dismiss(cli, device, why, !keep_secret),
        CrewCommand::Rotate => rotate(cli),
    }
}

fn make_invite(cli: &Cli, hours: u32, role: Role, qr: bool) -> Result<(), Failure> {
    let (home, mut store) = open(cli)?;
    let made = invite(&home, &mut store, role, i64::from(hours) * 3_600_000, Vec::new(), units::now())?;
    if cli.json {
        return talk::json(
            &json!({"invite": made.to_string(), "expires": made.expires.to_string(), "survey": made.name.as_str(), "role": role}),
        );
    }
    talk::say(&made.to_string())?;
    if qr {
        talk::say(&crate::qr::picture(&made.to_string().to_uppercase())?)?;
    }
    talk::note(&format!(
        "One device can join \"{}\" as {} with this until {} UTC. It is a secret: give it only to that person.\n\
         There: leadline crew join {}…   then, with this device near: leadline sync",
        made.name,
        role_word(role),
        made.expires.minute_text(),
        &made.to_string()[..16]
    ));
    Ok(())
}

fn join_crew(cli: &Cli, invite: &str, at: Option<&str>, device: Option<&str>) -> Result<(), Failure> {
    let text = if invite == "-" { read_stdin()? } else { invite.to_owned() };
    let home = home(cli)?;
    if let Some(d) = device {
        home.name_device(&field("device name", d)?)?;
    }
    if let Ok(code) = text.parse() {
        return door::join_by_code(cli, &code, at);
    }
    let invite: InviteText = text.parse()?;
    let id = join(&home, &invite, units::now())?;
    if cli.json {
        return talk::json(&json!({"id": id.to_string(), "name": invite.name.as_str()}));
    }
    talk::say(&format!("This home now has the survey \"{}\". You can import logs at once.", invite.name))?;
    talk::say("The crew admits this device when it meets one of them: leadline sync")
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

fn rename(cli: &Cli, name: &str) -> Result<(), Failure> {
    let (home, mut store) = open(cli)?;
    let name = field("device name", name)?;
    let changed = store.name_this_device(&name, units::now())?;
    home.name_device(&name)?;
    if cli.json {
        return talk::json(&json!({"name": name.as_str(), "changed": changed}));
    }
    let what = if changed { "is now called" } else { "is called" };
    talk::say(&format!("This device {what} \"{name}\" in the crew."))
}

fn change_role(cli: &Cli, device: &str, role: Role) -> Result<(), Failure> {
    let (_, mut store) = open(cli)?;
    let id = store.device_named(device)?;
    let was_dismissed = store.crew()?.dismissed().contains_key(&id);
    let changed = store.change_role(&id, role, units::now())?;
    if cli.json {
        return talk::json(&json!({"device": id.to_string(), "role": role, "changed": changed}));
    }
    let crew = store.crew()?;
    let name = crew.name_of(&id).map(ToString::to_string).unwrap_or_default();
    let how = match (changed, was_dismissed) {
        (false, _) => "was already",
        (_, true) => "is in the crew again, as",
        _ => "is from now on",
    };
    talk::say(&format!("{name} {how} {}. Others learn it when you meet them: leadline sync", role_word(role)))
}

fn dismiss(cli: &Cli, device: &str, why: &str, rotate: bool) -> Result<(), Failure> {
    let (home, mut store) = open(cli)?;
    let id = store.device_named(device)?;
    let name = store.crew()?.name_of(&id).map(ToString::to_string).unwrap_or_default();
    let why = field("reason", why)?;
    let generation = if rotate && id != store.device() {
        Some(dismiss_and_rotate(&home, &mut store, &id, why, units::now())?)
    } else {
        store.dismiss(&id, why, units::now())?;
        None
    };
    if cli.json {
        return talk::json(&json!({"device": id.to_string(), "name": name, "secret_change": generation}));
    }
    talk::say(&format!(
        "{name} is dismissed. What it measured until now stays; what it writes from now on does not count."
    ))?;
    if generation.is_some() {
        talk::say(
            "The survey's secret was changed; each device gets the new one when it meets one that has it.",
        )?;
    }
    talk::note(
        "What that device holds, it keeps. Meet the others soon (leadline sync): each one refuses it once it has learned of this.",
    );
    Ok(())
}

fn rotate(cli: &Cli) -> Result<(), Failure> {
    let (home, mut store) = open(cli)?;
    let generation = rotate_secret(&home, &mut store, units::now())?;
    if cli.json {
        return talk::json(&json!({"secret_change": generation}));
    }
    talk::say(
        "The survey's secret was changed. Each device gets the new one when it meets one that has it.",
    )?;
    talk::note("A device that misses four changes in a row needs a new invite.");
    Ok(())
}
