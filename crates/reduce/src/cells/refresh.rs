//! Brings the map up to date after passes were added or replaced: only cells that they touch, and cells whose slope
//! of the bed that changes, are made again.

use super::combine::Open;
use super::dispute::Dispute;
use super::near::Near;
use super::stump;
use super::suspects::judge;
use super::{Footing, Mapper, Scratch, by_cell, cell_key, groups, rough};
use crate::slope::{self, RADIUS, Rough, Scales, Slope};
use crate::splice::{Edit, seek, splice};
use crate::work::Work;
use crate::{Counts, Reduced};
use std::ops::Range;

/// What happens to the passes.
pub(crate) struct Change<'a> {
    /// The new numbers of the old passes, growing as these do; `None` where a pass is no more.
    pub(crate) numbers: &'a [Option<u32>],
    /// Soundings of new passes, with their new numbers, in the order of the passes.
    pub(crate) fresh: Vec<Work>,
    /// Counts of the passes by their old numbers; afterwards by the new ones.
    pub(crate) counts: &'a mut Vec<Counts>,
    /// Number of passes afterwards.
    pub(crate) passes: usize,
}

/// Near enough to what changed that its slope may change.
const SLOPED: u8 = 1;
/// Near enough that a changed slope may look at it.
const SEEN: u8 = 2;
/// Soundings come or go.
const TOUCHED: u8 = 4;

/// A cell in which soundings come or go.
struct Touched {
    key: u64,
    /// Its soundings, before and, in the list of new ones, after.
    before: Range<usize>,
    after: Range<usize>,
    /// Where its rough depth stands among all, or would.
    at: usize,
    was: bool,
    rough: Option<Rough>,
}

/// Another cell, whose slope changed.
struct Tilted {
    key: u64,
    at: usize,
    slope: Slope,
    soundings: Range<usize>,
}

/// Makes `change` on `reduced` (all but its passes and what is counted from them); `before` and `after` know the
/// passes as they were and as they will be. The number of tiles that changed.
pub(crate) fn refresh(
    reduced: &mut Reduced,
    footing: &mut Footing,
    (before, after): (&Mapper<'_>, &Mapper<'_>),
    mut change: Change<'_>,
) -> usize {
    change.fresh = by_cell(change.fresh);
    let (touched, work) = touched(footing, &change);
    let (slopes, tilted) = slopes(footing, &touched, after);
    let cells = touched.iter().filter(|t| t.was).map(|t| (t.at, t.before.clone()));
    for (at, soundings) in cells.chain(tilted.iter().map(|t| (t.at, t.soundings.clone()))) {
        forget(footing, at, soundings, before);
    }
    let gone = touched.iter().map(|t| &t.before).chain(tilted.iter().map(|t| &t.soundings));
    for s in gone.filter_map(|r| reduced.soundings.get(r.clone())).flatten() {
        if let Some(c) = change.counts.get_mut(s.pass as usize) {
            c.uncount(s);
        }
    }
    renumber(reduced, footing, &mut change);
    let mut open = tilt(reduced, footing, &tilted, after, change.counts);
    open.extend(remake(reduced, footing, &touched, (&work, &slopes), after, change.counts));
    let mut made: Vec<u64> = touched.iter().map(|t| t.key).chain(tilted.iter().map(|t| t.key)).collect();
    made.sort_unstable();
    settle(reduced, footing, after, open, &made);
    made.chunk_by(|a, b| a >> 16 == b >> 16).count()
}

/// Cells in which soundings come or go, and what will be in them.
fn touched(footing: &Footing, change: &Change<'_>) -> (Vec<Touched>, Vec<Work>) {
    let number = |w: &Work| change.numbers.get(w.pass as usize).copied().flatten();
    let mut keys: Vec<u64> = groups(&change.fresh).filter_map(<[Work]>::first).map(key_of).collect();
    if change.numbers.contains(&None) {
        keys.extend(footing.work.iter().filter(|w| number(w).is_none()).map(key_of));
        keys.sort_unstable();
        keys.dedup();
    }
    let mut fresh = groups(&change.fresh).peekable();
    let mut work: Vec<Work> = Vec::with_capacity(2 * change.fresh.len());
    let mut all = Vec::with_capacity(keys.len());
    let mut scratch = Scratch::default();
    let (mut from, mut at) = (0, 0);
    for key in keys {
        let before = run(&footing.work, from, key);
        from = before.end;
        at = seek(&footing.rough, at, |r| cell_key(r.id) < key);
        let was = footing.rough.get(at).is_some_and(|r| cell_key(r.id) == key);
        let old = footing.work.get(before.clone()).unwrap_or_default().iter();
        let start = work.len();
        work.extend(old.filter_map(|w| Some(Work { pass: number(w)?, ..*w })));
        let comes = fresh.next_if(|g| g.first().is_some_and(|w| key_of(w) == key));
        work.extend_from_slice(comes.unwrap_or_default());
        let after = start..work.len();
        let group = work.get_mut(after.clone()).unwrap_or_default();
        // Stable: soundings of one pass stay in their order.
        group.sort_by_key(|w| w.pass);
        stump::decide(group);
        let rough = rough(group, &mut scratch);
        all.push(Touched { key, before, after, at, was, rough });
    }
    (all, work)
}

fn key_of(w: &Work) -> u64 {
    cell_key(w.at.cell())
}

/// The soundings of cell `key`, not before `from`.
fn run(work: &[Work], from: usize, key: u64) -> Range<usize> {
    let start = seek(work, from, |w| key_of(w) < key);
    start..seek(work, start, |w| key_of(w) == key)
}

/// The new slopes of the touched cells that have an accepted sounding, and the others whose slope changes.
fn slopes(footing: &Footing, touched: &[Touched], mapper: &Mapper<'_>) -> (Vec<Slope>, Vec<Tilted>) {
    let mut near = Near::default();
    for t in touched {
        let was = footing.rough.get(t.at).filter(|_| t.was);
        let Some(id) = t.rough.as_ref().or(was).map(|r| r.id) else { continue };
        near.mark(id, 0, TOUCHED);
        near.mark(id, RADIUS, SEEN);
        if !same(was, t.rough.as_ref()) {
            near.mark(id, RADIUS, SLOPED);
            near.mark(id, 2 * RADIUS, SEEN);
        }
    }
    let mut cells: Vec<Rough> = Vec::new();
    for r in touched.iter().filter_map(|t| t.rough) {
        cells.push(Rough { number: cells.len() as u32, ..r });
    }
    let n = cells.len();
    let mut others: Vec<usize> = Vec::new();
    for (at, marks) in near.of(&footing.rough) {
        let Some(r) = footing.rough.get(at).filter(|_| marks & TOUCHED == 0) else { continue };
        let number = if marks & SLOPED != 0 { (n + others.len()) as u32 } else { u32::MAX };
        others.extend((marks & SLOPED != 0).then_some(at));
        cells.push(Rough { number, ..*r });
    }
    let mut slopes = slope::fit(cells, n + others.len(), mapper.defaults);
    let fitted = slopes.split_off(n);
    let mut from = 0;
    let mut tilted = Vec::new();
    for (at, slope) in others.into_iter().zip(fitted) {
        let Some(key) = footing.rough.get(at).map(|r| cell_key(r.id)) else { continue };
        if !footing.slopes.get(at).is_some_and(|old| old.is(&slope)) {
            let soundings = run(&footing.work, from, key);
            from = soundings.end;
            tilted.push(Tilted { key, at, slope, soundings });
        }
    }
    (slopes, tilted)
}

fn same(a: Option<&Rough>, b: Option<&Rough>) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => a.is(b),
        (a, b) => a.is_none() && b.is_none(),
    }
}

/// Takes back what the cell at `at` told of its passes.
fn forget(footing: &mut Footing, at: usize, soundings: Range<usize>, mapper: &Mapper<'_>) {
    let group = footing.work.get(soundings).unwrap_or_default();
    let slope = footing.slopes.get(at);
    if let Some(made) = slope.and_then(|s| mapper.cell(group, s, &mut Scales::default())) {
        footing.suspects.uncount(&made);
    }
}

/// Gives passes their new numbers wherever they are named.
fn renumber(reduced: &mut Reduced, footing: &mut Footing, change: &mut Change<'_>) {
    let numbers = change.numbers;
    footing.suspects.renumber(numbers, change.passes);
    let mut counts = vec![Counts::default(); change.passes];
    for (old, number) in std::mem::take(change.counts).into_iter().zip(numbers) {
        if let Some(c) = number.and_then(|n| counts.get_mut(n as usize)) {
            *c = old;
        }
    }
    *change.counts = counts;
    let mut off = vec![false; change.passes];
    for (old, number) in footing.off.iter().zip(numbers) {
        if let Some(o) = number.and_then(|n| off.get_mut(n as usize)) {
            *o = *old;
        }
    }
    footing.off = off;
    if (0u32..).zip(numbers).all(|(i, n)| *n == Some(i)) {
        return;
    }
    // Passes that are no more are named only where soundings go: that is made again.
    let new = |pass: u32| numbers.get(pass as usize).copied().flatten().unwrap_or(pass);
    footing.work.iter_mut().for_each(|w| w.pass = new(w.pass));
    reduced.soundings.iter_mut().for_each(|s| s.pass = new(s.pass));
    reduced.cells.iter_mut().for_each(|c| c.main_pass = new(c.main_pass));
    footing.open.iter_mut().for_each(|(_, open)| open.renumber(numbers));
}

/// Makes cells with the same soundings and another slope again; what is open about them.
fn tilt(
    reduced: &mut Reduced,
    footing: &mut Footing,
    tilted: &[Tilted],
    mapper: &Mapper<'_>,
    counts: &mut [Counts],
) -> Vec<(u64, Open)> {
    let mut open = Vec::new();
    let mut scales = Scales::default();
    for t in tilted {
        let group = footing.work.get(t.soundings.clone()).unwrap_or_default();
        let places = reduced.soundings.get_mut(t.soundings.clone()).unwrap_or_default();
        for (place, s) in places.iter_mut().zip(mapper.soundings(group, Some(&t.slope))) {
            *place = s;
            if let Some(c) = counts.get_mut(s.pass as usize) {
                c.count(&s);
            }
        }
        let Some(made) = mapper.cell(group, &t.slope, &mut scales) else { continue };
        footing.suspects.count(&made);
        open.extend(made.open.map(|open| (cell_key(made.cell.id), open)));
        let at = reduced.cells.binary_search_by_key(&t.key, |c| cell_key(c.id)).unwrap_or(usize::MAX);
        set(&mut reduced.cells, at, made.cell);
        set(&mut reduced.slopes, at, t.slope.size() as f32);
        set(&mut footing.slopes, t.at, t.slope);
    }
    open
}

fn set<T>(list: &mut [T], at: usize, value: T) {
    if let Some(place) = list.get_mut(at) {
        *place = value;
    }
}

/// Makes the touched cells from their `work` and `slopes`; what is open about them.
fn remake(
    reduced: &mut Reduced,
    footing: &mut Footing,
    touched: &[Touched],
    (work, slopes): (&[Work], &[Slope]),
    mapper: &Mapper<'_>,
    counts: &mut [Counts],
) -> Vec<(u64, Open)> {
    let mut open = Vec::new();
    let mut scales = Scales::default();
    let mut fitted = slopes.iter();
    let mut soundings = Vec::with_capacity(work.len());
    let (mut cells, mut rough, mut sizes) = (Vec::new(), Vec::new(), Vec::new());
    let (mut of_work, mut of_rough, mut of_cells) = (Vec::new(), Vec::new(), Vec::new());
    let mut at = 0;
    for t in touched {
        let group = work.get(t.after.clone()).unwrap_or_default();
        let slope = t.rough.and_then(|_| fitted.next());
        soundings.extend(mapper.soundings(group, slope));
        let made = slope.and_then(|s| Some((mapper.cell(group, s, &mut scales)?, s)));
        at = seek(&reduced.cells, at, |c| cell_key(c.id) < t.key);
        let was = reduced.cells.get(at).is_some_and(|c| cell_key(c.id) == t.key);
        let edit = |from, was, n| Edit { from, to: from + usize::from(was), n };
        of_work.push(Edit { from: t.before.start, to: t.before.end, n: t.after.len() });
        of_rough.push(edit(t.at, t.was, usize::from(t.rough.is_some())));
        of_cells.push(edit(at, was, usize::from(made.is_some())));
        rough.extend(t.rough);
        if let Some((made, slope)) = made {
            footing.suspects.count(&made);
            open.extend(made.open.map(|open| (t.key, open)));
            cells.push(made.cell);
            sizes.push(slope.size() as f32);
        }
    }
    for s in &soundings {
        if let Some(c) = counts.get_mut(s.pass as usize) {
            c.count(s);
        }
    }
    splice(&mut footing.work, &of_work, work);
    splice(&mut reduced.soundings, &of_work, &soundings);
    splice(&mut reduced.cells, &of_cells, &cells);
    splice(&mut reduced.slopes, &of_cells, &sizes);
    splice(&mut footing.rough, &of_rough, &rough);
    splice(&mut footing.slopes, &of_rough, slopes);
    open
}

/// Replaces what is open about the cells `made` again (keys, in order) by `open`, and judges what may be judged
/// otherwise now: that, and whatever hangs on a pass that lies off only since, or no more.
pub(super) fn settle(
    reduced: &mut Reduced,
    footing: &mut Footing,
    mapper: &Mapper<'_>,
    open: Vec<(u64, Open)>,
    made: &[u64],
) {
    let off = footing.suspects.all_off();
    let turned: Vec<bool> = off.iter().zip(&footing.off).map(|(now, before)| now != before).collect();
    let turned = |open: &Open| open.passes().any(|p| turned.get(p as usize).copied().unwrap_or(false));
    let old = std::mem::take(&mut footing.open).into_iter().zip(std::mem::take(&mut reduced.disputes));
    let stays = old.filter(|((key, _), _)| made.binary_search(key).is_err());
    let mut all: Vec<(u64, Open, Option<Dispute>)> = stays
        .map(|((key, open), dispute)| {
            let dispute = Some(dispute).filter(|_| !turned(&open));
            (key, open, dispute)
        })
        .collect();
    all.extend(open.into_iter().map(|(key, open)| (key, open, None)));
    all.sort_by_key(|o| o.0);
    for (key, open, dispute) in all {
        let cell = reduced.cells.binary_search_by_key(&key, |c| cell_key(c.id)).ok();
        let Some(cell) = cell.and_then(|i| reduced.cells.get_mut(i)) else { continue };
        let judged = || mapper.combiner.settle(cell, &open, judge(&open, &off));
        reduced.disputes.push(dispute.unwrap_or_else(judged));
        footing.open.push((key, open));
    }
    footing.off = off;
}
