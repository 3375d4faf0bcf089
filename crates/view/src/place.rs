//! `/api/touch`: everything known of one place.

use crate::answer::{Keep, json as answer};
use crate::asked::{self, Query, degrees, round};
use crate::refusal::Refusal;
use crate::shown::Shown;
use crate::site::Site;
use axum::extract::{Query as FromQuery, State};
use axum::http::HeaderMap;
use axum::response::Response;
use leadline_model::{GridPos, LocalFrame, ReducedSounding};
use leadline_survey::{Explained, KnownMark, Store};
use serde_json::{Value, json};
use std::sync::Arc;

/// Passes of one cell that are told.
const MOST_PASSES: usize = 100;
/// A mark nearer than this is told with the place, metres (judgement: a thumb on a phone's map).
const NEAR_M: f64 = 25.0;

/// `GET /api/touch`
pub(crate) async fn touch(
    State(site): State<Arc<Site>>,
    FromQuery(q): FromQuery<Query>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    let at = asked::place_of(&q)?;
    let shown = site.shown(q.get("show").map_or("all", String::as_str)).await?;
    let is_lan = site.is_lan;
    let value = site
        .with_store(move |_, store| {
            let mut v = touch_json(&shown, store, at)?;
            v["near_mark"] = near_mark(store, at, is_lan)?;
            Ok(v)
        })
        .await?;
    Ok(answer(&headers, &value, Keep::No))
}

fn touch_json(shown: &Shown, store: &Store, at: GridPos) -> Result<Value, Refusal> {
    let reduced = &shown.computed.reduced;
    let cell = at.cell();
    let found = shown.surface.depth_at(at);
    let safe = shown.surface.safe_depth_at(at);
    let own = reduced.cell(cell);
    // A lone cell has a depth but no surface around it: then its shoalest sounding is the safe one.
    let alone = own.map(|c| if c.depth_m - c.shoalest_m > c.tvu95_m { c.shoalest_m } else { c.depth_m });
    let safe = match (safe, alone) {
        (Some(s), Some(a)) => Some(s.min(a)),
        (s, a) => s.or(a),
    };
    let explained = store.explain(&shown.computed, at)?;
    let middle = degrees(cell.lonlat());
    Ok(json!({
        "depth_m": found.as_ref().map(|e| round(e.depth_m, 3)), "safe_m": safe.map(|s| round(s, 3)),
        "tvu95_m": found.as_ref().map(|e| round(e.tvu95_m, 3)), "grade": found.as_ref().map(|e| e.grade.word()),
        "basis": found.as_ref().map_or("none", |e| e.basis.word()), "cell": format!("{},{}", middle[0], middle[1]),
        "newest_utc": own.map(|c| c.newest.to_string()), "soundings": own.map(|c| c.soundings),
        "passes": found.as_ref().map(|e| passes(shown, &e.passes)).unwrap_or_default(),
        "measured": measured(shown, store, &explained)?,
        "dispute": dispute(shown, at), "version": shown.version,
    }))
}

/// Passes around a place between cells.
fn passes(shown: &Shown, list: &[u32]) -> Vec<Value> {
    let one = |i: &u32| {
        let p = shown.computed.reduced.passes.get(*i as usize)?;
        let (from, to) = (p.first.to_string(), p.last.to_string());
        Some(json!({"n": i + 1, "boat": p.boat.to_string(), "from_utc": from, "to_utc": to}))
    };
    list.iter().filter_map(one).collect()
}

fn measured(shown: &Shown, store: &Store, all: &[Explained]) -> Result<Vec<Value>, Refusal> {
    let crew = store.crew()?;
    let device = |s: &ReducedSounding| {
        let pass = shown.computed.reduced.passes.get(s.pass as usize)?;
        let of_leg = |l| shown.computed.claims.get(l)?.first();
        let mut claims = pass.legs.iter().filter_map(of_leg);
        let claim = claims.find(|c| c.what.window == s.time.leg_window())?;
        Some(crew.name_of(&claim.device).map_or_else(|| claim.device.short(), ToString::to_string))
    };
    let one = |e: &Explained| {
        let s = &e.sounding;
        let terms: Vec<Value> = e
            .terms
            .iter()
            .map(
                |t| json!({"name": t.name, "depth_m": round(t.value, 4), "u95_m": round(t.uncertainty95, 4)}),
            )
            .collect();
        json!({
            "boat": e.boat.to_string(), "device": device(s), "pass": s.pass + 1, "utc": s.time.to_string(),
            "depth_m": round(s.depth_m, 3), "tvu95_m": round(s.tvu95_m, 3), "thu95_m": round(s.thu95_m, 3),
            "grade": s.grade.word(), "used": s.void.is_none(), "void": s.void.map(|v| v.words()), "terms": terms,
        })
    };
    Ok(all.iter().take(MOST_PASSES).map(one).collect())
}

fn dispute(shown: &Shown, at: GridPos) -> Value {
    let cell = at.cell();
    let Some(d) = shown.computed.reduced.disputes.iter().find(|d| d.cell == cell) else { return Value::Null };
    let rival = |r: &leadline_survey::Rival| {
        json!({
            "depth_m": round(r.depth_m, 3), "tvu95_m": round(r.tvu95_m, 3), "passes": r.passes, "soundings": r.soundings,
            "first_utc": r.first.to_string(), "newest_utc": r.newest.to_string(),
        })
    };
    let believed = d.rivals.iter().find(|r| r.believed);
    let others: Vec<Value> = d.rivals.iter().filter(|r| !r.believed).map(rival).collect();
    json!({
        "code": d.why.code(), "why": d.why.words(), "believed_m": believed.map(|r| round(r.depth_m, 3)),
        "believed": believed.map(rival), "others": others,
    })
}

/// The nearest mark; through the network's door only one that the crew has.
fn near_mark(store: &Store, at: GridPos, is_lan: bool) -> Result<Value, Refusal> {
    let frame = LocalFrame::new(at);
    let far = |m: &KnownMark| {
        let (e, n) = frame.metres(m.mark.place);
        e.hypot(n)
    };
    let told = store.marks()?.into_iter().filter(|m| m.shared || !is_lan);
    let nearest = told.map(|m| (far(&m), m)).min_by(|a, b| a.0.total_cmp(&b.0));
    Ok(nearest.filter(|(m, _)| *m <= NEAR_M).map_or(Value::Null, |(m, known)| {
        let mut v = mark_json(&known);
        v["distance_m"] = json!(round(m, 1));
        v
    }))
}

/// A mark as the page knows it.
pub(crate) fn mark_json(m: &KnownMark) -> Value {
    let [lon, lat] = degrees(m.mark.place.lonlat());
    json!({
        "id": m.id, "kind": m.mark.kind, "lon": lon, "lat": lat, "name": m.mark.name.to_string(),
        "note": m.note().map(ToString::to_string), "shared": m.shared,
        "depth_m": m.mark.depth_mm.map(|mm| f64::from(mm) / 1000.0),
    })
}

/// Marks as a FeatureCollection.
pub(crate) fn marks_json(marks: &[KnownMark]) -> Value {
    let one = |v: Value| {
        let at = json!([v["lon"], v["lat"]]);
        json!({"type": "Feature", "properties": v, "geometry": {"type": "Point", "coordinates": at}})
    };
    json!({"type": "FeatureCollection", "features": marks.iter().map(mark_json).map(one).collect::<Vec<_>>()})
}
