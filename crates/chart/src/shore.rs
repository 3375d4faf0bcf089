//! The edge of the water as somebody drew it: zero depth at the stage of that day, land beyond it.

use crate::mesh::{distance, twice_area};
use crate::nodes::Node;
use leadline_model::{CellId, Grade, GridPos, LocalFrame, UtcMillis};
use std::collections::{BTreeMap, BTreeSet};

/// Places taken along the edge, metres apart (judgement: finer than any spacing of tracks).
const STEP_M: f64 = 8.0;
/// Most of them; a longer edge gets fewer a metre.
const MOST: f64 = 200_000.0;
/// How well the edge of a drawing is zero, 95 %, metres: drawn to about 5 m where the bed falls 1 in 10 (judgement).
const TVU95_M: f64 = 0.5;
/// Side of the squares that the edge's sides are listed by, metres.
const SQUARE_M: f64 = 40.0;

/// From one corner to the next, metres of the frame.
type Segment = ([f64; 2], [f64; 2]);

/// Outlines of water and islands: the water is what an odd number of rings enclose.
#[derive(Clone, Debug, PartialEq)]
pub struct Shore {
    /// Rings of corners, each corner once.
    pub rings: Vec<Vec<GridPos>>,
    /// Stage at which the water stood there, metres above the sounding datum.
    pub stage_m: f64,
}

impl Shore {
    /// Places along the edge as nodes, in order of their cells; none where a cell was sounded.
    pub(crate) fn nodes(&self, frame: &LocalFrame, sounded: &[Node]) -> Vec<Node> {
        let length: f64 = self.sides(frame).map(|(a, b)| distance(a, b)).sum();
        let step = STEP_M.max(length / MOST);
        let mut seen: BTreeSet<CellId> = BTreeSet::new();
        let mut out = Vec::new();
        for (a, b) in self.sides(frame) {
            let n = libm::ceil(distance(a, b) / step).max(1.0) as usize;
            for i in 0..n {
                let t = i as f64 / n as f64;
                let at = frame.place(a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1]));
                if seen.insert(at.cell()) && sounded.binary_search_by_key(&at.cell(), |n| n.id).is_err() {
                    out.push(self.node(at, frame));
                }
            }
        }
        out.sort_by_key(|n| n.id);
        out
    }

    fn node(&self, at: GridPos, frame: &LocalFrame) -> Node {
        let (east, north) = frame.metres(at);
        let depth = -self.stage_m;
        Node {
            id: at.cell(),
            at,
            xy: [east, north],
            best_m: depth,
            safe_m: depth,
            line_m: depth,
            tvu95_m: TVU95_M,
            grade: Grade::Fair,
            disputed: false,
            soundings: 0,
            main_pass: u32::MAX,
            newest: UtcMillis(i64::MIN),
            gap95_m: 0.0,
        }
    }

    fn sides<'a>(&'a self, frame: &'a LocalFrame) -> impl Iterator<Item = Segment> + 'a {
        let metres = |p: &GridPos| <[f64; 2]>::from(frame.metres(*p));
        self.rings
            .iter()
            .flat_map(move |r| (0..r.len()).map(move |i| (metres(&r[i]), metres(&r[(i + 1) % r.len()]))))
    }
}

/// Where the rings of a shore cross themselves or each other, if anywhere: the first such place by ring and corner.
/// Touching in a corner counts.
pub fn shore_crossing(rings: &[Vec<GridPos>]) -> Option<GridPos> {
    let first = rings.iter().flatten().next()?;
    let frame = LocalFrame::new(*first);
    let shore = Shore { rings: rings.to_vec(), stage_m: 0.0 };
    let sides: Vec<Segment> = shore.sides(&frame).collect();
    let mut ends = Vec::with_capacity(sides.len());
    for r in rings {
        let start = ends.len();
        ends.extend((0..r.len()).map(|i| start + (i + 1) % r.len()));
    }
    // By the west end, so that only sides that overlap eastward are compared.
    let west = |s: &Segment| s.0[0].min(s.1[0]);
    let mut order: Vec<usize> = (0..sides.len()).collect();
    order.sort_by(|a, b| west(&sides[*a]).total_cmp(&west(&sides[*b])).then(a.cmp(b)));
    let mut found: Option<(usize, [f64; 2])> = None;
    for (k, i) in order.iter().enumerate() {
        let east = sides[*i].0[0].max(sides[*i].1[0]);
        for j in order[k + 1..].iter().take_while(|j| west(&sides[**j]) <= east) {
            if ends[*i] == *j || ends[*j] == *i {
                continue; // Neighbours share a corner.
            }
            if let Some(p) = meeting(sides[*i], sides[*j])
                && found.is_none_or(|(n, _)| *i.min(j) < n)
            {
                found = Some((*i.min(j), p));
            }
        }
    }
    found.map(|(_, [e, n])| frame.place(e, n))
}

/// Where two segments meet.
fn meeting((a, b): Segment, (c, d): Segment) -> Option<[f64; 2]> {
    let (p, q) = (twice_area(a, b, c), twice_area(a, b, d));
    let (r, s) = (twice_area(c, d, a), twice_area(c, d, b));
    if p == 0.0 && q == 0.0 {
        // On one line: they meet if they overlap.
        let within = |k: usize| {
            let (lo, hi) = (a[k].min(b[k]), a[k].max(b[k]));
            c[k].max(d[k]) >= lo && c[k].min(d[k]) <= hi
        };
        return (within(0) && within(1)).then_some(c);
    }
    let t = p / (p - q);
    let across = |x: f64, y: f64| x == 0.0 || y == 0.0 || (x < 0.0) != (y < 0.0);
    (across(p, q) && across(r, s)).then(|| [c[0] + t * (d[0] - c[0]), c[1] + t * (d[1] - c[1])])
}

/// Answers whether a place is water, by counting the sides west of it.
pub(crate) struct Water {
    /// Sides by the row of squares they touch.
    rows: BTreeMap<i64, Vec<Segment>>,
}

impl Water {
    pub(crate) fn new(shore: &Shore, frame: &LocalFrame) -> Self {
        let mut rows: BTreeMap<i64, Vec<_>> = BTreeMap::new();
        for (a, b) in shore.sides(frame) {
            let (from, to) = (row(a[1].min(b[1])), row(a[1].max(b[1])));
            for r in from..=to {
                rows.entry(r).or_default().push((a, b));
            }
        }
        Self { rows }
    }

    pub(crate) fn holds(&self, p: [f64; 2]) -> bool {
        let sides = self.rows.get(&row(p[1])).map_or(&[][..], Vec::as_slice);
        let crosses = |(a, b): &&Segment| {
            (a[1] > p[1]) != (b[1] > p[1]) && a[0] + (p[1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0]) < p[0]
        };
        sides.iter().filter(crosses).count() % 2 == 1
    }
}

fn row(y: f64) -> i64 {
    libm::floor(y / SQUARE_M) as i64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample;
    use crate::{Surface, SurfaceSettings};
    use leadline_model::{Cell, LonLat};

    fn frame() -> LocalFrame {
        LocalFrame::new(GridPos::from_lonlat(LonLat { lon: 7.4, lat: 48.2 }).expect("on the grid"))
    }

    fn circle(f: &LocalFrame, radius: f64) -> Vec<GridPos> {
        (0..180)
            .map(|k| {
                let (s, c) = (f64::from(k) * 2.0_f64.to_radians()).sin_cos();
                f.place(radius * c, radius * s)
            })
            .collect()
    }

    /// A cone 10 m deep in the middle, 0 m at 100 m, and an island of 15 m radius standing in it at 60 m east.
    fn soundings(f: &LocalFrame) -> Vec<Cell> {
        let mut out = Vec::new();
        for i in -14..=14 {
            for j in -14..=14 {
                let (e, n) = (f64::from(i) * 6.0, f64::from(j) * 6.0);
                if e.hypot(n) > 85.0 {
                    continue;
                }
                let at = f.place(e, n);
                let depth_m = 10.0 - e.hypot(n) / 10.0;
                out.push(Cell { tvu95_m: 0.01, newest: UtcMillis(5), ..sample::cell(at, depth_m) });
            }
        }
        out
    }

    #[test]
    fn the_surface_reaches_the_shore_and_no_farther() {
        let f = frame();
        let cells = soundings(&f);
        let bare = Surface::new(&cells, &SurfaceSettings::default());
        let shore = Shore { rings: vec![circle(&f, 100.0)], stage_m: 0.0 };
        let s = Surface::new(&cells, &SurfaceSettings::default()).within(&shore);
        assert_eq!((s.n_cells(), s.newest()), (bare.n_cells(), bare.newest()));
        // Geometry: a circle of 100 m; chords of 8 m take little.
        let area = std::f64::consts::PI * 1e4;
        assert!((s.area_m2() / area - 1.0).abs() < 0.01, "{}", s.area_m2());
        for r in [88.0, 92.0, 96.0, 99.0] {
            let at = f.place(0.0, r);
            assert!(bare.depth_at(at).is_none());
            let d = s.depth_at(at).expect("inside the shore");
            assert!((d.depth_m - (10.0 - r / 10.0)).abs() < 0.1, "{r}: {}", d.depth_m);
            assert!(d.grade >= Grade::Fair && d.passes.iter().all(|p| *p == 0));
        }
        assert!(s.depth_at(f.place(0.0, 101.0)).is_none());
    }

    #[test]
    fn a_shore_of_high_water_dries_at_the_datum() {
        let f = frame();
        let shore = Shore { rings: vec![circle(&f, 110.0)], stage_m: 1.0 };
        let s = Surface::new(&soundings(&f), &SurfaceSettings::default()).within(&shore);
        let d = s.depth_at(f.place(0.0, -109.0)).expect("inside the shore").depth_m;
        assert!((d + 0.9).abs() < 0.1, "{d}");
    }

    #[test]
    fn islands_are_land() {
        let f = frame();
        let island: Vec<GridPos> = (0..36)
            .map(|k| {
                let (s, c) = (f64::from(k) * 10.0_f64.to_radians()).sin_cos();
                f.place(60.0 + 15.0 * c, 15.0 * s)
            })
            .collect();
        let away = |c: &Cell| {
            let (e, n) = f.metres(c.at);
            (e - 60.0).hypot(n) > 18.0
        };
        let cells: Vec<Cell> = soundings(&f).into_iter().filter(away).collect();
        let shore = Shore { rings: vec![circle(&f, 100.0), island], stage_m: 0.0 };
        let s = Surface::new(&cells, &SurfaceSettings::default()).within(&shore);
        assert!(s.depth_at(f.place(60.0, 0.0)).is_none());
        assert!(s.depth_at(f.place(60.0, 10.0)).is_none());
        let beside = s.depth_at(f.place(44.0, 0.0)).expect("water").depth_m;
        assert!(beside < 2.0, "shoals towards the island: {beside}");
        let area = std::f64::consts::PI * (1e4 - 225.0);
        assert!((s.area_m2() / area - 1.0).abs() < 0.01, "{}", s.area_m2());
    }
}
