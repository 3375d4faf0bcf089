//! Where tracks cross, or come within a few metres of each other: two depths of one place.

use super::track::{Local, Track};
use crate::budget::HalfBeam;
use crate::slope::{Scale, Scales};
use crate::{Defaults, Settings};
use leadline_model::CellId;
use rstar::primitives::{GeomWithData, Rectangle};
use rstar::{AABB, RTree};

/// Spots of one box of the tree.
const CHUNK: usize = 16;
/// A track that meets itself sooner than this has not left, ms; the receiver's error is still the same then.
const APART_MS: i64 = 60_000;
/// Sine of the least angle at which two tracks tell the slope across.
const LEAST_ANGLE: f64 = 0.3;

/// One place that two tracks measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Crossing {
    pub(crate) a: Side,
    pub(crate) b: Side,
    /// They came near without meeting.
    pub(crate) near: bool,
    /// Variance of the difference by the positions, m².
    pub(crate) place: f64,
}

/// One of its tracks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Side {
    pub(crate) pass: u32,
    pub(crate) local: Local,
}

impl Crossing {
    /// How much deeper the first track is.
    pub(crate) fn difference(&self) -> f64 {
        self.a.local.depth - self.b.local.depth
    }

    /// Variance of the difference by noise, m².
    pub(crate) fn noise(&self) -> f64 {
        self.a.local.noise + self.b.local.noise
    }
}

type Chunk = GeomWithData<Rectangle<[f64; 2]>, Stretch>;

/// Spots of a track that follow each other.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Stretch {
    track: u32,
    start: u32,
    /// Farthest that one spot lies from the next, east or south, grid units.
    step: f64,
}

impl Stretch {
    fn key(&self) -> (u32, u32) {
        (self.track, self.start)
    }

    /// Each spot but the last has a segment behind it.
    fn segments<'a>(&self, tracks: &'a [Track]) -> Option<(&'a Track, std::ops::Range<usize>)> {
        let (track, start) = (tracks.get(self.track as usize)?, self.start as usize);
        Some((track, start..(start + CHUNK).min(track.spots.len().saturating_sub(1))))
    }
}

/// Crossings in the order of passes and times.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Crossings {
    pub(crate) found: Vec<Crossing>,
    /// One of so many is in `found`, drawn by lot.
    pub(crate) of: u64,
}

/// All crossings; of more than `most` a half, a quarter, … that is drawn by lot, the same on every machine.
pub(crate) fn find(tracks: &[Track], settings: &Settings, most: usize) -> Crossings {
    let near_units = units_of(settings.crossing_m, tracks);
    let chunks = chunks(tracks, near_units);
    let tree = RTree::bulk_load(chunks);
    let (mut found, mut fresh, mut of) = (Vec::new(), Vec::new(), 1);
    let mut scales = Scales::default();
    for (one, other) in tree.intersection_candidates_with_other_tree(&tree) {
        if one.data.key() < other.data.key() {
            let reach = near_units.max(one.data.step + other.data.step);
            pair(tracks, [one.data, other.data], reach, settings, &mut scales, &mut fresh);
            found.extend(fresh.drain(..).filter(|c| lot(c).is_multiple_of(of)));
            while found.len() > most && of < 1 << 32 {
                of *= 2;
                found.retain(|c| lot(c).is_multiple_of(of));
            }
        }
    }
    found.sort_by(|p: &Crossing, q| {
        let key = |c: &Crossing| (c.a.pass, c.a.local.time, c.b.pass, c.b.local.time);
        key(p).cmp(&key(q))
    });
    Crossings { found, of }
}

/// Even over all crossings (the last steps of SplitMix64; constants from memory).
fn lot(c: &Crossing) -> u64 {
    let sides = [&c.a, &c.b].map(|s| (u64::from(s.pass) << 40) ^ (s.local.time as u64));
    let z = sides[0].wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ sides[1].rotate_left(29);
    let z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// Grid units in `metres` where a unit is smallest on the ground.
fn units_of(metres: f64, tracks: &[Track]) -> f64 {
    let rows = tracks.iter().flat_map(|t| t.spots.first()).map(|s| s.cell_row);
    let ends = [rows.clone().min(), rows.max()];
    let least = ends.iter().flatten().map(|y| Scale::of(CellId { x: 0, y: *y }).metres(1.0, 0.0).0);
    metres / least.fold(f64::INFINITY, f64::min).max(1e-6)
}

fn chunks(tracks: &[Track], margin: f64) -> Vec<Chunk> {
    let mut all = Vec::new();
    for (t, track) in (0u32..).zip(tracks) {
        for start in (0..track.spots.len().saturating_sub(1)).step_by(CHUNK) {
            let spots =
                track.spots.get(start..(start + CHUNK + 1).min(track.spots.len())).unwrap_or_default();
            let bound = spots.iter().fold(AABB::<[f64; 2]>::from_points(&[]), |b, s| {
                use rstar::Envelope;
                b.merged(&AABB::from_point([s.x, s.y]))
            });
            let half = margin / 2.0;
            let (lo, hi) = (bound.lower(), bound.upper());
            let rectangle =
                Rectangle::from_corners([lo[0] - half, lo[1] - half], [hi[0] + half, hi[1] + half]);
            let steps = spots.windows(2).map(|p| (p[1].x - p[0].x).abs().max((p[1].y - p[0].y).abs()));
            let step = steps.fold(0.0, f64::max);
            let start = u32::try_from(start).unwrap_or(u32::MAX);
            all.push(GeomWithData::new(rectangle, Stretch { track: t, start, step }));
        }
    }
    all
}

/// Crossings of two stretches; if there is none, the place where they come nearest. Spots farther apart than `reach`
/// (grid units, east or south) neither begin segments that meet nor are near.
fn pair(
    tracks: &[Track],
    of: [Stretch; 2],
    reach: f64,
    settings: &Settings,
    scales: &mut Scales,
    found: &mut Vec<Crossing>,
) {
    let [Some((a, of_a)), Some((b, of_b))] = of.map(|s| s.segments(tracks)) else { return };
    let Some(first) = a.spots.get(of_a.start) else { return };
    let scale = scales.of(CellId { x: 0, y: first.cell_row });
    let mut nearest: Option<(f64, usize, usize)> = None;
    let mut met = false;
    for i in of_a {
        let (Some(p), Some(q)) = (a.spots.get(i), a.spots.get(i + 1)) else { continue };
        for j in of_b.clone() {
            let (Some(r), Some(s)) = (b.spots.get(j), b.spots.get(j + 1)) else { continue };
            let (east, south) = (p.x - r.x, p.y - r.y);
            if east.abs() > reach || south.abs() > reach {
                continue;
            }
            if p.time.saturating_sub(r.time).saturating_abs() < APART_MS {
                continue;
            }
            if let Some((u, v)) = meet([p.x, p.y, q.x, q.y], [r.x, r.y, s.x, s.y]) {
                met = true;
                found.extend(crossing((a, i, u), (b, j, v), &scale, false, &settings.defaults));
                continue;
            }
            let (e, n) = scale.metres(east, south);
            let square = e * e + n * n;
            if nearest.is_none_or(|(d, ..)| square < d) {
                nearest = Some((square, i, j));
            }
        }
    }
    if let Some((square, i, j)) = nearest.filter(|_| !met)
        && square <= settings.crossing_m * settings.crossing_m
    {
        found.extend(crossing((a, i, 0.0), (b, j, 0.0), &scale, true, &settings.defaults));
    }
}

/// Shares of the ways from (x, y) to (x, y) at which two segments meet.
fn meet([ax, ay, bx, by]: [f64; 4], [cx, cy, dx, dy]: [f64; 4]) -> Option<(f64, f64)> {
    let (rx, ry, sx, sy) = (bx - ax, by - ay, dx - cx, dy - cy);
    let det = rx * sy - ry * sx;
    if det == 0.0 {
        return None;
    }
    let (wx, wy) = (cx - ax, cy - ay);
    // Most segments do not meet: nothing is divided for them.
    let (u, v) = ((wx * sy - wy * sx) * det.signum(), (wx * ry - wy * rx) * det.signum());
    let whole = 0.0..det.abs();
    (whole.contains(&u) && whole.contains(&v)).then(|| (u / whole.end, v / whole.end))
}

type At<'a> = (&'a Track, usize, f64);

fn crossing(a: At<'_>, b: At<'_>, scale: &Scale, near: bool, d: &Defaults) -> Option<Crossing> {
    let side = |(t, i, share): At<'_>| t.local(i, share, scale).map(|local| Side { pass: t.pass, local });
    let (mut a_side, b_side) = (side(a)?, side(b)?);
    let (east, north, across) = gradient(&a_side.local, &b_side.local, d);
    if near {
        let (p, r) = (a.0.spots.get(a.1)?, b.0.spots.get(b.1)?);
        let (e, s) = scale.metres(r.x - p.x, r.y - p.y);
        a_side.local.deepen(east * e - north * s);
        a_side.local.noise += across * across * (e * e + s * s);
    }
    let slope2 = east * east + north * north + across * across;
    // The beam's error on the slope grows with the range, and would look like a wrong sound speed, too.
    let half_beam = HalfBeam::of(d);
    let (mut a_side, mut b_side) = (a_side, b_side);
    for s in [&mut a_side, &mut b_side] {
        s.local.deepen(half_beam.correction(s.local.range, slope2.sqrt()));
    }
    // Both ranges from the mean depth: a range with its own noise in it would look like a wrong sound speed.
    let mean = 0.5 * (a_side.local.depth + b_side.local.depth);
    for s in [&mut a_side, &mut b_side] {
        s.local.range += mean - s.local.depth;
    }
    let place = (a_side.local.axis + b_side.local.axis) * slope2;
    Some(Crossing { a: a_side, b: b_side, near, place })
}

/// Slope of the bed east and north from the slopes along both tracks, and one standard deviation of what they do
/// not tell.
fn gradient(a: &Local, b: &Local, d: &Defaults) -> (f64, f64, f64) {
    let det = a.east * b.north - a.north * b.east;
    if det.abs() >= LEAST_ANGLE {
        let east = (a.slope * b.north - b.slope * a.north) / det;
        let north = (a.east * b.slope - b.east * a.slope) / det;
        return (east, north, 0.0);
    }
    // Nearly parallel: the mean along them, and nothing across.
    let turned = if a.east * b.east + a.north * b.north < 0.0 { -1.0 } else { 1.0 };
    let along = 0.5 * (a.slope + turned * b.slope);
    (along * a.east, along * a.north, d.slope)
}

#[cfg(test)]
mod tests {
    use super::super::track::Spot;
    use super::*;

    #[test]
    fn segments_meet_where_geometry_says() {
        assert_eq!(meet([0.0, 0.0, 4.0, 4.0], [0.0, 4.0, 4.0, 0.0]), Some((0.5, 0.5)));
        assert_eq!(meet([0.0, 0.0, 4.0, 0.0], [1.0, -1.0, 1.0, 3.0]), Some((0.25, 0.25)));
        assert_eq!(meet([0.0, 0.0, 4.0, 0.0], [5.0, -1.0, 5.0, 3.0]), None);
        assert_eq!(meet([0.0, 0.0, 4.0, 0.0], [0.0, 1.0, 4.0, 1.0]), None, "parallel");
        // Half-open: a crossing at the joint of two segments counts once.
        assert_eq!(meet([0.0, 0.0, 4.0, 0.0], [4.0, -1.0, 4.0, 1.0]), None);
        assert_eq!(meet([4.0, 0.0, 8.0, 0.0], [4.0, -1.0, 4.0, 1.0]), Some((0.0, 0.5)));
    }

    /// A straight track, a spot every 2 m.
    fn track(pass: u32, from: [f64; 2], course: [f64; 2]) -> Track {
        let scale = Scale::of(CellId { x: 0, y: 2_900_000 });
        let units = 2.0 / scale.metres(1.0, 0.0).0;
        let spots = (0..100i32).map(|i| Spot {
            x: 1e9 + (from[0] + f64::from(i) * course[0]) * units,
            y: 2_900_000.0 * 256.0 + (from[1] + f64::from(i) * course[1]) * units,
            time: i64::from(pass) * 1_000_000 + i64::from(i) * 1_000,
            depth: 5.0,
            range: 5.0,
            random: 0.01,
            visit: 0.01,
            axis: 0.5,
            shared: 0.0,
            along: f64::from(i) * 2.0,
            cell_row: 2_900_000,
        });
        Track { pass, spots: spots.collect() }
    }

    #[test]
    fn of_too_many_crossings_a_part_is_drawn() {
        // 25 tracks east and 25 south, 3 spots apart: each of one kind crosses each of the other.
        let apart = |k: u32| f64::from(k % 25) * 3.0 + 10.4;
        let tracks: Vec<Track> = (0..50)
            .map(|k| match k < 25 {
                true => track(k, [0.0, apart(k)], [1.0, 0.0]),
                false => track(k, [apart(k), 0.0], [0.0, 1.0]),
            })
            .collect();
        let settings = Settings::default();
        let Crossings { found: all, of } = find(&tracks, &settings, 10_000);
        assert_eq!((all.iter().filter(|c| !c.near).count(), of), (625, 1));
        for most in [all.len() - 1, 200, 20] {
            let some = find(&tracks, &settings, most);
            assert!(some.found.len() <= most && some.found.len() > most / 4, "{most}: {}", some.found.len());
            // The same ones whatever was found first.
            let drawn: Vec<Crossing> =
                all.iter().filter(|c| lot(c).is_multiple_of(some.of)).copied().collect();
            assert!(some.found == drawn && some.of > 1);
        }
    }

    #[test]
    fn gradient_of_a_plane_from_two_tracks() {
        let local = |east: f64, north: f64| Local {
            time: 0,
            depth: 5.0,
            range: 5.0,
            noise: 0.0,
            axis: 0.0,
            shared: 0.0,
            slope: 0.08 * east - 0.03 * north,
            speed: 2.0,
            east,
            north,
        };
        let d = Defaults::default();
        let (e, n, across) = gradient(&local(0.6, 0.8), &local(-0.8, 0.6), &d);
        assert!((e - 0.08).abs() < 1e-12 && (n + 0.03).abs() < 1e-12 && across == 0.0);
        let (e, n, across) = gradient(&local(1.0, 0.0), &local(-1.0, 0.0), &d);
        assert!((e - 0.08).abs() < 1e-12 && n.abs() < 1e-12 && across == d.slope);
    }
}
