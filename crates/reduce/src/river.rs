//! The centre line of flowing water: how far along it a place lies.

use leadline_model::{GridPos, LocalFrame, MAX_RIVER_POINTS};

/// Segments under one leaf of the tree.
const LEAF: usize = 4;

/// A centre line of at least two places. Its direction is not the way the water flows: it is made the same
/// whichever end was drawn first.
#[derive(Clone, Debug)]
pub(crate) struct River {
    frame: LocalFrame,
    /// Metres east and north in `frame`.
    points: Vec<[f64; 2]>,
    /// True metres along the line up to each point.
    chainage: Vec<f64>,
    /// Boxes around ranges of segments, halved from node to node; the children of `i` are `2 i + 1` and `2 i + 2`.
    boxes: Vec<[[f64; 2]; 2]>,
}

/// The nearest point of the line so far.
#[derive(Clone, Copy)]
struct Near {
    square: f64,
    segment: usize,
    share: f64,
}

impl River {
    /// `None` for a line without length. Points beyond the limit are left out.
    pub(crate) fn new(line: &[GridPos]) -> Option<Self> {
        let mut line = line.get(..MAX_RIVER_POINTS).unwrap_or(line).to_vec();
        line.dedup();
        if line.last() < line.first() {
            line.reverse();
        }
        let middle = line.get(line.len() / 2).filter(|_| line.len() > 1)?;
        let frame = LocalFrame::new(*middle);
        let points: Vec<[f64; 2]> = line.iter().map(|p| frame.metres(*p).into()).collect();
        let mut chainage = vec![0.0];
        let mut sum = 0.0;
        for ends in line.windows(2) {
            if let [a, b] = *ends {
                let (e, n) = LocalFrame::new(a).metres(b);
                sum += (e * e + n * n).sqrt();
                chainage.push(sum);
            }
        }
        let mut river = Self { frame, points, chainage, boxes: Vec::new() };
        river.enclose(0, 0, river.segments());
        Some(river)
    }

    /// Metres from end to end.
    pub(crate) fn length(&self) -> f64 {
        self.chainage.last().copied().unwrap_or(0.0)
    }

    /// Metres along the line to the point of it that is nearest to `place`; of points equally near the first.
    pub(crate) fn chainage(&self, place: GridPos) -> f64 {
        let p = self.frame.metres(place).into();
        let mut best = Near { square: f64::INFINITY, segment: 0, share: 0.0 };
        self.search(0, 0, self.segments(), p, &mut best);
        let (from, to) = (self.chainage.get(best.segment), self.chainage.get(best.segment + 1));
        from.zip(to).map_or(0.0, |(from, to)| from + (to - from) * best.share)
    }

    fn segments(&self) -> usize {
        self.points.len().saturating_sub(1)
    }

    fn ends(&self, segment: usize) -> Option<[[f64; 2]; 2]> {
        Some([*self.points.get(segment)?, *self.points.get(segment + 1)?])
    }

    fn enclose(&mut self, node: usize, from: usize, to: usize) {
        if self.boxes.len() <= node {
            self.boxes.resize(node + 1, [[f64::INFINITY; 2], [f64::NEG_INFINITY; 2]]);
        }
        let mut around = [[f64::INFINITY; 2], [f64::NEG_INFINITY; 2]];
        for [e, n] in self.points.get(from..=to).unwrap_or_default() {
            around =
                [[around[0][0].min(*e), around[0][1].min(*n)], [around[1][0].max(*e), around[1][1].max(*n)]];
        }
        if let Some(slot) = self.boxes.get_mut(node) {
            *slot = around;
        }
        if to - from > LEAF {
            let middle = from + (to - from) / 2;
            self.enclose(2 * node + 1, from, middle);
            self.enclose(2 * node + 2, middle, to);
        }
    }

    fn search(&self, node: usize, from: usize, to: usize, p: [f64; 2], best: &mut Near) {
        if to - from <= LEAF {
            (from..to).for_each(|s| self.try_segment(s, p, best));
            return;
        }
        let middle = from + (to - from) / 2;
        let (left, right) = (2 * node + 1, 2 * node + 2);
        let (l, r) = (self.away(left, p), self.away(right, p));
        let halves = [(l, left, from, middle), (r, right, middle, to)];
        let ordered = if r < l { [halves[1], halves[0]] } else { halves };
        for (square, node, from, to) in ordered {
            if square <= best.square {
                self.search(node, from, to, p, best);
            }
        }
    }

    fn away(&self, node: usize, p: [f64; 2]) -> f64 {
        let Some([lo, hi]) = self.boxes.get(node) else { return 0.0 };
        let out = |i: usize| (lo[i] - p[i]).max(p[i] - hi[i]).max(0.0);
        out(0) * out(0) + out(1) * out(1)
    }

    fn try_segment(&self, segment: usize, p: [f64; 2], best: &mut Near) {
        let Some([a, b]) = self.ends(segment) else { return };
        let (along, to) = ([b[0] - a[0], b[1] - a[1]], [p[0] - a[0], p[1] - a[1]]);
        let square = along[0] * along[0] + along[1] * along[1];
        let share = ((along[0] * to[0] + along[1] * to[1]) / square).clamp(0.0, 1.0);
        let off = [to[0] - share * along[0], to[1] - share * along[1]];
        let near = Near { square: off[0] * off[0] + off[1] * off[1], segment, share };
        if near.square < best.square || near.square == best.square && segment < best.segment {
            *best = near;
        }
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use leadline_model::LonLat;

    pub(crate) fn frame() -> LocalFrame {
        LocalFrame::new(GridPos::from_lonlat(LonLat { lon: 70.2, lat: 45.3 }).expect("on the grid"))
    }

    #[test]
    fn chainage_by_hand() {
        // 300 m east, then 400 m north: 700 m in all.
        let f = frame();
        let line = [f.place(0.0, 0.0), f.place(300.0, 0.0), f.place(300.0, 400.0)];
        let river = River::new(&line).expect("a line");
        let forward = river.chainage(f.place(0.0, 0.0)) < 1.0;
        let at = |e: f64, n: f64| {
            let x = river.chainage(f.place(e, n));
            if forward { x } else { river.length() - x }
        };
        assert!((river.length() - 700.0).abs() < 0.1, "{}", river.length());
        for (e, n, want) in [
            (120.0, -40.0, 120.0),
            (-50.0, 10.0, 0.0),
            (250.0, 100.0, 400.0),
            (310.0, -10.0, 300.0),
            (900.0, 1_000.0, 700.0),
        ] {
            assert!((at(e, n) - want).abs() < 0.1, "{e} {n}: {}", at(e, n));
        }
        let mut back = line;
        back.reverse();
        let other = River::new(&back).expect("a line");
        assert_eq!(other.chainage(f.place(250.0, 100.0)), river.chainage(f.place(250.0, 100.0)));
    }

    #[test]
    fn tree_finds_what_trying_all_finds() {
        let f = frame();
        let bend = |i: usize| {
            let t = i as f64 * 25.0;
            f.place(t * 0.6 + 300.0 * libm::sin(t / 211.0), 500.0 * libm::sin(t / 397.0))
        };
        for n in [2, 3, 5, 6, 9, 64, 500] {
            let line: Vec<GridPos> = (0..n).map(bend).collect();
            let river = River::new(&line).expect("a line");
            for i in 0..200 {
                let (e, n) = (f64::from(i * 37 % 8_000) - 500.0, f64::from(i * 91 % 1_700) - 850.0);
                let place = f.place(e, n);
                let mut best = Near { square: f64::INFINITY, segment: 0, share: 0.0 };
                let p = river.frame.metres(place).into();
                (0..river.segments()).for_each(|s| river.try_segment(s, p, &mut best));
                let [from, to] = [0, 1].map(|k| river.chainage[best.segment + k]);
                assert_eq!(river.chainage(place), from + (to - from) * best.share, "{e} {n}");
            }
        }
    }

    #[test]
    fn no_length_no_river() {
        let p = frame().place(0.0, 0.0);
        assert!(River::new(&[]).is_none() && River::new(&[p]).is_none() && River::new(&[p, p, p]).is_none());
        let long: Vec<GridPos> = (0..3_000).map(|i| frame().place(f64::from(i), 0.0)).collect();
        let river = River::new(&long).expect("a line");
        assert!((river.length() - (MAX_RIVER_POINTS - 1) as f64).abs() < 20.0, "{}", river.length());
        // Back and forth over the whole world: no panic, a number.
        let wild = [GridPos::new(0, 0), GridPos::new((1 << 31) - 1, (1 << 31) - 1), GridPos::new(1 << 30, 5)];
        let wild: Vec<GridPos> = wild.into_iter().flatten().collect();
        assert!(River::new(&wild).expect("a line").chainage(p).is_finite());
    }
}
