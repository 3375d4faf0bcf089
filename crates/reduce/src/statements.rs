//! What people and gauges said, ready to be looked up: all that reduction is given but the legs.

use crate::levelled::Levels;
use crate::setups::Setups;
use crate::sound::Casts;
use crate::{Input, Land, LegInput, Settings, StageRecord};
use leadline_model::{Text, Verdict};
use std::collections::BTreeSet;

/// What all passes stand on.
#[derive(Debug)]
pub(crate) struct Statements {
    pub(crate) settings: Settings,
    pub(crate) setups: Setups,
    pub(crate) stages: StageRecord,
    pub(crate) casts: Casts,
    pub(crate) verdicts: Vec<Verdict>,
    pub(crate) land: Land,
    pub(crate) levels: Levels,
    /// Adopted surveys, in the order given.
    pub(crate) adopted: Vec<Foreign>,
}

/// What the passes of an adopted survey stand on in place of the own.
#[derive(Debug)]
pub(crate) struct Foreign {
    pub(crate) boats: BTreeSet<Text>,
    pub(crate) stages: StageRecord,
    pub(crate) casts: Casts,
    /// On areas and cells.
    pub(crate) verdicts: Vec<Verdict>,
}

impl Statements {
    /// The statements of `input`, and its legs.
    pub(crate) fn of(input: Input) -> (Self, Vec<LegInput>) {
        let Input {
            legs,
            setups,
            stages,
            casts,
            gauges,
            river,
            verdicts,
            shore,
            levelling,
            settings,
            adopted,
        } = input;
        let adopted = adopted
            .into_iter()
            .map(|a| Foreign {
                stages: StageRecord::along(&a.stages, &a.gauges, &a.river, &settings.defaults),
                casts: Casts::new(&a.casts, &settings.defaults),
                boats: a.boats,
                verdicts: a.verdicts,
            })
            .collect();
        let statements = Self {
            setups: Setups::new(&setups),
            stages: StageRecord::along(&stages, &gauges, &river, &settings.defaults),
            casts: Casts::new(&casts, &settings.defaults),
            land: Land::of(shore.as_ref()),
            levels: Levels::new(levelling.as_ref()),
            verdicts,
            settings,
            adopted,
        };
        (statements, legs)
    }

    /// The adopted survey that `boat` belongs to, by its number from 1; 0 = this survey.
    pub(crate) fn survey_of(&self, boat: &Text) -> usize {
        self.adopted.iter().position(|a| a.boats.contains(boat)).map_or(0, |i| i + 1)
    }

    /// That adopted survey.
    pub(crate) fn foreign(&self, boat: &Text) -> Option<&Foreign> {
        self.adopted.iter().find(|a| a.boats.contains(boat))
    }
}
