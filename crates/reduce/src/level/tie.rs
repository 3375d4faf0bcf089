//! Crossings of the same minute belong together: the receivers' errors hardly change meanwhile.

use super::crossing::{Crossing, Side};
use super::track::Local;
use crate::levelled::day_of;
use leadline_model::UtcMillis;

/// How long a receiver's error is taken for the same, ms.
const BLOCK_MS: i64 = 60_000;

/// The mean of all crossings of one minute of a track with one minute of another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Tie {
    pub(crate) ends: [End; 2],
    /// Metres the first is deeper.
    pub(crate) difference: f64,
    /// Variances of the difference, m².
    pub(crate) noise: f64,
    pub(crate) place: f64,
    pub(crate) crossings: u32,
}

/// What the model needs of one side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct End {
    pub(crate) pass: u32,
    pub(crate) day: i32,
    /// Below the transducer, metres.
    pub(crate) range: f64,
    /// Mean square of the speed, (m/s)².
    pub(crate) speed2: f64,
    /// Metres deeper for each second of lag.
    pub(crate) lag_rate: f64,
}

type Key = (u32, i64, u32, i64);

/// Ties in the order of passes and minutes. `crossings` are in that order.
pub(crate) fn ties(crossings: &[Crossing]) -> Vec<Tie> {
    let mut keyed: Vec<(Key, &Crossing)> = crossings.iter().map(|c| (key(c), c)).collect();
    keyed.sort_by_key(|(k, _)| *k);
    keyed.chunk_by(|p, q| p.0 == q.0).filter_map(mean).collect()
}

fn key(c: &Crossing) -> Key {
    let block = |s: &Side| s.local.time.div_euclid(BLOCK_MS);
    (c.a.pass, block(&c.a), c.b.pass, block(&c.b))
}

fn mean(group: &[(Key, &Crossing)]) -> Option<Tie> {
    let n = group.len() as f64;
    let first = group.first()?.1;
    let of = |f: &dyn Fn(&Crossing) -> f64| group.iter().map(|(_, c)| f(c)).sum::<f64>() / n;
    let end = |side: fn(&Crossing) -> &Side| {
        let local = |f: &dyn Fn(&Local) -> f64| of(&|c| f(&side(c).local));
        End {
            pass: side(first).pass,
            day: day_of(UtcMillis(side(first).local.time)),
            range: local(&|l| l.range),
            speed2: local(&|l| l.speed * l.speed),
            lag_rate: local(&|l| l.speed * l.slope),
        }
    };
    Some(Tie {
        ends: [end(|c| &c.a), end(|c| &c.b)],
        difference: of(&Crossing::difference),
        noise: of(&Crossing::noise) / n,
        place: of(&|c| c.place),
        crossings: u32::try_from(group.len()).unwrap_or(u32::MAX),
    })
}
