//! Tracks as levelling sees them: accepted soundings in a row, thinned where the boat lay still.

use crate::Settings;
use crate::prepare::Prepared;
use crate::slope::{Scale, Scales};
use crate::work::Work;

/// Least way between two points, metres: a boat at anchor is one point.
const LEAST_WAY: f64 = 0.5;
/// A boat that stays within this of where it was, metres, …
const BERTH_M: f64 = 15.0;
/// … is heard for so long, ms: at anchor the receiver wanders over the same few metres all night.
const BERTH_MS: i64 = 60_000;
/// Points on each side within this way give depth and slope at a place, metres: farther, the bed bends.
const WINDOW_DEPTH: f64 = 5.0;
const WINDOW_SLOPE: f64 = 10.0;

/// One accepted sounding.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Spot {
    /// Grid units east and south.
    pub(crate) x: f64,
    pub(crate) y: f64,
    /// ms.
    pub(crate) time: i64,
    pub(crate) depth: f64,
    pub(crate) range: f64,
    /// Variances, m².
    pub(crate) random: f64,
    pub(crate) visit: f64,
    pub(crate) axis: f64,
    /// Everything that is shared beyond this place.
    pub(crate) shared: f64,
    /// Way from the first point, metres.
    pub(crate) along: f64,
    pub(crate) cell_row: u32,
}

/// Unbroken spots of one pass.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Track {
    pub(crate) pass: u32,
    pub(crate) spots: Vec<Spot>,
}

/// What a track says at a place between two of its spots.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Local {
    pub(crate) time: i64,
    pub(crate) depth: f64,
    pub(crate) range: f64,
    /// Variance of the depth but for position, m².
    pub(crate) noise: f64,
    /// Variance of the position in one axis, m².
    pub(crate) axis: f64,
    pub(crate) shared: f64,
    /// Metres deeper for each metre along the track.
    pub(crate) slope: f64,
    /// m/s.
    pub(crate) speed: f64,
    /// Unit vector of the track, east and north.
    pub(crate) east: f64,
    pub(crate) north: f64,
}

impl Local {
    /// Moves the bed, and with it the range: what lies between them is stage and draft.
    pub(crate) fn deepen(&mut self, metres: f64) {
        self.depth += metres;
        self.range += metres;
    }
}

/// All tracks, in the order of passes and times.
pub(crate) fn tracks(prepared: &Prepared, settings: &Settings) -> Vec<Track> {
    let mut tracks: Vec<Track> = Vec::new();
    let mut scales = Scales::default();
    let mut berth: Option<(u32, Spot)> = None;
    for w in prepared.work.iter().filter(|w| w.void.is_none()) {
        let scale = scales.of(w.at.cell());
        let spot = Spot::of(w);
        match &berth {
            Some((pass, first)) if *pass == w.pass && first.way(&spot, &scale) < BERTH_M => {
                if spot.time.saturating_sub(first.time) > BERTH_MS {
                    continue;
                }
            }
            _ => berth = Some((w.pass, spot)),
        }
        let open = tracks.last_mut().filter(|t| t.pass == w.pass);
        let step = open.and_then(|t| t.spots.last().map(|l| (l.way(&spot, &scale), *l)));
        match step {
            Some((way, _)) if way < LEAST_WAY => {}
            Some((way, last))
                if way <= settings.neighbour_m
                    && spot.time.saturating_sub(last.time) <= settings.neighbour_ms =>
            {
                let spot = Spot { along: last.along + way, ..spot };
                tracks.last_mut().expect("there is one").spots.push(spot);
            }
            _ => tracks.push(Track { pass: w.pass, spots: vec![spot] }),
        }
    }
    tracks.retain(|t| t.spots.len() >= 3);
    tracks
}

impl Spot {
    fn of(w: &Work) -> Self {
        Self {
            x: f64::from(w.at.x()),
            y: f64::from(w.at.y()),
            time: w.time.0,
            depth: w.depth,
            range: f64::from(w.range),
            random: f64::from(w.random),
            visit: f64::from(w.visit),
            axis: f64::from(w.axis),
            shared: f64::from(w.boat) + f64::from(w.tie) + f64::from(w.day),
            along: 0.0,
            cell_row: w.at.cell().y,
        }
    }

    fn way(&self, to: &Self, scale: &Scale) -> f64 {
        let (e, s) = scale.metres(to.x - self.x, to.y - self.y);
        (e * e + s * s).sqrt()
    }
}

impl Track {
    /// Depth, slope and speed at `share` of the way from spot `i` to the next.
    pub(crate) fn local(&self, i: usize, share: f64, scale: &Scale) -> Option<Local> {
        let (a, b) = (self.spots.get(i)?, self.spots.get(i + 1)?);
        let along = a.along + (b.along - a.along) * share;
        let near = |window: f64| {
            let from = self.spots.get(..=i)?.partition_point(|s| s.along < along - window).min(i);
            let to =
                (i + 2).max(i + 1 + self.spots.get(i + 1..)?.partition_point(|s| s.along <= along + window));
            self.spots.get(from..to)
        };
        let (depth, _) = line(near(WINDOW_DEPTH)?, along)?;
        let wide = near(WINDOW_SLOPE)?;
        let (_, slope) = line(wide, along)?;
        let (first, last) = (wide.first()?, wide.last()?);
        let (e, s) = scale.metres(last.x - first.x, last.y - first.y);
        let chord = (e * e + s * s).sqrt().max(1e-6);
        let seconds = last.time.saturating_sub(first.time).max(1) as f64 / 1000.0;
        let n = near(WINDOW_DEPTH)?.len() as f64;
        let mix = |f: fn(&Spot) -> f64| f(a) + (f(b) - f(a)) * share;
        Some(Local {
            time: a.time + (b.time.saturating_sub(a.time) as f64 * share) as i64,
            depth,
            // The same depth in it: between them lie only stage and draft.
            range: depth + mix(|s| s.range - s.depth),
            noise: mix(|s| s.random) / n + mix(|s| s.visit),
            axis: mix(|s| s.axis),
            shared: mix(|s| s.shared),
            slope,
            speed: (last.along - first.along) / seconds,
            east: e / chord,
            north: -s / chord,
        })
    }
}

/// Depth at `along` and slope of the straight line through `spots`.
fn line(spots: &[Spot], along: f64) -> Option<(f64, f64)> {
    let n = spots.len() as f64;
    if spots.len() < 2 {
        return None;
    }
    let x0 = spots.iter().map(|s| s.along - along).sum::<f64>() / n;
    let z0 = spots.iter().map(|s| s.depth).sum::<f64>() / n;
    let (mut xx, mut xz) = (0.0, 0.0);
    for s in spots {
        let x = s.along - along - x0;
        xx += x * x;
        xz += x * (s.depth - z0);
    }
    let slope = if xx > 0.0 { xz / xx } else { 0.0 };
    Some((z0 - slope * x0, slope))
}
