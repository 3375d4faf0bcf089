//! Finds the copies among all strands and takes them out.

use super::evidence::{Rank, rank};
use super::judge::{Answer, Finding, judge};
use super::matching::{Matched, Placed, Track, matched};
use super::shift::{CLOCK_RIGHT_MS, by_places, coarse, trials};
use super::step::{Step, step};
use super::strand::{Leg, Point, Strand};
use super::visits::{Visit, candidates, visits};
use super::{CopyFound, Recording};
use crate::passes::SetTable;
use leadline_model::{Decision, LocalFrame, Scope, Text, UtcMillis, Verdict};
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

/// What was found, in canonical order.
#[derive(Debug, Default)]
pub(crate) struct Settled {
    pub(crate) found: Vec<CopyFound>,
    /// Soundings that do not count any more.
    pub(crate) dropped: u64,
}

/// Two strands found to hold the same measurements; the better one first.
struct Pair {
    better: usize,
    worse: usize,
    /// Time of the worse one less that of the better one, ms.
    shift: i64,
    tolerance: i64,
    difference_mm: f64,
}

/// Finds copies among `strands`, takes their soundings out and gives their devices and boats to those that stand.
pub(crate) fn settle(strands: &mut [Strand], verdicts: &[Verdict], sets: &mut SetTable) -> Settled {
    if strands.len() < 2 {
        return Settled::default();
    }
    let points: Vec<Vec<Point>> = strands.iter().map(Strand::points).collect();
    let visits: Vec<Vec<Visit>> = points.iter().map(|p| visits(p)).collect();
    let mut finder = Finder { strands, points: &points, known: BTreeMap::new() };
    let mut pairs: Vec<Pair> = Vec::new();
    for (a, b) in candidates(&visits) {
        let about = match (visits.get(a), visits.get(b), points.get(a), points.get(b)) {
            (Some(va), Some(vb), Some(a), Some(b)) => {
                let interval = super::matching::interval(a).max(super::matching::interval(b));
                coarse(va, vb, interval)
            }
            _ => None,
        };
        pairs.extend(about.and_then(|about| finder.pair(a, b, about)));
    }
    let ranks = finder.known;
    let mut order: Vec<(Rank, Rank, Pair)> = pairs
        .into_iter()
        .filter_map(|p| Some((ranks.get(&p.worse)?.1, ranks.get(&p.better)?.1, p)))
        .collect();
    // The worst goes first, so that what it hands on reaches those that stand.
    order.sort_by_key(|x| (x.0, x.1));
    let mut settled = Settled::default();
    for (_, _, pair) in order {
        take_out(strands, &points, &pair, verdicts, sets, &mut settled);
    }
    settled.found.sort_by(|x, y| (&x.standing, &x.copy, x.shift_ms).cmp(&(&y.standing, &y.copy, y.shift_ms)));
    settled
}

struct Finder<'a> {
    strands: &'a [Strand],
    points: &'a [Vec<Point>],
    /// Grid and rank of the strands looked at so far.
    known: BTreeMap<usize, (Step, Rank)>,
}

impl Finder<'_> {
    fn know(&mut self, number: usize) -> Option<(Step, Rank)> {
        if let Some(known) = self.known.get(&number) {
            return Some(*known);
        }
        let points = self.points.get(number)?;
        let step = step(points);
        let known = (step, rank(number, self.strands.get(number)?, points, step));
        self.known.insert(number, known);
        Some(known)
    }

    /// Whether strands `a` and `b` are copies, their clocks being about `about` apart.
    fn pair(&mut self, a: usize, b: usize, about: i64) -> Option<Pair> {
        let (pa, pb) = (self.points.get(a)?, self.points.get(b)?);
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
    }
    let (found, m) = best?;
    let f = found.finding;
    let told = match f.answer {
        Answer::Copies => !anchored || (f.constant && f.difference_mm == 0.0),
        Answer::CannotTell => found.shift == 0 && to_the_last_digit(few, many, &m),
        Answer::Different => false,
    };
    (told && found.shift.abs() <= if anchored { CLOCK_RIGHT_MS } else { i64::MAX }).then_some(found)
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
    m.pairs.len() >= super::judge::FEWEST && same.count() * 100 >= m.shared * 99
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
fn shared_time(a: &[Point], b: &[Point], shift: i64) -> Option<(i64, i64)> {
    let start = a.first()?.time.max(b.first()?.time.saturating_sub(shift));
    let end = a.last()?.time.min(b.last()?.time.saturating_sub(shift));
    (start <= end).then_some((start, end))
}

/// Takes out the soundings of the worse one while the better one recorded, unless a person said that they are no
/// copies.
fn take_out(
    strands: &mut [Strand],
    points: &[Vec<Point>],
    pair: &Pair,
    verdicts: &[Verdict],
    sets: &mut SetTable,
    settled: &mut Settled,
) {
    let (Some(pb), Some(pw)) = (points.get(pair.better), points.get(pair.worse)) else { return };
    let Some((start, end)) = shared_time(pb, pw, pair.shift) else { return };
    let span = (start.saturating_sub(pair.tolerance), end.saturating_add(pair.tolerance));
    let Some(origin) = pb.first() else { return };
    let better = Track::new(pb, &LocalFrame::new(origin.at));
    let (Some(boat), Some(other)) = (strands.get(pair.better), strands.get(pair.worse)) else { return };
    let (boat, other) = (boat.boat.clone(), other.boat.clone());
    let standing = within(pb, span.0, span.1, &boat);
    let copy = within(pw, span.0.saturating_add(pair.shift), span.1.saturating_add(pair.shift), &other);
    let (Some(standing), Some(copy)) = (standing, copy) else { return };
    if verdicts.iter().any(|v| parts(v, &standing) || parts(v, &copy)) {
        return;
    }
    let Some(worse) = strands.get_mut(pair.worse) else { return };
    let mut soundings = 0;
    let mut handed: Vec<(i64, i64, u16)> = Vec::new();
    let mut further: Vec<Text> = worse.further.clone();
    further.push(other);
    for leg in &mut worse.legs {
        let before = leg.soundings.len();
        let (mut first, mut last) = (i64::MAX, i64::MIN);
        leg.soundings.retain(|s| {
            let time = s.time.0.saturating_sub(pair.shift);
            let again = better.records_at(time, pair.tolerance);
            if again {
                (first, last) = (first.min(time), last.max(time));
            }
            !again
        });
        if first <= last {
            handed.push((first.saturating_sub(pair.tolerance), last.saturating_add(pair.tolerance), leg.set));
        }
        soundings += (before - leg.soundings.len()) as u64;
    }
    let Some(better) = strands.get_mut(pair.better) else { return };
    for (from, to, set) in handed {
        better.legs = std::mem::take(&mut better.legs)
            .into_iter()
            .flat_map(|l| united(l, from, to, set, sets))
            .collect();
    }
    further.retain(|b| *b != better.boat && !better.further.contains(b));
    better.further.extend(further);
    better.further.sort_unstable();
    if soundings == 0 {
        // A still better copy of it has taken them already.
        return;
    }
    settled.dropped += soundings;
    settled.found.push(CopyFound {
        standing,
        copy,
        soundings,
        shift_ms: pair.shift,
        depth_difference_m: pair.difference_mm / 1000.0,
    });
}

/// First and last sounding in a span of time.
fn within(points: &[Point], from: i64, to: i64, boat: &Text) -> Option<Recording> {
    let first = points.get(points.partition_point(|p| p.time < from))?.time;
    let last = points.get(points.partition_point(|p| p.time <= to).checked_sub(1)?)?.time;
    (first <= last).then(|| Recording { boat: boat.clone(), first: UtcMillis(first), last: UtcMillis(last) })
}

/// Whether `verdict` says that what `recording` holds is no copy.
fn parts(verdict: &Verdict, recording: &Recording) -> bool {
    match &verdict.scope {
        Scope::Stretch { boat, from, to } => {
            verdict.decision == Decision::NotCopies
                && *boat == recording.boat
                && *from <= recording.last
                && recording.first < *to
                && recording.first <= verdict.until
        }
        _ => false,
    }
}

/// `leg`, in up to three parts: what lies between `from` and `to` is claimed by the devices of `set`, too.
fn united(mut leg: Leg, from: i64, to: i64, set: u16, sets: &mut SetTable) -> Vec<Leg> {
    let both = sets.union(leg.set, set);
    let (a, b) = (
        leg.soundings.partition_point(|s| s.time.0 < from),
        leg.soundings.partition_point(|s| s.time.0 <= to),
    );
    if both == leg.set || a == b {
        return vec![leg];
    }
    if b - a == leg.soundings.len() {
        leg.set = both;
        return vec![leg];
    }
    let part =
        |set, soundings: &[leadline_model::Sounding]| Leg { id: leg.id, set, soundings: soundings.to_vec() };
    let parts = [
        part(leg.set, leg.soundings.get(..a).unwrap_or_default()),
        part(both, leg.soundings.get(a..b).unwrap_or_default()),
        part(leg.set, leg.soundings.get(b..).unwrap_or_default()),
    ];
    parts.into_iter().filter(|p| !p.soundings.is_empty()).collect()
}
