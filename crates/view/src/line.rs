//! `/api/profile`: the bed along a drawn line.

use crate::answer::{Keep, json as answer};
use crate::asked::{self, Query, round};
use crate::refusal::Refusal;
use crate::shown::Shown;
use crate::site::Site;
use axum::extract::{Query as FromQuery, State};
use axum::http::HeaderMap;
use axum::response::Response;
use leadline_model::{GridPos, LocalFrame};
use serde_json::{Value, json};
use std::sync::Arc;

/// Corners of a line.
const MOST_CORNERS: usize = 50;
/// Points of a profile.
const MOST_POINTS: usize = 512;
/// Points closer than this say nothing more, metres: less than a cell.
const LEAST_STEP_M: f64 = 1.0;
/// Longest line, metres.
const LONGEST_M: f64 = 100_000.0;

/// `GET /api/profile`
pub(crate) async fn profile(
    State(site): State<Arc<Site>>,
    FromQuery(q): FromQuery<Query>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    let corners = corners(q.get("line").map_or("", String::as_str))?;
    let shown = site.shown(q.get("show").map_or("all", String::as_str)).await?;
    let value = site.work(move |_| profile_json(&shown, &corners)).await?;
    Ok(answer(&headers, &value, Keep::No))
}

/// `lon,lat;lon,lat;…`
fn corners(text: &str) -> Result<Vec<GridPos>, Refusal> {
    let bad =
        || Refusal::bad("line is no line", "give it as lon,lat;lon,lat with two corners or more, in degrees");
    let corner = |t: &str| {
        let (lon, lat) = t.split_once(',').ok_or_else(bad)?;
        asked::place(lon.trim().parse().map_err(|_| bad())?, lat.trim().parse().map_err(|_| bad())?)
    };
    if text.matches(';').count() >= MOST_CORNERS {
        return Err(Refusal::bad(&format!("more than {MOST_CORNERS} corners"), "draw a simpler line"));
    }
    let all = text.split(';').map(corner).collect::<Result<Vec<_>, _>>()?;
    if all.len() < 2 { Err(bad()) } else { Ok(all) }
}

fn profile_json(shown: &Shown, corners: &[GridPos]) -> Result<Value, Refusal> {
    // A frame for each leg: true lengths however long the line is.
    let legs: Vec<(LocalFrame, [f64; 2], f64)> = corners
        .windows(2)
        .map(|w| {
            let frame = LocalFrame::new(w[0]);
            let (e, n) = frame.metres(w[1]);
            (frame, [e, n], e.hypot(n))
        })
        .collect();
    let length_m: f64 = legs.iter().map(|l| l.2).sum();
    if length_m > LONGEST_M {
        return Err(Refusal::bad(
            &format!("the line is {:.0} km long", length_m / 1000.0),
            &format!("draw one of {:.0} km at most", LONGEST_M / 1000.0),
        ));
    }
    let pieces = ((length_m / LEAST_STEP_M).ceil() as usize).clamp(1, MOST_POINTS - 1);
    let point = |i: usize| {
        let along = length_m * i as f64 / pieces as f64;
        let mut left = along;
        let mut at = corners[corners.len() - 1];
        for (frame, [e, n], length) in &legs {
            if left <= *length {
                let share = if *length > 0.0 { left / length } else { 0.0 };
                at = frame.place(e * share, n * share);
                break;
            }
            left -= length;
        }
        let known = shown.surface.depth_at(at);
        let best = known.as_ref().map(|e| round(e.depth_m, 3));
        let tvu = known.as_ref().map(|e| round(e.tvu95_m, 3));
        let safe = shown.surface.safe_depth_at(at).map(|s| round(s, 3));
        json!([round(along, 2), best, safe, tvu])
    };
    let points: Vec<Value> = (0..=pieces).map(point).collect();
    Ok(json!({"length_m": round(length_m, 2), "points": points}))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_bounded() {
        assert_eq!(corners("7.4,48.2;7.41,48.2").expect("a line").len(), 2);
        for bad in ["", "7.4,48.2", "7.4;48.2", "a,b;c,d", "7.4,48.2;", "7.4,95;7.4,48", "NaN,1;2,3"] {
            assert!(corners(bad).is_err(), "{bad}");
        }
        assert!(corners(&["1,1"; 51].join(";")).is_err() && corners(&["1,1"; 50].join(";")).is_ok());
    }
}
