//! What each pass says of each of its days: where levelling starts from.

use crate::budget::{Level, Measured};
use leadline_model::UtcMillis;

/// Sums over the accepted soundings of one pass, one day, one state of the stage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct DayPart {
    pub(crate) pass: u32,
    pub(crate) day: i32,
    /// The stage is known.
    pub(crate) known: bool,
    pub(crate) n: u32,
    pub(crate) first: UtcMillis,
    pub(crate) last: UtcMillis,
    /// Sums of squares at 95 %.
    draft: f64,
    stage: f64,
    share: f64,
    lag: f64,
    range: f64,
    speed: f64,
}

/// The means of one boat-day. Metres, m/s, 95 %.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct DayMean {
    pub(crate) n: u32,
    /// Draft and reference.
    pub(crate) draft95: f64,
    pub(crate) stage95: f64,
    pub(crate) sound_share95: f64,
    pub(crate) lag95_s: f64,
    pub(crate) range: f64,
    /// Mean square.
    pub(crate) speed2: f64,
}

impl DayPart {
    pub(crate) fn new(pass: u32, day: i32, known: bool) -> Self {
        let (first, last) = (UtcMillis(i64::MAX), UtcMillis(i64::MIN));
        let zero = 0.0;
        Self {
            pass,
            day,
            known,
            n: 0,
            first,
            last,
            draft: zero,
            stage: zero,
            share: zero,
            lag: zero,
            range: zero,
            speed: zero,
        }
    }

    pub(crate) fn add(&mut self, time: UtcMillis, m: &Measured, level: &Level) {
        self.n += 1;
        self.first = self.first.min(time);
        self.last = self.last.max(time);
        self.draft += level.draft * level.draft + level.reference * level.reference;
        self.stage += level.stage * level.stage;
        self.share += m.sound_share * m.sound_share;
        self.lag += m.lag_s * m.lag_s;
        self.range += m.range;
        self.speed += m.speed * m.speed;
    }

    /// The parts of one boat-day together.
    pub(crate) fn mean<'a>(parts: impl Iterator<Item = &'a Self> + Clone) -> DayMean {
        let n = parts.clone().map(|p| p.n).sum::<u32>();
        let mean = |f: fn(&Self) -> f64| parts.clone().map(f).sum::<f64>() / f64::from(n.max(1));
        DayMean {
            n,
            draft95: mean(|p| p.draft).sqrt(),
            stage95: mean(|p| p.stage).sqrt(),
            sound_share95: mean(|p| p.share).sqrt(),
            lag95_s: mean(|p| p.lag).sqrt(),
            range: mean(|p| p.range),
            speed2: mean(|p| p.speed),
        }
    }
}
