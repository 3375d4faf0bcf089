//! `/api/level`: what boats and days are off by; apply, take back.

use crate::acts::body;
use crate::answer::{Keep, json as answer};
use crate::asked::{self, round};
use crate::refusal::Refusal;
use crate::site::Site;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use leadline_model::UtcMillis;
use leadline_survey::{
    DayFound, Differences, Ground, Proposal, Spread, Store, apply_levelling, undo_levelling,
};
use serde_json::{Value, json};
use std::sync::Arc;

/// `GET /api/level`
pub(crate) async fn propose(State(site): State<Arc<Site>>, headers: HeaderMap) -> Result<Response, Refusal> {
    let value = site
        .work(|site| {
            let (_, store) = site.open()?;
            let (proposal, ground) = proposal(&store)?;
            Ok(proposal_json(&proposal, &ground))
        })
        .await?;
    Ok(answer(&headers, &value, Keep::No))
}

/// `POST /api/level`
pub(crate) async fn act(
    State(site): State<Arc<Site>>,
    headers: HeaderMap,
    bytes: Bytes,
) -> Result<Response, Refusal> {
    let body = body(&bytes)?;
    let (apply, undo) = (body["apply"] == json!(true), body["undo"] == json!(true));
    if apply == undo {
        return Err(Refusal::bad("it is not said what to do", "give apply or undo"));
    }
    let value = site
        .work(move |site| {
            let (_, mut store) = site.open()?;
            if undo {
                return Ok(json!({"undone": undo_levelling(&mut store, asked::now())?}));
            }
            let (found, _) = proposal(&store)?;
            let new = apply_levelling(&mut store, found.levelling, asked::now())?;
            Ok(json!({"applied": new}))
        })
        .await?;
    site.look_now.notify_one();
    Ok(answer(&headers, &value, Keep::No))
}

fn proposal(store: &Store) -> Result<(Proposal, Ground), Refusal> {
    let (proposal, ground, _) = store.propose_levelling()?;
    if proposal.crossings == 0 {
        return Err(Refusal::missing(
            "nothing to level: no two tracks cross",
            "drive lines across the ones you have, then import them",
        ));
    }
    Ok((proposal, ground))
}

fn proposal_json(p: &Proposal, ground: &Ground) -> Value {
    let day = |d: &DayFound| {
        json!({
            "boat": d.boat.to_string(), "day": UtcMillis(i64::from(d.day) * 86_400_000).date_text(),
            "too_deep_m": round(d.offset_m, 3), "u95_m": round(d.uncertainty95_m, 3), "prior95_m": round(d.prior95_m, 3),
            "stage_known": d.known, "floating": d.floating, "crossings": d.crossings,
        })
    };
    let standing = ground.levelling.as_ref();
    json!({
        "crossings": p.crossings, "clusters": p.levelling.clusters.len(),
        "boat_days": p.days.iter().map(day).collect::<Vec<_>>(),
        "before": differences(&p.before), "after": differences(&p.after),
        "in_force": standing.map(|l| json!({
            "boat_days": l.what.days.len(), "claimed_utc": l.claimed.to_string(), "this": l.what == p.levelling,
            "of_the_same_soundings": l.what.inputs == ground.inputs,
        })),
    })
}

fn differences(d: &Differences) -> Value {
    let one = |s: &Spread| {
        json!({
            "crossings": s.crossings, "rms_m": round(s.rms_m, 3), "size95_m": round(s.size95_m, 3),
            "within": round(s.within, 4),
        })
    };
    json!({"boat_day": one(&d.day), "boat": one(&d.boat), "boats": one(&d.boats)})
}
