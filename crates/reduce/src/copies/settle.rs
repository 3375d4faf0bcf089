//! Takes the copies among all strands out, and hands on what they knew.

use super::evidence::Rank;
use super::matching::Track;
use super::pair::{Finder, Looked, Pair, shared_time};
use super::strand::{Leg, Point, Strand};
use super::visits::Squares;
use super::{CopyFound, Recording};
use crate::passes::SetTable;
use leadline_model::{Decision, LocalFrame, Scope, Sounding, Text, UtcMillis, Verdict};
use std::collections::BTreeMap;

/// What was found.
#[derive(Debug, Default)]
pub(crate) struct Settled {
    /// In canonical order.
    pub(crate) found: Vec<CopyFound>,
    /// Soundings that do not count any more.
    pub(crate) dropped: u64,
    /// Where all strands went.
    pub(crate) squares: Squares,
    /// Strands that went the same way, the lower number first, in order.
    pub(crate) candidates: Vec<(usize, usize)>,
    /// Of these, those that hold the same measurements, whatever people say.
    pub(crate) pairs: Vec<(usize, usize)>,
}

/// Finds copies among `strands`, takes their soundings out and gives their devices and boats to those that stand.
pub(crate) fn settle(strands: &mut [Strand], verdicts: &[Verdict], sets: &mut SetTable) -> Settled {
    let looked: Vec<Looked<'_>> = strands.iter().map(Looked::at).collect();
    let squares = Squares::of(looked.iter().map(|l| l.visits.as_slice()));
    let candidates = squares.candidates(looked.len());
    let mut finder = Finder { strands: &looked, known: BTreeMap::new() };
    let found: Vec<Pair> = candidates.iter().filter_map(|(a, b)| finder.find(*a, *b)).collect();
    let ranks = finder.known;
    let mut order: Vec<(Rank, Rank, Pair)> = found
        .into_iter()
        .filter_map(|p| Some((ranks.get(&p.worse)?.1, ranks.get(&p.better)?.1, p)))
        .collect();
    let points: Vec<Vec<Point>> = looked.into_iter().map(|l| l.points).collect();
    // The worst goes first, so that what it hands on reaches those that stand.
    order.sort_by_key(|x| (x.0, x.1));
    let mut pairs: Vec<(usize, usize)> =
        order.iter().map(|x| (x.2.better.min(x.2.worse), x.2.better.max(x.2.worse))).collect();
    pairs.sort_unstable();
    let mut settled = Settled { squares, candidates, pairs, ..Settled::default() };
    for (_, _, pair) in order {
        take_out(strands, &points, &pair, verdicts, sets, &mut settled);
    }
    settled.found.sort_by(|x, y| (&x.standing, &x.copy, x.shift_ms).cmp(&(&y.standing, &y.copy, y.shift_ms)));
    settled
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
    let part = |set, soundings: &[Sounding]| Leg { id: leg.id, set, soundings: soundings.to_vec() };
    let parts = [
        part(leg.set, leg.soundings.get(..a).unwrap_or_default()),
        part(both, leg.soundings.get(a..b).unwrap_or_default()),
        part(leg.set, leg.soundings.get(b..).unwrap_or_default()),
    ];
    parts.into_iter().filter(|p| !p.soundings.is_empty()).collect()
}
