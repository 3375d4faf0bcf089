//! What requests say: numbers, places, times and texts, each checked.

use crate::refusal::Refusal;
use leadline_model::{GridPos, LonLat, Text, UtcMillis};
use serde_json::Value;
use std::collections::BTreeMap;

/// The query of an address.
pub(crate) type Query = BTreeMap<String, String>;

/// A number within bounds.
pub(crate) fn within(what: &str, v: f64, lo: f64, hi: f64) -> Result<f64, Refusal> {
    if (lo..=hi).contains(&v) {
        Ok(v)
    } else {
        Err(Refusal::bad(&format!("{what} {v} does not lie between {lo} and {hi}"), "give one that does"))
    }
}

/// A number of a query, if it is there.
pub(crate) fn number(q: &Query, what: &str, lo: f64, hi: f64) -> Result<Option<f64>, Refusal> {
    let Some(text) = q.get(what).filter(|t| !t.is_empty()) else { return Ok(None) };
    let v: f64 = text
        .parse()
        .map_err(|_| Refusal::bad(&format!("{what}={text} is no number"), "give a number such as 2.5"))?;
    within(what, v, lo, hi).map(Some)
}

/// A place on the grid.
pub(crate) fn place(lon: f64, lat: f64) -> Result<GridPos, Refusal> {
    GridPos::from_lonlat(LonLat { lon, lat }).ok_or_else(|| {
        Refusal::bad(
            &format!("{lon},{lat} is no place of the map"),
            "give longitude -180 to 180, then latitude -85 to 85, in degrees",
        )
    })
}

/// `lon` and `lat` of a query.
pub(crate) fn place_of(q: &Query) -> Result<GridPos, Refusal> {
    match (number(q, "lon", -180.0, 180.0)?, number(q, "lat", -90.0, 90.0)?) {
        (Some(lon), Some(lat)) => place(lon, lat),
        _ => Err(Refusal::bad("the place is missing", "give lon and lat in degrees")),
    }
}

/// A short text of a body.
pub(crate) fn text(body: &Value, what: &str) -> Result<Text, Refusal> {
    let said = body[what].as_str().unwrap_or_default();
    Text::new(said).map_err(|e| Refusal::bad(&format!("{what}: {e}"), "say it in a few words"))
}

/// A number of a body, if it is there.
pub(crate) fn body_number(body: &Value, what: &str, lo: f64, hi: f64) -> Result<Option<f64>, Refusal> {
    match &body[what] {
        Value::Null => Ok(None),
        v => match v.as_f64() {
            Some(n) => within(what, n, lo, hi).map(Some),
            None => Err(Refusal::bad(&format!("{what} is no number"), "give a number such as 2.5")),
        },
    }
}

/// A pair of degrees of a body.
pub(crate) fn pair(v: &Value) -> Result<GridPos, Refusal> {
    match v.as_array().map(Vec::as_slice) {
        Some([lon, lat]) => match (lon.as_f64(), lat.as_f64()) {
            (Some(lon), Some(lat)) => place(lon, lat),
            _ => {
                Err(Refusal::bad("a place of two numbers is needed", "give [longitude, latitude] in degrees"))
            }
        },
        _ => Err(Refusal::bad("a place of two numbers is needed", "give [longitude, latitude] in degrees")),
    }
}

/// A moment; a day alone is its first one.
pub(crate) fn moment(what: &str, text: &str) -> Result<UtcMillis, Refusal> {
    let text = text.trim();
    let full = if text.len() == 10 { format!("{text}T00:00Z") } else { text.to_owned() };
    full.parse().map_err(|e| {
        Refusal::bad(&format!("{what} {text:?}: {e}"), "give a time such as 2026-06-01T09:30Z, or a day")
    })
}

/// The end of a stretch of time; a day alone belongs to it whole.
pub(crate) fn end(what: &str, text: &str) -> Result<UtcMillis, Refusal> {
    let at = moment(what, text)?;
    Ok(if text.trim().len() == 10 { UtcMillis(at.0 + 86_400_000) } else { at })
}

/// A moment of a query, if it is there.
pub(crate) fn time_of(
    q: &Query,
    what: &str,
    read: fn(&str, &str) -> Result<UtcMillis, Refusal>,
) -> Result<Option<UtcMillis>, Refusal> {
    q.get(what).filter(|t| !t.is_empty()).map(|t| read(what, t)).transpose()
}

/// The device's clock: a claim that entries carry.
pub(crate) fn now() -> UtcMillis {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
    UtcMillis(since.as_millis() as i64)
}

/// Rounded for JSON.
pub(crate) fn round(v: f64, decimals: i32) -> f64 {
    let ten = 10f64.powi(decimals);
    (v * ten).round() / ten
}

/// Degrees of a place, seven decimals.
pub(crate) fn degrees(p: LonLat) -> [f64; 2] {
    [round(p.lon, 7), round(p.lat, 7)]
}
