//! Which run of a plan comes next: the nearest that was not driven yet.

use super::line::{OffLine, Side};
use crate::plan::{LegKind, Plan};
use geo::Coord;
use leadline_model::{GridPos, LocalFrame};
use std::collections::BTreeSet;

/// A run counts as driven when so much of it was (judgement: its ends are where boats turn early).
pub const DRIVEN_SHARE: f64 = 0.8;
/// A place of it was driven when the boat was so near, metres: steering by hand, and the error of the fix (judgement).
/// Runs lie 25 m apart and more, so what is left between two of them is still less than that.
const NEAR_M: f64 = 8.0;
/// Distance between the places that are looked at, metres.
const STEP_M: f64 = 4.0;

/// A straight run of a plan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Run {
    /// Its number in driving order.
    pub number: usize,
    /// Its ends.
    pub ends: [GridPos; 2],
    /// Share of it that was driven.
    pub driven: f64,
}

impl Plan {
    /// The plan's lines and touch-ups without the ways between; `trail` is where the boat has been since the plan was
    /// made.
    pub fn runs(&self, trail: &[GridPos]) -> Vec<Run> {
        let near = Near::of(&self.frame, trail);
        let place = |p: &Coord<f64>| self.frame.place(p.x, p.y);
        let legs = self.legs.iter().filter(|l| l.kind != LegKind::Way);
        legs.filter_map(|l| {
            let (a, b) = (l.points.0.first()?, l.points.0.last()?);
            let number = l.number?;
            Some(Run { number, ends: [place(a), place(b)], driven: near.share(*a, *b) })
        })
        .collect()
    }
}

/// The run that comes next, seen from the boat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NextRun {
    /// It.
    pub run: Run,
    /// Where it begins and ends, in the direction it is best driven.
    pub way: [GridPos; 2],
    /// The boat, seen from it.
    pub off: OffLine,
    /// On which side of the boat the line lies, if the boat drives along it and is off it.
    pub side: Option<Side>,
    /// Metres to its nearest place.
    pub distance_m: f64,
    /// Bearing of the place to steer for, degrees clockwise from north: the beginning while the run is ahead.
    pub bearing_deg: f64,
}

/// The nearest run that was not driven. It is taken in the direction the boat goes; a boat that lies still begins at the
/// nearer end.
pub fn next_run(runs: &[Run], at: GridPos, course_deg: Option<f64>) -> Option<NextRun> {
    let left = runs.iter().filter(|r| r.driven < DRIVEN_SHARE);
    let distance = |r: &Run| OffLine::of(at, r.ends[0], r.ends[1]).distance_m();
    let run = left.min_by(|a, b| distance(a).total_cmp(&distance(b)))?;
    let way = directed(run.ends, at, course_deg);
    let off = OffLine::of(at, way[0], way[1]);
    let beside = (0.0..=off.length_m).contains(&off.along_m);
    let target = if beside { way[1] } else { way[0] };
    let (east, north) = LocalFrame::new(at).metres(target);
    Some(NextRun {
        run: *run,
        way,
        off,
        side: off.line_lies(ON_LINE_M).filter(|_| course_deg.is_some()),
        distance_m: off.distance_m(),
        bearing_deg: libm::atan2(east, north).to_degrees().rem_euclid(360.0),
    })
}

/// Nearer than this a boat is on the line, metres (judgement: what a receiver can tell).
const ON_LINE_M: f64 = 2.0;

/// The ends in the order they are driven: along the course beside the run, from the nearer end before it.
fn directed(ends: [GridPos; 2], at: GridPos, course_deg: Option<f64>) -> [GridPos; 2] {
    let [a, b] = ends;
    let off = OffLine::of(at, a, b);
    let beside = (0.0..=off.length_m).contains(&off.along_m);
    let back = match course_deg.filter(|_| beside) {
        Some(course) => {
            let (e, n) = LocalFrame::new(a).metres(b);
            let (sin, cos) = libm::sincos(course.to_radians());
            e * sin + n * cos < 0.0
        }
        None => off.along_m > off.length_m / 2.0,
    };
    if back { [b, a] } else { ends }
}

/// Squares near the trail.
struct Near(BTreeSet<[i32; 2]>);

impl Near {
    fn of(frame: &LocalFrame, trail: &[GridPos]) -> Self {
        let mut squares = BTreeSet::new();
        for at in trail {
            let (e, n) = frame.metres(*at);
            let [x, y] = square(e, n);
            // Every square whose middle may be near.
            for (dx, dy) in (-2..=2).flat_map(|dx| (-2..=2).map(move |dy| (dx, dy))) {
                let (mx, my) = (middle(x + dx), middle(y + dy));
                if libm::hypot(mx - e, my - n) <= NEAR_M {
                    squares.insert([x + dx, y + dy]);
                }
            }
        }
        Self(squares)
    }

    /// Share of the line from `a` to `b` that lies in them.
    fn share(&self, a: Coord<f64>, b: Coord<f64>) -> f64 {
        let pieces = libm::ceil(libm::hypot(b.x - a.x, b.y - a.y) / STEP_M).clamp(1.0, 10_000.0) as u32;
        let at = |i: u32| f64::from(i) / f64::from(pieces);
        let held = (0..=pieces)
            .map(at)
            .filter(|t| self.0.contains(&square(a.x + t * (b.x - a.x), a.y + t * (b.y - a.y))));
        held.count() as f64 / f64::from(pieces + 1)
    }
}

fn square(e: f64, n: f64) -> [i32; 2] {
    [libm::floor(e / STEP_M) as i32, libm::floor(n / STEP_M) as i32]
}

fn middle(i: i32) -> f64 {
    (f64::from(i) + 0.5) * STEP_M
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::LonLat;

    fn frame() -> LocalFrame {
        LocalFrame::new(GridPos::from_lonlat(LonLat { lon: 7.4, lat: 48.2 }).expect("on the grid"))
    }

    fn run(number: usize, from: [f64; 2], to: [f64; 2], trail: &[GridPos]) -> Run {
        let near = Near::of(&frame(), trail);
        let share = near.share(Coord { x: from[0], y: from[1] }, Coord { x: to[0], y: to[1] });
        Run { number, ends: [from, to].map(|p| frame().place(p[0], p[1])), driven: share }
    }

    /// A trail northward at `east`, a place every two metres.
    fn north(east: f64, metres: i32) -> Vec<GridPos> {
        (0..metres / 2).map(|i| frame().place(east, f64::from(i) * 2.0)).collect()
    }

    #[test]
    fn what_was_driven_is_left_out() {
        let trail = north(3.0, 200);
        let line = |e: f64| run(1, [e, 0.0], [e, 200.0], &trail).driven;
        assert_eq!(line(0.0), 1.0);
        assert_eq!(line(30.0), 0.0);
        let half = run(2, [0.0, 100.0], [0.0, 300.0], &trail).driven;
        assert!((half - 0.5).abs() < 0.06, "{half}");
        let at = frame().place(3.0, 200.0);
        let runs = [run(1, [0.0, 0.0], [0.0, 200.0], &trail), run(2, [30.0, 0.0], [30.0, 200.0], &trail)];
        let next = next_run(&runs, at, Some(0.0)).expect("one is left");
        assert_eq!(next.run.number, 2);
        assert_eq!(next_run(&runs[..1], at, Some(0.0)), None);
    }

    #[test]
    fn a_run_is_driven_the_way_the_boat_goes() {
        let runs = [run(7, [0.0, 0.0], [0.0, 200.0], &[])];
        let beside = frame().place(12.0, 50.0);
        let north = next_run(&runs, beside, Some(10.0)).expect("left");
        assert_eq!((north.side, north.way[0]), (Some(Side::Port), runs[0].ends[0]));
        assert!((north.off.off_m - 12.0).abs() < 0.1 && (north.off.along_m - 50.0).abs() < 0.1);
        let south = next_run(&runs, beside, Some(190.0)).expect("left");
        assert_eq!((south.side, south.way[0]), (Some(Side::Starboard), runs[0].ends[1]));
        // Before the run its nearer end is steered for.
        let before = next_run(&runs, frame().place(0.0, 260.0), Some(0.0)).expect("left");
        assert_eq!(before.way[0], runs[0].ends[1]);
        assert!((before.distance_m - 60.0).abs() < 0.1 && (before.bearing_deg - 180.0).abs() < 0.5);
        // Lying still: no side, for nobody knows which way the boat looks.
        assert_eq!(next_run(&runs, beside, None).expect("left").side, None);
    }
}
