//! `/api/chart`: what a page needs to begin.

use crate::answer::{Keep, json as answer};
use crate::asked::{self, degrees, round};
use crate::refusal::Refusal;
use crate::shown::Shown;
use crate::site::Site;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use leadline_chart::Units;
use leadline_model::{CAUTION, Grade, LonLat, PRODUCT, Text, UtcMillis, escaped};
use leadline_survey::{Error, Ledger, Store};
use serde_json::{Map, Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Step of the stage stepper, metres (judgement: what a gauge by a ramp is read to).
const STAGE_STEP_M: f64 = 0.1;

/// `GET /api/chart`
pub(crate) async fn chart(State(site): State<Arc<Site>>, headers: HeaderMap) -> Result<Response, Refusal> {
    let shown = site.standing();
    let (is_lan, units, why_not) = (site.is_lan, site.units, site.why_not());
    let value = site
        .with_store(move |_, store| {
            let mut v = match &shown {
                Some(shown) => chart_json(shown, units, Some((store, asked::now())))?,
                None => begun(store, units, why_not.as_deref())?,
            };
            v["may_write"] = json!(!is_lan && store.may_measure().is_ok() && !store.is_guest()?);
            v["door"] = json!(if is_lan { "lan" } else { "loopback" });
            Ok(v)
        })
        .await?;
    Ok(answer(&headers, &value, Keep::No))
}

/// What is known before anything is computed.
fn begun(store: &Store, units: Units, why_not: Option<&str>) -> Result<Value, Error> {
    let (name, datum) = store.name()?.map(|(n, d)| (n.to_string(), d.to_string())).unwrap_or_default();
    Ok(json!({
        "product": PRODUCT, "caution": CAUTION, "computing": why_not.is_none(), "why_not": why_not.map(escaped),
        "survey": {"id": store.survey().to_string(), "name": name, "datum": datum},
        "units": units.sign(), "now_utc": asked::now().to_string(), "encrypted": false, "show": "all",
    }))
}

/// All that is known. Without a store and a clock, what only they know is left out (the crew, ages): a copy to carry
/// is the same bytes whenever it is made of the same entries.
pub(crate) fn chart_json(
    shown: &Shown,
    units: Units,
    live: Option<(&Store, UtcMillis)>,
) -> Result<Value, Error> {
    let (store, now) = live.unzip();
    let reduced = &shown.computed.reduced;
    let total = &reduced.tally.total;
    let grades: Map<_, _> = Grade::ALL.iter().map(|g| (g.word().to_owned(), json!(total.of(*g)))).collect();
    let days: BTreeSet<String> =
        reduced.passes.iter().flat_map(|p| [p.first.date_text(), p.last.date_text()]).collect();
    let disputed = reduced.cells.iter().filter(|c| c.disputed).count();
    let ledger = store.map(Store::ledger).transpose()?;
    let own = store.map(Store::device);
    let bounds = bounds(shown);
    let name = |t: &str| escaped(t);
    Ok(json!({
        "product": PRODUCT, "caution": CAUTION,
        "survey": {
            "id": store.map(|s| s.survey().to_string()), "name": name(&shown.name.0), "datum": name(&shown.name.1),
        },
        "version": shown.version, "bounds": bounds,
        "center": bounds.map(|_| degrees(shown.surface.frame().origin().lonlat())),
        "units": units.sign(), "now_utc": now.map(|t| t.to_string()), "may_write": false, "door": "none", "encrypted": false,
        "stage": stage(shown, now), "boats": boats(shown), "boat": own.and_then(|d| boat_of(shown, d)),
        "draft_m": null, "passes": passes(shown, ledger.as_ref()), "days": days, "grades": grades,
        "disputed": disputed, "crew": ledger.as_ref().map(crew).unwrap_or_default(),
        "newest_utc": shown.surface.newest().map(|t| t.to_string()),
        "depth_range_m": shown.surface.safe_range_m().map(|(lo, hi)| [round(lo, 3), round(hi, 3)]),
        "conflicts": shown.computed.ground.conflicts.iter().map(|c| escaped(c)).collect::<Vec<_>>(),
        "partial_legs": shown.computed.partial_legs,
        "blank": shown.surface.blank_reason().map(|b| b.to_string()),
        "levelling_is_current": shown.computed.ground.levelling.as_ref()
            .map(|l| l.what.inputs == shown.computed.ground.inputs),
        "summary": summary(shown, units, disputed), "show": "all",
    }))
}

/// West, south, east, north; east is the smaller one where the water lies across the antimeridian.
fn bounds(shown: &Shown) -> Option<[f64; 4]> {
    let frame = shown.surface.frame();
    let places = || shown.computed.reduced.cells.iter().map(|c| frame.metres(c.at));
    let first = places().next()?;
    let (mut low, mut high) = (first, first);
    for (e, n) in places() {
        (low, high) = ((low.0.min(e), low.1.min(n)), (high.0.max(e), high.1.max(n)));
    }
    // Cells are about three metres wide.
    let corner = |e: f64, n: f64| -> LonLat { frame.lonlat(e, n) };
    let [west, south] = degrees(corner(low.0 - 3.0, low.1 - 3.0));
    let [east, north] = degrees(corner(high.0 + 3.0, high.1 + 3.0));
    Some([west, south, east, north])
}

/// The newest observed stage.
fn stage(shown: &Shown, now: Option<UtcMillis>) -> Value {
    let readings = shown.computed.ground.stages_above_datum();
    let newest =
        readings.iter().filter(|r| now.is_none_or(|n| r.at <= n)).max_by_key(|r| (r.at, r.gauge.clone()));
    newest.map_or(Value::Null, |r| {
        json!({
            "level_m": f64::from(r.level_mm) / 1000.0, "gauge": r.gauge.to_string(), "at_utc": r.at.to_string(),
            "age_s": now.map(|n| (n.0 - r.at.0) / 1000), "step_m": STAGE_STEP_M,
        })
    })
}

/// Boats with the depth of their transducer as it was last stated, and what they measured.
fn boats(shown: &Shown) -> Vec<Value> {
    let ground = &shown.computed.ground;
    let draft = |boat: &Text| {
        let said = ground.setups.iter().filter(|s| s.boat == *boat && s.draft_mm.is_some());
        said.max_by_key(|s| s.from).and_then(|s| s.draft_mm).map(|mm| f64::from(mm) / 1000.0)
    };
    let one = |b: &leadline_survey::BoatCounts| json!({"name": b.boat.to_string(), "draft_m": draft(&b.boat), "soundings": b.counts.soundings});
    shown.computed.reduced.tally.boats.iter().map(one).collect()
}

/// The boat of this device's newest leg.
fn boat_of(shown: &Shown, device: leadline_model::DeviceId) -> Option<String> {
    let claims = shown.computed.claims.values().flatten().filter(|c| c.device == device);
    let newest = claims.max_by_key(|c| (c.what.window, c.claimed))?;
    Some(newest.what.boat.to_string())
}

fn passes(shown: &Shown, ledger: Option<&Ledger>) -> Vec<Value> {
    let names: BTreeMap<&str, &Text> =
        ledger.iter().flat_map(|l| &l.rows).map(|r| (r.device.as_str(), &r.name)).collect();
    let device = |p: &leadline_model::Pass| {
        let claim = shown.computed.claims.get(p.legs.first()?)?.first()?;
        let id = claim.device.to_string();
        Some(names.get(id.as_str()).map_or_else(|| claim.device.short(), |n| n.to_string()))
    };
    let one = |(i, p): (u32, &leadline_model::Pass)| {
        json!({
            "n": i + 1, "boat": p.boat.to_string(), "device": device(p), "from_utc": p.first.to_string(),
            "to_utc": p.last.to_string(), "soundings": p.soundings, "fresh": shown.fresh.contains(&i),
        })
    };
    (0u32..).zip(&shown.computed.reduced.passes).map(one).collect()
}

fn crew(ledger: &Ledger) -> Vec<Value> {
    let one = |r: &leadline_survey::LedgerRow| {
        json!({
            "device": r.device, "name": r.name.to_string(), "role": r.role, "met_utc": r.met, "this": r.this,
            "lacks": r.lacks,
        })
    };
    ledger.rows.iter().map(one).collect()
}

/// The chart in sentences, for those who hear it.
fn summary(shown: &Shown, units: Units, disputed: usize) -> String {
    let reduced = &shown.computed.reduced;
    let total = &reduced.tally.total;
    let Some((lo, hi)) = shown.surface.safe_range_m() else {
        return "No depths yet: import a log first.".to_owned();
    };
    let depth = |m: f64| format!("{} {}", units.shoal_text(m), units.sign());
    let share = |g: Grade| (100.0 * total.of(g) as f64 / total.soundings.max(1) as f64).round();
    let boats: Vec<String> = reduced.tally.boats.iter().map(|b| b.boat.to_string()).collect();
    let newest = shown.surface.newest().map(|t| format!(" up to {}", t.date_text())).unwrap_or_default();
    let disputes = match disputed {
        0 => String::new(),
        1 => " In one cell the soundings disagree.".to_owned(),
        n => format!(" In {n} cells the soundings disagree."),
    };
    format!(
        "{}: safe depths from {} to {} below the sounding datum ({}). {} soundings in {} passes by {}{newest}: {} % sure, {} % fair, {} % loose, {} % void.{disputes} {CAUTION}",
        escaped(&shown.name.0),
        depth(lo),
        depth(hi),
        escaped(&shown.name.1),
        total.soundings,
        reduced.passes.len(),
        boats.join(", "),
        share(Grade::Sure),
        share(Grade::Fair),
        share(Grade::Loose),
        share(Grade::Void),
    )
}
