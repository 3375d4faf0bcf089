//! Are these the same readings? By how the depths of matched soundings differ.
//!
//! One measurement rounded twice differs by no more than the two roundings allow. Two sounders have noise of their
//! own, and even the quietest ([`QUIET_MM`]) now and then falls on different sides of a step. How often it would
//! have to do so is known from how often the readings step at all: only where that is often, and it does not
//! happen, are two recordings copies.

use super::step::Step;

/// Noise of the quietest sounder that is believed to exist, one standard deviation, mm (judgement).
const QUIET_MM: f64 = 10.0;
/// Two of them against each other: √2 of one.
const QUIET_BOTH_MM: f64 = QUIET_MM * std::f64::consts::SQRT_2;
/// So many readings beyond the allowed range must be expected of two quiet sounders: fewer than a quarter of them
/// then have odds of 1 in 1,000 (Poisson: 12 expected, at most 3 seen).
const EXPECTED: f64 = 12.0;
/// So many of the matched soundings may differ more than two roundings explain, in percent: damaged lines.
const DAMAGED_PERCENT: usize = 2;
/// So far around a step of the readings, in soundings, the water's depth is taken to be on the move.
const AROUND: usize = 4;
/// Coarser readings must have at least so many values to tell by their range alone.
const FEWEST_VALUES: usize = 4;
/// Fewer matched soundings than this tell nothing.
pub(crate) const FEWEST: usize = 30;
/// No draft, keel or typed offset is larger, mm.
const LARGEST_DIFFERENCE_MM: i64 = 8_000;

/// What the depths tell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Finding {
    /// Middle of the differences (second less first), mm.
    pub(crate) difference_mm: f64,
    /// Soundings whose difference the two roundings explain.
    pub(crate) explained: usize,
    pub(crate) answer: Answer,
    /// The difference is one value, but for what was rounded again.
    pub(crate) constant: bool,
}

/// Same readings or not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Answer {
    Copies,
    /// Each has its own noise.
    Different,
    /// Too coarse, too even or too short.
    CannotTell,
}

/// Judges the matched depths (mm) in time order.
pub(crate) fn judge(depths: &[(i32, i32)], steps: (Step, Step)) -> Finding {
    let mut differences: Vec<i64> = depths.iter().map(|d| i64::from(d.1) - i64::from(d.0)).collect();
    differences.sort_unstable();
    let n = differences.len();
    let (a, b) = steps;
    let room = a.room + b.room;
    let constant = fullest(&differences, room);
    let same = a.same(b);
    // Two values of one grid are never more than a step apart; on two grids each rounding has its half.
    let wide = fullest(&differences, if same { 1.5 * a.mm } else { a.mm + b.mm + room });
    let damaged = n * DAMAGED_PERCENT / 100;
    let is_constant = constant.count + damaged >= n;
    let moving = moving(depths, steps) as f64;
    let told = |count: usize, expected: f64| {
        let beyond = n - count;
        if beyond > damaged {
            Answer::Different
        } else if expected < EXPECTED {
            Answer::CannotTell
        } else if beyond as f64 > expected / 4.0 {
            Answer::Different
        } else {
            Answer::Copies
        }
    };
    let mut answer = if n < FEWEST {
        Answer::CannotTell
    } else if is_constant {
        told(constant.count, moving * constant_odds(a.mm.max(b.mm), room))
    } else if values(depths, steps) < FEWEST_VALUES {
        Answer::CannotTell
    } else {
        let odds = if same { half_step_odds(a.mm) } else { two_grid_odds(a.mm, b.mm, room) };
        told(wide.count, moving * odds)
    };
    let middle = if is_constant { constant.middle } else { wide.middle };
    if middle.abs() > LARGEST_DIFFERENCE_MM as f64 {
        answer = Answer::Different;
    }
    let explained = if is_constant { constant.count } else { wide.count };
    Finding { difference_mm: middle, explained, answer, constant: is_constant }
}

struct Window {
    count: usize,
    middle: f64,
}

/// The closed window of `width` mm with most differences.
fn fullest(sorted: &[i64], width: f64) -> Window {
    let found = super::shift::fullest(sorted, width as i64, |d| *d);
    let (from, to) = found.unwrap_or_default();
    let inside = sorted.get(from..to).unwrap_or_default();
    let middle = match (inside.first(), inside.last()) {
        (Some(a), Some(b)) if a == b => *a as f64,
        (Some(_), Some(_)) => inside.iter().sum::<i64>() as f64 / inside.len() as f64,
        _ => 0.0,
    };
    Window { count: inside.len(), middle }
}

/// Soundings with a step nearby in both recordings.
fn moving(depths: &[(i32, i32)], steps: (Step, Step)) -> usize {
    let near = |value: fn(&(i32, i32)) -> i32, step: Step| {
        let mut near = vec![false; depths.len()];
        let least = step.mm / 2.0;
        for (i, w) in depths.windows(2).enumerate() {
            let change = w.iter().map(|d| f64::from(value(d))).reduce(|a, b| b - a).unwrap_or(0.0);
            if change.abs() >= least {
                let to = (i + 1 + AROUND).min(near.len());
                near.get_mut((i + 1).saturating_sub(AROUND)..to).unwrap_or_default().fill(true);
            }
        }
        near
    };
    let (first, second) = (near(|d| d.0, steps.0), near(|d| d.1, steps.1));
    first.iter().zip(&second).filter(|(a, b)| **a && **b).count()
}

/// Different values of the coarser readings that occur at least three times.
fn values(depths: &[(i32, i32)], steps: (Step, Step)) -> usize {
    let coarse = if steps.0.mm >= steps.1.mm { |d: &(i32, i32)| d.0 } else { |d: &(i32, i32)| d.1 };
    let step = steps.0.mm.max(steps.1.mm);
    let mut all: Vec<i64> = depths.iter().map(|d| libm::round(f64::from(coarse(d)) / step) as i64).collect();
    all.sort_unstable();
    all.chunk_by(|x, y| x == y).filter(|same| same.len() >= 3).count()
}

/// Odds that two quiet sounders read different values of a grid whose steps lie at the same depths.
fn constant_odds(step: f64, room: f64) -> f64 {
    (2.0 * QUIET_BOTH_MM / step * excess(room / 2.0 / QUIET_BOTH_MM)).min(0.5)
}

/// Odds of a third value where the steps of one lie half-way between those of the other: the least of all.
fn half_step_odds(step: f64) -> f64 {
    (2.0 * QUIET_BOTH_MM / step * excess(step / 2.0 / QUIET_BOTH_MM)).min(0.5)
}

/// Odds of a difference beyond the two roundings on two grids that slide past each other: mean over where they lie.
fn two_grid_odds(a: f64, b: f64, room: f64) -> f64 {
    const PARTS: i32 = 16;
    let (coarse, fine) = (a.max(b), a.min(b));
    let at = |k: i32| excess((fine * (f64::from(k) + 0.5) / f64::from(PARTS) + room / 2.0) / QUIET_BOTH_MM);
    let mean = (0..PARTS).map(at).sum::<f64>() / f64::from(PARTS);
    (2.0 * QUIET_BOTH_MM / coarse * mean).min(0.5)
}

/// Mean of what a standard normal value has beyond `z` (the unit normal loss): φ(z) − z (1 − Φ(z)).
fn excess(z: f64) -> f64 {
    let density = libm::exp(-0.5 * z * z) / libm::sqrt(2.0 * std::f64::consts::PI);
    density - z * 0.5 * libm::erfc(z * std::f64::consts::FRAC_1_SQRT_2)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unit_normal_loss() {
        // Unit normal loss table (inventory textbooks): L(0) = 0.3989, L(1) = 0.0833, L(2) = 0.0085 (from memory).
        for (z, l) in [(0.0, 0.3989), (1.0, 0.0833), (2.0, 0.0085)] {
            assert!((excess(z) - l).abs() < 5e-5, "{z}");
        }
    }
}
