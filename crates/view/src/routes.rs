//! Addresses.

use crate::door::{Doors, guard};
use crate::refusal::Refusal;
use crate::site::Site;
use crate::{
    acts, assets, backup, change, chart, events, import, layers, level, line, meet, parcel, place, pocket,
    tiles, underway,
};
use axum::extract::DefaultBodyLimit;
use axum::http::{HeaderMap, Uri};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Router, middleware};
use std::sync::Arc;

pub(crate) fn routes(site: &Arc<Site>, doors: &Arc<Doors>) -> Router {
    let guarded = middleware::from_fn_with_state((Arc::clone(doors), Arc::clone(site)), guard);
    Router::new()
        .route("/api/chart", get(chart::chart))
        .route("/api/depth/{show}/{z}/{x}/{y}", get(tiles::depth))
        .route("/api/soundings/{show}/{z}/{x}/{y}", get(tiles::soundings))
        .route("/api/layer/{name}", get(layers::layer))
        .route("/api/plan.gpx", get(layers::plan_gpx))
        .route("/api/touch", get(place::touch))
        .route("/api/profile", get(line::profile))
        .route("/api/show", get(change::show))
        .route("/api/compare", get(change::compare))
        .route("/api/decisions", get(acts::decisions))
        .route("/api/leave-out", post(acts::leave_out))
        .route("/api/take-back", post(acts::take_back))
        .route("/api/mark", post(acts::mark))
        .route("/api/mark/share", post(acts::share))
        .route("/api/mark/remove", post(acts::remove))
        .route("/api/stage", post(acts::stage))
        .route("/api/import", post(import::import))
        .route("/api/level", get(level::propose).post(level::act))
        .route("/api/parcel", get(parcel::download).post(parcel::upload))
        .route("/api/backup", post(backup::make))
        .route("/api/backup/restore", post(backup::put_back))
        .route("/api/pocket", get(pocket::download))
        .route("/api/meet", get(meet::state).post(meet::start))
        .route("/api/invite", post(meet::invite))
        .route("/api/now", get(underway::now))
        .route("/api/trail", get(underway::trail))
        .route("/api/events", get(events::events))
        .fallback(file)
        .method_not_allowed_fallback(|| async { Refusal::missing("not in this way", "see the page") })
        // The guard bounds bodies itself.
        .layer(DefaultBodyLimit::disable())
        .layer(guarded)
        .with_state(Arc::clone(site))
}

/// The page and its files.
async fn file(uri: Uri, headers: HeaderMap) -> Response {
    match assets::asset(uri.path()) {
        Some(i) => assets::answer(&headers, i),
        None => Refusal::missing("there is no such page", "begin at /").into_response(),
    }
}
