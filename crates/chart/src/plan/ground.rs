//! Where this boat may go: the water as squares, each clear, too shoal, or unknown.

use crate::danger::{CLEAR_M, bars};
use crate::{Surface, Water};
use leadline_model::{GridPos, LocalFrame, LonLat, Mark, scale_factors};

/// Squares of a plan, about.
const MOST_SQUARES: f64 = 250_000.0;
/// Smallest side of a square, metres.
const LEAST_SIDE_M: f64 = 2.5;
/// Largest side: beyond it a plan would say nothing useful, metres.
pub(crate) const MOST_SIDE_M: f64 = 25.0;
/// Room round the water and the start, metres.
const BORDER_M: f64 = 60.0;
/// Along a line the depth is looked at this often, metres.
const LOOK_M: f64 = 0.25;

/// What is said of a square.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum State {
    /// Known, and deep enough here and in the squares around.
    Clear,
    /// Known to be too shoal here or in a square beside it.
    Shoal,
    /// Nothing is known, inside the water that the plan is for.
    Unknown,
    /// Nothing is known, and nobody asked.
    Beyond,
}

/// What a boat needs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Need {
    /// Least charted depth, metres.
    pub(crate) depth_m: f64,
    pub(crate) stage_m: f64,
    /// May it go where nothing is known: inside the water, anywhere?
    pub(crate) unknown_inside: bool,
    pub(crate) unknown_anywhere: bool,
}

/// Squares in metres of a frame.
pub(crate) struct Ground<'a> {
    pub(crate) surface: &'a Surface,
    pub(crate) frame: LocalFrame,
    pub(crate) need: Need,
    pub(crate) low: [f64; 2],
    pub(crate) side: f64,
    pub(crate) columns: usize,
    pub(crate) rows: usize,
    pub(crate) state: Vec<State>,
    /// Whether the square's middle is in the water that the plan is for.
    pub(crate) inside: Vec<bool>,
    /// Safe charted depth, NaN where unknown.
    pub(crate) depth: Vec<f32>,
    /// Marked places that the boat keeps clear of.
    dangers: Vec<[f64; 2]>,
    /// Whether the surface knows its middle and its corners: then it knows what lies between them.
    whole: Vec<bool>,
}

impl<'a> Ground<'a> {
    /// Of `water` and `start`; `None` where the squares would be larger than [`MOST_SIDE_M`].
    pub(crate) fn new(
        surface: &'a Surface,
        water: &Water,
        start: Option<GridPos>,
        need: Need,
    ) -> Option<Self> {
        let corners: Vec<GridPos> = water.corners();
        let first = corners.first().copied().or(start)?;
        let rough = LocalFrame::new(first);
        let xy = |f: &LocalFrame, p: GridPos| {
            let (e, n) = f.metres(p);
            [e, n]
        };
        let (low, high) = span(corners.iter().chain(&start).map(|p| xy(&rough, *p)));
        let frame = LocalFrame::new(rough.place((low[0] + high[0]) / 2.0, (low[1] + high[1]) / 2.0));
        let (low, high) = span(corners.iter().chain(&start).map(|p| xy(&frame, *p)));
        let (w, h) = (high[0] - low[0] + 2.0 * BORDER_M, high[1] - low[1] + 2.0 * BORDER_M);
        let side = libm::sqrt(w * h / MOST_SQUARES).max(LEAST_SIDE_M);
        if side > MOST_SIDE_M {
            return None;
        }
        let low = [low[0] - BORDER_M, low[1] - BORDER_M];
        let columns = libm::ceil(w / side) as usize + 1;
        let rows = libm::ceil(h / side) as usize + 1;
        let n = columns * rows;
        let mut new = Self {
            surface,
            frame,
            need,
            low,
            side,
            columns,
            rows,
            state: Vec::new(),
            inside: vec![false; n],
            depth: vec![f32::NAN; n],
            dangers: Vec::new(),
            whole: vec![false; n],
        };
        let corner = new.known_corners();
        for i in 0..n {
            let at = new.place(new.middle(i));
            new.inside[i] = water.holds(at);
            if let Some(d) = surface.safe_depth_at(at) {
                new.depth[i] = (d + need.stage_m) as f32;
                let c = i / columns * (columns + 1) + i % columns;
                new.whole[i] = [c, c + 1, c + columns + 1, c + columns + 2].iter().all(|c| corner[*c]);
            }
        }
        // A single stump lies between the middles of squares: the soundings themselves count too.
        for node in surface.nodes() {
            if let Some(i) = new.square(xy(&frame, node.at)) {
                let d = (node.safe_m + need.stage_m) as f32;
                // Of a depth and none, the depth.
                new.depth[i] = new.depth[i].min(d);
            }
        }
        new.judge();
        Some(new)
    }

    /// Takes what lies near marks that the boat may hit for too shoal.
    pub(crate) fn keep_clear(&mut self, marks: &[Mark]) {
        let need = self.need;
        let barred = marks.iter().filter(|m| bars(m, need.stage_m, need.depth_m));
        self.dangers = barred.map(|m| self.xy(m.place)).collect();
        for i in 0..self.state.len() {
            if self.near_danger(self.middle(i), CLEAR_M + self.side) {
                self.state[i] = State::Shoal;
            }
        }
    }

    fn near_danger(&self, p: [f64; 2], within_m: f64) -> bool {
        self.dangers.iter().any(|d| libm::hypot(d[0] - p[0], d[1] - p[1]) < within_m)
    }

    fn judge(&mut self) {
        let shoal = |d: f32| f64::from(d) < self.need.depth_m;
        let state = |i: usize| {
            if self.around(i).chain([i]).any(|j| shoal(self.depth[j])) {
                State::Shoal
            } else if self.whole[i] {
                State::Clear
            } else if self.inside[i] {
                State::Unknown
            } else {
                State::Beyond
            }
        };
        self.state = (0..self.depth.len()).map(state).collect();
    }

    /// Whether the surface knows the lower left corner of each square, and those of one more row and column.
    fn known_corners(&self) -> Vec<bool> {
        let (w, h) = (self.columns + 1, self.rows + 1);
        let known = |i: usize| {
            let (x, y) = ((i % w) as f64, (i / w) as f64);
            let p = [self.low[0] + x * self.side, self.low[1] + y * self.side];
            self.surface.safe_depth_at(self.place(p)).is_some()
        };
        (0..w * h).map(known).collect()
    }

    /// Takes the square at `p`, and those around it, for too shoal.
    pub(crate) fn block(&mut self, p: [f64; 2]) {
        if let Some(i) = self.square(p) {
            self.state[i] = State::Shoal;
            let around: Vec<usize> = self.around(i).collect();
            for j in around {
                self.state[j] = State::Shoal;
            }
        }
    }

    /// Whether the boat may be in square `i`.
    pub(crate) fn open(&self, i: usize) -> bool {
        match self.state[i] {
            State::Clear => true,
            State::Shoal => false,
            State::Unknown => self.need.unknown_inside || self.need.unknown_anywhere,
            State::Beyond => self.need.unknown_anywhere,
        }
    }

    /// Whether a square and all around it are in the water: lines keep so far from a drawn shore.
    pub(crate) fn well_inside(&self, i: usize) -> bool {
        self.inside[i] && self.around(i).all(|j| self.inside[j])
    }

    /// The square that holds `p`.
    pub(crate) fn square(&self, p: [f64; 2]) -> Option<usize> {
        let (x, y) = ((p[0] - self.low[0]) / self.side, (p[1] - self.low[1]) / self.side);
        if !(x >= 0.0 && y >= 0.0) {
            return None;
        }
        let (x, y) = (x as usize, y as usize);
        (x < self.columns && y < self.rows).then(|| y * self.columns + x)
    }

    /// Its middle.
    pub(crate) fn middle(&self, i: usize) -> [f64; 2] {
        let (x, y) = (i % self.columns, i / self.columns);
        [self.low[0] + (x as f64 + 0.5) * self.side, self.low[1] + (y as f64 + 0.5) * self.side]
    }

    /// The up to eight squares around square `i`.
    pub(crate) fn around(&self, i: usize) -> impl Iterator<Item = usize> + use<> {
        let (x, y) = ((i % self.columns) as i64, (i / self.columns) as i64);
        let (w, h) = (self.columns as i64, self.rows as i64);
        let steps = [(-1, -1), (0, -1), (1, -1), (-1, 0), (1, 0), (-1, 1), (0, 1), (1, 1)];
        steps.into_iter().filter_map(move |(dx, dy)| {
            let (x, y) = (x + dx, y + dy);
            ((0..w).contains(&x) && (0..h).contains(&y)).then_some((y * w + x) as usize)
        })
    }

    pub(crate) fn place(&self, p: [f64; 2]) -> GridPos {
        self.frame.place(p[0], p[1])
    }

    pub(crate) fn lonlat(&self, p: [f64; 2]) -> LonLat {
        self.frame.lonlat(p[0], p[1])
    }

    pub(crate) fn xy(&self, p: GridPos) -> [f64; 2] {
        let (e, n) = self.frame.metres(p);
        [e, n]
    }

    /// Whether a straight way stays in open squares.
    pub(crate) fn sees(&self, a: [f64; 2], b: [f64; 2]) -> bool {
        along(a, b, self.side / 3.0).all(|p| self.square(p).is_some_and(|i| self.open(i)))
    }

    /// The first place of a straight way where the safe surface is too shoal for the boat, or a marked danger near.
    pub(crate) fn touches(&self, a: [f64; 2], b: [f64; 2]) -> Option<[f64; 2]> {
        let shoal = |p: [f64; 2]| self.depth_at(p).is_some_and(|d| d < self.need.depth_m);
        along(a, b, LOOK_M).find(|p| shoal(*p) || self.near_danger(*p, CLEAR_M))
    }

    /// Safe charted depth.
    pub(crate) fn depth_at(&self, p: [f64; 2]) -> Option<f64> {
        self.surface.safe_depth_at(self.place(p)).map(|d| d + self.need.stage_m)
    }

    /// True length, and how much of it leads through unknown water, metres; and the least depth known on it.
    pub(crate) fn measure(&self, points: &[[f64; 2]]) -> (f64, f64, Option<f64>) {
        let (mut length, mut unknown) = (0.0, 0.0);
        let mut least: Option<f64> = None;
        for w in points.windows(2) {
            let m = self.length_m(w[0], w[1]);
            length += m;
            let looks: Vec<Option<f64>> = along(w[0], w[1], 1.0).map(|p| self.depth_at(p)).collect();
            let blind = looks.iter().filter(|d| d.is_none()).count();
            unknown += m * blind as f64 / looks.len() as f64;
            for d in looks.into_iter().flatten() {
                least = Some(least.map_or(d, |l| l.min(d)));
            }
        }
        (length, unknown, least)
    }

    /// True metres between two places of the frame, whose scale is that of its origin.
    pub(crate) fn length_m(&self, a: [f64; 2], b: [f64; 2]) -> f64 {
        let middle = self.lonlat([(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0]).lat;
        let (e0, n0) = scale_factors(self.frame.origin().lonlat().lat);
        let (e, n) = scale_factors(middle);
        libm::hypot((b[0] - a[0]) * e / e0, (b[1] - a[1]) * n / n0)
    }
}

/// Places along a straight way, both ends included, at most `step` metres apart.
pub(crate) fn along(a: [f64; 2], b: [f64; 2], step: f64) -> impl Iterator<Item = [f64; 2]> {
    let n = libm::ceil(libm::hypot(b[0] - a[0], b[1] - a[1]) / step).max(1.0) as usize;
    (0..=n).map(move |i| {
        let t = i as f64 / n as f64;
        [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])]
    })
}

fn span(points: impl Iterator<Item = [f64; 2]>) -> ([f64; 2], [f64; 2]) {
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for p in points {
        for k in 0..2 {
            low[k] = low[k].min(p[k]);
            high[k] = high[k].max(p[k]);
        }
    }
    (low, high)
}
