//! What a plan is asked for, and why it is refused.

use leadline_model::{GridPos, Mark};

/// Most lines of a plan.
pub const MAX_PLAN_LINES: usize = 400;

/// What is to be planned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Task {
    /// Main lines over all of the water.
    Water,
    /// Runs over its weak spots.
    WeakSpots,
}

/// How a plan is made.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanSettings {
    /// Distance of main lines, metres; `None` = max(3 × depth, 25 m), at most 50 m.
    pub spacing_m: Option<f64>,
    /// Axis of the main lines, degrees clockwise from north; `None` = across the contours.
    pub axis_deg: Option<f64>,
    /// Add cross lines.
    pub cross: bool,
    /// Speed over ground, m/s.
    pub speed_m_s: f64,
    /// Draft of the boat, metres.
    pub draft_m: f64,
    /// Water to keep under it, metres.
    pub margin_m: f64,
    /// Metres above the sounding datum.
    pub stage_m: f64,
    /// Where the drive begins and ends.
    pub start: Option<GridPos>,
    /// Go where nothing is known also outside a drawn water.
    pub into_unknown: bool,
    /// Most weak spots of one plan.
    pub most_spots: usize,
    /// Marks of the water: no line and no way comes near one that the boat may hit.
    pub marks: Vec<Mark>,
}

impl PlanSettings {
    /// Draft of a boat that said nothing, metres (judgement: small open boats draw less).
    pub const USUAL_DRAFT_M: f64 = 0.5;
    /// Water kept under a boat, metres (common practice, no source).
    pub const MARGIN_M: f64 = 0.3;
    /// Faster than this no sounding counts, m/s: 20 mph (common practice, no source).
    pub const TOO_FAST_M_S: f64 = 8.94;
}

/// Why there is no plan.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum PlanError {
    /// Nothing to plan for.
    #[error("there is no water to plan for: import soundings, or draw the water (--area)")]
    NoWater,
    /// Squares would be too coarse.
    #[error("the water is too large for one plan (over about 150 km²); draw the part for one day (--area)")]
    TooLarge,
    /// Too many lines.
    #[error(
        "{0} lines; at most {MAX_PLAN_LINES} make one plan: take a larger --spacing or draw a smaller area"
    )]
    TooManyLines(usize),
    /// The start is not in open water.
    #[error(
        "within 200 m of --start no water is known to be deep enough for this boat; give a start on the water, or allow unknown water (--into-unknown)"
    )]
    Start,
    /// Everything is done or out of reach.
    #[error("nothing to drive: no line lies where this boat may go; see --stage, --draft and --into-unknown")]
    Nothing,
    /// The squares do not show the shoals.
    #[error(
        "no way between the lines could be held clear of shoals; draw a smaller area, so that they are seen finer"
    )]
    NoSafeWay,
}
