//! `/api/now` and `/api/trail`: the boat that is recording on this device, what lies ahead of it, and what to drive next.

use crate::answer::{Keep, json as answer};
use crate::asked::{self, Query, degrees, round};
use crate::growing::Grown;
use crate::refusal::Refusal;
use crate::shown::Shown;
use crate::site::Site;
use crate::steering::{self, For, Have};
use crate::tiles::letter;
use axum::extract::{Query as FromQuery, State};
use axum::http::HeaderMap;
use axum::response::Response;
use leadline_chart::{Ahead, Heading, NextRun, PlanSettings, next_run};
use leadline_model::{GridPos, Mark, Text, escaped};
use leadline_survey::{Home, Underway, open_legs, underway};
use serde_json::{Value, json};
use std::sync::Arc;

/// What is older than this has stopped, ms: the same as the recording's own rule.
const STOPPED_MS: u64 = 5_000;
/// A boat that states no speed is looked ahead for at a usual one, m/s (judgement: five knots).
const USUAL_SPEED: f64 = 2.5;

/// What a boat needs, as the page says it.
struct Needs {
    draft_m: f64,
    assumed: bool,
    room_m: f64,
    stage_m: f64,
}

impl Needs {
    fn of(q: &Query) -> Result<Self, Refusal> {
        let draft = asked::number(q, "draft", 0.0, 30.0)?.filter(|d| *d > 0.0);
        Ok(Self {
            draft_m: draft.unwrap_or(PlanSettings::USUAL_DRAFT_M),
            assumed: draft.is_none(),
            room_m: asked::number(q, "room", 0.0, 30.0)?.unwrap_or(PlanSettings::MARGIN_M),
            stage_m: asked::number(q, "stage", -10_000.0, 10_000.0)?.unwrap_or(0.0),
        })
    }

    fn metres(&self) -> f64 {
        self.draft_m + self.room_m
    }
}

/// `GET /api/now`
pub(crate) async fn now(
    State(site): State<Arc<Site>>,
    FromQuery(q): FromQuery<Query>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    let needs = Needs::of(&q)?;
    let reading = Arc::clone(&site);
    let read = tokio::task::spawn_blocking(move || state(&reading)).await.map_err(|_| Refusal::broken())?;
    let Some((mut state, near_home)) = read? else {
        return Ok(answer(&headers, &json!({"recording": false}), Keep::No));
    };
    if near_home {
        (state.at, state.course_deg) = (None, None);
    }
    let value = match site.standing() {
        Some(shown) => {
            let marks = marks(&site).await?;
            full(&site, &shown, &state, needs, marks, near_home).await
        }
        None => json!({"recording": true, "boat": boat(&state, None), "near_home": near_home}),
    };
    Ok(answer(&headers, &value, Keep::No))
}

/// `GET /api/trail`: the open leg, each sounding with its provisional grade, and the open legs of the crew.
pub(crate) async fn trail(State(site): State<Arc<Site>>, headers: HeaderMap) -> Result<Response, Refusal> {
    let grown = site.grown();
    let reading = Arc::clone(&site);
    let others = tokio::task::spawn_blocking(move || {
        let home = Home::open(Some(&reading.home))?;
        Ok::<_, leadline_survey::Error>(open_legs(&home, &reading.survey))
    })
    .await
    .map_err(|_| Refusal::broken())??;
    let crew: Vec<Value> = others
        .iter()
        .filter(|(device, _)| device.is_some())
        .map(|(_, leg)| {
            let line: Vec<[f64; 2]> = leg.points.iter().map(|p| degrees(p.at.lonlat())).collect();
            json!({"boat": leg.boat.to_string(), "line": line})
        })
        .collect();
    let own: Vec<Value> = grown
        .iter()
        .flat_map(|g| &g.trail)
        .map(|s| {
            let [lon, lat] = degrees(s.at.lonlat());
            let grade = if s.void.is_some() { "v" } else { letter(s.grade) };
            json!([lon, lat, grade, round(s.depth_m, 2)])
        })
        .collect();
    let value = json!({"number": grown.as_ref().map(|g| g.number), "trail": own, "crew": crew});
    Ok(answer(&headers, &value, Keep::No))
}

/// The state, and whether the boat lies where nothing may be told of it through this door.
fn state(site: &Site) -> Result<Option<(Underway, bool)>, Refusal> {
    let home = Home::open(Some(&site.home))?;
    let Some(state) = underway(&home, &site.survey, asked::now()) else { return Ok(None) };
    let near_home = match state.place().filter(|_| site.is_lan) {
        Some(at) => home.is_near_home(at)?,
        None => false,
    };
    Ok(Some((state, near_home)))
}

async fn marks(site: &Arc<Site>) -> Result<Vec<Mark>, Refusal> {
    let is_lan = site.is_lan;
    let marks = site.with_store(|_, s| Ok(s.marks()?)).await?;
    Ok(marks.into_iter().filter(|m| m.shared || !is_lan).map(|m| m.mark).collect())
}

async fn full(
    site: &Arc<Site>,
    shown: &Arc<Shown>,
    state: &Underway,
    mut needs: Needs,
    marks: Vec<Mark>,
    near_home: bool,
) -> Value {
    let draft = transducer_m(shown, state);
    // A boat reaches at least as deep as its transducer.
    needs.draft_m = needs.draft_m.max(draft.unwrap_or(0.0));
    let grown = site.grown().filter(|g| g.version == shown.version);
    let next = next(site, shown, state, &needs, &marks, grown.as_deref()).await;
    let depth = water_m(state, draft);
    json!({
        "recording": true,
        "boat": boat(state, depth),
        "near_home": near_home,
        "draft_m": round(needs.draft_m, 2), "draft_assumed": needs.assumed, "need_m": round(needs.metres(), 2),
        "under_touches": depth.is_some_and(|(m, below)| below == "surface" && m < needs.metres()),
        "ahead": ahead(shown, grown.as_deref(), state, &needs, &marks),
        "next": next,
        "grown": grown.as_deref().map(|g| grown_json(g, shown)),
    })
}

/// Depth of the boat's transducer: as typed with the recording, as said for the boat, or as the sounder says.
fn transducer_m(shown: &Shown, state: &Underway) -> Option<f64> {
    let ground = &shown.computed.ground;
    let said = Text::new(&state.boat).ok().and_then(|name| {
        let boat = ground.boat(&name);
        let now = state.time.unwrap_or(state.written);
        let of = ground.setups.iter().filter(|s| s.boat == boat && s.draft_mm.is_some() && s.from.0 <= now);
        of.max_by_key(|s| s.from)?.draft_mm
    });
    let stated = state.offset_mm.filter(|mm| *mm > 0).map(i32::from);
    let mm = state.draft_mm.or(said).or(stated)?;
    (0..30_000).contains(&mm).then(|| f64::from(mm) / 1000.0)
}

/// The depth as the sounder gives it, brought to the surface where that is known; and what it is measured from.
fn water_m(state: &Underway, transducer_m: Option<f64>) -> Option<(f64, &'static str)> {
    let m = f64::from(state.depth_mm?) / 1000.0;
    Some(match (state.depth_from.as_str(), transducer_m) {
        ("surface", _) => (m, "surface"),
        ("keel", _) => (m, "keel"),
        (_, Some(down)) => (m + down, "surface"),
        (_, None) => (m, "transducer"),
    })
}

fn boat(state: &Underway, depth: Option<(f64, &'static str)>) -> Value {
    let age = state.age(asked::now());
    let old = |of: Option<u64>| of.map(|ms| ms.saturating_add(age));
    let seconds = |of: Option<u64>| old(of).map(|ms| round(ms as f64 / 1000.0, 1));
    let stopped = |of: Option<u64>| old(of).is_none_or(|ms| ms >= STOPPED_MS);
    json!({
        "name": escaped(&state.boat),
        "state_age_s": round(age as f64 / 1000.0, 1), "stale": age >= STOPPED_MS,
        "at": state.place().map(|p| degrees(p.lonlat())), "fix_age_s": seconds(state.fix_age), "fix_stopped": stopped(state.fix_age),
        "course_deg": state.course_deg.map(|c| round(c, 0)),
        "speed_m_s": state.speed_mm_s.map(|v| round(f64::from(v) / 1000.0, 2)),
        "depth_m": depth.map(|d| round(d.0, 2)), "depth_below": depth.map(|d| d.1),
        "depth_age_s": seconds(state.depth_age), "depth_stopped": stopped(state.depth_age),
        "time_utc": state.time.map(|t| leadline_model::UtcMillis(t).to_string()), "time_age_s": seconds(state.time_age),
        "time_stopped": stopped(state.time_age),
        "soundings": state.soundings, "legs": state.legs,
        "troubles": state.troubles.iter().take(20).map(|t| escaped(t)).collect::<Vec<_>>(),
    })
}

/// Where the boat is, if that is fresh enough to steer by.
fn fresh_place(state: &Underway) -> Option<GridPos> {
    let age = state.fix_age?.saturating_add(state.age(asked::now()));
    state.place().filter(|_| age < STOPPED_MS)
}

/// What lies ahead; what cannot be said is said.
fn ahead(shown: &Shown, grown: Option<&Grown>, state: &Underway, needs: &Needs, marks: &[Mark]) -> Value {
    let Some(at) = fresh_place(state) else {
        return json!({"blind": "there is no fresh position"});
    };
    let safe = |p: GridPos| match grown.and_then(|g| g.patch.as_ref()).filter(|patch| patch.holds(p)) {
        Some(patch) => patch.surface().safe_depth_at(p),
        None => shown.surface.safe_depth_at(p),
    };
    let still = state.course_deg.is_none();
    let heading = Heading {
        at,
        course_deg: state.course_deg.unwrap_or(0.0),
        speed_m_s: if still { 0.0 } else { state.speed_mm_s.map_or(USUAL_SPEED, |v| f64::from(v) / 1000.0) },
        need_m: needs.metres(),
        stage_m: needs.stage_m,
    };
    // Of a boat that lies still nobody knows where it will go: it is looked all round.
    let courses: Vec<f64> =
        if still { (0..8).map(|i| f64::from(i) * 45.0).collect() } else { vec![heading.course_deg] };
    let looks: Vec<Ahead> =
        courses.iter().map(|c| Ahead::look(&Heading { course_deg: *c, ..heading }, safe, marks)).collect();
    let nearest = |of: &dyn Fn(&Ahead) -> Option<f64>| looks.iter().filter_map(of).min_by(f64::total_cmp);
    let touch = looks.iter().filter_map(|a| a.touch).min_by(|a, b| a.metres.total_cmp(&b.metres));
    json!({
        "still": still,
        "looked_m": looks.first().map(|a| round(a.looked_m, 0)),
        "touch": touch.map(|t| json!({
            "metres": round(t.metres, 0), "seconds": t.seconds.map(|s| round(s, 0)),
            "depth_m": t.depth_m.map(|d| round(d, 2)), "mark": t.is_mark,
        })),
        "unknown_m": nearest(&|a| a.unknown_m).map(|m| round(m, 0)),
        "least_m": nearest(&|a| a.least_m).map(|m| round(m, 2)),
    })
}

/// The next run.
async fn next(
    site: &Arc<Site>,
    shown: &Arc<Shown>,
    state: &Underway,
    needs: &Needs,
    marks: &[Mark],
    grown: Option<&Grown>,
) -> Value {
    let what = For {
        version: shown.version.clone(),
        draft_cm: (needs.draft_m * 100.0).round() as i64,
        room_cm: (needs.room_m * 100.0).round() as i64,
        stage_dm: (needs.stage_m * 10.0).floor() as i64,
    };
    match site.plans.have(&what) {
        Have::Plan(made) => match made.as_ref() {
            Ok(plan) => {
                let runs = site.plans.runs(&what, plan, grown);
                let left = runs.iter().filter(|r| r.driven < leadline_chart::DRIVEN_SHARE).count();
                let Some(at) = fresh_place(state) else {
                    return json!({"left": left, "blind": "there is no fresh position"});
                };
                let next = next_run(&runs, at, state.course_deg);
                json!({"left": left, "of": runs.len(), "run": next.map(|n| run_json(&n, state.course_deg))})
            }
            Err(why) => json!({"none": why}),
        },
        Have::Wait => json!({"wait": true}),
        Have::Make => {
            let (site, shown, marks) = (Arc::clone(site), Arc::clone(shown), marks.to_vec());
            drop(tokio::spawn(async move {
                let wanted = what.clone();
                let made = site.work(move |_| Ok(steering::make(&shown, &wanted, marks))).await;
                site.plans.keep(what, made.ok());
            }));
            json!({"wait": true})
        }
    }
}

fn run_json(n: &NextRun, course_deg: Option<f64>) -> Value {
    let turn = course_deg.map(|c| {
        let d = (n.bearing_deg - c).rem_euclid(360.0);
        if d > 180.0 { d - 360.0 } else { d }
    });
    let beside = (0.0..=n.off.length_m).contains(&n.off.along_m);
    json!({
        "number": n.run.number, "line": n.way.map(|p| degrees(p.lonlat())), "length_m": round(n.off.length_m, 0),
        "beside": beside, "off_m": round(n.off.off_m.abs(), 1), "side": n.side.map(leadline_chart::Side::word),
        "left_m": beside.then(|| round(n.off.length_m - n.off.along_m, 0)),
        "distance_m": round(n.distance_m, 0), "bearing_deg": round(n.bearing_deg, 0),
        "turn_deg": turn.map(|t| round(t, 0)), "driven": round(n.run.driven, 2),
    })
}

fn grown_json(g: &Grown, shown: &Shown) -> Value {
    let patch = g.patch.as_ref();
    let bounds = patch.and_then(|p| p.corners()).map(|[low, high]| {
        let ([w, s], [e, n]) = (degrees(low.lonlat()), degrees(high.lonlat()));
        [w, s, e, n]
    });
    let range = patch.and_then(|p| p.surface().safe_range_m());
    let both = match (range, shown.surface.safe_range_m()) {
        (Some(a), Some(b)) => Some([a.0.min(b.0), a.1.max(b.1)]),
        (a, b) => a.or(b).map(|(lo, hi)| [lo, hi]),
    };
    json!({
        "number": g.number, "bounds": bounds, "depth_range_m": both.map(|r| r.map(|m| round(m, 3))),
        "soundings": g.trail.len(), "took_ms": u64::try_from(g.took.as_millis()).unwrap_or(u64::MAX), "whole": g.whole,
    })
}
