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
use leadline_chart::FINEST_TILE_ZOOM;
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
    let make = |shown: &Shown, (_, z, x, y): &TileAt| shown.tiles.tile(&shown.surface, *z, *x, *y);
    tile(&site, "depth", at, &q, &headers, "application/octet-stream", make).await
}

/// `GET /api/soundings/{show}/{z}/{x}/{y}`
pub(crate) async fn soundings(
    State(site): State<Arc<Site>>,
    Path(at): Path<TileAt>,
    FromQuery(q): FromQuery<Query>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    let make = |shown: &Shown, (_, z, x, y): &TileAt| {
        let list = soundings_json(shown, *z, *x, *y);
        (!list.is_empty()).then(|| Value::Array(list).to_string().into_bytes())
    };
    tile(&site, "soundings", at, &q, &headers, "application/json", make).await
}

/// `[lon, lat, depth_m, grade, soundings of the cell]`, shoalest first.
pub(crate) fn soundings_json(shown: &Shown, z: u8, x: u32, y: u32) -> Vec<Value> {
    let one = |p: leadline_chart::Pick| {
        let [lon, lat] = degrees(p.at.lonlat());
        json!([lon, lat, round(p.depth_m, 3), letter(p.grade), p.soundings])
    };
    shown.tiles.soundings(&shown.surface, z, x, y).into_iter().map(one).collect()
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
    make: impl FnOnce(&Shown, &TileAt) -> Option<Vec<u8>> + Send + 'static,
) -> Result<Response, Refusal> {
    let (show, z, x, y) = &at;
    if *z > FINEST_TILE_ZOOM || x >> z != 0 || y >> z != 0 {
        return Err(Refusal::missing(
            &format!("there is no tile {z}/{x}/{y}"),
            &format!("zooms are 0 to {FINEST_TILE_ZOOM}, columns and rows below two to the zoom"),
        ));
    }
    let shown = site.shown(show).await?;
    let keep = if q.get("v").is_some_and(|v| *v == shown.version) { Keep::Always } else { Keep::No };
    let key = format!("{what}/{show}/{z}/{x}/{y}?{}", shown.version);
    let bytes = match site.kept.get(&key) {
        Some(bytes) => bytes,
        None => {
            let made: Option<Bytes> = site.work(move |_| Ok(make(&shown, &at).map(|b| packed(&b)))).await?;
            site.kept.put(key, made.clone());
            made
        }
    };
    Ok(bytes.map_or_else(|| nothing(keep), |gz| from_packed(headers, kind, &gz, keep)))
}
