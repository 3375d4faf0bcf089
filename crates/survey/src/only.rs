//! Part of a survey: the soundings of some time or of one boat.

use crate::query::Computed;
use crate::{Error, Store};
use leadline_logbook::{LegClaim, Said};
use leadline_model::{LEG_MILLIS, LegId, LegWindow, Text, UtcMillis};
use leadline_reduce::LegInput;
use std::collections::BTreeSet;

/// Which soundings a question is about. Everything people said holds as it does for the whole survey.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Only {
    /// From this moment on.
    pub from: Option<UtcMillis>,
    /// Before this moment.
    pub before: Option<UtcMillis>,
    /// By this boat, under the name it has now or had.
    pub boat: Option<Text>,
    /// Of these legs.
    pub legs: Option<BTreeSet<LegId>>,
}

impl Only {
    /// Leaves the soundings that are meant.
    pub(crate) fn cut(&self, legs: &mut Vec<LegInput>) {
        if self.from.is_some() || self.before.is_some() {
            legs.iter_mut().for_each(|l| l.soundings.retain(|s| self.keeps(s.time)));
            legs.retain(|l| !l.soundings.is_empty());
        }
    }

    fn keeps(&self, at: UtcMillis) -> bool {
        self.from.is_none_or(|t| at >= t) && self.before.is_none_or(|t| at < t)
    }

    /// Whether a leg is one of those asked for, if legs are.
    pub(crate) fn names(&self, leg: &LegId) -> bool {
        self.legs.as_ref().is_none_or(|legs| legs.contains(leg))
    }

    /// Whether some sounding of a leg of boat `of` may be meant; `whose` is the boat asked for, under its name in
    /// force.
    pub(crate) fn touches(&self, said: &[Said<LegClaim>], of: Option<Text>, whose: &Option<Text>) -> bool {
        // A leg's id covers its window, so all claims of it name the same.
        let start = said.first().map(|c| c.what.window.start());
        let last = start.map(|s| UtcMillis(s.0.saturating_add(LEG_MILLIS - 1)));
        let in_time = start.zip(last).is_some_and(|(start, last)| {
            self.from.is_none_or(|t| last >= t) && self.before.is_none_or(|t| start < t)
        });
        in_time && (whose.is_none() || of == *whose)
    }
}

impl Store {
    /// The ten minutes that legs were claimed for, each once.
    pub fn windows(&self) -> Result<BTreeSet<LegWindow>, Error> {
        Ok(self.survey_writes()?.claims.values().flatten().map(|c| c.what.window).collect())
    }

    /// Like [`Store::compute`], of part of the soundings: statements, levelling and verdicts are those of the whole.
    pub fn compute_of(&self, only: &Only) -> Result<Computed, Error> {
        Ok(self.union(only)?.computed())
    }
}
