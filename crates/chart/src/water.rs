//! The water that a question is about, cut into spots: squares of the survey grid with their true area.

use leadline_model::{Cell, CellId, GridPos, scale_factors};
use std::collections::BTreeMap;

/// Most spots of a water, about; a larger water is cut into larger squares.
const MOST_SPOTS: f64 = 400_000.0;
/// Most rows and columns of spots: bounds the work for long thin drawings.
const MOST_ROWS: f64 = 8_192.0;
/// Cells nearer than about this belong to one part of the water, metres (judgement: common line spacings of small
/// boats are 10 to 50 m, bays a few hundred metres).
const PART_GAP_M: f64 = 250.0;
/// Columns of the survey grid round the world.
const WORLD: i64 = 1 << 23;

/// Corners, the first not repeated.
type Ring = Vec<[f64; 2]>;

/// A drawn area, or what lies around the cells of a survey.
#[derive(Clone, Debug, PartialEq)]
pub struct Water {
    /// Column of the grid that corners are counted from: keeps a water over the antimeridian in one piece.
    origin: i64,
    /// Each part: rings of corners, even-odd, in cells: east of the origin's column, south of the grid's edge.
    parts: Vec<Vec<Ring>>,
    drawn: bool,
}

/// One square of the water.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Spot {
    /// Southward number of the square.
    pub(crate) row: i64,
    /// Eastward number of the square.
    pub(crate) column: i64,
    /// Its middle.
    pub(crate) at: GridPos,
    /// True area, m².
    pub(crate) area_m2: f64,
}

/// All squares whose middle lies in the water.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Spots {
    /// Column of the grid that squares are counted from.
    origin: i64,
    /// Cells along a side of a square.
    pub(crate) side: i64,
    /// By row and column, each once.
    pub(crate) list: Vec<Spot>,
}

impl Water {
    /// The inside of a ring of corners, the first not repeated; even-odd where it crosses itself.
    pub fn drawn(corners: &[GridPos]) -> Self {
        Self::within(&[corners.to_vec()])
    }

    /// What an odd number of rings enclose: waters beside each other, islands in them, ponds on these.
    pub fn within(rings: &[Vec<GridPos>]) -> Self {
        let origin = rings.iter().flatten().next().map_or(0, |p| i64::from(p.cell().x));
        let part = rings.iter().map(|r| r.iter().map(|p| in_cells(*p, origin)).collect()).collect();
        Self { origin, parts: vec![part], drawn: true }
    }

    /// The convex hulls of the cells, one a part: cells farther apart than about 250 m are two waters. Land inside
    /// a hull counts as water that nobody measured; a drawn area leaves it out.
    pub fn around(cells: &[Cell]) -> Self {
        let origin = cells.iter().map(|c| c.id).min().map_or(0, |c| i64::from(c.x));
        let mut parts: Vec<Vec<Ring>> = grouped(cells, origin).into_iter().map(|p| vec![hull(p)]).collect();
        parts.sort_by(|a, b| a.partial_cmp(b).unwrap_or(std::cmp::Ordering::Equal));
        Self { origin, parts, drawn: false }
    }

    /// Whether somebody drew it.
    pub fn is_drawn(&self) -> bool {
        self.drawn
    }

    /// Whether `at` lies in it.
    pub(crate) fn holds(&self, at: GridPos) -> bool {
        let p = in_cells(at, self.origin);
        let odd = |part: &Vec<Ring>| {
            let west = sides(part).filter_map(|(a, b)| crossing(a, b, p[1])).filter(|x| *x <= p[0]);
            west.count() % 2 == 1
        };
        self.parts.iter().any(odd)
    }

    /// The corners of all its parts.
    pub(crate) fn corners(&self) -> Vec<GridPos> {
        let on_grid = |p: &[f64; 2]| {
            place(self.origin, libm::floor(p[0] * 256.0) as i64, libm::floor(p[1] * 256.0) as i64)
        };
        self.parts.iter().flatten().flatten().filter_map(on_grid).collect()
    }

    /// The squares of the survey grid whose middle lies inside: single cells if they are not too many.
    pub(crate) fn spots(&self) -> Spots {
        // With islands counted as water: only the size of the squares hangs on it.
        let area: f64 = self.parts.iter().flatten().map(|r| area_of(r)).sum();
        let long = self.parts.iter().map(|p| longest_side(p)).fold(0.0, f64::max);
        let mut side = 1;
        while area / (side * side) as f64 > MOST_SPOTS || long / side as f64 > MOST_ROWS {
            side *= 2;
        }
        let mut list: Vec<Spot> = self.parts.iter().flat_map(|p| self.scan(p, side)).collect();
        list.sort_unstable_by_key(|s| (s.row, s.column));
        list.dedup_by_key(|s| (s.row, s.column));
        Spots { origin: self.origin, side, list }
    }

    /// Squares of one part, row by row: between the odd and the even crossings of its sides.
    fn scan(&self, part: &[Ring], side: i64) -> Vec<Spot> {
        let mut out = Vec::new();
        let size = side as f64;
        let top = part.iter().flatten().map(|p| p[1]).fold(f64::INFINITY, f64::min);
        let bottom = part.iter().flatten().map(|p| p[1]).fold(f64::NEG_INFINITY, f64::max);
        if !(top.is_finite() && bottom.is_finite()) {
            return out;
        }
        for row in libm::floor(top / size) as i64..=libm::floor(bottom / size) as i64 {
            let y = (row as f64 + 0.5) * size;
            let mut crossings: Vec<f64> = sides(part).filter_map(|(a, b)| crossing(a, b, y)).collect();
            crossings.sort_by(f64::total_cmp);
            for pair in crossings.chunks_exact(2) {
                let first = libm::ceil(pair[0] / size - 0.5) as i64;
                let beyond = libm::ceil(pair[1] / size - 0.5) as i64;
                out.extend((first..beyond).filter_map(|column| spot(self.origin, side, row, column)));
            }
        }
        out
    }
}

impl Spots {
    /// Index of the square at `row`, `column`, if it is in the water.
    pub(crate) fn find(&self, row: i64, column: i64) -> Option<usize> {
        self.list.binary_search_by_key(&(row, column), |s| (s.row, s.column)).ok()
    }

    /// Indices of the squares that share a side with square `i`.
    pub(crate) fn neighbours(&self, i: usize) -> impl Iterator<Item = usize> + '_ {
        let here = self.list.get(i).map(|s| (s.row, s.column));
        let beside = here.map(|(r, c)| [(r - 1, c), (r, c - 1), (r, c + 1), (r + 1, c)]);
        beside.into_iter().flatten().filter_map(|(r, c)| self.find(r, c))
    }

    /// The north-western corner of the square at `row`, `column`, in the water or not.
    pub(crate) fn corner(&self, row: i64, column: i64) -> Option<GridPos> {
        place(self.origin, column * self.side * 256, row * self.side * 256)
    }

    /// East and south of the origin in cells: a plane without scale, the short way round the world.
    pub(crate) fn in_cells(&self, p: GridPos) -> [f64; 2] {
        in_cells(p, self.origin)
    }

    /// True area of all squares, m².
    pub(crate) fn total_area_m2(&self) -> f64 {
        self.list.iter().map(|s| s.area_m2).sum()
    }
}

fn spot(origin: i64, side: i64, row: i64, column: i64) -> Option<Spot> {
    let at = place(origin, (2 * column + 1) * side * 128, (2 * row + 1) * side * 128)?;
    let area_m2 = at.cell().area_m2() * (side * side) as f64;
    Some(Spot { row, column, at, area_m2 })
}

/// `x` places east of the origin's western edge (the short way round the world), `y` south of the grid's edge.
fn place(origin: i64, x: i64, y: i64) -> Option<GridPos> {
    let x = (origin * 256 + x).rem_euclid(WORLD * 256);
    GridPos::new(u32::try_from(x).ok()?, u32::try_from(y).ok()?)
}

fn in_cells(p: GridPos, origin: i64) -> [f64; 2] {
    let whole = (i64::from(p.x()) - origin * 256 + WORLD * 128).rem_euclid(WORLD * 256) - WORLD * 128;
    [whole as f64 / 256.0, f64::from(p.y()) / 256.0]
}

/// The corners of all squares of cells, by part.
fn grouped(cells: &[Cell], origin: i64) -> Vec<Vec<[f64; 2]>> {
    let Some(first) = cells.iter().map(|c| c.id).min() else { return Vec::new() };
    let cell_m = libm::sqrt(first.area_m2()).max(0.01);
    let side = libm::ceil(PART_GAP_M / cell_m).max(1.0);
    let mut buckets: BTreeMap<(i64, i64), Vec<[f64; 2]>> = BTreeMap::new();
    for c in cells {
        let p = in_cells(CellId { x: c.id.x, y: c.id.y }.middle(), origin);
        let key = (libm::floor(p[1] / side) as i64, libm::floor(p[0] / side) as i64);
        let corners = [(-0.5, -0.5), (0.5, -0.5), (-0.5, 0.5), (0.5, 0.5)];
        buckets.entry(key).or_default().extend(corners.map(|(x, y)| [p[0] + x, p[1] + y]));
    }
    let mut out = Vec::new();
    while let Some(key) = buckets.keys().next().copied() {
        let (mut part, mut open) = (Vec::new(), vec![key]);
        while let Some((r, c)) = open.pop() {
            if let Some(points) = buckets.remove(&(r, c)) {
                part.extend(points);
                open.extend((-1..=1).flat_map(|dr| (-1..=1).map(move |dc| (r + dr, c + dc))));
            }
        }
        out.push(part);
    }
    out
}

/// Convex hull (Andrew's monotone chain).
fn hull(mut points: Vec<[f64; 2]>) -> Vec<[f64; 2]> {
    points.sort_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    points.dedup();
    let mut ring = half(points.iter());
    ring.extend(half(points.iter().rev()));
    ring
}

fn half<'a>(points: impl Iterator<Item = &'a [f64; 2]>) -> Vec<[f64; 2]> {
    let mut chain: Vec<[f64; 2]> = Vec::new();
    for p in points {
        while let [.., a, b] = chain[..] {
            if (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]) > 0.0 {
                break;
            }
            chain.pop();
        }
        chain.push(*p);
    }
    chain.pop();
    chain
}

fn sides(part: &[Ring]) -> impl Iterator<Item = ([f64; 2], [f64; 2])> + '_ {
    part.iter().flat_map(|r| around(r))
}

fn around(ring: &[[f64; 2]]) -> impl Iterator<Item = ([f64; 2], [f64; 2])> + '_ {
    ring.iter().enumerate().map(|(i, a)| (*a, ring[(i + 1) % ring.len()]))
}

fn crossing(a: [f64; 2], b: [f64; 2], y: f64) -> Option<f64> {
    ((a[1] > y) != (b[1] > y)).then(|| a[0] + (y - a[1]) / (b[1] - a[1]) * (b[0] - a[0]))
}

fn area_of(ring: &[[f64; 2]]) -> f64 {
    let twice: f64 = around(ring).map(|(a, b)| a[0] * b[1] - b[0] * a[1]).sum();
    twice.abs() / 2.0
}

fn longest_side(part: &[Ring]) -> f64 {
    let extent = |k: usize| {
        let low = part.iter().flatten().map(|p| p[k]).fold(f64::INFINITY, f64::min);
        part.iter().flatten().map(|p| p[k]).fold(low, f64::max) - low
    };
    if part.iter().all(Vec::is_empty) { 0.0 } else { extent(0).max(extent(1)) }
}

/// True metres of one cell's side at `at`.
pub(crate) fn cell_side_m(at: GridPos) -> f64 {
    libm::sqrt(at.cell().area_m2()).max(0.01 * scale_factors(at.lonlat().lat).0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::{LocalFrame, LonLat};

    fn at(lon: f64, lat: f64) -> GridPos {
        GridPos::from_lonlat(LonLat { lon, lat }).expect("on the grid")
    }

    fn ring(middle: GridPos, half: f64) -> Vec<GridPos> {
        let f = LocalFrame::new(middle);
        [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)]
            .map(|(e, n)| f.place(e * half, n * half))
            .to_vec()
    }

    #[test]
    fn drawn_squares_have_their_true_area_everywhere() {
        for (lon, lat) in [(7.4, 0.0), (7.4, 48.2), (7.4, -62.0), (179.9999, 10.0), (-180.0, -10.0)] {
            let spots = Water::drawn(&ring(at(lon, lat), 200.0)).spots();
            let area = spots.total_area_m2();
            assert!((area / 160_000.0 - 1.0).abs() < 0.03, "{lon} {lat}: {area}");
            assert_eq!(spots.side, 1);
        }
    }

    /// Squares of 400 m and, beside it, 100 m, with an island of 200 m and a pond of 60 m on it.
    #[test]
    fn islands_are_no_water() {
        let f = LocalFrame::new(at(7.4, 48.2));
        let rings: Vec<Vec<GridPos>> = [(0.0, 200.0), (20.0, 100.0), (20.0, 30.0), (400.0, 50.0)]
            .map(|(east, half)| ring(f.place(east, 0.0), half))
            .to_vec();
        let water = Water::within(&rings);
        let area = 160_000.0 - 40_000.0 + 3_600.0 + 10_000.0;
        assert!((water.spots().total_area_m2() / area - 1.0).abs() < 0.03);
        for (east, wet) in
            [(-150.0, true), (-50.0, false), (20.0, true), (100.0, false), (300.0, false), (400.0, true)]
        {
            assert_eq!(water.holds(f.place(east, 1.0)), wet, "{east}");
        }
    }

    #[test]
    fn absurd_drawings_stay_bounded() {
        let world = Water::drawn(&[at(-170.0, -80.0), at(170.0, -80.0), at(170.0, 80.0), at(-170.0, 80.0)]);
        assert!(world.spots().list.len() < 800_000);
        let thin = Water::drawn(&[at(7.0, -80.0), at(7.001, -80.0), at(7.001, 80.0)]);
        assert!(thin.spots().list.len() < 800_000);
        assert!(Water::drawn(&[]).spots().list.is_empty());
        assert!(Water::around(&[]).spots().list.is_empty());
    }
}
