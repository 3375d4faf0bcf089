//! What people and gauges said, ready to be looked up: all that reduction is given but the legs.

use crate::levelled::Levels;
use crate::setups::Setups;
use crate::sound::Casts;
use crate::{Input, LegInput, Settings, StageRecord};
use leadline_model::Verdict;

/// What all passes stand on.
#[derive(Debug)]
pub(crate) struct Statements {
    pub(crate) settings: Settings,
    pub(crate) setups: Setups,
    pub(crate) stages: StageRecord,
    pub(crate) casts: Casts,
    pub(crate) verdicts: Vec<Verdict>,
    pub(crate) levels: Levels,
}

impl Statements {
    /// The statements of `input`, and its legs.
    pub(crate) fn of(input: Input) -> (Self, Vec<LegInput>) {
        let Input { legs, setups, stages, casts, gauges, river, verdicts, levelling, settings } = input;
        let statements = Self {
            setups: Setups::new(&setups),
            stages: StageRecord::along(&stages, &gauges, &river, &settings.defaults),
            casts: Casts::new(&casts, &settings.defaults),
            levels: Levels::new(levelling.as_ref()),
            verdicts,
            settings,
        };
        (statements, legs)
    }
}
