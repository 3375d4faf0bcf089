//! Fill that may be the ground missing elsewhere: a bar that moved.

use super::{Change, Patch};
use leadline_model::LocalFrame;

/// The smaller volume is at least this share of the larger (judgement: a moving bar loses some of its ground).
const LEAST_SHARE: f64 = 0.5;
/// Farther apart than this many times the root of their mean area, two patches are not one bar (judgement: a bar is
/// two or three times as long as wide and moves about its own length between two surveys).
const REACH: f64 = 3.0;

/// A scour and a fill patch that may be one bar before and after.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moved {
    /// Index of the scour patch: where it may have been.
    pub from: usize,
    /// Index of the fill patch: where it may be.
    pub to: usize,
    /// Between the centres of the patches, metres.
    pub distance_m: f64,
    /// From the one to the other, degrees clockwise from true north.
    pub toward_deg: f64,
}

/// Pairs whose halves have each other as the nearest partner of alike volume.
pub(super) fn moved(patches: &[Patch]) -> Vec<Moved> {
    let nearest = |i: usize| {
        let all = (0..patches.len()).filter_map(|j| Some((pair(patches, i, j)?, j)));
        all.min_by(|a, b| a.0.0.total_cmp(&b.0.0).then(a.1.cmp(&b.1)))
    };
    let scours = (0..patches.len()).filter(|i| patches[*i].kind == Change::Scour);
    scours
        .filter_map(|from| {
            let ((distance_m, toward_deg), to) = nearest(from)?;
            let back = nearest(to)?.1;
            (back == from).then_some(Moved { from, to, distance_m, toward_deg })
        })
        .collect()
}

/// Distance and bearing from patch `i` to patch `j` if they can be one bar.
fn pair(patches: &[Patch], i: usize, j: usize) -> Option<(f64, f64)> {
    let (a, b) = (patches.get(i)?, patches.get(j)?);
    let (x, y) = (a.volume_m3.best, b.volume_m3.best);
    let share = x.min(y) / x.max(y);
    if a.kind == b.kind || share < LEAST_SHARE {
        return None;
    }
    let (east, north) = LocalFrame::new(a.centre).metres(b.centre);
    let distance = libm::sqrt(east * east + north * north);
    let within = distance <= REACH * libm::sqrt((a.area_m2 + b.area_m2) / 2.0);
    let bearing = libm::atan2(east, north).to_degrees();
    within.then_some((distance, (bearing + 360.0) % 360.0))
}
