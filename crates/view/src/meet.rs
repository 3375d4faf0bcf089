//! Meetings from the page. The page knows no network: the program plugs in what does.

use crate::answer::{Keep, json as answer};
use crate::asked;
use crate::refusal::Refusal;
use crate::site::Site;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use leadline_model::{Text, UtcMillis, escaped};
use serde_json::{Value, json};
use std::sync::Arc;

/// What carries out meetings.
pub trait Meetings: Send + Sync {
    /// How things stand.
    fn state(&self) -> Meeting;

    /// Begins to look for the crew and to meet whoever is there; nothing where that goes on already. `tell` is called
    /// whenever the state has changed.
    ///
    /// # Errors
    /// Why not, with the next step.
    fn start(&self, tell: Box<dyn Fn() + Send + Sync>) -> Result<(), String>;

    /// Makes an invite for a device of this role: `reader`, `contributor` or `keeper`. Blocking.
    ///
    /// # Errors
    /// Why not, with the next step.
    fn invite(&self, role: &str) -> Result<Invited, String>;
}

/// How meetings stand.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Meeting {
    /// Devices of the crew that are near, or were met.
    pub near: Vec<NearDevice>,
    /// Whether it is being looked for others.
    pub running: bool,
    /// What moved since it began.
    pub moved: Option<Moved>,
    /// Why nobody can be met.
    pub why_not: Option<String>,
}

/// A device that is near.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct NearDevice {
    /// What the crew calls it.
    pub name: String,
    /// Its id, if it is known.
    pub device: Option<String>,
    /// In a few words.
    pub state: String,
}

/// What meetings have moved.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Moved {
    /// Meetings held.
    pub meetings: u32,
    /// New entries that came.
    pub entries_in: u64,
    /// New strips that came.
    pub strips_in: u64,
    /// Entries given.
    pub entries_out: u64,
    /// Strips given.
    pub strips_out: u64,
    /// Bytes both ways.
    pub bytes: u64,
}

/// An invite to show.
#[derive(Clone)]
pub struct Invited {
    /// The invite: whoever has it can knock until it expires.
    pub text: String,
    /// Until when.
    pub expires: UtcMillis,
    /// The same as a picture to scan: SVG.
    pub qr_svg: String,
}

impl std::fmt::Debug for Invited {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Invited").field("expires", &self.expires).finish_non_exhaustive()
    }
}

/// For a page without meetings.
#[derive(Clone, Debug)]
pub struct NoMeetings(pub String);

impl Meetings for NoMeetings {
    fn state(&self) -> Meeting {
        Meeting { why_not: Some(self.0.clone()), ..Meeting::default() }
    }

    fn start(&self, _: Box<dyn Fn() + Send + Sync>) -> Result<(), String> {
        Err(self.0.clone())
    }

    fn invite(&self, _: &str) -> Result<Invited, String> {
        Err(self.0.clone())
    }
}

impl Meeting {
    pub(crate) fn json(&self, now: UtcMillis) -> Value {
        let near = |n: &NearDevice| json!({"name": escaped(&n.name), "device": n.device, "state": escaped(&n.state)});
        let moved = |m: &Moved| {
            json!({
                "meetings": m.meetings, "entries_in": m.entries_in, "strips_in": m.strips_in,
                "entries_out": m.entries_out, "strips_out": m.strips_out, "bytes": m.bytes,
            })
        };
        json!({
            "near": self.near.iter().map(near).collect::<Vec<_>>(), "running": self.running,
            "moved": self.moved.as_ref().map(moved), "why_not": self.why_not.as_deref().map(escaped),
            "now_utc": now.to_string(),
        })
    }
}

/// `GET /api/meet`
pub(crate) async fn state(State(site): State<Arc<Site>>, headers: HeaderMap) -> Response {
    answer(&headers, &site.meetings.state().json(asked::now()), Keep::No)
}

/// `POST /api/meet`
pub(crate) async fn start(State(site): State<Arc<Site>>, headers: HeaderMap) -> Result<Response, Refusal> {
    let teller = Arc::downgrade(&site);
    let tell = move || {
        if let Some(site) = teller.upgrade() {
            site.tell_meeting();
            site.look_now.notify_one();
        }
    };
    let meetings = Arc::clone(&site.meetings);
    let started = tokio::task::spawn_blocking(move || meetings.start(Box::new(tell))).await;
    started.map_err(|_| Refusal::broken())?.map_err(|why| refused(&why))?;
    Ok(answer(&headers, &site.meetings.state().json(asked::now()), Keep::No))
}

/// `POST /api/invite`
pub(crate) async fn invite(
    State(site): State<Arc<Site>>,
    headers: HeaderMap,
    body: Bytes,
) -> Result<Response, Refusal> {
    let body = crate::acts::body(&body)?;
    let role = asked::text(&body, "role").unwrap_or_else(|_| Text::new("contributor").expect("a word"));
    if !["reader", "contributor", "keeper"].contains(&role.as_str()) {
        return Err(Refusal::bad(&format!("there is no role {role}"), "take reader, contributor or keeper"));
    }
    let meetings = Arc::clone(&site.meetings);
    let made = tokio::task::spawn_blocking(move || meetings.invite(role.as_str())).await;
    let made = made.map_err(|_| Refusal::broken())?.map_err(|why| refused(&why))?;
    let value = json!({"text": made.text, "expires_utc": made.expires.to_string(), "qr_svg": made.qr_svg});
    Ok(answer(&headers, &value, Keep::No))
}

fn refused(told: &str) -> Refusal {
    let (why, next) = told.rsplit_once("; ").unwrap_or((told, ""));
    Refusal::bad(why, next)
}
