//! Soundings whose day is not sure yet.
//!
//! A log may begin with sentences that have a time but no date. They wait, at most ten minutes of log time,
//! for a sentence with a date in the same unbroken stretch. If none comes, the day is taken from the stretch
//! before or from the importer's statement; without either they are counted as having no date.

use super::streams::Placed;
use leadline_model::{Flags, Sounding};
use std::collections::VecDeque;

/// Longest wait, ms of log time.
const LOOK_AHEAD_MS: i64 = 600_000;
/// Most soundings that wait (a hundred a second).
const LOOK_AHEAD_SOUNDINGS: usize = 60_000;

/// How the day of the present stretch is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Dated {
    /// A sentence of the stretch has the date.
    Stated,
    /// Reckoned on from the stretch before.
    Continued,
    /// The importer's statement.
    Assumed,
    /// Not at all: days are counted from 1970.
    Unknown,
}

#[derive(Default)]
pub(crate) struct Waiting {
    queue: VecDeque<Placed>,
}

/// What became of a sounding whose day was in doubt.
pub(crate) enum Settled {
    Dated(Placed),
    NoDate(Placed),
}

impl Waiting {
    /// Takes a sounding; hands out what need not wait any longer.
    pub(crate) fn push(&mut self, placed: Placed, dated: Dated, mut out: impl FnMut(Settled)) {
        if dated == Dated::Stated {
            return out(Settled::Dated(placed));
        }
        let now = placed.sounding.time.0;
        self.queue.push_back(placed);
        while self.queue.len() > LOOK_AHEAD_SOUNDINGS
            || self.queue.front().is_some_and(|p| now - p.sounding.time.0 > LOOK_AHEAD_MS)
        {
            let Some(oldest) = self.queue.pop_front() else { break };
            out(settled(oldest, dated));
        }
    }

    /// The date came: all wait no longer. Moves them by whole days.
    pub(crate) fn confirm(&mut self, by: i64, mut out: impl FnMut(Settled)) {
        for mut p in self.queue.drain(..) {
            p.sounding.time.0 += by;
            out(Settled::Dated(p));
        }
    }

    /// The stretch ended: no date will come.
    pub(crate) fn settle(&mut self, dated: Dated, mut out: impl FnMut(Settled)) {
        for p in self.queue.drain(..) {
            out(settled(p, dated));
        }
    }

    pub(crate) fn iter_mut(&mut self) -> impl Iterator<Item = &mut Sounding> {
        self.queue.iter_mut().map(|p| &mut p.sounding)
    }
}

fn settled(mut p: Placed, dated: Dated) -> Settled {
    match dated {
        Dated::Unknown => return Settled::NoDate(p),
        Dated::Assumed => p.sounding.flags = p.sounding.flags.with(Flags::ASSUMED_TIME),
        Dated::Stated | Dated::Continued => {}
    }
    Settled::Dated(p)
}
