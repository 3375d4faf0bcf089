//! Outlines of sets of squares: rings along their sides.

use crate::water::Spots;
use geo::{Coord, LineString, Polygon};
use leadline_model::LocalFrame;
use std::collections::BTreeMap;

/// A corner of the lattice of squares: row, column of the square south-east of it.
type Corner = (i64, i64);

/// Groups of squares that share sides, each ascending, in order of their first square; `keep` chooses squares.
pub(crate) fn patches(spots: &Spots, keep: impl Fn(usize) -> bool) -> Vec<Vec<usize>> {
    let mut left: Vec<bool> = (0..spots.list.len()).map(&keep).collect();
    let mut out = Vec::new();
    for i in 0..left.len() {
        if !std::mem::take(&mut left[i]) {
            continue;
        }
        let (mut patch, mut open) = (Vec::new(), vec![i]);
        while let Some(j) = open.pop() {
            patch.push(j);
            open.extend(spots.neighbours(j).filter(|k| std::mem::take(&mut left[*k])));
        }
        patch.sort_unstable();
        out.push(patch);
    }
    out
}

/// The outline of one patch (squares that hang together by their sides) in metres of `frame`: outer ring
/// counter-clockwise, holes clockwise.
pub(crate) fn polygon(spots: &Spots, patch: &[usize], frame: &LocalFrame) -> Polygon<f64> {
    let mut all: Vec<Vec<Corner>> = walks(spots, patch).into_iter().flat_map(simple).collect();
    // By signed area: the one outer ring is the only positive one.
    all.sort_by_key(|r| std::cmp::Reverse(twice_area(r)));
    let place = |c: &Corner| {
        let (x, y) = spots.corner(c.0, c.1).map(|p| frame.metres(p))?;
        Some(Coord { x, y })
    };
    let mut rings = all.iter().map(|r| LineString(bends(r).iter().filter_map(place).collect()));
    let outer = rings.next().unwrap_or_else(|| LineString(Vec::new()));
    Polygon::new(outer, rings.collect())
}

/// Closed walks along the patch's border with the patch on the left; at a corner where four sides meet the walk
/// stays with its square.
fn walks(spots: &Spots, patch: &[usize]) -> Vec<Vec<Corner>> {
    let square = |i: &usize| (spots.list[*i].row, spots.list[*i].column);
    let inside = |r: i64, c: i64| patch.binary_search_by_key(&(r, c), square).is_ok();
    // From each corner: where its sides lead to (one, or two where squares touch by a corner).
    let mut sides: BTreeMap<Corner, Vec<Corner>> = BTreeMap::new();
    for (r, c) in patch.iter().map(square) {
        let (nw, ne, se, sw) = ((r, c), (r, c + 1), (r + 1, c + 1), (r + 1, c));
        for (beyond, from, to) in [
            (inside(r + 1, c), sw, se),
            (inside(r, c + 1), se, ne),
            (inside(r - 1, c), ne, nw),
            (inside(r, c - 1), nw, sw),
        ] {
            if !beyond {
                sides.entry(from).or_default().push(to);
            }
        }
    }
    let mut out = Vec::new();
    while let Some((&start, _)) = sides.first_key_value() {
        let mut walk = vec![start];
        let (mut before, mut at) = (None, start);
        while let Some(ways) = sides.get_mut(&at) {
            let pick = before.and_then(|b| ways.iter().position(|w| left_turn(b, at, *w))).unwrap_or(0);
            let next = ways.remove(pick);
            if ways.is_empty() {
                sides.remove(&at);
            }
            (before, at) = (Some(at), next);
            walk.push(at);
            if at == start {
                break;
            }
        }
        out.push(walk);
    }
    out
}

fn left_turn(a: Corner, b: Corner, c: Corner) -> bool {
    // Rows grow southward.
    (b.1 - a.1) * (b.0 - c.0) - (a.0 - b.0) * (c.1 - b.1) > 0
}

/// Cuts a closed walk that comes to a corner twice into rings that do not.
fn simple(walk: Vec<Corner>) -> Vec<Vec<Corner>> {
    let mut out = Vec::new();
    let mut open: Vec<Corner> = Vec::with_capacity(walk.len());
    let mut at: BTreeMap<Corner, usize> = BTreeMap::new();
    for p in walk {
        if let Some(&from) = at.get(&p) {
            let mut closed = open.split_off(from);
            for q in &closed {
                at.remove(q);
            }
            closed.push(p);
            out.push(closed);
        }
        at.insert(p, open.len());
        open.push(p);
    }
    out
}

fn twice_area(ring: &[Corner]) -> i64 {
    // Rows grow southward, so the sign turns.
    ring.windows(2).map(|w| w[1].1 * w[0].0 - w[0].1 * w[1].0).sum()
}

/// A closed ring without the corners it runs straight through.
fn bends(ring: &[Corner]) -> Vec<Corner> {
    let open = &ring[..ring.len() - 1];
    let n = open.len();
    let straight = |i: usize| {
        let (a, b, c) = (open[(i + n - 1) % n], open[i], open[(i + 1) % n]);
        (b.0 - a.0) * (c.1 - b.1) == (b.1 - a.1) * (c.0 - b.0)
    };
    let mut out: Vec<Corner> = (0..n).filter(|i| !straight(*i)).map(|i| open[i]).collect();
    out.extend(out.first().copied());
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Water;
    use leadline_model::{GridPos, LonLat};
    use proptest::prelude::*;

    fn water() -> (Spots, LocalFrame) {
        let at = GridPos::from_lonlat(LonLat { lon: 7.4, lat: 48.2 }).expect("on the grid");
        let f = LocalFrame::new(at);
        let ring = [(0.0, 0.0), (40.0, 0.0), (40.0, 40.0), (0.0, 40.0)].map(|(e, n)| f.place(e, n));
        (Water::drawn(&ring).spots(), f)
    }

    /// Signed area, m².
    fn shoelace(r: &LineString<f64>) -> f64 {
        r.0.windows(2).map(|w| w[0].x * w[1].y - w[1].x * w[0].y).sum::<f64>() / 2.0
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        /// Any set of squares: outer ring counter-clockwise, holes clockwise (RFC 7946 §3.1.6), no corner twice in a
        /// ring, and the rings hold as much as the squares.
        #[test]
        fn rings_hold_their_squares(bits in proptest::collection::vec(any::<bool>(), 400)) {
            let (spots, frame) = water();
            let keep = |i: usize| bits[i % bits.len()];
            let all = patches(&spots, keep);
            let kept = (0..spots.list.len()).filter(|i| keep(*i)).count();
            prop_assert_eq!(all.iter().map(Vec::len).sum::<usize>(), kept);
            for patch in all {
                let shape = polygon(&spots, &patch, &frame);
                let holes: f64 = shape.interiors().iter().map(shoelace).sum();
                prop_assert!(shoelace(shape.exterior()) > 0.0);
                prop_assert!(shape.interiors().iter().all(|r| shoelace(r) < 0.0));
                for r in std::iter::once(shape.exterior()).chain(shape.interiors()) {
                    let mut seen: Vec<_> = r.0[1..].iter().map(|p| (p.x.to_bits(), p.y.to_bits())).collect();
                    seen.sort_unstable();
                    seen.dedup();
                    prop_assert_eq!(seen.len(), r.0.len() - 1);
                }
                let squares: f64 = patch.iter().map(|i| spots.list[*i].area_m2).sum();
                let all = shoelace(shape.exterior()) + holes;
                prop_assert!((all / squares - 1.0).abs() < 1e-4, "{} {}", all, squares);
            }
        }
    }
}
