//! What to drive next: lines over a drawn water, or runs over the weak spots, in one short drive that stays where this
//! boat floats.

mod ground;
mod layers;
mod lines;
mod request;
#[cfg(test)]
mod tests;
mod tour;
mod ways;

pub use layers::plan_layers;
pub use request::{MAX_PLAN_LINES, PlanError, PlanSettings, Task};

use crate::coverage::{Coverage, Weak, Weakness, allowed_spacing_m};
use crate::{Surface, Water};
use geo::{Coord, LineString};
use ground::{Ground, Need, State};
use leadline_model::{GridPos, LocalFrame};
use lines::{Cut, Line, across_the_slope, over, parallel};
use tour::{Ends, Stop, order};
use ways::{Distances, basins, way};

/// Cross lines are this many times as far apart as main lines. Source: example in a footnote of IHO S-44 Ed 6.1.0.
const CROSS_TIMES: f64 = 10.0;
/// Wider lines would leave blanks in a surface that bridges 60 m, metres (judgement).
const MOST_SPACING_M: f64 = 50.0;
/// A start in water too shoal to be planned (a ramp) is moved to open water this near, metres.
const NEAR_START_M: f64 = 200.0;
/// A change of course that counts as a turn, degrees (judgement).
const TURN_DEG: f64 = 30.0;
/// Times a plan is mended where squares were too coarse to see a shoal.
const MOST_MENDED: usize = 40;

/// What a leg of the drive is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum LegKind {
    /// A line across the contours.
    Main,
    /// A line across the main lines.
    Cross,
    /// A run over a weak spot.
    TouchUp,
    /// A way from one to the next.
    Way,
}

impl LegKind {
    /// The word people and files read.
    pub fn word(self) -> &'static str {
        match self {
            Self::Main => "main line",
            Self::Cross => "cross line",
            Self::TouchUp => "touch-up",
            Self::Way => "way",
        }
    }
}

/// A part of the drive.
#[derive(Clone, Debug, PartialEq)]
pub struct Leg {
    /// What for.
    pub kind: LegKind,
    /// 1, 2 … in driving order, of lines; `None` for ways.
    pub number: Option<usize>,
    /// Its places in metres of the plan's frame.
    pub points: LineString<f64>,
    /// True length, metres.
    pub length_m: f64,
    /// How much of it leads over unknown water, metres.
    pub unknown_m: f64,
    /// Least safe charted depth known on it, metres.
    pub least_depth_m: Option<f64>,
    /// The weak spot of a touch-up: index into the coverage's list.
    pub spot: Option<usize>,
}

/// What the drive does not reach.
#[derive(Clone, Debug, PartialEq)]
pub struct NotReached {
    /// What.
    pub what: String,
    /// A place in it.
    pub at: GridPos,
    /// Why not.
    pub why: String,
}

/// A drive.
#[derive(Clone, Debug)]
pub struct Plan {
    /// Settings it was made with.
    pub settings: PlanSettings,
    /// Frame of the legs.
    pub frame: LocalFrame,
    /// In driving order.
    pub legs: Vec<Leg>,
    /// Weak spots and lines out of reach.
    pub not_reached: Vec<NotReached>,
    /// Weak spots beyond the most of one plan.
    pub later: usize,
    /// Distance of the main lines, metres (of touch-ups: the widest used).
    pub spacing_m: f64,
    /// Axis of the main lines, and whether the bed's slope gave it.
    pub axis_deg: Option<(f64, bool)>,
    /// Metres of lines cut off because too shoal, and because unknown.
    pub cut_m: (f64, f64),
    /// Changes of course of more than 30°.
    pub turns: usize,
    /// Where the drive begins, if a start was given: moved to open water if need be.
    pub start: Option<GridPos>,
    /// Side of the squares in which shoals were avoided, metres.
    pub square_m: f64,
}

/// A line before it has its place in the drive.
struct Wanted {
    kind: LegKind,
    line: Line,
    spot: Option<usize>,
}

impl Plan {
    /// Plans `task` over `water`. `coverage` tells the weak spots.
    ///
    /// # Errors
    /// Where there is nothing to drive, or too much.
    pub fn of(
        surface: &Surface,
        water: &Water,
        coverage: &Coverage,
        task: Task,
        settings: &PlanSettings,
    ) -> Result<Self, PlanError> {
        let need = Need {
            depth_m: settings.draft_m + settings.margin_m,
            stage_m: settings.stage_m,
            unknown_inside: water.is_drawn() || settings.into_unknown,
            unknown_anywhere: settings.into_unknown,
        };
        if water.corners().len() < 3 {
            return Err(PlanError::NoWater);
        }
        let mut ground = Ground::new(surface, water, settings.start, need).ok_or(PlanError::TooLarge)?;
        ground.keep_clear(&settings.marks);
        for _ in 0..MOST_MENDED {
            match attempt(&ground, coverage, task, settings)? {
                Ok(plan) => return Ok(plan),
                Err(shoals) => shoals.into_iter().for_each(|p| ground.block(p)),
            }
        }
        Err(PlanError::NoSafeWay)
    }

    /// Length of all legs of one kind, metres.
    pub fn length_m(&self, kind: LegKind) -> f64 {
        self.legs.iter().filter(|l| l.kind == kind).fold(0.0, |m, l| m + l.length_m)
    }

    /// Length of the whole drive, metres.
    pub fn total_m(&self) -> f64 {
        self.legs.iter().fold(0.0, |m, l| m + l.length_m)
    }

    /// Metres of it over unknown water.
    pub fn unknown_m(&self) -> f64 {
        self.legs.iter().fold(0.0, |m, l| m + l.unknown_m)
    }

    /// Time at the planned speed, seconds; turns are not slowed for.
    pub fn seconds(&self) -> f64 {
        self.total_m() / self.settings.speed_m_s
    }

    /// Least safe depth known on the drive, metres.
    pub fn least_depth_m(&self) -> Option<f64> {
        self.legs.iter().filter_map(|l| l.least_depth_m).min_by(f64::total_cmp)
    }

    /// The whole drive as one line.
    pub(crate) fn drive(&self) -> LineString<f64> {
        let mut all: Vec<Coord<f64>> = self.legs.iter().flat_map(|l| l.points.0.iter().copied()).collect();
        all.dedup();
        LineString(all)
    }
}

/// A plan, or the shoals that the squares did not show.
type Attempt = Result<Plan, Vec<[f64; 2]>>;

fn attempt(
    ground: &Ground<'_>,
    coverage: &Coverage,
    task: Task,
    settings: &PlanSettings,
) -> Result<Attempt, PlanError> {
    let start = match settings.start {
        Some(at) => Some(near_start(ground, ground.xy(at)).ok_or(PlanError::Start)?),
        None => None,
    };
    let mut plan = Plan {
        settings: settings.clone(),
        frame: ground.frame,
        legs: Vec::new(),
        not_reached: Vec::new(),
        later: 0,
        spacing_m: 0.0,
        axis_deg: None,
        cut_m: (0.0, 0.0),
        turns: 0,
        start: start.map(|p| ground.place(p)),
        square_m: ground.side,
    };
    let wanted = match task {
        Task::Water => over_water(ground, settings, &mut plan).map_err(PlanError::TooManyLines)?,
        Task::WeakSpots => over_spots(ground, coverage, settings, &mut plan),
    };
    let wanted = reachable(ground, coverage, start, wanted, &mut plan);
    if wanted.len() > MAX_PLAN_LINES {
        return Err(PlanError::TooManyLines(wanted.len()));
    }
    if wanted.is_empty() {
        return Err(PlanError::Nothing);
    }
    let mut places: Vec<[f64; 2]> = wanted.iter().flat_map(|w| w.line).collect();
    places.extend(start);
    let none = places.len();
    let mut distances = Distances::new(ground, places);
    // Without a start the drive may begin and end anywhere.
    let ends = Ends::new(wanted.len(), |a, b| if b < none { distances.metres(a, b) } else { 0.0 });
    let tour = order(&ends);
    let shoals = drive(ground, &wanted, &tour, start, &mut plan);
    if !shoals.is_empty() {
        return Ok(Err(shoals));
    }
    plan.turns = turns(&plan.drive());
    Ok(Ok(plan))
}

fn over_water(ground: &Ground<'_>, settings: &PlanSettings, plan: &mut Plan) -> Result<Vec<Wanted>, usize> {
    let (axis, by_bed) = settings.axis_deg.map_or_else(|| across_the_slope(ground), |a| (a, false));
    let spacing = settings.spacing_m.unwrap_or_else(|| {
        let known = (0..ground.depth.len()).filter(|i| ground.inside[*i] && ground.depth[*i] > 0.0);
        let (sum, n) = known.fold((0.0, 0), |(s, n), i| (s + f64::from(ground.depth[i]), n + 1));
        allowed_spacing_m(sum / f64::from(n.max(1))).min(MOST_SPACING_M)
    });
    plan.spacing_m = spacing;
    plan.axis_deg = Some((axis, by_bed));
    let (main, mut cut) = parallel(ground, axis, spacing, MAX_PLAN_LINES)?;
    let wanted = |kind| move |line| Wanted { kind, line, spot: None };
    let mut out: Vec<Wanted> = main.into_iter().map(wanted(LegKind::Main)).collect();
    if settings.cross {
        let (cross, lost) = parallel(ground, axis + 90.0, CROSS_TIMES * spacing, MAX_PLAN_LINES)?;
        cut.add(lost);
        out.extend(cross.into_iter().map(wanted(LegKind::Cross)));
    }
    plan.cut_m = (cut.shoal_m, cut.unknown_m);
    Ok(out)
}

fn over_spots(
    ground: &Ground<'_>,
    coverage: &Coverage,
    settings: &PlanSettings,
    plan: &mut Plan,
) -> Vec<Wanted> {
    let mut out = Vec::new();
    let mut all = Cut::default();
    for (i, spot) in coverage.weak.iter().enumerate().take(settings.most_spots) {
        let shoalest = spot.depths_m.map_or(0.0, |d| d.0);
        let spacing = settings.spacing_m.unwrap_or_else(|| allowed_spacing_m(shoalest).min(MOST_SPACING_M));
        plan.spacing_m = plan.spacing_m.max(spacing);
        // Loose ground is known already: only soundings near the loose ones make it surer.
        let spacing = if spot.what == Weakness::Loose { spacing / 2.0 } else { spacing };
        let squares: Vec<[f64; 2]> = spot.squares.iter().map(|p| ground.xy(*p)).collect();
        let (lines, cut) = over(ground, &squares, spacing);
        all.add(cut);
        if lines.is_empty() {
            let why = why_not(ground, &squares);
            plan.not_reached.push(NotReached { what: name(spot), at: spot.middle, why });
        }
        out.extend(lines.into_iter().map(|line| Wanted { kind: LegKind::TouchUp, line, spot: Some(i) }));
    }
    plan.later = coverage.weak.len().saturating_sub(settings.most_spots);
    plan.cut_m = (all.shoal_m, all.unknown_m);
    out
}

fn name(spot: &Weak) -> String {
    format!("{} of {:.0} m²", spot.what.word(), spot.area_m2)
}

/// What most of a spot's squares say.
fn why_not(ground: &Ground<'_>, squares: &[[f64; 2]]) -> String {
    let state = |p: &[f64; 2]| ground.square(*p).map(|i| ground.state[i]);
    let count = |s: State| squares.iter().filter(|p| state(p) == Some(s)).count();
    let (shoal, clear) = (count(State::Shoal), count(State::Clear));
    let unknown = squares.len() - shoal - clear;
    let need = ground.need.depth_m;
    if shoal >= unknown && shoal > 0 {
        format!("too shoal for this boat there or right beside it: it needs {need:.2} m")
    } else if unknown > clear {
        "nothing is known there; draw the water (--area), or allow it (--into-unknown)".to_owned()
    } else {
        format!("no straight run of 15 m in water of {need:.2} m fits in")
    }
}

/// Lines in one body of open water with the start, or in that with the longest lines; says what is left out.
fn reachable(
    ground: &Ground<'_>,
    coverage: &Coverage,
    start: Option<[f64; 2]>,
    wanted: Vec<Wanted>,
    plan: &mut Plan,
) -> Vec<Wanted> {
    let basin = basins(ground);
    let of = |p: [f64; 2]| ground.square(p).map_or(0, |i| basin[i]);
    let whole = |w: &Wanted| if of(w.line[0]) == of(w.line[1]) { of(w.line[0]) } else { 0 };
    let home = match start {
        Some(p) => of(p),
        None => {
            let mut length = std::collections::BTreeMap::new();
            for w in &wanted {
                *length.entry(whole(w)).or_insert(0.0) += ground.length_m(w.line[0], w.line[1]);
            }
            length.remove(&0);
            length.into_iter().fold((0, 0.0), |best, (b, m)| if m > best.1 { (b, m) } else { best }).0
        }
    };
    let why = format!("no way there in water known to be {:.2} m deep", ground.need.depth_m);
    let (kept, lost): (Vec<Wanted>, Vec<Wanted>) =
        wanted.into_iter().partition(|w| home != 0 && whole(w) == home);
    let mut told = std::collections::BTreeSet::new();
    for w in &lost {
        let reached = w.spot.is_some_and(|s| kept.iter().any(|k| k.spot == Some(s)));
        if reached || w.spot.is_some_and(|s| !told.insert(s)) {
            continue;
        }
        let spot = w.spot.and_then(|s| coverage.weak.get(s));
        let what = spot.map_or_else(
            || format!("{} of {:.0} m", w.kind.word(), ground.length_m(w.line[0], w.line[1])),
            name,
        );
        let at = spot.map_or_else(|| ground.place(w.line[0]), |s| s.middle);
        plan.not_reached.push(NotReached { what, at, why: why.clone() });
    }
    kept
}

/// The legs in order; gives the shoals that a way would touch.
fn drive(
    ground: &Ground<'_>,
    wanted: &[Wanted],
    tour: &[Stop],
    start: Option<[f64; 2]>,
    plan: &mut Plan,
) -> Vec<[f64; 2]> {
    let mut at = start;
    let mut shoals = Vec::new();
    let mut go = |from: Option<[f64; 2]>, to: [f64; 2], plan: &mut Plan| {
        let Some(from) = from else { return true };
        let Some(points) = way(ground, from, to) else { return false };
        shoals.extend(points.windows(2).filter_map(|w| ground.touches(w[0], w[1])));
        if from != to {
            plan.legs.push(leg(ground, LegKind::Way, None, &points, None));
        }
        true
    };
    let mut number = 0;
    for stop in tour {
        let w = &wanted[stop.line];
        let [a, b] = if stop.back { [w.line[1], w.line[0]] } else { w.line };
        if !go(at, a, plan) {
            let why = "no way there in water known to be deep enough".to_owned();
            let what = format!("{} of {:.0} m", w.kind.word(), ground.length_m(a, b));
            plan.not_reached.push(NotReached { what, at: ground.place(a), why });
            continue;
        }
        number += 1;
        plan.legs.push(leg(ground, w.kind, Some(number), &[a, b], w.spot));
        at = Some(b);
    }
    if let (Some(from), Some(home)) = (at, start) {
        go(Some(from), home, plan);
    }
    shoals
}

fn leg(
    ground: &Ground<'_>,
    kind: LegKind,
    number: Option<usize>,
    points: &[[f64; 2]],
    spot: Option<usize>,
) -> Leg {
    let (length_m, unknown_m, least_depth_m) = ground.measure(points);
    let points = LineString(points.iter().map(|p| Coord { x: p[0], y: p[1] }).collect());
    Leg { kind, number, points, length_m, unknown_m, least_depth_m, spot }
}

/// The open place nearest to `p`.
fn near_start(ground: &Ground<'_>, p: [f64; 2]) -> Option<[f64; 2]> {
    if ground.square(p).is_some_and(|i| ground.open(i)) {
        return Some(p);
    }
    let far = |i: &usize| {
        let q = ground.middle(*i);
        libm::hypot(q[0] - p[0], q[1] - p[1])
    };
    let open = (0..ground.state.len()).filter(|i| ground.open(*i));
    let nearest = open.min_by(|a, b| far(a).total_cmp(&far(b)))?;
    (far(&nearest) <= NEAR_START_M).then(|| ground.middle(nearest))
}

fn turns(drive: &LineString<f64>) -> usize {
    let bend = |w: &[Coord<f64>]| {
        let course = |a: Coord<f64>, b: Coord<f64>| libm::atan2(b.x - a.x, b.y - a.y).to_degrees();
        let d = (course(w[1], w[2]) - course(w[0], w[1])).abs() % 360.0;
        d.min(360.0 - d)
    };
    drive.0.windows(3).filter(|w| bend(w) > TURN_DEG).count()
}
