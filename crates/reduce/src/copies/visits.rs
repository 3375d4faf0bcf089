//! Which strands went the same way: they share squares of the map, entered from the same side.

use super::strand::Point;

/// Side of a square in places of the grid: four cells, about 14 m at 45° latitude, far more than what formats round.
const SQUARE_BITS: u32 = 10;
/// Two strands are worth a look when they share this much of the shorter one's squares, in percent.
const SHARED_PERCENT: usize = 30;
/// In a square that more strands entered from the same side, each is held only against those that stayed about as
/// long; more where there are fewer squares, up to [`COMPARISONS`] in all.
const CROWD: usize = 48;
const COMPARISONS: usize = 10_000_000;

/// A square a strand entered.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Visit {
    /// Square and side it was entered from.
    pub(crate) key: u64,
    /// When, ms.
    pub(crate) time: i64,
    /// How long it took to leave it again, ms.
    stay: i64,
}

/// The squares of a track, by key, then time.
pub(crate) fn visits(points: &[Point]) -> Vec<Visit> {
    let mut visits: Vec<Visit> = Vec::new();
    let mut here: Option<(u32, u32)> = None;
    for p in points {
        let square = (p.at.x() >> SQUARE_BITS, p.at.y() >> SQUARE_BITS);
        if here == Some(square) {
            continue;
        }
        if let Some(before) = visits.last_mut() {
            before.stay = p.time.saturating_sub(before.time);
        }
        let side = here.map_or(0, |h| side(h, square));
        let key = (u64::from(square.0) << 21 | u64::from(square.1)) << 4 | side;
        visits.push(Visit { key, time: p.time, stay: 0 });
        here = Some(square);
    }
    visits.sort_unstable();
    visits
}

/// 1 to 9: the neighbour it came from; 15: from farther away.
fn side(from: (u32, u32), to: (u32, u32)) -> u64 {
    let step = |a: u32, b: u32| match b.wrapping_sub(a) as i32 {
        d @ -1..=1 => Some((d + 1) as u64),
        _ => None,
    };
    step(from.0, to.0).zip(step(from.1, to.1)).map_or(15, |(x, y)| 1 + 3 * x + y)
}

/// A square that a strand entered: its key, how long the strand stayed the first time, the strand's number.
type Entry = (u64, i64, u32);

/// The squares all strands entered, each once a strand, in order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Squares(Vec<Entry>);

impl Squares {
    pub(crate) fn of<'a>(all: impl Iterator<Item = &'a [Visit]>) -> Self {
        let mut entries: Vec<Entry> = (0u32..).zip(all).flat_map(|(n, v)| entries(n, v)).collect();
        entries.sort_unstable();
        Self(entries)
    }

    /// Gives the strands the new `numbers` (which grow as the old ones do), forgets those without one, and takes in
    /// `fresh` ones.
    pub(crate) fn replace<'a>(
        &mut self,
        numbers: &[Option<u32>],
        fresh: impl Iterator<Item = (u32, &'a [Visit])>,
    ) {
        self.0.retain_mut(|e| match numbers.get(e.2 as usize) {
            Some(Some(n)) => {
                e.2 = *n;
                true
            }
            _ => false,
        });
        self.0.extend(fresh.flat_map(|(n, v)| entries(n, v)));
        // Two sorted runs, or nearly so: quick for a sort that sees runs.
        self.0.sort();
    }

    /// Pairs of the `strands` strands, the lower number first, that share enough squares, in order. The work is
    /// bounded by the number of visits times [`CROWD`], or by [`COMPARISONS`].
    pub(crate) fn candidates(&self, strands: usize) -> Vec<(usize, usize)> {
        candidates(&self.0, strands)
    }
}

fn entries(number: u32, visits: &[Visit]) -> impl Iterator<Item = Entry> {
    let squares = visits.chunk_by(|a, b| a.key == b.key);
    squares.filter_map(move |same| same.first().map(|v| (v.key, v.stay, number)))
}

fn candidates(entries: &[Entry], strands: usize) -> Vec<(usize, usize)> {
    let mut distinct = vec![0usize; strands];
    for e in entries {
        if let Some(n) = distinct.get_mut(e.2 as usize) {
            *n += 1;
        }
    }
    let mut by_strand: Vec<Vec<u32>> = distinct.iter().map(|n| Vec::with_capacity(*n)).collect();
    for (i, e) in (0u32..).zip(entries) {
        if let Some(list) = by_strand.get_mut(e.2 as usize) {
            list.push(i);
        }
    }
    let crowd = CROWD.max(COMPARISONS / entries.len().max(1));
    let mut pairs = Vec::new();
    let mut shared = vec![0usize; strands];
    let mut touched: Vec<u32> = Vec::new();
    for (a, list) in by_strand.iter().enumerate() {
        for &i in list {
            let key = entries.get(i as usize).map(|e| e.0);
            let behind = entries.get(i as usize + 1..).unwrap_or_default();
            for e in behind.iter().take(crowd).take_while(|e| Some(e.0) == key) {
                if let Some(n) = shared.get_mut(e.2 as usize) {
                    if *n == 0 {
                        touched.push(e.2);
                    }
                    *n += 1;
                }
            }
        }
        for b in touched.drain(..) {
            let b = b as usize;
            let n = shared.get_mut(b).map_or(0, std::mem::take);
            pairs.push((a.min(b), a.max(b), n));
        }
    }
    pairs.sort_unstable();
    // Which of the two stands behind the other in a square depends on the square: the counts of both ways add up.
    pairs
        .chunk_by(|x, y| (x.0, x.1) == (y.0, y.1))
        .filter_map(|same| {
            let (a, b, _) = *same.first()?;
            let shorter = distinct.get(a)?.min(distinct.get(b)?);
            let shared: usize = same.iter().map(|s| s.2).sum();
            (shared * 100 >= shorter * SHARED_PERCENT).then_some((a, b))
        })
        .collect()
}
