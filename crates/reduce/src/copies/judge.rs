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
/// Two recordings are taken for copies where two quiet sounders would differ so little this seldom.
const ODDS: f64 = 1e-3;
/// Part of the expected differences that is seen: the allowed range is laid where most differences fit (measured on
/// drawn readings on grids of metres and feet: 0.8 to 0.95 where it matters).
const SEEN: f64 = 0.8;
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

/// A range of differences that one measurement, written down twice, does not leave.
struct Range {
    width: f64,
    /// Odds that two quiet sounders leave it, where the depth is on the move.
    odds: f64,
}

/// The ranges two recordings on these grids may keep to, the narrowest first.
fn ranges(a: Step, b: Step) -> [Range; 3] {
    let (coarse, fine) = (a.mm.max(b.mm), a.mm.min(b.mm));
    let room = a.room + b.room;
    // One value: written down again without loss, or with the same rounding at the same depths.
    let one = Range { width: room, odds: odds(coarse, room, room) };
    let ratio = coarse / fine;
    let locked = (ratio - libm::round(ratio)).abs() < 0.005 * ratio;
    if locked {
        // Differences lie on the fine grid. Rounded again: half-open, so one value less than a coarse step holds.
        let again = Range { width: coarse - fine / 2.0, odds: odds(coarse, -fine, fine) };
        // Rounded twice from something finer: one value more; least seen half-way between the steps.
        return [one, again, Range { width: coarse + fine / 2.0, odds: odds(coarse, fine, fine) }];
    }
    let again = Range { width: coarse + room, odds: odds(coarse, room - fine, room + fine) };
    [one, again, Range { width: coarse + fine + room, odds: odds(coarse, room, room + 2.0 * fine) }]
}

/// Odds that the difference of two quiet sounders passes an edge of the range by more than half of `from` to `to`
/// mm, taken evenly, where the readings step every `coarse` mm.
fn odds(coarse: f64, from: f64, to: f64) -> f64 {
    const PARTS: i32 = 16;
    let at = |k: i32| {
        let share = (f64::from(k) + 0.5) / f64::from(PARTS);
        excess((from + (to - from) * share) / 2.0 / QUIET_BOTH_MM)
    };
    let mean = (0..PARTS).map(at).sum::<f64>() / f64::from(PARTS);
    (2.0 * QUIET_BOTH_MM / coarse * mean).min(0.5)
}

/// Judges the matched depths (mm) in time order.
pub(crate) fn judge(depths: &[(i32, i32)], steps: (Step, Step)) -> Finding {
    let mut differences: Vec<i64> = depths.iter().map(|d| i64::from(d.1) - i64::from(d.0)).collect();
    differences.sort_unstable();
    let n = differences.len();
    let damaged = n * DAMAGED_PERCENT / 100;
    let moving = moving(depths, steps) as f64;
    let lively = values(depths, steps) >= FEWEST_VALUES;
    let mut best = Finding { difference_mm: 0.0, explained: 0, answer: Answer::Different, constant: false };
    for (i, range) in ranges(steps.0, steps.1).into_iter().enumerate() {
        let window = fullest(&differences, range.width);
        let (beyond, constant) = (n - window.count, i == 0);
        if beyond > damaged {
            best.explained = best.explained.max(window.count);
            continue;
        }
        let expected = SEEN * moving * range.odds;
        let few = beyond as f64 <= expected / 4.0 && at_most(beyond, expected) < ODDS;
        let answer = if window.middle.abs() > LARGEST_DIFFERENCE_MM as f64 {
            Answer::Different
        } else if few && n >= FEWEST && (constant || lively) {
            Answer::Copies
        } else {
            Answer::CannotTell
        };
        if best.answer == Answer::Different || answer == Answer::Copies {
            best = Finding { difference_mm: window.middle, explained: window.count, answer, constant };
        }
        if answer == Answer::Copies {
            break;
        }
    }
    best
}

/// Odds of at most `seen` where `expected` are (Poisson).
fn at_most(seen: usize, expected: f64) -> f64 {
    let mut term = libm::exp(-expected);
    let mut sum = term;
    for i in 1..=seen.min(1_000) {
        term *= expected / i as f64;
        sum += term;
    }
    sum
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
