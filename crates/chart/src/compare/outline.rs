//! The outline of a set of squares as rings: valid polygons, touching themselves in no point twice.

use std::collections::{BTreeMap, BTreeSet};

/// A square of the grid: row (southward), column (eastward).
type Place = (i64, i64);
/// A corner: column line, row line.
type Corner = (i64, i64);

/// One polygon: the outer ring first (counter-clockwise, north up), then its holes (clockwise). Rings are closed by
/// their first corner, which is not repeated.
pub(super) type Rings = Vec<Vec<Corner>>;

/// The polygons of `squares`; parts that touch only in a corner are polygons of their own.
pub(super) fn outlines(squares: &BTreeSet<Place>) -> Vec<Rings> {
    let (holes, outers): (Vec<Ring>, Vec<Ring>) = rings(squares).into_iter().partition(|r| r.twice_area < 0);
    let mut out: Vec<(Ring, Rings)> = outers.into_iter().map(|r| (r, Vec::new())).collect();
    for hole in holes {
        // The smallest ring round the square beside the hole: an island in a hole has its own.
        let round = out.iter_mut().filter(|(r, _)| r.holds(hole.inside));
        if let Some((_, its)) = round.min_by_key(|(r, _)| r.twice_area) {
            its.push(hole.straightened());
        }
    }
    let whole = |(outer, holes): (Ring, Rings)| std::iter::once(outer.straightened()).chain(holes).collect();
    out.into_iter().map(whole).collect()
}

struct Ring {
    corners: Vec<Corner>,
    /// Twice the signed area, positive when counter-clockwise.
    twice_area: i64,
    /// A square of the set on the inner side of the first edge.
    inside: Place,
}

impl Ring {
    fn new(corners: Vec<Corner>) -> Self {
        let next = |i: usize| corners[(i + 1) % corners.len()];
        let cross = |(i, a): (usize, &Corner)| a.1 * next(i).0 - a.0 * next(i).1;
        let twice_area = corners.iter().enumerate().map(cross).sum();
        let inside = match (corners.first(), corners.get(1)) {
            (Some(a), Some(b)) => on_the_left(*a, *b),
            _ => (0, 0),
        };
        Self { corners, twice_area, inside }
    }

    /// Whether the middle of the square lies inside (even-odd; middles are never on an edge).
    fn holds(&self, (row, column): Place) -> bool {
        let next = |i: usize| self.corners[(i + 1) % self.corners.len()];
        // Upright edges east of the middle that a ray eastward meets.
        let meets = |(i, a): (usize, &Corner)| {
            let b = next(i);
            a.0 == b.0 && a.0 > column && a.1.min(b.1) <= row && a.1.max(b.1) > row
        };
        self.corners.iter().enumerate().filter(|e| meets(*e)).count() % 2 == 1
    }

    /// Without corners in the middle of a straight edge.
    fn straightened(&self) -> Vec<Corner> {
        let n = self.corners.len();
        let bends = |i: &usize| {
            let (a, b, c) = (self.corners[(i + n - 1) % n], self.corners[*i], self.corners[(i + 1) % n]);
            (a.0 == b.0) != (b.0 == c.0)
        };
        (0..n).filter(bends).map(|i| self.corners[i]).collect()
    }
}

/// The square to the left of a unit edge (north up).
fn on_the_left(a: Corner, b: Corner) -> Place {
    match (b.0 - a.0, b.1 - a.1) {
        (1, _) => (a.1 - 1, a.0),
        (-1, _) => (a.1, b.0),
        (_, -1) => (b.1, a.0 - 1),
        _ => (a.1, a.0),
    }
}

/// Simple rings with the squares on their left.
fn rings(squares: &BTreeSet<Place>) -> Vec<Ring> {
    let mut from: BTreeMap<Corner, Vec<Corner>> = BTreeMap::new();
    for (r, c) in squares {
        let (r, c) = (*r, *c);
        let sides = [
            ((r + 1, c), (c, r + 1), (c + 1, r + 1)),
            ((r, c + 1), (c + 1, r + 1), (c + 1, r)),
            ((r - 1, c), (c + 1, r), (c, r)),
            ((r, c - 1), (c, r), (c, r + 1)),
        ];
        for (beyond, a, b) in sides {
            if !squares.contains(&beyond) {
                from.entry(a).or_default().push(b);
            }
        }
    }
    let mut out = Vec::new();
    while let Some((start, ends)) = from.first_key_value() {
        let first = (*start, ends[0]);
        let walk = walk(&mut from, first);
        out.extend(simple(walk).into_iter().map(Ring::new));
    }
    out
}

/// The corners of a way round from edge `first`, which is taken out with all it meets; left where there is a choice.
fn walk(from: &mut BTreeMap<Corner, Vec<Corner>>, first: (Corner, Corner)) -> Vec<Corner> {
    let mut corners = Vec::new();
    let (mut a, mut b) = first;
    loop {
        corners.push(a);
        if let Some(ends) = from.get_mut(&a) {
            ends.retain(|e| *e != b);
            if ends.is_empty() {
                from.remove(&a);
            }
        }
        let Some(ends) = from.get(&b) else { return corners };
        // North is up and rows count downward: this is a step turned left.
        let left = (b.0 + (b.1 - a.1), b.1 - (b.0 - a.0));
        let next = if ends.contains(&left) { left } else { ends[0] };
        (a, b) = (b, next);
    }
}

/// A way round cut where it meets itself.
fn simple(walk: Vec<Corner>) -> Vec<Vec<Corner>> {
    let (mut out, mut path): (Vec<Vec<Corner>>, Vec<Corner>) = (Vec::new(), Vec::new());
    let mut place: BTreeMap<Corner, usize> = BTreeMap::new();
    for corner in walk {
        if let Some(at) = place.get(&corner).copied() {
            let ring = path.split_off(at);
            place.retain(|_, n| *n < at);
            out.push(ring);
        }
        place.insert(corner, path.len());
        path.push(corner);
    }
    if !path.is_empty() {
        out.push(path);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn squares(rows: &[&str]) -> BTreeSet<Place> {
        let row = |(r, text): (usize, &&str)| {
            let marked = text.bytes().enumerate().filter(|(_, b)| *b == b'#');
            marked.map(|(c, _)| (r as i64, c as i64)).collect::<Vec<_>>()
        };
        rows.iter().enumerate().flat_map(row).collect()
    }

    #[test]
    fn rings_of_small_shapes() {
        // By hand: one square, a frame with an island in it, two squares that touch in a corner, two holes that do.
        assert_eq!(
            outlines(&squares(&["#"])),
            [[[(0, 1), (1, 1), (1, 0), (0, 0)]]].map(|p| {
                let mut ring = p[0].to_vec();
                ring.rotate_right(1);
                vec![ring]
            })
        );
        let shape = |rows: &[&str]| {
            let mut all: Vec<usize> = outlines(&squares(rows)).iter().map(Vec::len).collect();
            all.sort_unstable();
            all
        };
        assert_eq!(shape(&["#####", "#...#", "#.#.#", "#...#", "#####"]), [1, 2]);
        assert_eq!(shape(&["#.", ".#"]), [1, 1]);
        assert_eq!(shape(&["####", "#.##", "##.#", "####"]), [3]);
        // A ring that closes only in a corner is one outer and one hole.
        assert_eq!(shape(&["##.", "#.#", "###"]), [2]);
    }

    proptest! {
        #[test]
        fn area_is_that_of_the_squares_and_rings_are_simple(bits in proptest::collection::vec(any::<bool>(), 64)) {
            let set: BTreeSet<Place> =
                (0..64).filter(|i| bits[*i as usize]).map(|i| (i / 8, i % 8)).collect();
            let mut area = 0;
            for polygon in outlines(&set) {
                for (i, ring) in polygon.iter().enumerate() {
                    let twice = Ring::new(ring.clone()).twice_area;
                    prop_assert_eq!(twice > 0, i == 0, "outer ring first, then holes");
                    let distinct: BTreeSet<_> = ring.iter().collect();
                    prop_assert_eq!(distinct.len(), ring.len());
                    area += twice;
                }
            }
            prop_assert_eq!(area, 2 * set.len() as i64);
        }
    }
}
