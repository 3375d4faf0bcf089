//! `/api/show` and `/api/compare`: who gave what, and what changed.

use crate::answer::{Keep, json as answer};
use crate::asked::{Query, round};
use crate::filters::Choice;
use crate::refusal::Refusal;
use crate::shown::Shown;
use crate::site::Site;
use axum::extract::{Query as FromQuery, State};
use axum::http::HeaderMap;
use axum::response::Response;
use leadline_chart::{
    Called, Change, Comparison, Sides, Water, change_layers, compare as compared, layers_geojson,
};
use serde_json::{Value, json};
use std::sync::Arc;

/// `GET /api/show`
pub(crate) async fn show(
    State(site): State<Arc<Site>>,
    FromQuery(q): FromQuery<Query>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    let whole = site.shown("all").await?;
    let id = site.filters.add(Choice::of(&q, &whole)?);
    Ok(answer(&headers, &json!({"show": id, "version": whole.version}), Keep::No))
}

/// `GET /api/compare`
pub(crate) async fn compare(
    State(site): State<Arc<Site>>,
    FromQuery(q): FromQuery<Query>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    let whole = site.shown("all").await?;
    let [first, second] = [side(&q, ""), side(&q, "than_")];
    let ids = [Choice::of(&first, &whole)?, Choice::of(&second, &whole)?].map(|c| site.filters.add(c));
    if ids[0] == ids[1] {
        return Err(Refusal::bad(
            "both sides are the same soundings",
            "give two boats (boat, than_boat) or two times (from and to, than_from and than_to)",
        ));
    }
    let called = if first.contains_key("boats") { Called::FirstSecond } else { Called::EarlierLater };
    let sides = Sides { before: words(&first), after: words(&second), called };
    let (a, b) = (site.shown(&ids[0]).await?, site.shown(&ids[1]).await?);
    let value = site.work(move |site| change(&a, &b, &sides, site)).await?;
    Ok(answer(&headers, &value, Keep::No))
}

/// One side's part of the query, as a choice is asked for.
fn side(q: &Query, prefix: &str) -> Query {
    let mut out = Query::new();
    for (asked, named) in [("from", "from"), ("to", "to"), ("boat", "boats"), ("passes", "passes")] {
        if let Some(v) = q.get(&format!("{prefix}{asked}")) {
            out.insert(named.to_owned(), v.clone());
        }
    }
    out
}

fn words(side: &Query) -> String {
    let all: Vec<String> = side.iter().map(|(k, v)| format!("{k} {v}")).collect();
    if all.is_empty() { "everything".to_owned() } else { all.join(", ") }
}

fn change(a: &Shown, b: &Shown, sides: &Sides, site: &Site) -> Result<Value, Refusal> {
    let cells = |s: &Shown| s.computed.reduced.cells.clone();
    let water = Water::around(&[cells(a), cells(b)].concat());
    let found = compared(&a.surface, &b.surface, &water, 0.0, false);
    if found.squares.is_empty() {
        return Err(Refusal::missing(
            "nowhere are both sides known at once",
            "choose sides that share water, or drive again where the earlier tracks are",
        ));
    }
    let mut layers = change_layers(&found, sides, 0.0);
    // Squares are many and say where both are known; the patches are what changed for sure.
    layers.retain(|l| l.name != "change");
    let mut text = Vec::new();
    layers_geojson(&layers, &a.info(site.units), &mut text).map_err(|_| Refusal::broken())?;
    let mut value: Value = serde_json::from_slice(&text).map_err(|_| Refusal::broken())?;
    value["totals"] = totals(&found);
    Ok(value)
}

fn totals(c: &Comparison) -> Value {
    let one = |kind| {
        let t = c.total(kind);
        json!({
            "patches": t.patches, "area_m2": round(t.area_m2, 1), "volume_m3": round(t.volume_m3.best, 1),
            "volume_low_m3": round(t.volume_m3.low, 1), "volume_high_m3": round(t.volume_m3.high, 1),
        })
    };
    json!({
        "fill": one(Change::Fill), "scour": one(Change::Scour), "common_m2": round(c.common_m2(), 1),
        "proven_m2": round(c.proven_m2(), 1), "only_first_m2": round(c.only_before_m2, 1),
        "only_second_m2": round(c.only_after_m2, 1),
    })
}
