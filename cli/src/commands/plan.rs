//! `plan`: what to drive next.

use super::coverage::{Output, write};
use super::{chart, open};
use crate::args::Cli;
use crate::failure::Failure;
use crate::{shapes, talk, units};
use clap::Args;
use leadline_chart::{
    Coverage, CoverageSettings, Leg, LegKind, NotReached, Plan, PlanSettings, Task, Water, plan_layers,
    plan_svg,
};
use serde_json::{Value, json};
use std::path::PathBuf;

/// Faster than this a sounding is at best fair, m/s.
const FAST: f64 = 4.47;
/// Rows of what is not reached.
const SHOWN: usize = 10;

/// `plan`
#[derive(Debug, Args)]
pub(crate) struct PlanArgs {
    /// The water to drive, islands left out: GeoJSON, or a CSV file of corners; without it runs over the weak spots
    #[arg(long, value_name = "FILE")]
    pub area: Option<PathBuf>,
    /// With --area: only runs over the weak spots inside it
    #[arg(long, requires = "area")]
    pub weak: bool,
    /// Distance of the lines, metres; without it max(3 × depth, 25 m), at most 50 m
    #[arg(long, value_name = "M")]
    pub spacing: Option<f64>,
    /// Direction of the main lines, degrees clockwise from north; without it across the contours
    #[arg(long, value_name = "DEG")]
    pub direction: Option<f64>,
    /// Add cross lines, ten times as far apart
    #[arg(long)]
    pub cross: bool,
    /// Speed over ground, m/s
    #[arg(long, value_name = "M/S", default_value_t = 2.5)]
    pub speed: f64,
    /// Draft of the boat, metres; without it 0.5
    #[arg(long, value_name = "M")]
    pub draft: Option<f64>,
    /// Height of the water above the sounding datum; without it the datum itself
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub stage: Option<f64>,
    /// Where the drive begins and ends
    #[arg(long, value_name = "LON,LAT", allow_hyphen_values = true)]
    pub start: Option<String>,
    /// Go also where nothing is known outside a drawn area: slowly, with a look-out
    #[arg(long)]
    pub into_unknown: bool,
    /// Most weak spots of one plan
    #[arg(long, value_name = "N", default_value_t = 60)]
    pub most: usize,
    /// The route (.gpx), lines (.geojson, .kml) or a picture (.png, .svg); may be given several times
    #[arg(short, long = "output", value_name = "FILE")]
    pub output: Vec<PathBuf>,
}

pub(crate) fn run(cli: &Cli, a: &PlanArgs) -> Result<(), Failure> {
    let mut settings = settings(a)?;
    a.output.iter().try_for_each(|path| Output::of(path).map(drop))?;
    let drawn = a.area.as_deref().map(shapes::water).transpose()?;
    let (_, store) = open(cli)?;
    let computed = store.compute()?;
    let cells = &computed.reduced.cells;
    let mut info = chart::info(cli, &store, &computed, a.stage)?;
    info.stage_m = settings.stage_m;
    settings.marks.clone_from(&info.marks);
    let surface = chart::surface(cli, &computed);
    let water = drawn.as_deref().map_or_else(|| Water::around(cells), Water::within);
    let seen = CoverageSettings { stage_m: settings.stage_m, ..CoverageSettings::default() };
    let coverage = Coverage::of(&surface, &computed.reduced.soundings, &water, &seen);
    let task = if a.area.is_some() && !a.weak { Task::Water } else { Task::WeakSpots };
    if task == Task::WeakSpots && !cells.is_empty() && coverage.weak.is_empty() {
        return Err(Failure::Input(
            "no weak spots: no holiday, nothing loose or disputed; draw other water with --area FILE"
                .to_owned(),
        ));
    }
    let plan =
        Plan::of(&surface, &water, &coverage, task, &settings).map_err(|e| Failure::Input(e.to_string()))?;
    for path in &a.output {
        write(path, || plan_svg(&plan, &coverage, &surface, &info), plan_layers(&plan), &info)?;
    }
    if cli.json {
        return talk::json(&as_json(&plan, &a.output));
    }
    say(cli, a, &plan)?;
    a.output.iter().try_for_each(|path| talk::say(&path.display().to_string()))
}

fn settings(a: &PlanArgs) -> Result<PlanSettings, Failure> {
    let within = |what: &str, v: f64, lo: f64, hi: f64, unit: &str| {
        if (lo..=hi).contains(&v) {
            Ok(v)
        } else {
            Err(Failure::Input(format!("{what} {v}: {unit}, {lo} to {hi}")))
        }
    };
    let spacing_m = a.spacing.map(|s| within("--spacing", s, 1.0, 1000.0, "metres")).transpose()?;
    let axis_deg = a.direction.map(|d| within("--direction", d, 0.0, 360.0, "degrees")).transpose()?;
    within("--speed", a.speed, 0.1, PlanSettings::TOO_FAST_M_S, "m/s (faster, no sounding counts)")?;
    let draft_m = within(
        "--draft",
        a.draft.unwrap_or(PlanSettings::USUAL_DRAFT_M),
        0.0,
        20.0,
        "metres below the water line",
    )?;
    if !(1..=1000).contains(&a.most) {
        return Err(Failure::Input(format!("--most {}: 1 to 1000 weak spots", a.most)));
    }
    let start = a.start.as_deref().map(|t| units::place("--start", t)).transpose()?.map(|(_, at)| at);
    Ok(PlanSettings {
        spacing_m,
        axis_deg,
        cross: a.cross,
        speed_m_s: a.speed,
        draft_m,
        margin_m: chart::TOUCH_MARGIN_M,
        stage_m: units::stage(a.stage)?,
        start,
        into_unknown: a.into_unknown,
        most_spots: a.most,
        marks: Vec::new(),
    })
}

fn say(cli: &Cli, a: &PlanArgs, plan: &Plan) -> Result<(), Failure> {
    let time = |m: f64| format!("{:.0} min", (m / plan.settings.speed_m_s / 60.0).ceil());
    for l in plan.legs.iter().filter(|l| l.number.is_some()) {
        talk::say(&row(cli, l, &time(l.length_m)))?;
    }
    let ways = plan.length_m(LegKind::Way);
    let total = plan.total_m();
    talk::say(&format!(
        "\n{:.2} km in {} at {} m/s: lines {:.2} km, ways between them {:.2} km, {} turns (not slowed for).",
        total / 1000.0,
        time(total),
        plan.settings.speed_m_s,
        (total - ways) / 1000.0,
        ways / 1000.0,
        plan.turns
    ))?;
    if let Some((axis, by_bed)) = plan.axis_deg {
        let why = if a.direction.is_some() {
            "as asked"
        } else if by_bed {
            "across the contours"
        } else {
            "along the short side: too little of the bed is known to tell its slope"
        };
        talk::say(&format!(
            "Main lines {axis:.0}°/{:.0}° ({why}), {:.0} m apart.",
            axis + 180.0,
            plan.spacing_m
        ))?;
    }
    let s = &plan.settings;
    let draft = if a.draft.is_some() { "" } else { " (nothing said: --draft)" };
    talk::say(&format!(
        "For {} draft{draft} and {} under it at {}.",
        cli.units.depth(s.draft_m),
        cli.units.depth(s.margin_m),
        units::stage_words(a.stage, cli)
    ))?;
    if let Some(d) = plan.least_depth_m() {
        talk::say(&format!("Least depth known on the drive: {}.", cli.units.depth(d)))?;
    }
    if plan.unknown_m() > 0.5 {
        talk::say(&format!(
            "{:.0} m lead over unknown water: go slow, look out. Nothing says that this boat floats there.",
            plan.unknown_m()
        ))?;
    }
    if plan.cut_m.0 > 0.5 {
        talk::say(&format!("Cut off because too shoal: {:.0} m of lines.", plan.cut_m.0))?;
    }
    if s.speed_m_s > FAST {
        talk::say("Over 4.47 m/s soundings are at best fair.")?;
    }
    not_reached(plan)
}

fn not_reached(plan: &Plan) -> Result<(), Failure> {
    if !plan.not_reached.is_empty() {
        talk::say("\nNot reached:")?;
    }
    for n in plan.not_reached.iter().take(SHOWN) {
        let p = n.at.lonlat();
        talk::say(&format!("  {} at {:.6},{:.6}: {}", n.what, p.lon, p.lat, n.why))?;
    }
    let more = plan.not_reached.len().saturating_sub(SHOWN);
    if more > 0 {
        talk::say(&format!("  and {more} more"))?;
    }
    if plan.later > 0 {
        talk::say(&format!("{} smaller weak spots are left for another day (--most).", plan.later))?;
    }
    Ok(())
}

fn row(cli: &Cli, l: &Leg, time: &str) -> String {
    let number = l.number.unwrap_or_default();
    let depth = l
        .least_depth_m
        .map_or_else(|| "depth unknown".to_owned(), |d| format!("least {}", cli.units.depth(d)));
    let unknown = if l.unknown_m > 0.5 { format!(", {:.0} m unknown", l.unknown_m) } else { String::new() };
    format!("{number:>4}  {:<10} {:>6.0} m {time:>7}  {depth}{unknown}", l.kind.word(), l.length_m)
}

fn as_json(plan: &Plan, paths: &[PathBuf]) -> Value {
    let legs: Vec<Value> = plan.legs.iter().map(|l| leg_json(plan, l)).collect();
    let missed: Vec<Value> = plan.not_reached.iter().map(missed_json).collect();
    let start = plan.start.map(|p| p.lonlat());
    json!({
        "total_m": plan.total_m(), "seconds": plan.seconds(), "turns": plan.turns,
        "main_m": plan.length_m(LegKind::Main), "cross_m": plan.length_m(LegKind::Cross),
        "touch_up_m": plan.length_m(LegKind::TouchUp), "ways_m": plan.length_m(LegKind::Way),
        "unknown_m": plan.unknown_m(), "least_depth_m": plan.least_depth_m(),
        "spacing_m": plan.spacing_m, "axis_deg": plan.axis_deg.map(|a| a.0),
        "draft_m": plan.settings.draft_m, "margin_m": plan.settings.margin_m, "stage_m": plan.settings.stage_m,
        "speed_m_s": plan.settings.speed_m_s, "start": start.map(|p| json!([p.lon, p.lat])),
        "cut_shoal_m": plan.cut_m.0, "cut_unknown_m": plan.cut_m.1, "later": plan.later,
        "legs": legs, "not_reached": missed, "paths": paths,
    })
}

fn leg_json(plan: &Plan, l: &Leg) -> Value {
    let places: Vec<Value> =
        l.points.0.iter().map(|c| plan.frame.lonlat(c.x, c.y)).map(|p| json!([p.lon, p.lat])).collect();
    json!({
        "kind": l.kind.word(), "number": l.number, "length_m": l.length_m, "unknown_m": l.unknown_m,
        "least_depth_m": l.least_depth_m, "coordinates": places,
    })
}

fn missed_json(n: &NotReached) -> Value {
    let p = n.at.lonlat();
    json!({"what": n.what, "lon": p.lon, "lat": p.lat, "why": n.why})
}
