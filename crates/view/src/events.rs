//! `/api/events`: what pages are told by themselves.

use crate::refusal::Refusal;
use crate::site::{News, Site};
use axum::extract::State;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures::stream;
use serde_json::json;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::broadcast::error::RecvError;

/// Pages that listen at once.
pub(crate) const MOST: usize = 24;
/// A sign of life, so that a lost connection is noticed on both sides.
const ALIVE: Duration = Duration::from_secs(10);

/// `GET /api/events`
pub(crate) async fn events(State(site): State<Arc<Site>>) -> Result<Response, Refusal> {
    let place = Arc::clone(&site.listeners)
        .try_acquire_owned()
        .map_err(|_| Refusal::busy("too many pages are open", "close one of them"))?;
    let news = site.news.subscribe();
    let first = site.standing().map(|s| chart(&s.version));
    let told = stream::unfold((news, first, site, place), |(mut news, first, site, place)| async move {
        if let Some(event) = first {
            return Some((Ok::<_, Infallible>(event), (news, None, site, place)));
        }
        loop {
            let event = match news.recv().await {
                Ok(News::Chart(version)) => chart(&version),
                Ok(News::Meet(state)) => Event::default().event("meet").data(state),
                // What was missed is made good by the newest state.
                Err(RecvError::Lagged(_)) => match site.standing() {
                    Some(s) => chart(&s.version),
                    None => continue,
                },
                Err(RecvError::Closed) => return None,
            };
            return Some((Ok(event), (news, None, site, place)));
        }
    });
    Ok(Sse::new(told).keep_alive(KeepAlive::new().interval(ALIVE)).into_response())
}

fn chart(version: &str) -> Event {
    Event::default().event("chart").data(json!({ "version": version }).to_string())
}
