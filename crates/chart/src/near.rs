//! Cells around a place, some from every side, near ones and farther ones.

use crate::krige::MOST_USED;
use crate::mesh::distance;

/// Directions looked into; from each at most three cells are taken.
const SECTORS: usize = 8;
const PER_SECTOR: usize = MOST_USED / SECTORS;
/// The next cell of a direction is at least this much farther than the one before: a neighbour on the same
/// track says little that is new, the next track says how the bed bends (judgement, tried by cross-validation).
const FARTHER: f64 = 1.5;

/// Places in square buckets, in canonical order.
#[derive(Clone, Debug)]
pub(crate) struct Near {
    side: f64,
    low: [f64; 2],
    columns: i64,
    rows: i64,
    /// First entry of every bucket, and one more.
    first: Vec<u32>,
    item: Vec<u32>,
}

/// Most buckets an index has; the side grows for wide or far-apart waters.
const MOST_BUCKETS: f64 = 4e6;

impl Near {
    /// An index over `xy` with buckets of about `side` metres.
    pub(crate) fn new(xy: &[[f64; 2]], side: f64) -> Self {
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
        while (span[0] / side + 1.0) * (span[1] / side + 1.0) > MOST_BUCKETS {
            side *= 2.0;
        }
        let count = |v: f64| libm::floor(v / side) as i64 + 1;
        let mut new = Self {
            side,
            low,
            columns: count(span[0]),
            rows: count(span[1]),
            first: Vec::new(),
            item: Vec::new(),
        };
        let mut filed: Vec<(u32, u32)> = xy
            .iter()
            .enumerate()
            .map(|(i, p)| {
                let [x, y] = new.bucket(*p);
                ((y * new.columns + x) as u32, i as u32)
            })
            .collect();
        filed.sort_unstable();
        let buckets = (new.columns * new.rows) as usize;
        new.first = vec![0; buckets + 1];
        for (b, _) in &filed {
            new.first[*b as usize + 1] += 1;
        }
        for b in 0..buckets {
            new.first[b + 1] += new.first[b];
        }
        new.item = filed.into_iter().map(|f| f.1).collect();
        new
    }

    fn bucket(&self, p: [f64; 2]) -> [i64; 2] {
        [0, 1].map(|i| {
            let most = if i == 0 { self.columns } else { self.rows } - 1;
            (libm::floor((p[i] - self.low[i]) / self.side) as i64).clamp(0, most)
        })
    }

    /// Calls `take` with every item whose bucket is within `reach` metres of `p`.
    pub(crate) fn within(&self, p: [f64; 2], reach: f64, mut take: impl FnMut(u32)) {
        let low = self.bucket([p[0] - reach, p[1] - reach]);
        let high = self.bucket([p[0] + reach, p[1] + reach]);
        for y in low[1]..=high[1] {
            let from = self.first[(y * self.columns + low[0]) as usize] as usize;
            let to = self.first[(y * self.columns + high[0]) as usize + 1] as usize;
            self.item[from..to].iter().for_each(|i| take(*i));
        }
    }

    /// Up to [`MOST_USED`] items around `p` that `may` be used, from all sides, and the number of sides that
    /// have any.
    pub(crate) fn around(
        &self,
        xy: &[[f64; 2]],
        p: [f64; 2],
        reach: f64,
        mut may: impl FnMut(u32) -> bool,
        found: &mut Vec<(u8, f64, u32)>,
    ) -> usize {
        found.clear();
        self.within(p, reach, |i| {
            let q = xy[i as usize];
            let d = distance(p, q);
            if d <= reach && may(i) {
                found.push((sector(q[0] - p[0], q[1] - p[1]), d, i));
            }
        });
        found.sort_unstable_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)).then(a.2.cmp(&b.2)));
        let (mut taken, mut last, mut sides) = (0, (u8::MAX, 0.0), 0);
        found.retain(|f| {
            if f.0 != last.0 {
                (taken, last, sides) = (1, (f.0, f.1), sides + 1);
                return true;
            }
            let good = taken < PER_SECTOR && f.1 >= last.1 * FARTHER;
            if good {
                (taken, last) = (taken + 1, (f.0, f.1));
            }
            good
        });
        sides
    }
}

/// Which eighth of the compass a direction lies in.
fn sector(x: f64, y: f64) -> u8 {
    u8::from(x < 0.0) * 4 + u8::from(y < 0.0) * 2 + u8::from(x.abs() < y.abs())
}
