//! `/api/import`: a log dropped on the page.

use crate::answer::{Keep, json as answer};
use crate::asked::{self, Query};
use crate::refusal::Refusal;
use crate::site::Site;
use axum::body::Bytes;
use axum::extract::{Query as FromQuery, State};
use axum::http::HeaderMap;
use axum::response::Response;
use leadline_model::{Text, escaped};
use leadline_survey::{Home, ImportRequest, Imported, Store, import_bytes};
use serde_json::{Value, json};
use std::sync::Arc;

/// Lines told of each kind of problem.
const LINES: usize = 5;

/// `POST /api/import?name=FILE&boat=NAME`
pub(crate) async fn import(
    State(site): State<Arc<Site>>,
    FromQuery(q): FromQuery<Query>,
    headers: HeaderMap,
    bytes: Bytes,
) -> Result<Response, Refusal> {
    let boat = q.get("boat").map_or("", String::as_str);
    let boat = Text::new(boat).map_err(|e| Refusal::bad(&format!("boat: {e}"), "say which boat measured"))?;
    let name = escaped(q.get("name").map_or("log", String::as_str)).chars().take(120).collect::<String>();
    if bytes.is_empty() {
        return Err(Refusal::bad(&format!("{name} is empty"), "drop the log itself"));
    }
    let request = ImportRequest {
        boat,
        draft_mm: asked::number(&q, "draft", 0.0, 20.0)?.map(|m| (m * 1000.0).round() as i32),
        sound_speed_mm_s: asked::number(&q, "sound_speed", 1_300.0, 1_700.0)?
            .map(|v| (v * 1000.0).round() as i32),
        temp_centi: None,
        date: asked::time_of(&q, "date", asked::moment)?,
        now: asked::now(),
    };
    let done = site.with_store(move |home, store| take(home, store, &name, &bytes, &request)).await?;
    site.look_now.notify_one();
    Ok(answer(&headers, &done, Keep::No))
}

fn take(
    home: &Home,
    store: &mut Store,
    name: &str,
    bytes: &[u8],
    request: &ImportRequest,
) -> Result<Value, Refusal> {
    Ok(told(name, &import_bytes(home, store, name, bytes, request)?))
}

/// What came of it, with the first lines of each kind of problem.
fn told(name: &str, d: &Imported) -> Value {
    let r = &d.report;
    let problems: Vec<Value> = r
        .problems
        .iter()
        .map(|(p, n)| {
            let of_kind = r.examples.iter().filter(|e| e.problem == *p).take(LINES);
            let lines: Vec<Value> = of_kind.map(|e| json!({"line": e.line, "what": e.detail})).collect();
            json!({"kind": p.code(), "words": p.words(), "count": n, "lines": lines})
        })
        .collect();
    json!({
        "name": name, "format": r.format.code(), "lines": r.lines, "soundings": r.soundings, "legs": d.legs,
        "known": d.known, "trimmed": d.trimmed, "problems": problems,
        "nothing": (r.soundings == 0).then_some(
            "no sounding was found in it: check that the sounder's output goes into the log, and what the problems say"
        ),
    })
}
