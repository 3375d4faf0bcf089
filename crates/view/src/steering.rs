//! Which run comes next: the plan for a boat on the water, worked out once for each map, draft and stage.

use crate::growing::Grown;
use crate::shown::Shown;
use leadline_chart::{Coverage, CoverageSettings, Plan, PlanError, PlanSettings, Run, Task, Water};
use leadline_model::Mark;
use std::collections::VecDeque;
use std::sync::{Arc, Mutex};

/// Boats of different drafts that look at once.
const KEPT: usize = 4;
/// Usual speed while sounding, m/s (judgement: five knots).
const USUAL_SPEED: f64 = 2.5;
/// Most weak spots of one plan.
const MOST_SPOTS: usize = 60;

/// What a plan was made for.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct For {
    pub(crate) version: String,
    /// Centimetres, so that a hair's breadth makes no new plan.
    pub(crate) draft_cm: i64,
    pub(crate) room_cm: i64,
    /// Decimetres.
    pub(crate) stage_dm: i64,
}

/// A plan, or why there is none.
type Made = Arc<Result<Plan, String>>;

/// Plans that were made.
#[derive(Default)]
pub(crate) struct Plans {
    inside: Mutex<Inside>,
}

#[derive(Default)]
struct Inside {
    made: VecDeque<(For, Made)>,
    /// The one that is being made.
    making: Option<For>,
    /// Runs of a plan, with what was driven up to a growth of the map.
    runs: Option<(For, u64, Arc<Vec<Run>>)>,
}

/// What is there of a plan.
pub(crate) enum Have {
    Plan(Made),
    /// It is being made by somebody.
    Wait,
    /// The asker has to make it, and then to [`Plans::keep`] it.
    Make,
}

impl Plans {
    pub(crate) fn have(&self, what: &For) -> Have {
        let mut i = self.lock();
        if let Some((_, made)) = i.made.iter().find(|(f, _)| f == what) {
            return Have::Plan(Arc::clone(made));
        }
        if i.making.is_some() {
            return Have::Wait;
        }
        i.making = Some(what.clone());
        Have::Make
    }

    pub(crate) fn keep(&self, what: For, made: Option<Result<Plan, String>>) {
        let mut i = self.lock();
        i.making = None;
        if let Some(made) = made {
            i.made.push_back((what, Arc::new(made)));
            while i.made.len() > KEPT {
                i.made.pop_front();
            }
        }
    }

    /// The runs with what was driven of them.
    pub(crate) fn runs(&self, what: &For, plan: &Plan, grown: Option<&Grown>) -> Arc<Vec<Run>> {
        let number = grown.map_or(0, |g| g.number);
        if let Some((f, n, runs)) = &self.lock().runs
            && f == what
            && *n == number
        {
            return Arc::clone(runs);
        }
        let runs = Arc::new(plan.runs(grown.map_or(&[][..], |g| &g.places)));
        self.lock().runs = Some((what.clone(), number, Arc::clone(&runs)));
        runs
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Inside> {
        self.inside.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

/// Runs over the weak spots for a boat on the water.
pub(crate) fn make(shown: &Shown, what: &For, marks: Vec<Mark>) -> Result<Plan, String> {
    let cells = &shown.computed.reduced.cells;
    if cells.is_empty() {
        return Err("no depths yet, so there is nothing to touch up".to_owned());
    }
    let stage_m = what.stage_dm as f64 / 10.0;
    let water = Water::around(cells);
    let settings = CoverageSettings { stage_m, ..CoverageSettings::default() };
    let coverage = Coverage::of(&shown.surface, &shown.computed.reduced.soundings, &water, &settings);
    let settings = PlanSettings {
        spacing_m: None,
        axis_deg: None,
        cross: false,
        speed_m_s: USUAL_SPEED,
        draft_m: what.draft_cm as f64 / 100.0,
        margin_m: what.room_cm as f64 / 100.0,
        stage_m,
        start: None,
        into_unknown: false,
        most_spots: MOST_SPOTS,
        marks,
    };
    if coverage.weak.is_empty() {
        return Err("no weak spots are left".to_owned());
    }
    Plan::of(&shown.surface, &water, &coverage, Task::WeakSpots, &settings).map_err(|e| match e {
        PlanError::Nothing => "no weak spot that this boat can reach is left".to_owned(),
        other => other.to_string(),
    })
}
