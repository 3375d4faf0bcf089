//! Where the boats mean to go: lines across and along the valley, the shore, and the way there and back.

use crate::bed::{bed_at, channel_north};

/// Where the boats come from and go to: metres east and north.
pub(crate) const LANDING: (f64, f64) = (300.0, -150.0);

/// A point to steer for and the speed on the way to it, metres and m/s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Waypoint {
    pub(crate) east: f64,
    pub(crate) north: f64,
    pub(crate) speed: f64,
}

/// A day's way, built piece by piece from the landing.
#[derive(Debug)]
pub(crate) struct Route {
    points: Vec<Waypoint>,
    /// Level of the water above the datum while under way, metres.
    stage: f64,
    /// Water the crew wants under the surface at least, metres.
    least: f64,
}

const SURVEY_SPEED: f64 = 2.0;
const TRANSIT_SPEED: f64 = 3.0;
const PLANING_SPEED: f64 = 11.0;

impl Route {
    pub(crate) fn new(stage: f64, least: f64) -> Self {
        let start = Waypoint { east: LANDING.0, north: LANDING.1, speed: TRANSIT_SPEED };
        Self { points: vec![start], stage, least }
    }

    pub(crate) fn points(self) -> Vec<Waypoint> {
        self.points
    }

    /// Lines across the valley at every `east`, to and fro.
    pub(crate) fn across(self, easts: impl IntoIterator<Item = f64>) -> Self {
        easts.into_iter().fold(self, |route, east| {
            let Some((south, north)) = route.banks(east, 0.0) else { return route };
            route.line((east, south), (east, north))
        })
    }

    /// One line along the valley between two `east`, `offset` metres north of the channel.
    pub(crate) fn along(self, from: f64, to: f64, offset: f64) -> Self {
        let wet: Vec<(f64, f64)> = steps(from, to, 20.0)
            .map(|e| (e, 0.6 * channel_north(e) + offset))
            .filter(|&(e, n)| self.deep_enough(e, n))
            .collect();
        self.follow(&wet)
    }

    /// Along both banks, `off` metres from where the water gets too shallow.
    pub(crate) fn shore(self, off: f64) -> Self {
        let bank = |north: bool| {
            let side = |e| self.banks(e, off).map(|(s, n)| (e, if north { n } else { s }));
            steps(-400.0, 400.0, 12.0).filter_map(side).collect::<Vec<_>>()
        };
        let (mut southern, northern) = (bank(false), bank(true));
        southern.reverse();
        let (first, rest) = southern.split_at(southern.len().min(1));
        let route = first.iter().fold(self, |r, &p| r.transit(p));
        route.follow(rest).follow(&northern)
    }

    /// Short lines from east to west over a rectangle, `spacing` metres apart.
    pub(crate) fn patch(self, middle: (f64, f64), half: (f64, f64), spacing: f64) -> Self {
        steps(middle.1 - half.1, middle.1 + half.1, spacing).fold(self, |route, north| {
            let wet: Vec<(f64, f64)> = steps(middle.0 - half.0, middle.0 + half.0, 5.0)
                .map(|e| (e, north))
                .filter(|&(e, n)| route.deep_enough(e, n))
                .collect();
            match (wet.first(), wet.last()) {
                (Some(&a), Some(&b)) => route.line(a, b),
                _ => route,
            }
        })
    }

    /// Home at planing speed.
    pub(crate) fn home_fast(self) -> Self {
        self.way(LANDING, PLANING_SPEED)
    }

    /// Home quietly.
    pub(crate) fn home(self) -> Self {
        self.way(LANDING, TRANSIT_SPEED)
    }

    /// From the nearer end of the line to the other.
    fn line(self, a: (f64, f64), b: (f64, f64)) -> Self {
        let here = self.here();
        let (near, far) = if distance(here, a) <= distance(here, b) { (a, b) } else { (b, a) };
        self.transit(near).to(far, SURVEY_SPEED)
    }

    fn follow(self, points: &[(f64, f64)]) -> Self {
        let (Some(&a), Some(&b)) = (points.first(), points.last()) else { return self };
        let backward = distance(self.here(), b) < distance(self.here(), a);
        let start = if backward { b } else { a };
        let route = self.transit(start);
        let go = |route: Self, p: &(f64, f64)| route.to(*p, SURVEY_SPEED);
        if backward { points.iter().rev().fold(route, go) } else { points.iter().fold(route, go) }
    }

    /// Straight when near, else by the deep water of the channel.
    fn transit(self, to: (f64, f64)) -> Self {
        if distance(self.here(), to) < 60.0 { self.to(to, SURVEY_SPEED) } else { self.way(to, TRANSIT_SPEED) }
    }

    fn way(self, to: (f64, f64), speed: f64) -> Self {
        let from = self.here();
        let pull_in = if to.0 > from.0 { 30.0 } else { -30.0 };
        let channel: Vec<f64> = if (to.0 - from.0).abs() > 60.0 {
            steps(from.0 + pull_in, to.0 - pull_in, 40.0).collect()
        } else {
            Vec::new()
        };
        let route = channel.into_iter().fold(self, |r, e| r.to((e, 0.8 * channel_north(e)), speed));
        route.to(to, speed)
    }

    fn to(mut self, (east, north): (f64, f64), speed: f64) -> Self {
        self.points.push(Waypoint { east, north, speed });
        self
    }

    fn here(&self) -> (f64, f64) {
        self.points.last().map_or(LANDING, |p| (p.east, p.north))
    }

    fn deep_enough(&self, east: f64, north: f64) -> bool {
        bed_at(east, north) + self.stage >= self.least
    }

    /// The southern and northern end of the water that is deep enough at `east`, pulled in by `off`.
    fn banks(&self, east: f64, off: f64) -> Option<(f64, f64)> {
        let middle = channel_north(east);
        if !self.deep_enough(east, middle) {
            return None;
        }
        let reach = |sign: f64| {
            let wet = (0..300).take_while(|i| self.deep_enough(east, middle + sign * f64::from(*i))).count();
            middle + sign * (wet as f64 - 1.0 - off).max(0.0)
        };
        Some((reach(-1.0), reach(1.0)))
    }
}

/// From `from` to `to` (either way) in steps of `step`, the end included.
fn steps(from: f64, to: f64, step: f64) -> impl Iterator<Item = f64> {
    let n = libm::ceil((to - from).abs() / step).max(1.0) as u32;
    (0..=n).map(move |i| from + (to - from) * f64::from(i) / f64::from(n))
}

fn distance(a: (f64, f64), b: (f64, f64)) -> f64 {
    libm::hypot(a.0 - b.0, a.1 - b.1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_stay_in_water_that_is_deep_enough() {
        let points = Route::new(0.35, 0.9).across([-200.0, 0.0, 200.0]).along(-400.0, 400.0, 60.0).points();
        let slow: Vec<_> = points.iter().filter(|p| p.speed == SURVEY_SPEED).collect();
        assert!(slow.len() > 20);
        assert!(slow.iter().all(|p| bed_at(p.east, p.north) + 0.35 >= 0.9));
    }

    #[test]
    fn neighbouring_lines_are_driven_to_and_fro() {
        let p = Route::new(0.0, 0.9).across([-22.0, 0.0]).points();
        let [.., a, b, c, d] = p.as_slice() else { panic!("four points at least") };
        assert!((b.north - a.north) * (d.north - c.north) < 0.0, "{p:?}");
        assert_eq!((a.east, b.east, c.east, d.east), (-22.0, -22.0, 0.0, 0.0));
    }
}
