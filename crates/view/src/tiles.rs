//! Depth tiles and soundings by tile.

use crate::answer::{Keep, from_packed, nothing, packed};
use crate::asked::{Query, degrees, round};
use crate::refusal::Refusal;
use crate::shown::Shown;
use crate::site::Site;
use axum::body::Bytes;
use axum::extract::{Path, Query as FromQuery, State};
use axum::http::HeaderMap;
use axum::response::Response;
use leadline_chart::{FINEST_TILE_ZOOM, TilePatch};
use leadline_model::Grade;
use serde_json::{Value, json};
use std::sync::Arc;

/// show, zoom, column, row
pub(crate) type TileAt = (String, u8, u32, u32);

/// `GET /api/depth/{show}/{z}/{x}/{y}`
pub(crate) async fn depth(
    State(site): State<Arc<Site>>,
    Path(at): Path<TileAt>,
    FromQuery(q): FromQuery<Query>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    let make = |shown: &Shown, patch: Option<&TilePatch>, (_, z, x, y): &TileAt| match patch {
        Some(patch) => patch.tile((&shown.tiles, &shown.surface), *z, *x, *y),
        None => shown.tiles.tile(&shown.surface, *z, *x, *y),
    };
    tile(&site, "depth", at, &q, &headers, "application/octet-stream", make).await
}

/// `GET /api/soundings/{show}/{z}/{x}/{y}`
pub(crate) async fn soundings(
    State(site): State<Arc<Site>>,
    Path(at): Path<TileAt>,
    FromQuery(q): FromQuery<Query>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    let make = |shown: &Shown, patch: Option<&TilePatch>, (_, z, x, y): &TileAt| {
        let list = match patch {
            Some(patch) => picks_json(patch.soundings((&shown.tiles, &shown.surface), *z, *x, *y)),
            None => soundings_json(shown, *z, *x, *y),
        };
        (!list.is_empty()).then(|| Value::Array(list).to_string().into_bytes())
    };
    tile(&site, "soundings", at, &q, &headers, "application/json", make).await
}

/// `[lon, lat, depth_m, grade, soundings of the cell]`, shoalest first.
pub(crate) fn soundings_json(shown: &Shown, z: u8, x: u32, y: u32) -> Vec<Value> {
    picks_json(shown.tiles.soundings(&shown.surface, z, x, y))
}

fn picks_json(picks: Vec<leadline_chart::Pick>) -> Vec<Value> {
    let one = |p: leadline_chart::Pick| {
        let [lon, lat] = degrees(p.at.lonlat());
        json!([lon, lat, round(p.depth_m, 3), letter(p.grade), p.soundings])
    };
    picks.into_iter().map(one).collect()
}

/// One letter a grade.
pub(crate) fn letter(g: Grade) -> &'static str {
    match g {
        Grade::Sure => "s",
        Grade::Fair => "f",
        Grade::Loose | Grade::Void => "l",
    }
}

async fn tile(
    site: &Arc<Site>,
    what: &str,
    at: TileAt,
    q: &Query,
    headers: &HeaderMap,
    kind: &'static str,
    make: impl FnOnce(&Shown, Option<&TilePatch>, &TileAt) -> Option<Vec<u8>> + Send + 'static,
) -> Result<Response, Refusal> {
    let (show, z, x, y) = &at;
    if *z > FINEST_TILE_ZOOM || x >> z != 0 || y >> z != 0 {
        return Err(Refusal::missing(
            &format!("there is no tile {z}/{x}/{y}"),
            &format!("zooms are 0 to {FINEST_TILE_ZOOM}, columns and rows below two to the zoom"),
        ));
    }
    let shown = site.shown(show).await?;
    // A page that asks for the growth of the map names its number, so that each has an address of its own.
    let grown = q.get("g").filter(|_| show == "all").and_then(|_| site.grown());
    let grown = grown
        .filter(|g| g.version == shown.version && g.patch.as_ref().is_some_and(|p| p.touches(*z, *x, *y)));
    let number = grown.as_ref().map_or(0, |g| g.number);
    let is_asked = |name: &str, what: &str| q.get(name).is_some_and(|v| *v == what);
    let same = is_asked("v", &shown.version) && (!q.contains_key("g") || is_asked("g", &number.to_string()));
    let keep = if same { Keep::Always } else { Keep::No };
    let key = format!("{what}/{show}/{z}/{x}/{y}?{}/{number}", shown.version);
    let bytes = match site.kept.get(&key) {
        Some(bytes) => bytes,
        None => {
            let made: Option<Bytes> = site
                .work(move |_| {
                    let patch = grown.as_ref().and_then(|g| g.patch.as_ref());
                    Ok(make(&shown, patch, &at).map(|b| packed(&b)))
                })
                .await?;
            site.kept.put(key, made.clone());
            made
        }
    };
    Ok(bytes.map_or_else(|| nothing(keep), |gz| from_packed(headers, kind, &gz, keep)))
}
