//! Places filed in square buckets: what lies around a point, without looking at all of it.

/// Squares of one size over a rectangle, counted.
#[derive(Clone, Debug)]
pub(crate) struct Lattice {
    pub(crate) side: f64,
    low: [f64; 2],
    pub(crate) columns: i64,
    pub(crate) rows: i64,
}

/// Most squares a lattice has; the side grows for wide or far-apart waters.
const MOST_SQUARES: f64 = 2e6;

impl Lattice {
    /// Squares of about `side` metres over all of `xy` and `margin` squares more on every side.
    pub(crate) fn new(xy: &[[f64; 2]], side: f64, margin: f64) -> Self {
        let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for p in xy {
            for i in 0..2 {
                low[i] = low[i].min(p[i]);
                high[i] = high[i].max(p[i]);
            }
        }
        if xy.is_empty() {
            (low, high) = ([0.0; 2], [0.0; 2]);
        }
        let span = [high[0] - low[0], high[1] - low[1]];
        let mut side = side.max(1.0);
        let along = |v: f64, side: f64| libm::floor(v / side) + 1.0 + 2.0 * margin;
        while along(span[0], side) * along(span[1], side) > MOST_SQUARES {
            side *= 2.0;
        }
        let low = low.map(|v| v - margin * side);
        Self { side, low, columns: along(span[0], side) as i64, rows: along(span[1], side) as i64 }
    }

    /// Column and row of a point; the nearest there is, if it lies outside.
    pub(crate) fn square(&self, p: [f64; 2]) -> [i64; 2] {
        [0, 1].map(|i| {
            let most = if i == 0 { self.columns } else { self.rows } - 1;
            (libm::floor((p[i] - self.low[i]) / self.side) as i64).clamp(0, most)
        })
    }

    /// Number of a square in row order.
    pub(crate) fn number(&self, [x, y]: [i64; 2]) -> usize {
        (y * self.columns + x) as usize
    }

    /// Number of squares.
    pub(crate) fn len(&self) -> usize {
        (self.columns * self.rows) as usize
    }
}

/// Places in square buckets, in canonical order.
#[derive(Clone, Debug)]
pub(crate) struct Near {
    lattice: Lattice,
    /// First entry of every bucket, and one more.
    first: Vec<u32>,
    item: Vec<u32>,
}

impl Near {
    /// An index over `xy` with buckets of about `side` metres.
    pub(crate) fn new(xy: &[[f64; 2]], side: f64) -> Self {
        let lattice = Lattice::new(xy, side, 0.0);
        let bucket: Vec<usize> = xy.iter().map(|p| lattice.number(lattice.square(*p))).collect();
        let mut first = vec![0; lattice.len() + 1];
        for b in &bucket {
            first[b + 1] += 1;
        }
        for b in 0..lattice.len() {
            first[b + 1] += first[b];
        }
        let mut next = first.clone();
        let mut item = vec![0; xy.len()];
        for (i, b) in bucket.iter().enumerate() {
            item[next[*b] as usize] = i as u32;
            next[*b] += 1;
        }
        Self { lattice, first, item }
    }

    /// Calls `take` with every item whose bucket is within `reach` metres of `p` along both axes.
    pub(crate) fn within(&self, p: [f64; 2], reach: f64, mut take: impl FnMut(u32)) {
        let low = self.lattice.square([p[0] - reach, p[1] - reach]);
        let high = self.lattice.square([p[0] + reach, p[1] + reach]);
        for y in low[1]..=high[1] {
            let from = self.first[self.lattice.number([low[0], y])] as usize;
            let to = self.first[self.lattice.number([high[0], y]) + 1] as usize;
            self.item[from..to].iter().for_each(|i| take(*i));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_search_finds_all_that_is_near() {
        let xy: Vec<[f64; 2]> = (0..400).map(|i| [f64::from(i * 37 % 101), f64::from(i * 53 % 97)]).collect();
        let near = Near::new(&xy, 7.0);
        for p in [[50.0, 50.0], [-20.0, 3.0], [100.0, 96.0]] {
            let mut found = Vec::new();
            near.within(p, 15.0, |i| found.push(i));
            found.sort_unstable();
            let close = |i: &u32| {
                let q = xy[*i as usize];
                (q[0] - p[0]).abs() <= 15.0 && (q[1] - p[1]).abs() <= 15.0
            };
            let expected: Vec<u32> = (0..400).filter(close).collect();
            assert!(expected.iter().all(|i| found.binary_search(i).is_ok()), "{p:?}");
            assert_eq!(found.len(), found.iter().collect::<std::collections::BTreeSet<_>>().len());
        }
    }

    #[test]
    fn far_apart_waters_make_wider_squares() {
        let lattice = Lattice::new(&[[0.0, 0.0], [4e6, 3e6]], 5.0, 2.0);
        assert!(lattice.len() as f64 <= MOST_SQUARES && lattice.side > 5.0);
        assert_eq!(lattice.square([9e9, 9e9]), [lattice.columns - 1, lattice.rows - 1]);
        assert_eq!(lattice.square([0.0, 0.0]), [2, 2]);
    }
}
