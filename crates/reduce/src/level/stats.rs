//! Differences at crossings, in numbers: within boats and between boats, against √(TVU₁² + TVU₂²).

use super::crossing::{Crossing, Side};
use crate::budget::ONE_DIMENSION_95;
use crate::levelled::{BoatLevels, Levels};
use leadline_model::{Levelling, Pass, UtcMillis};

/// Differences at crossings of one kind.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Spread {
    /// Crossings.
    pub crossings: u64,
    /// Root mean square of the differences, metres.
    pub rms_m: f64,
    /// Size that 95 % of them do not exceed, metres.
    pub size95_m: f64,
    /// Share of them within √(TVU₁² + TVU₂²) of the two soundings (95 % each). 1 of none.
    pub within: f64,
}

/// Differences at crossings.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Differences {
    /// Of a boat with itself, on one day: noise and lag.
    pub day: Spread,
    /// Of a boat with itself on other days: stage.
    pub boat: Spread,
    /// Between boats: draft, sound speed, stage.
    pub boats: Spread,
}

pub(crate) fn differences(crossings: &[Crossing], passes: &[Pass], with: Option<&Levelling>) -> Differences {
    let levels = Levels::new(with);
    let mut kinds: [Vec<(f64, f64)>; 3] = Default::default();
    for c in crossings {
        let [a, b] = [&c.a, &c.b].map(|s| passes.get(s.pass as usize).map(|p| (&p.boat, s)));
        let Some(((boat_a, a), (boat_b, b))) = a.zip(b) else { continue };
        let one = |boat, s: &Side| {
            let levels = levels.of(boat);
            let tied = levels.and_then(|l| l.day(UtcMillis(s.local.time)));
            // Reduction moves the place; here the bed of the true place is as much shoaler or deeper.
            let lag_s = levels.and_then(BoatLevels::lag).map_or(0.0, |(ms, _)| f64::from(ms) / 1000.0);
            let late = lag_s * s.local.speed * s.local.slope;
            let correction = tied.map_or(0.0, |t| t.correction(s.local.range)) + late;
            let shared = tied.map_or(s.local.shared, |t| t.remaining().own + t.remaining().common);
            (s.local.depth - correction, shared)
        };
        let ((za, shared_a), (zb, shared_b)) = (one(boat_a, a), one(boat_b, b));
        let limit = ONE_DIMENSION_95 * (c.noise() + c.place + shared_a + shared_b).sqrt();
        let kind = match (boat_a == boat_b, day(a) == day(b)) {
            (true, true) => 0,
            (true, false) => 1,
            _ => 2,
        };
        kinds[kind].push((za - zb, limit));
    }
    let [day, boat, boats] = kinds.map(spread);
    Differences { day, boat, boats }
}

fn day(s: &Side) -> i32 {
    crate::levelled::day_of(UtcMillis(s.local.time))
}

fn spread(found: Vec<(f64, f64)>) -> Spread {
    let n = found.len();
    let share = 1.0 / n.max(1) as f64;
    let mut sizes: Vec<f64> = found.iter().map(|(d, _)| d.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let within = found.iter().filter(|(d, limit)| d.abs() <= *limit).count();
    Spread {
        crossings: n as u64,
        rms_m: (sizes.iter().map(|d| d * d).sum::<f64>() * share).sqrt(),
        size95_m: sizes.get((n * 95 / 100).min(n.saturating_sub(1))).copied().unwrap_or(0.0),
        within: if n == 0 { 1.0 } else { within as f64 * share },
    }
}
