//! Lines and polygons of a local frame in degrees, rounded to whole 1e-7 degrees and cut at the antimeridian
//! (RFC 7946 §3.1.9).

use geo::{Coord, LineString, Polygon};
use leadline_model::{LocalFrame, LonLat};
use std::collections::BTreeMap;

/// Units of 1e-7 degree in half a turn.
const HALF_TURN: i64 = 1_800_000_000;

/// A position in 1e-7 degrees: longitude (unwrapped: may leave ±180°), latitude.
type Place = (i64, i64);

/// Turns frame metres into degrees. Longitudes are kept unwrapped about the frame's origin, so that a line
/// over the antimeridian stays in one piece until it is cut on purpose.
pub(crate) struct Degrees<'a> {
    frame: &'a LocalFrame,
    middle: i64,
}

impl<'a> Degrees<'a> {
    pub(crate) fn new(frame: &'a LocalFrame) -> Self {
        Self { frame, middle: whole(frame.origin().lonlat().lon) }
    }

    /// The pieces of a line; more than one where it crosses the antimeridian.
    pub(crate) fn line(&self, line: &LineString<f64>) -> Vec<Vec<LonLat>> {
        pieces(&self.places(line))
    }

    /// The parts of a polygon: outer ring counter-clockwise, then its holes, clockwise.
    pub(crate) fn polygon(&self, polygon: &Polygon<f64>) -> Vec<Vec<Vec<LonLat>>> {
        let outer = self.places(polygon.exterior());
        let holes: Vec<Vec<Place>> = polygon.interiors().iter().map(|h| self.places(h)).collect();
        let (Some(west), Some(east)) = (outer.iter().map(|p| p.0).min(), outer.iter().map(|p| p.0).max())
        else {
            return Vec::new();
        };
        let mut out = Vec::new();
        for t in turn(west)..=turn(east) {
            let slice = (t * 2 * HALF_TURN - HALF_TURN, t * 2 * HALF_TURN + HALF_TURN);
            let loops = |ring: &[Place]| tidy(clip(ring, slice)).map(split).unwrap_or_default();
            let (outers, mut inners): (Vec<_>, Vec<_>) =
                loops(&outer).into_iter().filter(|r| twice_area(r) != 0).partition(|r| twice_area(r) > 0);
            inners.extend(holes.iter().flat_map(|h| loops(h)).filter(|h| twice_area(h) < 0));
            for part in &outers {
                let mine = inners.iter().filter(|h| outers.len() == 1 || holds(part, h));
                out.push(std::iter::once(part).chain(mine).map(|r| degrees_in(r, t)).collect());
            }
        }
        out
    }

    /// Rounded, unwrapped, repeats dropped.
    fn places(&self, line: &LineString<f64>) -> Vec<Place> {
        let mut out: Vec<Place> = Vec::with_capacity(line.0.len());
        for Coord { x, y } in &line.0 {
            let p = self.frame.lonlat(*x, *y);
            let off = (whole(p.lon) - self.middle + HALF_TURN).rem_euclid(2 * HALF_TURN) - HALF_TURN;
            let place = (self.middle + off, whole(p.lat));
            if out.last() != Some(&place) {
                out.push(place);
            }
        }
        out
    }
}

/// The pieces of a line of positions in degrees, each the short way from the one before it.
pub(crate) fn track(line: &[LonLat]) -> Vec<Vec<LonLat>> {
    let mut places: Vec<Place> = Vec::with_capacity(line.len());
    for p in line {
        let lon = whole(p.lon);
        let near = places
            .last()
            .map_or(lon, |q| q.0 + (lon - q.0 + HALF_TURN).rem_euclid(2 * HALF_TURN) - HALF_TURN);
        let place = (near, whole(p.lat));
        if places.last() != Some(&place) {
            places.push(place);
        }
    }
    pieces(&places)
}

/// A place on the 1e-7 degree lattice.
pub(crate) fn rounded(p: LonLat) -> LonLat {
    LonLat { lon: whole(p.lon) as f64 / 1e7, lat: whole(p.lat) as f64 / 1e7 }
}

fn pieces(line: &[Place]) -> Vec<Vec<LonLat>> {
    let mut pieces: Vec<(i64, Vec<Place>)> = Vec::new();
    let mut last: Option<Place> = None;
    for &p in line {
        let here = turn(p.0);
        let before = last.map_or(here, |q| turn(q.0));
        if let Some(q) = last.filter(|_| before != here) {
            // +180° for the western piece, −180° for the eastern one.
            let edge = before.max(here) * 2 * HALF_TURN - HALF_TURN;
            let cut = (edge, crossing(q, p, edge));
            pieces.last_mut().into_iter().for_each(|piece| piece.1.push(cut));
            pieces.push((here, vec![cut]));
        }
        match pieces.last_mut() {
            Some(piece) => piece.1.push(p),
            None => pieces.push((here, vec![p])),
        }
        last = Some(p);
    }
    pieces.iter().filter(|piece| piece.1.len() > 1).map(|(t, piece)| degrees_in(piece, *t)).collect()
}

/// Cuts a closed ring that touches itself at a place (exactly, or by rounding) into rings that do not.
fn split(ring: Vec<Place>) -> Vec<Vec<Place>> {
    let mut out = Vec::new();
    let mut open: Vec<Place> = Vec::with_capacity(ring.len());
    let mut at: BTreeMap<Place, usize> = BTreeMap::new();
    for p in ring {
        if let Some(&from) = at.get(&p) {
            let mut closed = open.split_off(from);
            for q in &closed {
                at.remove(q);
            }
            closed.push(p);
            if closed.len() > 3 {
                out.push(closed);
            }
        }
        at.insert(p, open.len());
        open.push(p);
    }
    out
}

/// Whether most of `hole`'s places lie inside `ring` (even number of crossings = outside); a place on the ring may
/// fall on either side.
fn holds(ring: &[Place], hole: &[Place]) -> bool {
    let inside = |p: &Place| {
        let crosses = |w: &&[Place]| {
            let (a, b) = (w[0], w[1]);
            let side =
                i128::from(b.0 - a.0) * i128::from(p.1 - a.1) - i128::from(p.0 - a.0) * i128::from(b.1 - a.1);
            (a.1 > p.1) != (b.1 > p.1) && (side > 0) == (b.1 > a.1)
        };
        ring.windows(2).filter(crosses).count() % 2 == 1
    };
    2 * hole.iter().filter(|p| inside(p)).count() > hole.len()
}

fn whole(degrees: f64) -> i64 {
    libm::round(degrees * 1e7) as i64
}

/// Which copy of the world an unwrapped longitude is in; 0 for −180 <= lon < 180.
fn turn(lon: i64) -> i64 {
    (lon + HALF_TURN).div_euclid(2 * HALF_TURN)
}

fn crossing(a: Place, b: Place, lon: i64) -> i64 {
    let t = (lon - a.0) as f64 / (b.0 - a.0) as f64;
    a.1 + libm::round(t * (b.1 - a.1) as f64) as i64
}

/// The part of a closed ring between two meridians (Sutherland and Hodgman 1974: may leave sides on the cut).
fn clip(ring: &[Place], (west, east): (i64, i64)) -> Vec<Place> {
    if ring.iter().all(|p| (west..=east).contains(&p.0)) {
        return ring.to_vec();
    }
    let east_of = half(ring, west, |lon| lon >= west);
    half(&east_of, east, |lon| lon <= east)
}

fn half(ring: &[Place], edge: i64, keep: impl Fn(i64) -> bool) -> Vec<Place> {
    let mut out = Vec::with_capacity(ring.len());
    for w in ring.windows(2) {
        let (a, b) = (w[0], w[1]);
        if keep(a.0) {
            out.push(a);
        }
        if keep(a.0) != keep(b.0) {
            out.push((edge, crossing(a, b, edge)));
        }
    }
    out.extend(out.first().copied());
    out
}

/// Repeats dropped; `None` when no ring is left.
fn tidy(mut ring: Vec<Place>) -> Option<Vec<Place>> {
    ring.dedup();
    (ring.len() >= 4 && ring.first() == ring.last()).then_some(ring)
}

fn twice_area(ring: &[Place]) -> i128 {
    let cross =
        |w: &[Place]| i128::from(w[0].0) * i128::from(w[1].1) - i128::from(w[1].0) * i128::from(w[0].1);
    ring.windows(2).map(cross).sum()
}

/// Coordinates of one piece in the world copy `turn`.
fn degrees_in(piece: &[Place], turn: i64) -> Vec<LonLat> {
    let one = |p: &Place| {
        let lon = (p.0 - turn * 2 * HALF_TURN).clamp(-HALF_TURN, HALF_TURN);
        LonLat { lon: lon as f64 / 1e7, lat: p.1 as f64 / 1e7 }
    };
    piece.iter().map(one).collect()
}
