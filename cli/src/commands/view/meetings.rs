//! Meetings from the map page: what `sync` does, told to the page.

use super::Plugged;
use crate::commands::crew::role_word;
use crate::failure::Failure;
use crate::{net, qr, units};
use leadline_model::{SurveyId, Text};
use leadline_net::{Event, PeerId, Plan, Summary};
use leadline_survey::{Home, INVITE_MILLIS, Role, Store, Wants, invite};
use leadline_view::{Invited, Meeting, Meetings, Moved, NearDevice, NoMeetings};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Meetings for the page; a survey that came as a gift has none.
pub(super) fn plug_in(home: &Home, store: &Store) -> Result<Plugged, Failure> {
    if store.is_guest()? {
        return Ok(Arc::new(NoMeetings(
            "this survey came as a gift and this device is not of its crew, so nobody meets it here; ask for a newer gift, or join the crew".to_owned(),
        )));
    }
    Ok(Arc::new(ByNet { home: home.root().to_owned(), survey: store.survey(), now: Arc::default() }))
}

/// Meetings over the local network.
struct ByNet {
    home: PathBuf,
    survey: SurveyId,
    now: Arc<Mutex<Now>>,
}

/// How things stand.
#[derive(Default)]
struct Now {
    running: bool,
    near: BTreeMap<PeerId, NearDevice>,
    moved: Option<Moved>,
    why_not: Option<String>,
    /// Whose meeting is counted already: one that stays in step ends later with the same figures.
    in_step: BTreeSet<PeerId>,
}

fn lock(now: &Mutex<Now>) -> MutexGuard<'_, Now> {
    now.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Meetings for ByNet {
    fn state(&self) -> Meeting {
        let now = lock(&self.now);
        Meeting {
            near: now.near.values().cloned().collect(),
            running: now.running,
            moved: now.moved,
            why_not: now.why_not.clone(),
        }
    }

    fn start(&self, tell: Box<dyn Fn() + Send + Sync>) -> Result<(), String> {
        {
            let mut now = lock(&self.now);
            if now.running {
                return Ok(());
            }
            *now = Now { running: true, ..Now::default() };
        }
        let begun = begin(&self.home, self.survey);
        let (plan, names) = match begun {
            Ok(b) => b,
            Err(e) => {
                lock(&self.now).running = false;
                return Err(e.to_string());
            }
        };
        let (home, survey, now) = (self.home.clone(), self.survey, Arc::clone(&self.now));
        // The meeting has a thread and a runtime of its own, as it has in `sync`; it goes on until the page is closed.
        std::thread::spawn(move || {
            let done = Home::open(Some(&home)).map_err(Failure::from).and_then(|home| {
                net::meet(&home, survey, plan, Wants::Everything, |event| {
                    note(&mut lock(&now), &names, event);
                    tell();
                })
            });
            {
                let mut now = lock(&now);
                now.running = false;
                now.why_not = done.err().map(|e| e.to_string());
            }
            tell();
        });
        Ok(())
    }

    fn invite(&self, role: &str) -> Result<Invited, String> {
        let made = make_invite(&self.home, self.survey, role).map_err(|e| e.to_string())?;
        Ok(made)
    }
}

fn begin(home: &Path, survey: SurveyId) -> Result<(Plan, BTreeMap<[u8; 32], Text>), Failure> {
    let home = Home::open(Some(home))?;
    let store = home.store(&survey)?;
    let plan = Plan {
        secrets: net::secrets(&home, survey)?,
        who: net::who(&store)?,
        listen: Vec::new(),
        with: Vec::new(),
        find: true,
        once: false,
        patience: None,
    };
    Ok((plan, net::names(&store)?))
}

/// What an event says about who is near and what moved.
fn note(now: &mut Now, names: &BTreeMap<[u8; 32], Text>, event: &Event) {
    match event {
        Event::Near { peer, device, .. } => {
            let name = device.as_ref().and_then(|d| names.get(d));
            let name = name.map_or_else(|| "a device of this crew".to_owned(), ToString::to_string);
            let device = device.map(|d| leadline_model::DeviceId(d).to_string());
            now.near.entry(*peer).or_insert(NearDevice { name, device, state: "near".to_owned() });
        }
        Event::Gone(peer) => {
            now.near.remove(peer);
        }
        Event::Began(peer) => "meeting".clone_into(&mut now.near.entry(*peer).or_default().state),
        Event::Met { summary, peer, .. } => {
            let is_counted = now.in_step.remove(peer);
            met(now, *peer, summary, is_counted, "met");
        }
        Event::InStep { summary, peer, .. } => {
            now.in_step.insert(*peer);
            met(now, *peer, summary, false, "in step");
        }
        Event::Pushed { entries, strips, .. } => {
            let moved = now.moved.get_or_insert_default();
            moved.entries_out += u64::from(*entries);
            moved.strips_out += u64::from(*strips);
        }
        Event::Taken { entries, strips, .. } => {
            let moved = now.moved.get_or_insert_default();
            moved.entries_in += u64::from(*entries);
            moved.strips_in += u64::from(*strips);
        }
        Event::FindingOff(why) => now.why_not = Some(format!("devices cannot be looked for here ({why})")),
        Event::Failed { why, .. } => now.why_not = Some(format!("a meeting failed: {why}")),
        _ => {}
    }
}

fn met(now: &mut Now, peer: PeerId, s: &Summary, is_counted: bool, state: &str) {
    let moved = now.moved.get_or_insert_default();
    if !is_counted {
        moved.meetings += 1;
        moved.entries_in += u64::from(s.entries_new);
        moved.strips_in += u64::from(s.strips_new);
        moved.entries_out += u64::from(s.entries_sent);
        moved.strips_out += u64::from(s.strips_sent);
        moved.bytes += s.bytes_sent + s.bytes_received;
    }
    now.why_not = None;
    let known = now.near.entry(peer).or_default();
    state.clone_into(&mut known.state);
    if let Some((device, name)) = &s.peer {
        known.name = name.to_string();
        known.device = Some(device.to_string());
    }
}

fn make_invite(home: &Path, survey: SurveyId, role: &str) -> Result<Invited, Failure> {
    let role = [Role::Reader, Role::Contributor, Role::Keeper].into_iter().find(|r| role_word(*r) == role);
    let role = role.ok_or_else(|| Failure::Input("there is no such role".to_owned()))?;
    let home = Home::open(Some(home))?;
    let mut store = home.store(&survey)?;
    let made = invite(&home, &mut store, role, INVITE_MILLIS, Vec::new(), units::now())?;
    let text = made.to_string();
    // Capital letters take little more than half the room.
    let qr_svg = qr::svg(&text.to_uppercase())?;
    Ok(Invited { text, expires: made.expires, qr_svg })
}
