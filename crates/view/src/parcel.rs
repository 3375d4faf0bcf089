//! `/api/parcel`: the survey as a file to keep, and files that come back. On a phone this is the second copy.

use crate::answer::{Keep, file, file_name, json as answer};
use crate::asked;
use crate::refusal::Refusal;
use crate::site::Site;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use leadline_survey::{ParcelRead, parcel_bytes, read_parcel_bytes};
use serde_json::{Value, json};
use std::sync::Arc;

/// Largest parcel made in memory: a whole survey of many seasons.
const MOST: u64 = 512 << 20;

/// `GET /api/parcel`
pub(crate) async fn download(State(site): State<Arc<Site>>) -> Result<Response, Refusal> {
    if site.is_lan {
        // It holds every entry as signed, for the crew; what can be read on the way must not be more than the map.
        return Err(Refusal::shut(
            "parcels are not given through this door: others on this network could read them",
            "write one with `leadline parcel write`, or use the page on the device itself",
        ));
    }
    let (bytes, name) = site
        .work(|site| {
            let (home, store) = site.open()?;
            let name = store.name()?.map(|(n, _)| n.as_str().to_owned()).unwrap_or_default();
            Ok((parcel_bytes(&home, &store, MOST, asked::now())?, file_name(&name, "parcel")))
        })
        .await?;
    Ok(file("application/octet-stream", &name, bytes))
}

/// `POST /api/parcel`
pub(crate) async fn upload(
    State(site): State<Arc<Site>>,
    headers: HeaderMap,
    bytes: Bytes,
) -> Result<Response, Refusal> {
    let value = site
        .work(move |site| {
            let (home, _) = site.open()?;
            let read = read_parcel_bytes(&home, site.survey, &bytes)?;
            Ok(told(&read))
        })
        .await?;
    site.look_now.notify_one();
    Ok(answer(&headers, &value, Keep::No))
}

fn told(r: &ParcelRead) -> Value {
    let a = &r.accepted;
    json!({
        "whole": r.end.is_whole(), "entries_new": a.entries, "entries_known": a.known, "strips_new": a.strips,
        "waiting": a.waiting, "refused": a.refused.len(), "lacking_logs": r.lacking,
        "made_by": r.header.maker_name.to_string(), "made_utc": r.header.made.to_string(),
    })
}
