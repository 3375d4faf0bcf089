//! Where the boats went: accepted soundings of each pass in time order, as unbroken runs of straight pieces.

use leadline_model::{Grade, GridPos, LocalFrame, ReducedSounding, UtcMillis, scale_factors};

/// A track is broken where two accepted soundings are farther apart than this, metres (the largest gap a surface
/// bridges).
const BREAK_M: f64 = 60.0;
/// Pieces are at least this long, metres (judgement: longer than a receiver's wander, shorter than a turn).
const PIECE_M: f64 = 8.0;

/// A straight piece of a track.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Piece {
    /// Its ends in metres of the frame.
    pub(crate) ends: [[f64; 2]; 2],
    /// True length, metres.
    pub(crate) length_m: f64,
    /// Mean of the depths at both ends below the sounding datum, metres.
    pub(crate) depth_m: f64,
    /// Which unbroken run it belongs to; the pieces of a run follow each other.
    pub(crate) run: u32,
}

/// All tracks of a survey.
#[derive(Clone, Debug, Default)]
pub(crate) struct Tracks {
    frame: Option<LocalFrame>,
    pub(crate) pieces: Vec<Piece>,
    /// True distances of soundings that follow each other in a run, metres, ascending.
    pub(crate) steps_m: Vec<f64>,
}

impl Tracks {
    /// Of the accepted soundings, in any order.
    pub(crate) fn of(soundings: &[ReducedSounding]) -> Self {
        let mut order: Vec<(u32, UtcMillis, u32)> = soundings
            .iter()
            .enumerate()
            .filter(|(_, s)| s.void.is_none() && s.grade != Grade::Void && s.depth_m.is_finite())
            .map(|(i, s)| (s.pass, s.time, i as u32))
            .collect();
        // The place breaks ties, so that the order of the input does not matter.
        order.sort_unstable_by(|a, b| {
            let at = |i: u32| soundings[i as usize].at;
            (a.0, a.1).cmp(&(b.0, b.1)).then_with(|| at(a.2).cmp(&at(b.2)))
        });
        let Some(first) = order.first() else { return Self::default() };
        let frame = LocalFrame::new(soundings[first.2 as usize].at);
        let at_origin = scale_factors(frame.origin().lonlat().lat).0;
        let mut out = Self { frame: Some(frame), ..Self::default() };
        let mut run = 0;
        let mut last: Option<(u32, [f64; 2])> = None;
        // Where the open piece began.
        let mut began: Option<([f64; 2], f64)> = None;
        for (pass, _, i) in order {
            let s = &soundings[i as usize];
            let (e, n) = frame.metres(s.at);
            let here = [e, n];
            // The frame keeps the scale of its origin; far north or south of it lengths differ.
            let scale = if n.abs() < 2_000.0 { 1.0 } else { scale_factors(s.at.lonlat().lat).0 / at_origin };
            let step = last.filter(|l| l.0 == pass).map(|l| gap(l.1, here) * scale);
            match step {
                Some(step) if step <= BREAK_M => {
                    if step > 0.0 {
                        out.steps_m.push(step);
                    }
                }
                _ => {
                    run += 1;
                    began = None;
                }
            }
            last = Some((pass, here));
            let Some((from, depth_m)) = began else {
                began = Some((here, s.depth_m));
                continue;
            };
            let length_m = gap(from, here) * scale;
            if length_m >= PIECE_M {
                let depth_m = (depth_m + s.depth_m) / 2.0;
                out.pieces.push(Piece { ends: [from, here], length_m, depth_m, run });
                began = Some((here, s.depth_m));
            }
        }
        out.steps_m.sort_unstable_by(f64::total_cmp);
        out
    }

    /// The runs as places.
    pub(crate) fn places(&self) -> Vec<Vec<GridPos>> {
        let Some(frame) = self.frame else { return Vec::new() };
        let place = |p: [f64; 2]| frame.place(p[0], p[1]);
        let runs = self.pieces.chunk_by(|a, b| a.run == b.run);
        runs.map(|r| {
            let first = r.first().map(|p| place(p.ends[0]));
            first.into_iter().chain(r.iter().map(|p| place(p.ends[1]))).collect()
        })
        .collect()
    }

    /// Length of all pieces, metres.
    pub(crate) fn length_m(&self) -> f64 {
        self.pieces.iter().fold(0.0, |m, p| m + p.length_m)
    }
}

impl Piece {
    /// Its middle.
    pub(crate) fn middle(&self) -> [f64; 2] {
        let [a, b] = self.ends;
        [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0]
    }

    /// Direction as an axis: degrees clockwise from north, 0 to 180.
    pub(crate) fn axis_deg(&self) -> f64 {
        let [a, b] = self.ends;
        axis_deg(b[0] - a[0], b[1] - a[1])
    }
}

/// An axis from east and north parts, degrees clockwise from north, 0 to 180 (180 itself left out).
pub(crate) fn axis_deg(east: f64, north: f64) -> f64 {
    let deg = libm::atan2(east, north).to_degrees();
    let deg = if deg < 0.0 { deg + 180.0 } else { deg };
    if deg >= 180.0 { deg - 180.0 } else { deg }
}

/// Angle between two axes, 0 to 90 degrees.
pub(crate) fn axes_apart_deg(a: f64, b: f64) -> f64 {
    let d = (a - b).abs() % 180.0;
    d.min(180.0 - d)
}

fn gap(a: [f64; 2], b: [f64; 2]) -> f64 {
    libm::hypot(b[0] - a[0], b[1] - a[1])
}
