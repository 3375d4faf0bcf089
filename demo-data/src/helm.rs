//! How a boat really goes: it steers for the line ahead, turns no faster than it can, and wanders.

use crate::rng::{Rng, Wander};
use crate::route::Waypoint;

/// Seconds between two states.
pub(crate) const STEP_S: f64 = 0.5;
/// Fastest turn, radians a second (about 17° a second).
const TURN_RATE: f64 = 0.3;
/// Fastest change of speed, m/s².
const ACCELERATION: f64 = 0.5;

/// Where a boat is and how it moves, [`STEP_S`] after the state before.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct State {
    /// Metres east of the middle.
    pub(crate) east: f64,
    /// Metres north of the middle.
    pub(crate) north: f64,
    /// Speed over ground, m/s.
    pub(crate) speed: f64,
    /// Direction over ground, radians clockwise from north.
    pub(crate) course: f64,
}

/// The boat's states from the first waypoint to the last.
pub(crate) fn drive(points: &[Waypoint], rng: &mut Rng) -> Vec<State> {
    let mut states = Vec::new();
    let Some((first, rest)) = points.split_first() else { return states };
    let mut drift = Wander::new(rng, 20.0, STEP_S);
    let mut throttle = Wander::new(rng, 15.0, STEP_S);
    let mut now = State { east: first.east, north: first.north, speed: 0.0, course: 0.0 };
    let mut from = *first;
    if let Some(next) = rest.first() {
        now.course = bearing(next.east - first.east, next.north - first.north);
    }
    for to in rest {
        let longest = 60.0 + 4.0 * libm::hypot(to.east - from.east, to.north - from.north);
        let mut driven = 0.0;
        while !reached(&now, &from, to) && driven < longest {
            now = steer(now, &from, to, 1.3 * drift.step(rng), 0.12 * throttle.step(rng), rng);
            driven += now.speed * STEP_S + 0.05;
            states.push(now);
        }
        from = *to;
    }
    states
}

/// Abeam of or past the waypoint, or so near that the next leg's turn begins.
fn reached(now: &State, from: &Waypoint, to: &Waypoint) -> bool {
    let (le, ln) = (to.east - from.east, to.north - from.north);
    let length = libm::hypot(le, ln).max(1e-9);
    let left = ((to.east - now.east) * le + (to.north - now.north) * ln) / length;
    let near = libm::hypot(to.east - now.east, to.north - now.north);
    (left < 1.0 && near < 15.0 + 3.0 * now.speed) || near < 1.0 + now.speed
}

fn steer(now: State, from: &Waypoint, to: &Waypoint, drift: f64, throttle: f64, rng: &mut Rng) -> State {
    let (ae, an) = aim(&now, from, to, drift);
    let wanted = bearing(ae - now.east, an - now.north);
    let turn = wrap(wanted - now.course).clamp(-TURN_RATE * STEP_S, TURN_RATE * STEP_S);
    let course = wrap(now.course + turn + 0.01 * rng.normal());
    let speed_wanted = to.speed * (1.0 + throttle);
    let change = (speed_wanted - now.speed).clamp(-ACCELERATION * STEP_S, ACCELERATION * STEP_S);
    let speed = (now.speed + change).max(0.0);
    State {
        east: now.east + speed * STEP_S * libm::sin(course),
        north: now.north + speed * STEP_S * libm::cos(course),
        speed,
        course,
    }
}

/// A point on the leg some boat lengths ahead, a little beside it.
fn aim(now: &State, from: &Waypoint, to: &Waypoint, drift: f64) -> (f64, f64) {
    let (le, ln) = (to.east - from.east, to.north - from.north);
    let length = libm::hypot(le, ln);
    if length < 1.0 {
        return (to.east, to.north);
    }
    let (ue, un) = (le / length, ln / length);
    let done = (now.east - from.east) * ue + (now.north - from.north) * un;
    // Aiming past the end keeps a boat that missed the point from circling it.
    let ahead = (done + 8.0 + 2.0 * now.speed).min(length + 8.0);
    (from.east + ahead * ue - drift * un, from.north + ahead * un + drift * ue)
}

fn bearing(east: f64, north: f64) -> f64 {
    libm::atan2(east, north)
}

fn wrap(angle: f64) -> f64 {
    let turns = libm::floor((angle + std::f64::consts::PI) / (2.0 * std::f64::consts::PI));
    angle - turns * 2.0 * std::f64::consts::PI
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(east: f64, north: f64) -> Waypoint {
        Waypoint { east, north, speed: 2.0 }
    }

    #[test]
    fn keeps_the_line_and_the_speed() {
        let states = drive(&[point(0.0, 0.0), point(0.0, 300.0)], &mut Rng::new(1, 1));
        assert!(states.iter().all(|s| s.east.abs() < 6.0), "strayed");
        assert!(states.last().is_some_and(|s| s.north > 290.0));
        let seconds = states.len() as f64 * STEP_S;
        assert!((130.0..180.0).contains(&seconds), "{seconds}");
    }

    #[test]
    fn no_turn_is_faster_than_the_boat() {
        let states = drive(
            &[point(0.0, 0.0), point(0.0, 80.0), point(22.0, 80.0), point(22.0, 0.0)],
            &mut Rng::new(3, 1),
        );
        for pair in states.windows(2) {
            assert!(wrap(pair[1].course - pair[0].course).abs() < TURN_RATE * STEP_S + 0.06);
        }
        let end = states.last().expect("it went");
        assert!(libm::hypot(end.east - 22.0, end.north) < 12.0, "{end:?}");
    }
}
