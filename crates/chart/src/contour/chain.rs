//! Joining directed sides into lines and rings by the names of their ends, never by comparing coordinates.

use geo::{Coord, LineString};

/// A directed side between two names, and what it belongs to.
#[derive(Clone, Copy)]
pub(crate) struct Named<N, T> {
    pub(crate) from: N,
    pub(crate) to: N,
    pub(crate) of: T,
}

/// Numbers of the sides along a line, and whether it closes.
pub(crate) struct Walk {
    sides: Vec<u32>,
    pub(crate) closed: bool,
}

/// Sides sorted by where they start. Every name starts at most one side and ends at most one.
pub(crate) struct Chain<N, T>(Vec<Named<N, T>>);

impl<N: Ord + Copy, T: Copy> Chain<N, T> {
    pub(crate) fn new(mut sides: Vec<Named<N, T>>) -> Self {
        sides.sort_unstable_by_key(|s| (s.from, s.to));
        Self(sides)
    }

    /// Open lines first (in order of their start), then closed ones, each from its smallest name.
    pub(crate) fn walk(&self) -> Vec<Walk> {
        let mut used = vec![false; self.0.len()];
        let mut ends: Vec<N> = self.0.iter().map(|s| s.to).collect();
        ends.sort_unstable();
        let open = |i: &usize| ends.binary_search(&self.0[*i].from).is_err();
        let mut out: Vec<Walk> = (0..self.0.len()).filter(open).map(|i| self.follow(i, &mut used)).collect();
        for i in 0..self.0.len() {
            if !used[i] {
                out.push(self.follow(i, &mut used));
            }
        }
        out
    }

    fn follow(&self, first: usize, used: &mut [bool]) -> Walk {
        let start = self.0[first].from;
        let mut sides = Vec::new();
        let mut next = Some(first);
        while let Some(i) = next {
            used[i] = true;
            sides.push(i as u32);
            let to = self.0[i].to;
            if to == start {
                return Walk { sides, closed: true };
            }
            next = self.0.binary_search_by_key(&to, |s| s.from).ok().filter(|i| !used[*i]);
        }
        Walk { sides, closed: false }
    }

    /// The sides of a walk.
    pub(crate) fn sides<'a>(&'a self, walk: &'a Walk) -> impl Iterator<Item = &'a Named<N, T>> {
        walk.sides.iter().map(|i| &self.0[*i as usize])
    }

    /// The first side of a walk.
    pub(crate) fn first(&self, walk: &Walk) -> &Named<N, T> {
        &self.0[walk.sides[0] as usize]
    }

    /// The names along a walk; that of the start once.
    pub(crate) fn names<'a>(&'a self, walk: &'a Walk) -> impl Iterator<Item = N> + 'a {
        let end = walk.sides.last().filter(|_| !walk.closed).map(|i| self.0[*i as usize].to);
        self.sides(walk).map(|s| s.from).chain(end)
    }
}

/// A line through points, repeats dropped, the first repeated if it closes; `None` when nothing but a point is left.
pub(crate) fn polyline(points: impl Iterator<Item = Coord<f64>>, closed: bool) -> Option<LineString<f64>> {
    let mut line: Vec<Coord<f64>> = Vec::with_capacity(points.size_hint().0 + 1);
    for p in points {
        if line.last() != Some(&p) {
            line.push(p);
        }
    }
    if closed {
        while line.len() > 1 && line.first() == line.last() {
            line.pop();
        }
        line.extend(line.first().copied());
    }
    let least = if closed { 4 } else { 2 };
    (line.len() >= least).then(|| LineString::new(line))
}
