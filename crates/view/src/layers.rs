//! `/api/layer/{name}`: lines, areas and places over the depths, as GeoJSON.

use crate::answer::{Keep, from_packed, json as answer, packed};
use crate::asked::{self, Query, degrees, round};
use crate::passes::passes_json;
use crate::place::marks_json;
use crate::refusal::Refusal;
use crate::shown::Shown;
use crate::site::Site;
use axum::extract::{Path, Query as FromQuery, State};
use axum::http::HeaderMap;
use axum::response::Response;
use leadline_chart::{
    Coverage, CoverageSettings, Layer, Plan, PlanSettings, Structure, Task, Units, Wanted, Water,
    coverage_layers, layers_geojson, layers_gpx, numbered, plan_layers, structure,
};
use leadline_model::Mark;
use leadline_survey::KnownMark;
use serde_json::{Value, json};
use std::sync::Arc;

/// Usual speed while sounding, m/s (judgement: five knots).
const USUAL_SPEED: f64 = 2.5;
/// Most weak spots of one plan.
const MOST_SPOTS: usize = 60;
/// Forms of each kind.
const MOST_FORMS: usize = 25;

/// `GET /api/layer/{name}`
pub(crate) async fn layer(
    State(site): State<Arc<Site>>,
    Path(name): Path<String>,
    FromQuery(q): FromQuery<Query>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    if name == "marks" {
        return Ok(answer(&headers, &marks_json(&told_marks(&site).await?), Keep::No));
    }
    // A plan keeps clear of marks.
    let marks = if name == "plan" { places(told_marks(&site).await?) } else { Vec::new() };
    let make = maker(&name, &q, &marks)?;
    let shown = site.shown(q.get("show").map_or("all", String::as_str)).await?;
    let asked: Vec<String> = q.iter().filter(|(k, _)| *k != "v").map(|(k, v)| format!("{k}={v}")).collect();
    let told = blake3::hash(format!("{marks:?}").as_bytes());
    let key = format!("layer/{name}?{}&{}&{told}", asked.join("&"), shown.version);
    let keep = if q.get("v").is_some_and(|v| *v == shown.version) { Keep::Always } else { Keep::No };
    if let Some(Some(gz)) = site.kept.get(&key) {
        return Ok(from_packed(&headers, "application/geo+json", &gz, keep));
    }
    let gz = site.work(move |site| Ok(packed(&make(&shown, site.units)?))).await?;
    site.kept.put(key, Some(gz.clone()));
    Ok(from_packed(&headers, "application/geo+json", &gz, keep))
}

/// `GET /api/plan.gpx`
pub(crate) async fn plan_gpx(
    State(site): State<Arc<Site>>,
    FromQuery(q): FromQuery<Query>,
) -> Result<Response, Refusal> {
    let settings = plan_settings(&q, &places(told_marks(&site).await?))?;
    let shown = site.shown("all").await?;
    let name = crate::answer::file_name(&shown.name.0, "gpx");
    let bytes = site
        .work(move |site| {
            let plan = plan(&shown, &settings)?;
            let info = shown.info(site.units);
            let mut out = Vec::new();
            layers_gpx(&plan_layers(&plan), &info, &mut out).map_err(|_| Refusal::broken())?;
            Ok(out)
        })
        .await?;
    Ok(crate::answer::file("application/gpx+xml", &name, bytes))
}

/// The marks that may be shown through this door. Private ones are this device's own, and change without the survey
/// changing.
async fn told_marks(site: &Arc<Site>) -> Result<Vec<KnownMark>, Refusal> {
    let is_lan = site.is_lan;
    let marks = site.with_store(move |_, s| Ok(s.marks()?)).await?;
    Ok(marks.into_iter().filter(|m| m.shared || !is_lan).collect())
}

fn places(marks: Vec<KnownMark>) -> Vec<Mark> {
    marks.into_iter().map(|m| m.mark).collect()
}

type Make = Box<dyn FnOnce(&Shown, Units) -> Result<Vec<u8>, Refusal> + Send>;

/// What makes a layer, with what was asked checked.
fn maker(name: &str, q: &Query, marks: &[Mark]) -> Result<Make, Refusal> {
    Ok(match name {
        "passes" => Box::new(|shown, _| Ok(passes_json(shown).to_string().into_bytes())),
        "coverage" => {
            let stage_m = asked::number(q, "stage", -10_000.0, 10_000.0)?.unwrap_or(0.0);
            Box::new(move |shown, units| geojson(&coverage_layers(&coverage(shown, stage_m)?), shown, units))
        }
        "structure" => Box::new(|shown, _| {
            known(shown)?;
            let wanted = Wanted { most: Some(MOST_FORMS), ..Wanted::default() };
            Ok(forms_json(&structure(&shown.surface).choose(&wanted)).to_string().into_bytes())
        }),
        "plan" => {
            let settings = plan_settings(q, marks)?;
            Box::new(move |shown, units| geojson(&plan_layers(&plan(shown, &settings)?), shown, units))
        }
        other => {
            return Err(Refusal::missing(
                &format!("there is no layer {other}"),
                "layers are passes, coverage, structure, marks and plan",
            ));
        }
    })
}

fn geojson(layers: &[Layer], shown: &Shown, units: Units) -> Result<Vec<u8>, Refusal> {
    let mut out = Vec::new();
    layers_geojson(layers, &shown.info(units), &mut out).map_err(|_| Refusal::broken())?;
    Ok(out)
}

/// Refuses where nothing was measured.
fn known(shown: &Shown) -> Result<(), Refusal> {
    match shown.surface.blank_reason() {
        None => Ok(()),
        Some(why) => Err(Refusal::missing(&why.to_string(), "import more logs first")),
    }
}

fn coverage(shown: &Shown, stage_m: f64) -> Result<Coverage, Refusal> {
    if shown.computed.reduced.cells.is_empty() {
        return Err(Refusal::missing("no depths yet, so there is no water to look at", "import a log first"));
    }
    let water = Water::around(&shown.computed.reduced.cells);
    let settings = CoverageSettings { stage_m, ..CoverageSettings::default() };
    Ok(Coverage::of(&shown.surface, &shown.computed.reduced.soundings, &water, &settings))
}

fn plan_settings(q: &Query, marks: &[Mark]) -> Result<PlanSettings, Refusal> {
    Ok(PlanSettings {
        spacing_m: asked::number(q, "spacing", 1.0, 1_000.0)?,
        axis_deg: asked::number(q, "direction", 0.0, 360.0)?,
        cross: false,
        speed_m_s: asked::number(q, "speed", 0.1, PlanSettings::TOO_FAST_M_S)?.unwrap_or(USUAL_SPEED),
        draft_m: asked::number(q, "draft", 0.0, 20.0)?.unwrap_or(PlanSettings::USUAL_DRAFT_M),
        margin_m: PlanSettings::MARGIN_M,
        stage_m: asked::number(q, "stage", -10_000.0, 10_000.0)?.unwrap_or(0.0),
        start: match (q.get("lon"), q.get("lat")) {
            (Some(_), Some(_)) => Some(asked::place_of(q)?),
            _ => None,
        },
        into_unknown: false,
        most_spots: MOST_SPOTS,
        marks: marks.to_vec(),
    })
}

/// Runs over the weak spots.
fn plan(shown: &Shown, settings: &PlanSettings) -> Result<Plan, Refusal> {
    let coverage = coverage(shown, settings.stage_m)?;
    if coverage.weak.is_empty() {
        return Err(Refusal::missing(
            "no weak spots: no holiday, nothing loose or disputed",
            "for lines over other water use `leadline plan --area FILE`",
        ));
    }
    let water = Water::around(&shown.computed.reduced.cells);
    Plan::of(&shown.surface, &water, &coverage, Task::WeakSpots, settings)
        .map_err(|e| Refusal::bad(&e.to_string(), "change what was asked"))
}

/// Forms of the bed.
fn forms_json(s: &Structure) -> Value {
    let place = |p: &[f64; 2]| json!(degrees(s.frame.lonlat(p[0], p[1])));
    let mut features = Vec::new();
    for (n, f) in numbered(&s.forms) {
        let properties = json!({
            "kind": f.kind.word(), "number": n, "scale": f.scale.word(), "shoal_m": round(f.shoal_m, 3),
            "deep_m": round(f.deep_m, 3), "relief_m": round(f.relief_m, 3), "relief95_m": round(f.relief95_m, 3),
            "length_m": round(f.length_m, 1), "width_m": round(f.width_m, 1), "grade": f.grade.word(),
            "disputed": f.disputed, "lon": place(&f.at)[0], "lat": place(&f.at)[1],
        });
        let line: Vec<Value> = f.line.iter().map(place).collect();
        let rings: Vec<Vec<Value>> =
            f.outline.iter().map(|r| closed(r.iter().map(place).collect())).collect();
        let geometry = if line.len() > 1 {
            json!({"type": "LineString", "coordinates": line})
        } else if rings.first().is_some_and(|r| r.len() > 3) {
            json!({"type": "Polygon", "coordinates": rings})
        } else {
            json!({"type": "Point", "coordinates": place(&f.at)})
        };
        features.push(json!({"type": "Feature", "properties": properties, "geometry": geometry}));
    }
    json!({"type": "FeatureCollection", "features": features})
}

/// A ring ends where it begins (RFC 7946 3.1.6).
fn closed(mut ring: Vec<Value>) -> Vec<Value> {
    if ring.first() != ring.last() {
        ring.extend(ring.first().cloned());
    }
    ring
}
