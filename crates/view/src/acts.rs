//! Acts: leave out and take back, marks, stages. Each writes a signed entry as any command does.

use crate::answer::{Keep, json as answer};
use crate::asked::{self, body_number, pair, text};
use crate::place::mark_json;
use crate::refusal::Refusal;
use crate::site::Site;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use leadline_model::{Decision, MAX_AREA_CORNERS, Mark, MarkKind, Scope, StageReading, UtcMillis, Verdict};
use leadline_survey::{
    DepthFilter, Ground, Home, Standing, Store, add_stage, decision_words, mark_note, remove_mark,
    scope_words, share_mark, take_back_one,
};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::sync::Arc;

/// Gauge of a reading that names none.
const USUAL_GAUGE: &str = "gauge";

/// A body of JSON.
pub(crate) fn body(bytes: &[u8]) -> Result<Value, Refusal> {
    if bytes.is_empty() {
        return Ok(json!({}));
    }
    let v: Value = serde_json::from_slice(bytes)
        .map_err(|e| Refusal::bad(&format!("the body is no JSON: {e}"), "use the page itself"))?;
    if v.is_object() { Ok(v) } else { Err(Refusal::bad("the body is no JSON object", "use the page itself")) }
}

/// Writes, then has the chart made anew.
async fn write<T: Send + 'static>(
    site: &Arc<Site>,
    f: impl FnOnce(&Home, &mut Store) -> Result<T, Refusal> + Send + 'static,
) -> Result<T, Refusal> {
    let done = site.with_store(f).await?;
    site.look_now.notify_one();
    Ok(done)
}

/// `POST /api/leave-out`
pub(crate) async fn leave_out(
    State(site): State<Arc<Site>>,
    headers: HeaderMap,
    bytes: Bytes,
) -> Result<Response, Refusal> {
    let body = body(&bytes)?;
    let (scope, why) = (scope(&body["scope"])?, text(&body, "why")?);
    let depths = depths(&body)?;
    let value = write(&site, move |_, store| {
        let before = ids(store)?;
        let words = scope_words(&scope);
        let new = leadline_survey::leave_out(store, scope, depths, why, asked::now())?;
        let ground = Ground::of(&store.survey_writes()?);
        let id = ground.verdicts.iter().map(|s| s.write.to_string()).find(|id| !before.contains(id));
        Ok(json!({"id": id, "new": new, "what": words}))
    })
    .await?;
    Ok(answer(&headers, &value, Keep::No))
}

fn ids(store: &Store) -> Result<BTreeSet<String>, Refusal> {
    Ok(Ground::of(&store.survey_writes()?).verdicts.iter().map(|s| s.write.to_string()).collect())
}

/// What is left out: a cell, an area or a boat's stretch of time.
fn scope(v: &Value) -> Result<Scope, Refusal> {
    if !v["cell"].is_null() {
        return Ok(Scope::Cell(pair(&v["cell"])?.cell()));
    }
    if let Some(corners) = v["area"].as_array() {
        if !(3..=MAX_AREA_CORNERS).contains(&corners.len()) {
            return Err(Refusal::bad(
                &format!("the area has {} corners", corners.len()),
                &format!("draw one of 3 to {MAX_AREA_CORNERS}"),
            ));
        }
        return Ok(Scope::Area(corners.iter().map(pair).collect::<Result<_, _>>()?));
    }
    if !v["boat"].is_null() {
        let time = |what: &str| v[what].as_str().unwrap_or_default();
        let (from, to) = (asked::moment("from", time("from"))?, asked::moment("to", time("to"))?);
        if from >= to {
            return Err(Refusal::bad("from does not lie before to", "swap them"));
        }
        return Ok(Scope::Stretch { boat: text(v, "boat")?, from, to });
    }
    Err(Refusal::bad("it is not said what", "give a cell, an area, or a boat with from and to"))
}

fn depths(body: &Value) -> Result<DepthFilter, Refusal> {
    let mm = |what| -> Result<Option<i32>, Refusal> {
        Ok(body_number(body, what, -10_000.0, 10_000.0)?.map(|m| (m * 1000.0).round() as i32))
    };
    let (shoaler_than_mm, deeper_than_mm) = (mm("shoaler_than_m")?, mm("deeper_than_m")?);
    if shoaler_than_mm.zip(deeper_than_mm).is_some_and(|(s, d)| d >= s) {
        return Err(Refusal::bad("no depth is shoaler than the one and deeper than the other", "swap them"));
    }
    Ok(DepthFilter { shoaler_than_mm, deeper_than_mm })
}

/// `POST /api/take-back`
pub(crate) async fn take_back(
    State(site): State<Arc<Site>>,
    headers: HeaderMap,
    bytes: Bytes,
) -> Result<Response, Refusal> {
    let body = body(&bytes)?;
    let (id, why) = (text(&body, "id")?, text(&body, "why")?);
    let value = write(&site, move |_, store| {
        take_back_one(store, id.as_str(), why, asked::now())?;
        Ok(json!({"taken_back": id.as_str()}))
    })
    .await?;
    Ok(answer(&headers, &value, Keep::No))
}

/// `GET /api/decisions`
pub(crate) async fn decisions(
    State(site): State<Arc<Site>>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    let value = site
        .with_store(|_, store| {
            let (ground, crew) = (Ground::of(&store.survey_writes()?), store.crew()?);
            let by = |s: &Standing<Verdict>| {
                crew.name_of(&s.device).map_or_else(|| s.device.short(), ToString::to_string)
            };
            let list: Vec<Value> = ground.verdicts.iter().map(|s| decision_json(s, &by(s))).collect();
            Ok(json!({"decisions": list}))
        })
        .await?;
    Ok(answer(&headers, &value, Keep::No))
}

fn decision_json(s: &Standing<Verdict>, by: &str) -> Value {
    let v = &s.what;
    let metres = |mm: Option<i32>| mm.map(|mm| f64::from(mm) / 1000.0);
    let scope = match &v.scope {
        Scope::Stretch { boat, from, to } => {
            json!({"boat": boat.to_string(), "from": from.to_string(), "to": to.to_string()})
        }
        Scope::Area(ring) => {
            json!({"area": ring.iter().map(|p| asked::degrees(p.lonlat())).collect::<Vec<_>>()})
        }
        Scope::Cell(cell) => json!({"cell": asked::degrees(cell.lonlat())}),
    };
    json!({
        "id": s.write.to_string(), "decision": v.decision, "words": decision_words(v.decision), "scope": scope,
        "what": scope_words(&v.scope), "why": v.why.to_string(), "by": by, "claimed_utc": s.claimed.to_string(),
        "shoaler_than_m": metres(v.shoaler_than_mm), "deeper_than_m": metres(v.deeper_than_mm),
        "can_take_back": v.decision != Decision::Keep,
    })
}

/// `POST /api/mark`
pub(crate) async fn mark(
    State(site): State<Arc<Site>>,
    headers: HeaderMap,
    bytes: Bytes,
) -> Result<Response, Refusal> {
    let body = body(&bytes)?;
    let kind: MarkKind = serde_json::from_value(body["kind"].clone()).map_err(|_| {
        Refusal::bad("there is no such kind of mark", "take hazard, landing, stump or waypoint")
    })?;
    let mark = Mark {
        kind,
        place: pair(&json!([body["lon"], body["lat"]]))?,
        depth_mm: body_number(&body, "depth_m", -1_000.0, 11_000.0)?.map(|m| (m * 1000.0).round() as i32),
        name: text(&body, "name")?,
        note: mark_note(body["note"].as_str())?,
    };
    let share = body["share"].as_bool().unwrap_or(false);
    let value = write(&site, move |_, store| {
        if share {
            // A mark that may not be shared is not kept half done.
            store.may_measure()?;
        }
        let id = store.keep_mark(&mark)?.to_string();
        if share {
            share_mark(store, &id, asked::now())?;
        }
        let known = store.marks()?.into_iter().find(|m| m.mark == mark && m.shared == share);
        Ok(known.map_or_else(|| json!({ "id": id }), |m| mark_json(&m)))
    })
    .await?;
    Ok(answer(&headers, &value, Keep::No))
}

/// `POST /api/mark/share`
pub(crate) async fn share(
    State(site): State<Arc<Site>>,
    headers: HeaderMap,
    bytes: Bytes,
) -> Result<Response, Refusal> {
    let id = text(&body(&bytes)?, "id")?;
    let new = write(&site, move |_, store| Ok(share_mark(store, id.as_str(), asked::now())?)).await?;
    Ok(answer(&headers, &json!({"shared": new}), Keep::No))
}

/// `POST /api/mark/remove`
pub(crate) async fn remove(
    State(site): State<Arc<Site>>,
    headers: HeaderMap,
    bytes: Bytes,
) -> Result<Response, Refusal> {
    let id = text(&body(&bytes)?, "id")?;
    let gone = write(&site, move |_, store| Ok(remove_mark(store, id.as_str(), asked::now())?)).await?;
    Ok(answer(&headers, &json!({"removed": mark_json(&gone)}), Keep::No))
}

/// `POST /api/stage`
pub(crate) async fn stage(
    State(site): State<Arc<Site>>,
    headers: HeaderMap,
    bytes: Bytes,
) -> Result<Response, Refusal> {
    let body = body(&bytes)?;
    let level = body_number(&body, "level_m", -500.0, 10_000.0)?
        .ok_or_else(|| Refusal::bad("level_m is missing", "give the gauge's reading in metres"))?;
    let at = match body["at"].as_str() {
        None | Some("now") => asked::now(),
        Some(t) => asked::moment("at", t)?,
    };
    let gauge = if body["gauge"].is_null() {
        leadline_survey::field("gauge", USUAL_GAUGE)?
    } else {
        text(&body, "gauge")?
    };
    // To the second: what a person reads off a staff is no finer.
    let at = UtcMillis(at.0.div_euclid(1000) * 1000);
    let reading = StageReading { gauge, at, level_mm: (level * 1000.0).round() as i32 };
    let value = write(&site, move |_, store| {
        let told = json!({"gauge": reading.gauge.to_string(), "at_utc": reading.at.to_string()});
        let new = add_stage(store, reading, asked::now())?;
        let mut v = told;
        v["new"] = json!(new);
        Ok(v)
    })
    .await?;
    Ok(answer(&headers, &value, Keep::No))
}
