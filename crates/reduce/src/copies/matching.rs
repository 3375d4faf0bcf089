//! One-to-one in time: which sounding of one strand is which of the other, given the shift of the clocks.

use super::strand::Point;
use leadline_model::LocalFrame;

/// Both are the same place if no farther apart than this, metres.
pub(crate) const SAME_PLACE_M: f64 = 3.0;
/// A strand records where its soundings are no farther apart than this, ms, or three usual intervals.
const SILENCE_MS: i64 = 5_000;

/// A sounding in metres.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Placed {
    pub(crate) time: i64,
    pub(crate) east: f64,
    pub(crate) north: f64,
    pub(crate) depth: i32,
}

/// A strand in metres, in time order.
#[derive(Debug)]
pub(crate) struct Track {
    pub(crate) placed: Vec<Placed>,
    /// Usual time between soundings, ms.
    pub(crate) interval: i64,
}

impl Track {
    pub(crate) fn new(points: &[Point], frame: &LocalFrame) -> Self {
        let place = |p: &Point| {
            let (east, north) = frame.metres(p.at);
            Placed { time: p.time, east, north, depth: p.depth_mm }
        };
        Self { placed: points.iter().map(place).collect(), interval: interval(points) }
    }

    /// Longest time between soundings within which it still records, ms.
    fn silence(&self) -> i64 {
        self.interval.saturating_mul(3).max(SILENCE_MS)
    }

    /// Whether it records at `time`, give or take `tolerance`.
    pub(crate) fn records_at(&self, time: i64, tolerance: i64) -> bool {
        let after = self.placed.partition_point(|p| p.time < time.saturating_sub(tolerance));
        let until = self.placed.partition_point(|p| p.time <= time.saturating_add(tolerance));
        let ends = until.checked_sub(1).and_then(|i| self.placed.get(i)).zip(self.placed.get(after));
        ends.is_some_and(|(a, b)| b.time.saturating_sub(a.time) <= self.silence())
    }
}

/// Median time between neighbours, of at most 255 of them.
pub(crate) fn interval(points: &[Point]) -> i64 {
    let stride = (points.len() / 255).max(1);
    let mut gaps: Vec<i64> = points
        .windows(2)
        .step_by(stride)
        .filter_map(|w| Some(w.get(1)?.time.saturating_sub(w.first()?.time)))
        .collect();
    gaps.sort_unstable();
    gaps.get(gaps.len() / 2).copied().unwrap_or(0)
}

/// A match of two tracks.
#[derive(Debug, Default)]
pub(crate) struct Matched {
    /// Numbers of soundings that belong together: few, many.
    pub(crate) pairs: Vec<(u32, u32)>,
    /// Soundings of `few` while `many` recorded.
    pub(crate) shared: usize,
}

/// Matches every sounding of `few` with the nearest in time of `many`, whose clock is `shift` ahead.
pub(crate) fn matched(few: &Track, many: &Track, shift: i64, tolerance: i64) -> Matched {
    let mut found = Matched::default();
    let mut nearest = Nearest::new(&many.placed);
    let mut last_gap = i64::MAX;
    for (i, p) in (0u32..).zip(&few.placed) {
        let time = p.time.saturating_add(shift);
        let Some(j) = nearest.to(time) else { break };
        let Some(q) = many.placed.get(j) else { break };
        let gap = q.time.saturating_sub(time).saturating_abs();
        let here = gap <= tolerance;
        found.shared += usize::from(here || many.records_at(time, tolerance));
        if !here || (p.east - q.east).abs() > SAME_PLACE_M || (p.north - q.north).abs() > SAME_PLACE_M {
            continue;
        }
        if (p.east - q.east).powi(2) + (p.north - q.north).powi(2) > SAME_PLACE_M * SAME_PLACE_M {
            continue;
        }
        let j = j as u32;
        match found.pairs.last_mut() {
            // One-to-one: of two that want the same, the nearer in time has it.
            Some(last) if last.1 == j => {
                if gap < last_gap {
                    (*last, last_gap) = ((i, j), gap);
                }
            }
            _ => {
                found.pairs.push((i, j));
                last_gap = gap;
            }
        }
    }
    found
}

/// Walks along a track; asked for times that grow.
pub(crate) struct Nearest<'a> {
    placed: &'a [Placed],
    at: usize,
}

impl<'a> Nearest<'a> {
    pub(crate) fn new(placed: &'a [Placed]) -> Self {
        Self { placed, at: 0 }
    }

    /// The sounding nearest in time.
    pub(crate) fn to(&mut self, time: i64) -> Option<usize> {
        let gap = |i: usize| self.placed.get(i).map(|p| p.time.saturating_sub(time).saturating_abs());
        let mut best = gap(self.at)?;
        let mut i = self.at;
        while let Some(next) = gap(i + 1) {
            if next > best {
                break;
            }
            i += 1;
            // Of equal times the first stays, so that others have their turn.
            if next < best {
                (best, self.at) = (next, i);
            }
        }
        Some(self.at)
    }
}
