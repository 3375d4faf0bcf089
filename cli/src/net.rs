//! Meetings from the command line.

use crate::failure::Failure;
use crate::units;
use leadline_model::{SurveyId, Text};
use leadline_net::{Event, Multiaddr, NetError, NetFailure, Plan, Secrets, Summary, Who, parse_addr, run};
use leadline_survey::{Home, Store, SurveyDesk, Wants};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

/// With `once`, and nobody there for so long: give up.
pub(crate) const PATIENCE: Duration = Duration::from_secs(30);

impl From<NetError> for Failure {
    fn from(e: NetError) -> Self {
        if e.is_of_the_store() { Self::Store(e.to_string()) } else { Self::Peer(e.to_string()) }
    }
}

/// An address as typed.
pub(crate) fn address(text: &str) -> Result<Multiaddr, Failure> {
    parse_addr(text).map_err(|e| Failure::Input(e.to_string()))
}

/// `HOST:PORT` where the multiaddr is that simple, as people type it.
pub(crate) fn words(address: &Multiaddr) -> String {
    let text = address.to_string();
    match text.split('/').collect::<Vec<_>>().as_slice() {
        ["", "ip4", host, "tcp", port, ..] => format!("{host}:{port}"),
        ["", "ip6", host, "tcp", port, ..] => format!("[{host}]:{port}"),
        _ => text,
    }
}

/// An address that only this machine can reach.
pub(crate) fn is_loopback(address: &Multiaddr) -> bool {
    let words = words(address);
    words.starts_with("127.") || words.starts_with("[::1]")
}

/// The survey's secrets as they are now and, asked again, as a meeting has left them.
pub(crate) fn secrets(home: &Home, survey: SurveyId) -> Result<Secrets, Failure> {
    // What is wrong with the folder is said now.
    home.secret(&survey)?;
    let home = Home::open(Some(home.root()))?;
    Ok(Arc::new(move || home.secrets(&survey).unwrap_or_default()))
}

/// This device, and those that can be told by name when they are near.
pub(crate) fn who(store: &Store) -> Result<Who, Failure> {
    let me = store.device();
    let known = store.crew()?.members().keys().filter(|d| **d != me).map(|d| d.0).collect();
    Ok(Who { device: me.0, known })
}

/// The crew's names of its devices.
pub(crate) fn names(store: &Store) -> Result<BTreeMap<[u8; 32], Text>, Failure> {
    Ok(store.crew()?.members().iter().map(|(d, m)| (d.0, m.name.clone())).collect())
}

/// Carries out a plan against the survey's store and notes whom it met.
pub(crate) fn meet(
    home: &Home,
    survey: SurveyId,
    plan: Plan,
    wants: Wants,
    mut on_event: impl FnMut(&Event),
) -> Result<Vec<Summary>, Failure> {
    let desk = Arc::new(SurveyDesk::new(home, survey)?.wanting(wants));
    let noting = Arc::clone(&desk);
    let met = run(plan, desk, |event| {
        if let Err(e) = note(&noting, event) {
            crate::talk::note(&format!("The meeting could not be noted: {e}"));
        }
        on_event(event);
    })?;
    Ok(met)
}

fn note(desk: &SurveyDesk, event: &Event) -> Result<(), leadline_survey::Error> {
    match event {
        Event::Met { summary, .. } | Event::InStep { summary, .. } => match &summary.peer {
            Some((device, name)) => desk.note_met(device, name, summary, units::now()),
            None => Ok(()),
        },
        Event::Failed { why: NetFailure::Meeting(why), .. } if why.is_dismissal() => {
            desk.note_refused(units::now())
        }
        _ => Ok(()),
    }
}

/// Two devices on this machine meet over the loopback network: real sockets, the real protocol. The summary is the
/// second one's.
pub(crate) fn meet_on_this_machine(one: &Home, other: &Home, survey: SurveyId) -> Result<Summary, Failure> {
    let plan = |listen: Vec<Multiaddr>, with: Vec<Multiaddr>, secrets| Plan {
        secrets,
        who: Who::default(),
        listen,
        with,
        find: false,
        once: true,
        patience: Some(PATIENCE),
    };
    let secrets = secrets(one, survey)?;
    let (tell, told) = std::sync::mpsc::channel();
    let for_listener = secrets.clone();
    std::thread::scope(|scope| {
        let listening = scope.spawn(move || {
            meet(
                one,
                survey,
                plan(vec![address("127.0.0.1:0")?], vec![], for_listener),
                Wants::Everything,
                |event| {
                    if let Event::Listening(a) = event {
                        drop(tell.send(a.clone()));
                    }
                },
            )
        });
        let dialled = told
            .recv_timeout(PATIENCE)
            .map_err(|_| Failure::Peer("this machine gives no loopback address to listen on".into()))
            .and_then(|to| meet(other, survey, plan(vec![], vec![to], secrets), Wants::Everything, |_| {}));
        let heard =
            listening.join().unwrap_or_else(|_| Err(Failure::Peer("the listening side ended early".into())));
        heard?;
        dialled?.pop().ok_or_else(|| Failure::Peer("no meeting took place".into()))
    })
}
