//! The lines that were driven: their main direction, how far apart they are, and how many cross them.

use crate::tracks::{Piece, Tracks, axes_apart_deg};
use std::f64::consts::PI;

/// A crossing at a larger angle than this to the main direction makes a cross line, degrees.
const ACROSS_DEG: f64 = 45.0;
/// Main lines a cross line must cross at least: a turn at a line's end crosses none.
const LEAST_CROSSED: usize = 2;
/// Farthest that a neighbouring line is looked for, metres.
const FARTHEST_M: f64 = 300.0;
/// Side of the squares that pieces are filed in, metres.
const BUCKET_M: f64 = 60.0;
/// Places at which the distance to the next line is taken, about.
const SAMPLES: usize = 4_000;
/// Width of the bins of directions, degrees.
const BIN_DEG: f64 = 5.0;
const BINS: usize = 36;

/// Middle, 95th percentile and greatest of many distances, metres.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Gaps {
    /// Half are smaller.
    pub median_m: f64,
    /// Nineteen of twenty are smaller.
    pub p95_m: f64,
    /// The greatest.
    pub most_m: f64,
}

/// The lines driven.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Lines {
    /// Length of all tracks, metres.
    pub length_m: f64,
    /// Direction most of them run in, as an axis: degrees clockwise from north, 0 to 180. `None` without tracks.
    pub main_axis_deg: Option<f64>,
    /// Length of the tracks in about that direction, metres.
    pub main_m: f64,
    /// Length of tracks that cross at least two of those at more than 45°, metres.
    pub cross_m: f64,
    /// Between soundings that follow each other on a track (breaks left out).
    pub along: Gaps,
    /// From a main line to the next one beside it.
    pub across: Gaps,
    /// Share of the bed under the beam of the sounder, by S-44's formula: footprint × length / area, summed piece by
    /// piece; more than 1 where the same bed was sounded again.
    pub footprint_share: f64,
}

impl Lines {
    /// Length of the cross lines over that of the main lines.
    pub fn cross_share(&self) -> f64 {
        if self.main_m > 0.0 { self.cross_m / self.main_m } else { 0.0 }
    }

    /// Of `tracks` over `area_m2` of water at `stage_m`, sounded with a beam of `beam_deg`.
    pub(crate) fn of(tracks: &Tracks, area_m2: f64, stage_m: f64, beam_deg: f64) -> Self {
        let length_m = tracks.length_m();
        let along = gaps(&tracks.steps_m);
        let under = |p: &Piece| footprint_m(p.depth_m + stage_m, beam_deg) * p.length_m;
        let swept = tracks.pieces.iter().fold(0.0, |m, p| m + under(p));
        let footprint_share = if area_m2 > 0.0 { swept / area_m2 } else { 0.0 };
        let mut out = Self { length_m, along, footprint_share, ..Self::default() };
        let Some(axis) = main_axis(&tracks.pieces) else { return out };
        let families = families(&tracks.pieces, axis);
        let index = Index::new(&tracks.pieces, &families);
        out.main_axis_deg = Some(axis);
        out.main_m =
            families.iter().zip(&tracks.pieces).filter(|(f, _)| f.main).fold(0.0, |m, (_, p)| m + p.length_m);
        out.cross_m = cross_length(&tracks.pieces, &families, &index);
        out.across = gaps(&across(&tracks.pieces, &families, &index, axis));
        out
    }
}

/// Diameter of the beam's footprint on a flat bed, metres: 2 d tan(φ/2). Nothing on bed that dries.
///
/// Source: IHO S-44 Ed 6.1.0, footnote on bathymetric coverage; IHO C-13 §3.
pub fn footprint_m(depth_m: f64, beam_deg: f64) -> f64 {
    2.0 * depth_m.max(0.0) * libm::tan(beam_deg.to_radians() / 2.0)
}

/// Which family a piece belongs to, and its group: pieces of one family that follow each other.
#[derive(Clone, Copy)]
struct Family {
    main: bool,
    group: u32,
}

/// The axis with the most length within 15° of it, then the length-weighted mean of the doubled angles around it.
fn main_axis(pieces: &[Piece]) -> Option<f64> {
    let mut bins = [0.0; BINS];
    for p in pieces {
        bins[((p.axis_deg() / BIN_DEG) as usize).min(BINS - 1)] += p.length_m;
    }
    let around = |i: usize| (0..7).map(|k| bins[(i + BINS + k - 3) % BINS]).sum::<f64>();
    let mut best = 0;
    for i in 1..BINS {
        if around(i) > around(best) {
            best = i;
        }
    }
    if around(best) <= 0.0 {
        return None;
    }
    let rough = (best as f64 + 0.5) * BIN_DEG;
    let (mut east, mut north) = (0.0, 0.0);
    for p in pieces.iter().filter(|p| axes_apart_deg(p.axis_deg(), rough) <= 3.5 * BIN_DEG) {
        let twice = p.axis_deg().to_radians() * 2.0;
        east += p.length_m * libm::sin(twice);
        north += p.length_m * libm::cos(twice);
    }
    let mut deg = libm::atan2(east, north).to_degrees() / 2.0;
    if deg < 0.0 {
        deg += 180.0;
    }
    Some(deg)
}

fn families(pieces: &[Piece], axis: f64) -> Vec<Family> {
    let mut out: Vec<Family> = Vec::with_capacity(pieces.len());
    let mut last: Option<u32> = None;
    for p in pieces {
        let main = axes_apart_deg(p.axis_deg(), axis) <= ACROSS_DEG;
        let group = match out.last() {
            Some(f) if f.main == main && last == Some(p.run) => f.group,
            Some(f) => f.group + 1,
            None => 0,
        };
        out.push(Family { main, group });
        last = Some(p.run);
    }
    out
}

/// The main pieces by squares.
struct Index {
    /// (column, row, piece), ascending.
    entries: Vec<(i64, i64, u32)>,
}

impl Index {
    fn new(pieces: &[Piece], families: &[Family]) -> Self {
        let mut entries = Vec::new();
        for (i, (p, _)) in pieces.iter().zip(families).enumerate().filter(|(_, (_, f))| f.main) {
            each_square(p.ends, |x, y| entries.push((x, y, i as u32)));
        }
        entries.sort_unstable();
        Self { entries }
    }

    /// Pieces filed in the squares around `ends`; some more than once.
    fn near(&self, ends: [[f64; 2]; 2], mut take: impl FnMut(usize)) {
        each_square(ends, |x, y| {
            let from = self.entries.partition_point(|e| (e.0, e.1) < (x, y));
            let here = self.entries[from..].iter().take_while(|e| (e.0, e.1) == (x, y));
            here.for_each(|e| take(e.2 as usize));
        });
    }
}

/// Squares of the box around a line.
fn each_square([a, b]: [[f64; 2]; 2], mut take: impl FnMut(i64, i64)) {
    let square = |v: f64| libm::floor(v / BUCKET_M) as i64;
    for x in square(a[0].min(b[0]))..=square(a[0].max(b[0])) {
        for y in square(a[1].min(b[1]))..=square(a[1].max(b[1])) {
            take(x, y);
        }
    }
}

/// Length of the groups off the main direction that cross enough main lines.
fn cross_length(pieces: &[Piece], families: &[Family], index: &Index) -> f64 {
    let mut total = 0.0;
    let all: Vec<usize> = (0..pieces.len()).collect();
    for group in all.chunk_by(|a, b| families[*a].group == families[*b].group) {
        if families[group[0]].main {
            continue;
        }
        let mut crossed: Vec<u32> = Vec::new();
        for i in group {
            index.near(pieces[*i].ends, |j| {
                // A turn meets the two lines that it joins; that is no crossing.
                let joined =
                    families[j].group.abs_diff(families[*i].group) == 1 && pieces[j].run == pieces[*i].run;
                let meets = || meeting(pieces[*i].ends, pieces[j].ends).is_some();
                if !joined
                    && meets()
                    && axes_apart_deg(pieces[*i].axis_deg(), pieces[j].axis_deg()) > ACROSS_DEG
                {
                    crossed.push(families[j].group);
                }
            });
        }
        crossed.sort_unstable();
        crossed.dedup();
        if crossed.len() >= LEAST_CROSSED {
            total += group.iter().map(|i| pieces[*i].length_m).sum::<f64>();
        }
    }
    total
}

/// Distances from main lines to the next one on either side, ascending.
fn across(pieces: &[Piece], families: &[Family], index: &Index, axis: f64) -> Vec<f64> {
    let main: Vec<usize> = (0..pieces.len()).filter(|i| families[*i].main).collect();
    let stride = main.len().div_ceil(SAMPLES).max(1);
    let beside = (axis + 90.0).to_radians();
    let (e, n) = (libm::sin(beside) * FARTHEST_M, libm::cos(beside) * FARTHEST_M);
    let mut out = Vec::new();
    for i in main.into_iter().step_by(stride) {
        let from = pieces[i].middle();
        for side in [1.0, -1.0] {
            let ray = [from, [from[0] + side * e, from[1] + side * n]];
            let mut nearest = f64::INFINITY;
            index.near(ray, |j| {
                if families[j].group != families[i].group {
                    nearest = nearest.min(meeting(ray, pieces[j].ends).unwrap_or(f64::INFINITY));
                }
            });
            if nearest.is_finite() {
                out.push(nearest * FARTHEST_M);
            }
        }
    }
    out.sort_unstable_by(f64::total_cmp);
    out
}

/// How far along the first line, 0 to 1, it meets the second.
fn meeting([a, b]: [[f64; 2]; 2], [c, d]: [[f64; 2]; 2]) -> Option<f64> {
    let r = [b[0] - a[0], b[1] - a[1]];
    let s = [d[0] - c[0], d[1] - c[1]];
    let cross = r[0] * s[1] - r[1] * s[0];
    if cross == 0.0 {
        return None;
    }
    let q = [c[0] - a[0], c[1] - a[1]];
    let t = (q[0] * s[1] - q[1] * s[0]) / cross;
    let u = (q[0] * r[1] - q[1] * r[0]) / cross;
    ((0.0..=1.0).contains(&t) && (0.0..=1.0).contains(&u)).then_some(t)
}

fn gaps(ascending: &[f64]) -> Gaps {
    let at = |share: f64| {
        let i = (share * ascending.len() as f64) as usize;
        ascending.get(i.min(ascending.len().saturating_sub(1))).copied().unwrap_or(0.0)
    };
    Gaps { median_m: at(0.5), p95_m: at(0.95), most_m: at(1.0) }
}

/// Bathymetric coverage of a survey on a flat bed in S-44's example: main lines `main` depths apart, cross lines
/// `cross` times as far apart, a beam of `beam_deg`.
pub fn planned_footprint_share(beam_deg: f64, main: f64, cross: f64) -> f64 {
    2.0 * libm::tan(beam_deg * PI / 360.0) * (1.0 / main + 1.0 / (main * cross))
}
