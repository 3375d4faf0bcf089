//! Inviting and joining by a code read aloud, and the invite as a picture.

use super::{home, open};
use crate::args::Cli;
use crate::failure::Failure;
use crate::{net, talk, units};
use clap::Args;
use leadline_model::SurveyId;
use leadline_net::door::{Code, Door, DoorEnd, DoorError, DoorEvent, Load, host, visit};
use leadline_net::{Multiaddr, Plan, Summary};
use leadline_survey::{Home, InviteText, Role, Wants, invite, join};
use serde_json::json;
use std::time::Duration;

/// A code is good for so long: people who stand side by side need less.
const LASTS: Duration = Duration::from_secs(600);
/// The invite behind the code: for the meeting that follows, and one more try.
const INVITE_MILLIS: i64 = 3_600_000;
/// Bytes of an invite's text at most.
const INVITE_MAX: u64 = 4096;
/// How often the meeting after the door is tried: the other end has to put its door away first.
const TRIES: u32 = 10;
const BETWEEN: Duration = Duration::from_millis(500);

/// How an invite leaves this device.
#[derive(Debug, Args)]
pub(crate) struct ByArgs {
    /// Show a code to read aloud instead, and wait for the other device to come with it
    #[arg(long, conflicts_with = "qr")]
    pub code: bool,
    /// With --code: wait at this address
    #[arg(long, value_name = "ADDR", requires = "code")]
    pub listen: Option<String>,
    /// Also print the invite as a QR code
    #[arg(long)]
    pub qr: bool,
}

/// `crew invite --code`: one device, one code, and the first meeting.
pub(crate) fn invite_by_code(cli: &Cli, role: Role, listen: Option<&str>) -> Result<(), Failure> {
    let listen: Vec<_> = listen.map(net::address).transpose()?.into_iter().collect();
    let (home, mut store) = open(cli)?;
    let made = invite(&home, &mut store, role, INVITE_MILLIS, Vec::new(), units::now())?;
    let (survey, text) = (store.survey(), made.to_string());
    drop(store);
    let code = Code::random().map_err(|e| Failure::Input(e.to_string()))?;
    if !cli.json {
        talk::say(&code.to_string())?;
    }
    talk::note(&format!(
        "Read this code to the person with the other device: {code}\nThere: leadline crew join {code}      (good for {} minutes, for one device)",
        LASTS.as_secs() / 60
    ));
    let door = Door { code, listen, find: true, lasts: LASTS };
    let mut from = text.as_bytes();
    let end = host(&door, Load::give(&mut from, text.len() as u64), |e| tell(cli, &e))?;
    talk::note("The invite has gone over. Meeting that device now.");
    let met = meet_newcomer(cli, &home, survey, &end)?;
    if cli.json {
        return talk::json(&json!({
            "words": end.words, "admitted": met.peer.as_ref().map(|(d, _)| d.to_string()),
            "meeting": super::sync::as_json(&met),
        }));
    }
    talk::say(&super::sync::words(&met))
}

/// Meets until the invited device has been admitted; others of the crew may come first.
fn meet_newcomer(cli: &Cli, home: &Home, survey: SurveyId, end: &DoorEnd) -> Result<Summary, Failure> {
    let listen: Vec<_> = end.address.as_ref().and_then(everywhere).into_iter().collect();
    for _ in 0..TRIES {
        let plan = plan(home, survey, listen.clone(), Vec::new(), true)?;
        let mut met =
            net::meet(home, survey, plan, Wants::Everything, |e| super::sync::tell_failures(cli, e))?;
        if let Some(at) = met.iter().position(|s| s.joined) {
            return Ok(met.swap_remove(at));
        }
    }
    Err(Failure::Peer(
        "the invited device has not come back for its first meeting: start `leadline sync` here and there"
            .into(),
    ))
}

/// The same port on every address.
fn everywhere(addr: &Multiaddr) -> Option<Multiaddr> {
    let words = net::words(addr);
    let port = words.rsplit_once(':')?.1;
    let all = if words.starts_with('[') { "[::]" } else { "0.0.0.0" };
    net::address(&format!("{all}:{port}")).ok()
}

/// `crew join CODE`: takes the invite through the door, joins, and meets.
pub(crate) fn join_by_code(cli: &Cli, code: &Code, at: Option<&str>) -> Result<(), Failure> {
    let at = at.map(net::address).transpose()?;
    let home = home(cli)?;
    let mut text = Vec::new();
    let end = visit(code, at.clone(), Load::take(&mut text, INVITE_MAX), |e| tell(cli, &e))?;
    let invite: InviteText = String::from_utf8_lossy(&text).parse()?;
    let survey = join(&home, &invite, units::now())?;
    talk::note(&format!("This home now has the survey \"{}\". Meeting the other device now.", invite.name));
    let met = first_meeting(cli, &home, survey, at)?;
    if cli.json {
        return talk::json(&json!({
            "id": survey.to_string(), "name": invite.name.as_str(), "words": end.words,
            "meeting": super::sync::as_json(&met),
        }));
    }
    talk::say(&super::sync::words(&met))
}

fn first_meeting(
    cli: &Cli,
    home: &Home,
    survey: SurveyId,
    at: Option<Multiaddr>,
) -> Result<Summary, Failure> {
    let with: Vec<_> = at.into_iter().collect();
    let mut tried = 0;
    loop {
        let plan = plan(home, survey, Vec::new(), with.clone(), with.is_empty())?;
        tried += 1;
        match net::meet(home, survey, plan, Wants::Everything, |e| super::sync::tell_failures(cli, e)) {
            Ok(mut met) if !met.is_empty() => return Ok(met.remove(0)),
            Ok(_) => return Err(Failure::Peer("left before the meeting".into())),
            // The other device puts its door away and opens the survey's.
            Err(Failure::Peer(_)) if !with.is_empty() && tried < TRIES => std::thread::sleep(BETWEEN),
            Err(e) => return Err(e),
        }
    }
}

fn plan(
    home: &Home,
    survey: SurveyId,
    listen: Vec<Multiaddr>,
    with: Vec<Multiaddr>,
    find: bool,
) -> Result<Plan, Failure> {
    Ok(Plan {
        secrets: net::secrets(home, survey)?,
        who: net::who(&home.store(&survey)?)?,
        listen,
        with,
        find,
        once: true,
        patience: Some(net::PATIENCE),
    })
}

/// Says what happens at a door; goes on at the check words.
pub(crate) fn tell(cli: &Cli, event: &DoorEvent) -> bool {
    match event {
        DoorEvent::Open(a) if !cli.quiet && !net::is_loopback(a) => {
            talk::note(&format!("If it does not find this device: --at {}", net::words(a)))
        }
        DoorEvent::FindingOff(why) => talk::note(&format!(
            "This device cannot be found by itself here ({why}): there, add --at ADDRESS."
        )),
        DoorEvent::WrongGuess(0) => {}
        DoorEvent::WrongGuess(left) => talk::note(&format!(
            "Somebody tried a wrong code. Wrong codes left before this one is void: {left}."
        )),
        DoorEvent::Words([one, two]) => {
            talk::note(&format!("Check words: {one} {two}      (the other screen must show the same two)"))
        }
        _ => {}
    }
    true
}

impl From<DoorError> for Failure {
    fn from(e: DoorError) -> Self {
        match e {
            DoorError::Local(..) => Self::Input(e.to_string()),
            _ => Self::Peer(e.to_string()),
        }
    }
}
