//! Legs to strands: what one logger wrote down in one go. Legs of one boat in the same ten minutes come from
//! several loggers or files, and only strand against strand can tell whether they hold the same measurements.

use super::seam::unheld;
use leadline_model::{DepthFrom, FixClass, Flags, GridPos, LegId, Sounding, Text};

/// So many soundings at the ends of a log may differ from those of the same log, cut elsewhere.
const SEAM: usize = 2;
/// Legs looked back at: as many may lie in one ten minutes.
const NEAR_LEGS: usize = 8;
/// A log goes on after a silence of at most this, ms. After a longer one another file may have been read.
const SAME_LOG_MS: i64 = 60_000;
/// A log goes on no farther away than this many places of the grid (about 15 m), and 13 m for each second of silence.
const NEAR_PLACES: i64 = 1_000;
const PLACES_A_MS: i64 = 1;

/// One leg, its soundings in canonical order.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Leg {
    pub(crate) id: LegId,
    /// Number of its device set.
    pub(crate) set: u16,
    pub(crate) soundings: Vec<Sounding>,
}

impl Leg {
    pub(crate) fn first(&self) -> i64 {
        self.soundings.first().map_or(i64::MIN, |s| s.time.0)
    }

    pub(crate) fn last(&self) -> i64 {
        self.soundings.last().map_or(i64::MIN, |s| s.time.0)
    }
}

/// Unbroken legs of one logger.
#[derive(Debug)]
pub(crate) struct Strand {
    pub(crate) boat: Text,
    pub(crate) legs: Vec<Leg>,
    /// Boats that recorded the same measurements under other names.
    pub(crate) further: Vec<Text>,
    /// Soundings taken out at seams: see [`super::seam`].
    pub(crate) seams: u64,
}

/// What finding copies needs of one sounding.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Point {
    /// ms.
    pub(crate) time: i64,
    pub(crate) at: GridPos,
    pub(crate) depth_mm: i32,
}

impl Strand {
    /// Its soundings in time order, each once.
    pub(crate) fn points(&self) -> Vec<Point> {
        let mut points = Vec::with_capacity(self.legs.iter().map(|l| l.soundings.len()).sum());
        let all = self.legs.iter().flat_map(|l| &l.soundings);
        points.extend(all.map(|s| Point { time: s.time.0, at: s.at, depth_mm: s.depth_mm }));
        if !points.is_sorted() {
            points.sort_unstable();
        }
        points.dedup();
        points
    }
}

/// The strands of `boat`'s `legs`, which hang together in time and are in the order of their first sounding.
pub(crate) fn strands(boat: &Text, legs: Vec<Leg>) -> Vec<Strand> {
    let mut open: Vec<Open> = Vec::new();
    for leg in legs {
        match home(&open, &leg).and_then(|i| open.get_mut(i)) {
            Some(o) => o.take(leg),
            None => open.push(Open::new(boat, leg)),
        }
    }
    open.into_iter().map(|o| o.strand).collect()
}

struct Open {
    strand: Strand,
    last: i64,
    interval: i64,
    style: u16,
}

impl Open {
    fn new(boat: &Text, leg: Leg) -> Self {
        let (last, interval, style) = (leg.last(), interval(&leg), style(&leg));
        let strand = Strand { boat: boat.clone(), legs: vec![leg], further: Vec::new(), seams: 0 };
        Self { strand, last, interval, style }
    }

    fn take(&mut self, mut leg: Leg) {
        let (first, last) = (leg.first(), leg.last());
        for l in self.strand.legs.iter_mut().rev().take(NEAR_LEGS) {
            if l.last() >= first.saturating_sub(2_000) && l.first() <= last.saturating_add(2_000) {
                self.strand.seams += unheld(l, &mut leg);
            }
        }
        if leg.last() >= self.last {
            (self.last, self.interval, self.style) = (leg.last(), interval(&leg), style(&leg));
        }
        self.strand.legs.push(leg);
    }

    /// How far `at` lies from where it would be by `time` if it went on, in places of the grid along both axes.
    fn beside(&self, at: GridPos, time: i64) -> i64 {
        let newest = self.strand.legs.iter().max_by_key(|l| l.last());
        let mut back = newest.map(|l| l.soundings.as_slice()).unwrap_or_default().iter().rev();
        let Some(last) = back.next() else { return 0 };
        let before = back.next().filter(|b| b.time < last.time).unwrap_or(last);
        let span = last.time.0.saturating_sub(before.time.0).max(1);
        let gap = time.saturating_sub(last.time.0).min(span.saturating_mul(5)).max(0);
        let axis = |value: fn(GridPos) -> u32| {
            let (b, l, p) = (i64::from(value(before.at)), i64::from(value(last.at)), i64::from(value(at)));
            let on = (l - b).saturating_mul(gap) / span;
            (p - l).saturating_sub(on).saturating_abs()
        };
        axis(GridPos::x).saturating_add(axis(GridPos::y))
    }

    /// Whether nearly all of `leg`, or of what it has at that time, is the same to the last bit: the same log, cut
    /// elsewhere.
    fn shares(&self, leg: &Leg) -> bool {
        let (first, last) = (leg.first(), leg.last());
        let near =
            self.strand.legs.iter().rev().take(NEAR_LEGS).filter(|l| l.last() >= first && l.first() <= last);
        near.into_iter().any(|l| {
            let equal = equal_soundings(&l.soundings, &leg.soundings);
            let shorter = l.soundings.len().min(leg.soundings.len());
            equal > 0 && (equal * 10 >= shorter * 9 || shorter - equal <= SEAM)
        })
    }
}

/// The strand that `leg` belongs to: one that it overlaps with the same soundings, else the one it continues.
fn home(open: &[Open], leg: &Leg) -> Option<usize> {
    let (first, style) = (leg.first(), style(leg));
    if let Some(i) = open.iter().position(|o| o.last >= first && o.shares(leg)) {
        return Some(i);
    }
    let follows = open.iter().enumerate().filter(|(_, o)| o.last < first).filter_map(|(i, o)| {
        let gap = first.saturating_sub(o.last);
        let other = o.style != style;
        let at_once = gap <= o.interval.saturating_mul(3).saturating_add(2_000);
        let beside = leg.soundings.first().map_or(0, |s| o.beside(s.at, s.time.0));
        let reach = NEAR_PLACES.saturating_add(gap.saturating_mul(PLACES_A_MS));
        // A second beside the beat counts as much as a few metres beside the way.
        let jump = gap.abs_diff(o.interval).saturating_add(beside.unsigned_abs().saturating_mul(4));
        let goes_on = at_once || (!other && gap <= SAME_LOG_MS);
        (goes_on && beside <= reach).then_some((other, jump, i))
    });
    follows.min().map(|f| f.2)
}

/// Mean time between its soundings, ms.
fn interval(leg: &Leg) -> i64 {
    let n = i64::try_from(leg.soundings.len()).unwrap_or(i64::MAX);
    leg.last().saturating_sub(leg.first()) / (n - 1).max(1)
}

/// What kind of statements the logger makes, as most of sixteen soundings have them.
fn style(leg: &Leg) -> u16 {
    let step = (leg.soundings.len() / 16).max(1);
    let sample = || leg.soundings.iter().step_by(step).take(16);
    let n = sample().count();
    let most = |has: fn(&Sounding) -> bool| u16::from(2 * sample().filter(|s| has(s)).count() > n);
    let statements: [fn(&Sounding) -> bool; 10] = [
        |s| s.offset_mm.is_some(),
        |s| s.speed_mm_s.is_some(),
        |s| s.hdop_centi.is_some(),
        |s| s.fix != FixClass::Unstated,
        |s| s.sats.is_some(),
        |s| s.temp_centi.is_some(),
        |s| s.flags.has(Flags::UNCHECKED),
        |s| s.from == DepthFrom::Transducer,
        |s| s.from == DepthFrom::Surface,
        |s| s.from == DepthFrom::Keel,
    ];
    statements.iter().fold(0, |bits, has| bits << 1 | most(*has))
}

/// Soundings in both sorted lists.
fn equal_soundings(a: &[Sounding], b: &[Sounding]) -> usize {
    let (mut i, mut j, mut n) = (0, 0, 0);
    while let (Some(x), Some(y)) = (a.get(i), b.get(j)) {
        let order = x.cmp(y);
        n += usize::from(order.is_eq());
        i += usize::from(order.is_le());
        j += usize::from(order.is_ge());
    }
    n
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fix::tests::plain;
    use leadline_model::UtcMillis;

    fn leg(id: u8, from: i64, n: i64, change: fn(Sounding) -> Sounding) -> Leg {
        let soundings =
            (0..n).map(|i| change(Sounding { time: UtcMillis(from + i * 1_000), ..plain() })).collect();
        Leg { id: LegId([id; 32]), set: 0, soundings }
    }

    fn shape(legs: Vec<Leg>) -> Vec<Vec<u8>> {
        let boat = Text::new("Wren").expect("name");
        strands(&boat, legs).iter().map(|s| s.legs.iter().map(|l| l.id.0[0]).collect()).collect()
    }

    #[test]
    fn loggers_side_by_side_are_two_and_a_cut_copy_is_one() {
        let csv = |s: Sounding| Sounding { hdop_centi: None, fix: FixClass::Unstated, ..s };
        let two = vec![
            leg(1, 0, 600, |s| s),
            leg(2, 300, 600, csv),
            leg(3, 600_000, 600, |s| s),
            leg(4, 600_300, 600, csv),
        ];
        assert_eq!(shape(two), [[1, 3], [2, 4]]);
        let cut = vec![leg(1, 0, 600, |s| s), leg(2, 300_000, 300, |s| s), leg(3, 600_000, 600, |s| s)];
        assert_eq!(shape(cut), [[1, 2, 3]]);
    }
}
