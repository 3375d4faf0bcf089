//! Whether two strands hold the same measurements.

use super::evidence::{Rank, rank};
use super::judge::{Answer, FEWEST, Finding, judge};
use super::matching::{Matched, Placed, Track, interval, matched};
use super::shift::{by_places, coarse, trials};
use super::step::{Step, step};
use super::strand::{Point, Strand};
use super::visits::{Visit, visits};
use leadline_model::LocalFrame;
use std::collections::BTreeMap;

/// Copies must share at least this much of the shorter recording, in percent of its soundings: one log may be cut
/// elsewhere than the other.
const SHARED_PERCENT: usize = 30;
/// Of what they share, this much must match one-to-one, in percent.
const MATCHED_PERCENT: usize = 90;
/// A boat that stays within this, metres, does not tell the shift of the clocks.
const ANCHORED_M: f64 = 30.0;
/// The same to the last digit: positions this near, metres (two places of the grid).
const LAST_DIGIT_M: f64 = 0.05;

/// Two strands found to hold the same measurements; the better one first.
pub(crate) struct Pair {
    pub(crate) better: usize,
    pub(crate) worse: usize,
    /// Time of the worse one less that of the better one, ms.
    pub(crate) shift: i64,
    /// How far single soundings may lie beside that, ms.
    pub(crate) tolerance: i64,
    /// Depths of the worse one less those of the better one, mm.
    pub(crate) difference_mm: f64,
}

/// A strand as it is held against others.
pub(crate) struct Looked<'a> {
    pub(crate) strand: &'a Strand,
    pub(crate) points: Vec<Point>,
    pub(crate) visits: Vec<Visit>,
}

impl<'a> Looked<'a> {
    pub(crate) fn at(strand: &'a Strand) -> Self {
        let points = strand.points();
        let visits = visits(&points);
        Self { strand, points, visits }
    }
}

/// Holds strands against each other.
pub(crate) struct Finder<'a> {
    pub(crate) strands: &'a [Looked<'a>],
    /// Grid and rank of the strands looked at so far.
    pub(crate) known: BTreeMap<usize, (Step, Rank)>,
}

/// Whether one of the two, the first in the order of all strands, is a copy of the other.
pub(crate) fn is_copy(two: &[Looked<'_>; 2]) -> bool {
    Finder { strands: two, known: BTreeMap::new() }.find(0, 1).is_some()
}

impl Finder<'_> {
    fn know(&mut self, number: usize) -> Option<(Step, Rank)> {
        if let Some(known) = self.known.get(&number) {
            return Some(*known);
        }
        let looked = self.strands.get(number)?;
        let step = step(&looked.points);
        let known = (step, rank(number, looked.strand, &looked.points, step));
        self.known.insert(number, known);
        Some(known)
    }

    /// Whether strands `a` and `b` are copies.
    pub(crate) fn find(&mut self, a: usize, b: usize) -> Option<Pair> {
        let (la, lb) = (self.strands.get(a)?, self.strands.get(b)?);
        let interval = interval(&la.points).max(interval(&lb.points));
        self.pair(a, b, coarse(&la.visits, &lb.visits, interval)?)
    }

    /// Whether strands `a` and `b` are copies, their clocks being about `about` apart.
    fn pair(&mut self, a: usize, b: usize, about: i64) -> Option<Pair> {
        let (pa, pb) = (&self.strands.get(a)?.points, &self.strands.get(b)?.points);
        let frame = LocalFrame::new(pa.first()?.at);
        let (ta, tb) = (Track::new(pa, &frame), Track::new(pb, &frame));
        let anchored = extent(&ta.placed) < ANCHORED_M || extent(&tb.placed) < ANCHORED_M;
        let about = if anchored { 0 } else { by_places(&ta, &tb, about).unwrap_or(about) };
        // Matched from the one that sounded less in the time both recorded.
        let (start, end) = shared_time(pa, pb, about)?;
        let count = |points: &[Point], from: i64, to: i64| {
            points.partition_point(|p| p.time <= to).saturating_sub(points.partition_point(|p| p.time < from))
        };
        let na = count(pa, start, end);
        let nb = count(pb, start.saturating_add(about), end.saturating_add(about));
        let turned = nb < na;
        let (few, many, about) = if turned { (&tb, &ta, about.saturating_neg()) } else { (&ta, &tb, about) };
        let ((sa, ra), (sb, rb)) = (self.know(a)?, self.know(b)?);
        let steps = if turned { (sb, sa) } else { (sa, sb) };
        let shorter = pa.len().min(pb.len());
        let found = best_trial(few, many, about, steps, shorter, anchored)?;
        let forward = if turned { found.shift.saturating_neg() } else { found.shift };
        let difference = if turned { -found.finding.difference_mm } else { found.finding.difference_mm };
        let a_better = ra > rb;
        Some(Pair {
            better: if a_better { a } else { b },
            worse: if a_better { b } else { a },
            shift: if a_better { forward } else { forward.saturating_neg() },
            tolerance: found.tolerance,
            difference_mm: if a_better { difference } else { -difference },
        })
    }
}

struct Found {
    shift: i64,
    tolerance: i64,
    finding: Finding,
}

/// Tries the shifts around `about`; the one that explains most soundings counts, if it makes them copies.
fn best_trial(
    few: &Track,
    many: &Track,
    about: i64,
    steps: (Step, Step),
    shorter: usize,
    anchored: bool,
) -> Option<Found> {
    let trials = trials(few, many, about);
    let shifts = if anchored { vec![0] } else { trials.shifts };
    let mut best: Option<(Found, Matched)> = None;
    for shift in shifts {
        let m = matched(few, many, shift, trials.tolerance);
        if m.pairs.len() * 100 < m.shared * MATCHED_PERCENT || m.shared * 100 < shorter * SHARED_PERCENT {
            continue;
        }
        let finding = judge(&depths(few, many, &m), steps);
        let merit = |f: &Finding| (f.answer == Answer::Copies, f.explained);
        if best.as_ref().is_none_or(|(b, _)| merit(&finding) > merit(&b.finding)) {
            best = Some((Found { shift, tolerance: trials.tolerance, finding }, m));
        }
        if best.as_ref().is_some_and(|(b, m)| merit(&b.finding) == (true, m.pairs.len())) {
            break;
        }
    }
    let (found, m) = best?;
    let f = found.finding;
    let told = match f.answer {
        Answer::Copies => !anchored || (f.constant && f.difference_mm == 0.0),
        Answer::CannotTell => found.shift == 0 && to_the_last_digit(few, many, &m),
        Answer::Different => false,
    };
    told.then_some(found)
}

fn depths(few: &Track, many: &Track, m: &Matched) -> Vec<(i32, i32)> {
    ends(few, many, m).map(|(p, q)| (p.depth, q.depth)).collect()
}

fn ends<'a>(
    few: &'a Track,
    many: &'a Track,
    m: &'a Matched,
) -> impl Iterator<Item = (&'a Placed, &'a Placed)> {
    m.pairs.iter().filter_map(|(i, j)| few.placed.get(*i as usize).zip(many.placed.get(*j as usize)))
}

/// The same times, places and depths: two loggers on one bus. One in a hundred may be damaged.
fn to_the_last_digit(few: &Track, many: &Track, m: &Matched) -> bool {
    let near = |a: f64, b: f64| (a - b).abs() <= LAST_DIGIT_M;
    let same = ends(few, many, m).filter(|(p, q)| {
        p.time == q.time && p.depth == q.depth && near(p.east, q.east) && near(p.north, q.north)
    });
    m.pairs.len() >= FEWEST && same.count() * 100 >= m.shared * 99
}

/// The larger side of the box around a track, metres.
fn extent(placed: &[Placed]) -> f64 {
    let side = |value: fn(&Placed) -> f64| {
        let low = placed.iter().map(value).fold(f64::INFINITY, f64::min);
        placed.iter().map(value).fold(f64::NEG_INFINITY, f64::max) - low
    };
    side(|p| p.east).max(side(|p| p.north))
}

/// What both recorded, on the clock of `a`.
pub(crate) fn shared_time(a: &[Point], b: &[Point], shift: i64) -> Option<(i64, i64)> {
    let start = a.first()?.time.max(b.first()?.time.saturating_sub(shift));
    let end = a.last()?.time.min(b.last()?.time.saturating_sub(shift));
    (start <= end).then_some((start, end))
}
