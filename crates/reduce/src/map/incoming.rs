//! New legs with the old ones they hang together with, and what these may be copies of.

use crate::LegInput;
use crate::copies::{Looked, Strand, is_copy};
use crate::passes::{BundleSeen, Ledger, SetTable, bundles};
use leadline_model::{LegId, Pass, Text};
use std::collections::BTreeMap;

/// Bundles that are new or grow.
pub(super) struct Incoming {
    bundles: Vec<(BundleSeen, Vec<Strand>)>,
    /// Old bundles that go up in them.
    gone: Vec<bool>,
}

impl Incoming {
    /// From `legs` and those old ones that belong to the same bundles.
    pub(super) fn of(
        old: &[BundleSeen],
        legs: &[LegInput],
        sets: &SetTable,
        fetch: &mut dyn FnMut(&[LegId]) -> Vec<LegInput>,
    ) -> Self {
        let gone = joined(old, legs);
        let grow = old.iter().zip(&gone).filter(|(_, g)| **g).map(|(b, _)| b);
        let mut all = fetched(grow, fetch);
        all.extend(legs.iter().cloned());
        Self { bundles: bundles(all, sets).into_iter().map(|b| b.strands()).collect(), gone }
    }

    /// Which of the old `passes` are no more.
    pub(super) fn passes_gone(&self, old: &[BundleSeen], passes: &[Pass]) -> Vec<bool> {
        let gone: Vec<&BundleSeen> =
            old.iter().zip(&self.gone).filter(|(_, g)| **g).map(|(b, _)| b).collect();
        passes.iter().map(|p| gone.iter().any(|b| b.holds(&p.boat, p.first.0, p.last.0))).collect()
    }

    /// Enters the bundles in `ledger` and gives their strands; `None` if copies are found or may be undone.
    pub(super) fn enter(
        self,
        ledger: &mut Ledger,
        sets: &SetTable,
        fetch: &mut dyn FnMut(&[LegId]) -> Vec<LegInput>,
    ) -> Option<Vec<Strand>> {
        if ledger.bundles.iter().zip(&self.gone).any(|(b, gone)| *gone && b.paired) {
            return None;
        }
        let order = Order::of(&ledger.bundles, &self);
        let looked: BTreeMap<usize, Looked<'_>> = order
            .strands
            .iter()
            .enumerate()
            .filter_map(|(n, s)| match s {
                Place::New(b, k) => Some((n, Looked::at(self.bundles.get(*b)?.1.get(*k)?))),
                Place::Old(..) => None,
            })
            .collect();
        let mut squares = ledger.copies.squares.clone();
        squares.replace(&order.numbers, looked.iter().map(|(n, l)| (*n as u32, l.visits.as_slice())));
        let candidates = squares.candidates(order.strands.len());
        let check = Check { order: &order, looked: &looked, sets };
        if !check.old_ones_stand(ledger, &candidates) || check.copies(&ledger.bundles, &candidates, fetch) {
            return None;
        }
        drop(looked);
        ledger.copies.pairs = order.renumbered(&ledger.copies.pairs);
        ledger.copies.candidates = candidates;
        ledger.copies.squares = squares;
        let mut kept = std::mem::take(&mut ledger.bundles);
        let mut keep = self.gone.iter().map(|g| !g);
        kept.retain(|_| keep.next().unwrap_or(true));
        let (seen, strands): (Vec<BundleSeen>, Vec<Vec<Strand>>) = self.bundles.into_iter().unzip();
        kept.extend(seen);
        kept.sort_by(|a, b| (&a.boat, a.first).cmp(&(&b.boat, b.first)));
        ledger.bundles = kept;
        Some(strands.into_iter().flatten().collect())
    }
}

/// Old bundles that new legs belong to, or that these join.
fn joined(old: &[BundleSeen], legs: &[LegInput]) -> Vec<bool> {
    let mut spans: BTreeMap<&Text, Vec<(i64, i64)>> = BTreeMap::new();
    for l in legs {
        let times = || l.soundings.iter().map(|s| s.time.0);
        let span = times().min().zip(times().max());
        spans.entry(&l.boat).or_default().extend(span);
    }
    // An old bundle that is no neighbour of a new leg cannot become one: it is no neighbour of another old one.
    let touches = |b: &BundleSeen| spans.get(&b.boat).is_some_and(|s| s.iter().any(|s| b.joins(s.0, s.1)));
    old.iter().map(touches).collect()
}

/// The legs of these bundles again.
fn fetched<'a>(
    bundles: impl Iterator<Item = &'a BundleSeen>,
    fetch: &mut dyn FnMut(&[LegId]) -> Vec<LegInput>,
) -> Vec<LegInput> {
    let bundles: Vec<&BundleSeen> = bundles.collect();
    let mut ids: Vec<LegId> = bundles.iter().flat_map(|b| b.legs.iter().copied()).collect();
    ids.sort_unstable();
    ids.dedup();
    if ids.is_empty() {
        return Vec::new();
    }
    let mut legs = fetch(&ids);
    // One id may stand for legs of several boats.
    legs.retain(|l| {
        let held = |time: i64| bundles.iter().any(|b| b.holds(&l.boat, time, time));
        ids.binary_search(&l.id).is_ok() && l.soundings.first().is_some_and(|s| held(s.time.0))
    });
    legs
}

/// Where a strand comes from: bundle, and its number there.
#[derive(Clone, Copy)]
enum Place {
    Old(usize, usize),
    New(usize, usize),
}

/// All strands in their new order.
struct Order {
    strands: Vec<Place>,
    /// New numbers of the old strands.
    numbers: Vec<Option<u32>>,
}

impl Order {
    fn of(old: &[BundleSeen], incoming: &Incoming) -> Self {
        let kept = old.iter().enumerate().zip(&incoming.gone).filter(|(_, gone)| !**gone);
        let fresh = incoming.bundles.iter().enumerate();
        let mut all: Vec<(&BundleSeen, bool, usize)> = kept.map(|((i, b), _)| (b, false, i)).collect();
        all.extend(fresh.map(|(i, b)| (&b.0, true, i)));
        all.sort_by(|a, b| (&a.0.boat, a.0.first).cmp(&(&b.0.boat, b.0.first)));
        let mut first: Vec<usize> = Vec::with_capacity(old.len());
        let mut n = 0;
        for b in old {
            first.push(n);
            n += b.strands;
        }
        let mut order = Self { strands: Vec::new(), numbers: vec![None; n] };
        for (bundle, new, i) in all {
            for k in 0..bundle.strands {
                let number = order.strands.len() as u32;
                order.strands.push(if new { Place::New(i, k) } else { Place::Old(i, k) });
                let place = first.get(i).and_then(|f| order.numbers.get_mut(f + k)).filter(|_| !new);
                if let Some(place) = place {
                    *place = Some(number);
                }
            }
        }
        order
    }

    fn renumbered(&self, pairs: &[(usize, usize)]) -> Vec<(usize, usize)> {
        let number = |n: usize| self.numbers.get(n).copied().flatten().map(|n| n as usize);
        pairs.iter().filter_map(|(a, b)| number(*a).zip(number(*b))).collect()
    }

    fn is_new(&self, n: usize) -> bool {
        matches!(self.strands.get(n), Some(Place::New(..)))
    }
}

struct Check<'a> {
    order: &'a Order,
    /// New strands by number.
    looked: &'a BTreeMap<usize, Looked<'a>>,
    sets: &'a SetTable,
}

impl Check<'_> {
    /// Whether among old strands the same are held against each other as before, as far as that matters: in a crowd
    /// new ones may come between them.
    fn old_ones_stand(&self, ledger: &Ledger, candidates: &[(usize, usize)]) -> bool {
        let before = self.order.renumbered(&ledger.copies.candidates);
        let old = |p: &&(usize, usize)| !self.order.is_new(p.0) && !self.order.is_new(p.1);
        let pairs = self.order.renumbered(&ledger.copies.pairs);
        candidates.iter().filter(old).all(|p| before.binary_search(p).is_ok())
            && pairs.iter().all(|p| candidates.binary_search(p).is_ok())
    }

    /// Whether one of the new strands is a copy of any other, or has one.
    fn copies(
        &self,
        old: &[BundleSeen],
        candidates: &[(usize, usize)],
        fetch: &mut dyn FnMut(&[LegId]) -> Vec<LegInput>,
    ) -> bool {
        let mut by_bundle: BTreeMap<usize, Vec<(usize, usize, usize)>> = BTreeMap::new();
        for &(a, b) in candidates {
            match (self.order.strands.get(a), self.order.strands.get(b)) {
                (Some(Place::New(..)), Some(Place::New(..))) if self.pair(a, b, None) => return true,
                (Some(Place::New(..)), Some(Place::Old(bundle, k)))
                | (Some(Place::Old(bundle, k)), Some(Place::New(..))) => {
                    by_bundle.entry(*bundle).or_default().push((a, b, *k));
                }
                _ => {}
            }
        }
        // One bundle after the other, so that only one is in memory.
        by_bundle.into_iter().any(|(i, pairs)| {
            let legs = fetched(old.get(i).into_iter(), fetch);
            let strands: Vec<Strand> =
                bundles(legs, self.sets).into_iter().flat_map(|b| b.strands().1).collect();
            pairs.into_iter().any(|(a, b, k)| strands.get(k).is_some_and(|s| self.pair(a, b, Some(s))))
        })
    }

    /// Whether strands `a` and `b` are copies; one of them may be an `old` one.
    fn pair(&self, a: usize, b: usize, old: Option<&Strand>) -> bool {
        let look = |n: usize| match self.looked.get(&n) {
            Some(l) => Some(Looked { strand: l.strand, points: l.points.clone(), visits: l.visits.clone() }),
            None => old.map(Looked::at),
        };
        look(a).zip(look(b)).is_some_and(|(a, b)| is_copy(&[a, b]))
    }
}
