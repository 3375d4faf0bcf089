//! One-to-one in time: which sounding of one strand is which of the other, given the shift of the clocks.

use super::strand::Point;
use leadline_model::LocalFrame;

/// Both are the same place if no farther apart than this, metres.
pub(crate) const SAME_PLACE_M: f64 = 3.0;
/// Soundings that are held against one: more than fit in the time that rounding leaves open.
const CHOICES: usize = 32;
/// An interval of time beside counts as much as 5 cm of way: it decides where the boat lies still, m².
const BESIDE_M2: f64 = 0.0025;
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
    /// What its times are rounded to, ms.
    pub(crate) beat: i64,
}

impl Track {
    pub(crate) fn new(points: &[Point], frame: &LocalFrame) -> Self {
        let place = |p: &Point| {
            let (east, north) = frame.metres(p.at);
            Placed { time: p.time, east, north, depth: p.depth_mm }
        };
        Self { placed: points.iter().map(place).collect(), interval: interval(points), beat: beat(points) }
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

/// The coarsest of a second and its tenths, hundredths and thousandths that the times keep to, whatever their zero.
fn beat(points: &[Point]) -> i64 {
    // Neighbours: every tenth time of a beat of 0.2 s would be a whole second again.
    let keeps = |ms: i64| {
        let mut rests: Vec<i64> = points.iter().take(512).map(|p| p.time.rem_euclid(ms)).collect();
        rests.sort_unstable();
        let most = rests.chunk_by(|a, b| a == b).map(<[i64]>::len).max().unwrap_or(0);
        most * 100 >= rests.len() * 95
    };
    [1_000, 100, 10].into_iter().find(|ms| keeps(*ms)).unwrap_or(1)
}

/// A match of two tracks.
#[derive(Debug, Default)]
pub(crate) struct Matched {
    /// Numbers of soundings that belong together: few, many.
    pub(crate) pairs: Vec<(u32, u32)>,
    /// Soundings of `few` while `many` recorded.
    pub(crate) shared: usize,
}

/// Matches every sounding of `few` with one of `many`, whose clock is `shift` ahead: of those less than `tolerance`
/// off in time the one nearest by, so that rounded times do no harm.
pub(crate) fn matched(few: &Track, many: &Track, shift: i64, tolerance: i64) -> Matched {
    let mut found = Matched::default();
    let mut from = 0;
    let mut last_cost = f64::INFINITY;
    for (i, p) in (0u32..).zip(&few.placed) {
        let time = p.time.saturating_add(shift);
        let ahead = |j: usize| many.placed.get(j).map(|q| q.time.saturating_sub(time));
        while ahead(from).is_some_and(|ms| ms < -tolerance) {
            from += 1;
        }
        let mut best: Option<(f64, usize)> = None;
        for j in from..from.saturating_add(CHOICES) {
            let Some((q, ms)) = many.placed.get(j).zip(ahead(j)).filter(|(_, ms)| *ms <= tolerance) else {
                break;
            };
            let (e, n) = (p.east - q.east, p.north - q.north);
            let beside = ms as f64 / many.interval.max(1) as f64;
            let cost = e * e + n * n + BESIDE_M2 * beside * beside;
            if best.is_none_or(|b| cost < b.0) {
                best = Some((cost, j));
            }
        }
        found.shared += usize::from(best.is_some() || many.records_at(time, tolerance));
        let Some((cost, j)) = best.filter(|b| b.0 <= SAME_PLACE_M * SAME_PLACE_M) else { continue };
        let j = j as u32;
        match found.pairs.last_mut() {
            // One-to-one: of two that want the same, the nearer has it.
            Some(last) if last.1 == j => {
                if cost < last_cost {
                    (*last, last_cost) = ((i, j), cost);
                }
            }
            _ => {
                found.pairs.push((i, j));
                last_cost = cost;
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
