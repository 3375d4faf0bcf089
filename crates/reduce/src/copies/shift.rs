//! How far two clocks are apart: roughly by when both entered the same squares, then by when they were at the same
//! places, then to the millisecond by the soundings themselves.

use super::matching::{Nearest, Track};
use super::visits::Visit;

/// Entering a square is seen no better than this, ms, apart from the time between soundings.
const ENTRY_MS: i64 = 3_000;
/// This share of the common squares has to tell the same shift, in percent.
const AGREE_PERCENT: usize = 40;
/// Visits of one square that are compared: a boat at anchor enters the same ones again and again.
const REVISITS: usize = 6;
/// Clocks nearer than this are looked at as if they were set right, too, ms.
const CLOCK_RIGHT_MS: i64 = 3_000;
/// Places looked at for the second step.
const PLACES: usize = 240;
/// Fewer places than this tell nothing.
const FEWEST_PLACES: usize = 12;
/// Way around a place on which the boat counts as moving, metres.
const MOVING_M: f64 = 1.0;
/// Soundings looked at for the third step.
const SOUNDINGS: usize = 400;

/// The shift (time of `b` less time of `a`) that most common squares tell.
pub(crate) fn coarse(a: &[Visit], b: &[Visit], interval: i64) -> Option<i64> {
    let mut told: Vec<(i64, u32)> = Vec::new();
    let (mut i, mut j, mut common) = (0, 0, 0u32);
    while let (Some(x), Some(y)) = (a.get(i), b.get(j)) {
        if x.key != y.key {
            (i, j) = if x.key < y.key { (i + 1, j) } else { (i, j + 1) };
            continue;
        }
        let ours = run(a, i);
        let theirs = run(b, j);
        for x in ours.iter().take(REVISITS) {
            told.extend(theirs.iter().take(REVISITS).map(|y| (y.time.saturating_sub(x.time), common)));
        }
        common += 1;
        (i, j) = (i + ours.len(), j + theirs.len());
    }
    told.sort_unstable();
    let width = ENTRY_MS.saturating_add(interval.saturating_mul(2));
    let (from, to) = fullest(&told, width, |t| t.0)?;
    let window = told.get(from..to)?;
    let mut squares: Vec<u32> = window.iter().map(|t| t.1).collect();
    squares.sort_unstable();
    squares.dedup();
    (squares.len() * 100 >= common as usize * AGREE_PERCENT)
        .then(|| window.get(window.len() / 2).map(|t| t.0))
        .flatten()
}

fn run(visits: &[Visit], from: usize) -> &[Visit] {
    let rest = visits.get(from..).unwrap_or_default();
    let key = rest.first().map(|v| v.key);
    rest.get(..rest.partition_point(|v| Some(v.key) == key)).unwrap_or_default()
}

/// The window of `width` with most of the `sorted` values, the first of equals: from and to.
pub(crate) fn fullest<T>(sorted: &[T], width: i64, value: impl Fn(&T) -> i64) -> Option<(usize, usize)> {
    let mut best = (0, 0);
    let mut from = 0;
    for (to, t) in sorted.iter().enumerate() {
        while sorted.get(from).is_some_and(|f| value(t).saturating_sub(value(f)) > width) {
            from += 1;
        }
        if to + 1 - from > best.1 - best.0 {
            best = (from, to + 1);
        }
    }
    (best.1 > 0).then_some(best)
}

/// When `b` was at the places of `a`, less when `a` was: the median, `None` where too few places tell.
pub(crate) fn by_places(a: &Track, b: &Track, coarse: i64) -> Option<i64> {
    let stride = (a.placed.len() / PLACES).max(1);
    let reach = ENTRY_MS.saturating_add(a.interval.max(b.interval).saturating_mul(2));
    let mut told: Vec<i64> = Vec::new();
    for w in a.placed.windows(3).step_by(stride) {
        let [before, p, after] = w else { continue };
        let moved = (after.east - before.east).abs() + (after.north - before.north).abs();
        if moved < MOVING_M {
            continue;
        }
        let time = p.time.saturating_add(coarse);
        let from = b.placed.partition_point(|q| q.time < time.saturating_sub(reach));
        let to = b.placed.partition_point(|q| q.time <= time.saturating_add(reach));
        let legs = b.placed.get(from..to).unwrap_or_default().windows(2).take(400);
        let mut nearest: Option<(f64, i64)> = None;
        for leg in legs {
            let [q, r] = leg else { continue };
            let (ve, vn) = (r.east - q.east, r.north - q.north);
            let (de, dn) = (p.east - q.east, p.north - q.north);
            let square = ve * ve + vn * vn;
            let share = if square > 0.0 { ((de * ve + dn * vn) / square).clamp(0.0, 1.0) } else { 0.0 };
            let (e, n) = (de - share * ve, dn - share * vn);
            let far = e * e + n * n;
            if nearest.is_none_or(|best| far < best.0) {
                let ms = (share * r.time.saturating_sub(q.time) as f64) as i64;
                nearest = Some((far, q.time.saturating_add(ms).saturating_sub(p.time)));
            }
        }
        told.extend(nearest.map(|n| n.1));
    }
    told.sort_unstable();
    (told.len() >= FEWEST_PLACES).then(|| told.get(told.len() / 2).copied()).flatten()
}

/// Shifts worth trying, each once, and how far single soundings may lie beside them in time, ms.
#[derive(Debug, Default)]
pub(crate) struct Trials {
    pub(crate) shifts: Vec<i64>,
    pub(crate) tolerance: i64,
}

/// What soundings next to each other in time tell: the shift most agree on to 20 ms, the middle, the middle of the
/// ends; and what places told. Where times are exact, also a sounding or two farther.
pub(crate) fn trials(few: &Track, many: &Track, about: i64) -> Trials {
    let stride = (few.placed.len() / SOUNDINGS).max(1);
    let mut nearest = Nearest::new(&many.placed);
    let half = many.interval / 2 + 1;
    let mut told: Vec<i64> = Vec::new();
    for p in few.placed.iter().step_by(stride) {
        let time = p.time.saturating_add(about);
        let found = nearest.to(time).and_then(|j| many.placed.get(j));
        told.extend(
            found.map(|q| q.time.saturating_sub(p.time)).filter(|d| d.abs_diff(about) <= half as u64),
        );
    }
    told.sort_unstable();
    let Some((from, to)) = fullest(&told, 20, |t| *t) else { return Trials::default() };
    let at = |i: usize| told.get(i).copied().unwrap_or(about);
    let (mode, middle) = (at((from + to) / 2), at(told.len() / 2));
    let (low, high) = (at(told.len() / 20), at(told.len() - 1 - told.len() / 20));
    let mut shifts = vec![mode, low.midpoint(high), middle, about];
    if about.saturating_abs() <= CLOCK_RIGHT_MS {
        shifts.push(0);
    }
    for k in [1, -1, 2, -2] {
        shifts.push(mode.saturating_add(many.interval.saturating_mul(k)));
    }
    let mut each = Vec::new();
    for s in shifts {
        if !each.contains(&s) {
            each.push(s);
        }
    }
    let exact = (to - from) * 10 >= told.len() * 9;
    let spread = if exact { 0 } else { high.saturating_sub(low) / 2 };
    let beat = few.beat.max(many.beat);
    let rounded = if 2 * beat > many.interval { beat * 6 / 10 } else { 0 };
    Trials { shifts: each, tolerance: spread.max(rounded).saturating_add(20) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fullest_window_is_the_first_of_equals() {
        assert_eq!(fullest(&[0, 1, 2, 50, 51, 52, 90], 5, |t| *t), Some((0, 3)));
        assert_eq!(fullest(&[0, 50, 51, 52, 90], 5, |t| *t), Some((1, 4)));
        assert_eq!(fullest::<i64>(&[], 5, |t| *t), None);
    }
}
