//! How much relief is more than the soundings' own errors.

use super::curve::horn;
use super::lattice::Lattice;
use crate::Surface;
use crate::mesh::distance;
use crate::near::Near;
use crate::nodes::Node;
use crate::spread::quantile;

/// Soundings this much later are another visit, milliseconds.
pub(crate) const VISIT_MS: i64 = 60_000;
/// Cells of two visits this near show what visits differ by, metres.
const NEAR_M: f64 = 8.0;
/// Cells looked at, at most; fewer pairs than [`ENOUGH`] teach nothing.
const TRIES: usize = 20_000;
const ENOUGH: usize = 100;
/// Limits of the share (judgement: a few visits that happen to agree prove little, a few that disagree are disputed).
const SHARES: (f64, f64) = (0.3, 2.0);
/// Cells and places looked at for the distance between tracks.
const PLACES: usize = 4_000;
/// One chance in twenty that anything at all of a bed without structure passes.
const FALSE_ALARM: f64 = 0.05;

/// 95 % of the normal distribution lies within this many standard deviations.
const Z95: f64 = 1.96;

/// What this survey's own soundings say about its relief.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Doubt {
    /// Usual distance between neighbouring tracks, metres.
    pub gap_m: f64,
    /// What two visits of one place differ by, over what their bands allow if nothing in them were shared: the part
    /// of the bands that is not common to all depths. 1 where too few places were visited twice.
    pub share: f64,
    /// Pairs of neighbouring cells of different visits that the share is learned from.
    pub pairs: usize,
    /// Usual 95 % band of a cell, metres.
    pub usual_m: f64,
}

impl Doubt {
    pub(crate) fn learn(surface: &Surface, fine: &Lattice, gap_m: f64) -> Self {
        let nodes = surface.nodes();
        let mut bands: Vec<f64> = nodes.iter().map(|n| n.tvu95_m).collect();
        let usual_m = if bands.is_empty() { 0.0 } else { quantile(&mut bands, 0.5) };
        let mut ratios = differences(nodes, fine);
        let pairs = ratios.len();
        let share = if pairs < ENOUGH { 1.0 } else { quantile(&mut ratios, 0.95).clamp(SHARES.0, SHARES.1) };
        Self { gap_m, share, pairs, usual_m }
    }

    /// Uncertainty of a node against its surroundings, 95 %, metres, in two parts: the share of the soundings' band that
    /// is not common to all of them, and what the way between the tracks adds.
    pub(crate) fn parts95(&self, tvu95_m: f64) -> (f64, f64) {
        let sounded = tvu95_m.min(self.usual_m);
        (self.share * sounded, libm::sqrt((tvu95_m * tvu95_m - sounded * sounded).max(0.0)))
    }
}

/// |difference| less the bed's fall, over the root of the squared bands, of neighbouring cells of different visits.
fn differences(nodes: &[Node], fine: &Lattice) -> Vec<f64> {
    let xy: Vec<[f64; 2]> = nodes.iter().map(|n| n.xy).collect();
    let near = Near::new(&xy, NEAR_M);
    let mut out = Vec::new();
    for (i, n) in nodes.iter().enumerate().step_by(nodes.len().div_ceil(TRIES).max(1)) {
        let Some(g) = fine.at(n.xy).and_then(|k| horn(fine, k)) else { continue };
        near.within(n.xy, NEAR_M, |j| {
            let m = &nodes[j as usize];
            let apart = (m.newest.0 - n.newest.0).abs() > VISIT_MS;
            let band = n.tvu95_m * n.tvu95_m + m.tvu95_m * m.tvu95_m;
            if j as usize > i && apart && band > 0.0 && distance(n.xy, m.xy) <= NEAR_M {
                let fall = g[0] * (m.xy[0] - n.xy[0]) + g[1] * (m.xy[1] - n.xy[1]);
                out.push((m.best_m - n.best_m - fall).abs() / libm::sqrt(band));
            }
        });
    }
    out
}

/// Usual distance of neighbouring tracks: a place anywhere between parallel lines is on average a quarter of their
/// spacing away from the nearest.
pub(crate) fn usual_gap(surface: &Surface) -> f64 {
    let nodes = surface.nodes();
    let xy: Vec<[f64; 2]> = nodes.iter().map(|n| n.xy).collect();
    let most = surface.settings().max_gap_m;
    let near = Near::new(&xy, (most / 4.0).max(4.0));
    let (mut n, mut sum) = (0.0, 0.0);
    // Places all over the known water: beside every so manieth cell, spread by the golden section.
    for (k, p) in xy.iter().enumerate().step_by(nodes.len().div_ceil(PLACES).max(1)) {
        let part = |m: f64| (k as f64 * m).rem_euclid(1.0) - 0.5;
        let q = [p[0] + most * part(0.754_877_666), p[1] + most * part(0.569_840_291)];
        if !surface.covers(q) {
            continue;
        }
        let mut least = f64::INFINITY;
        near.within(q, most, |j| least = least.min(distance(q, xy[j as usize])));
        if least.is_finite() {
            (n, sum) = (n + 1.0, sum + least);
        }
    }
    if n > 0.0 { (4.0 * sum / n).clamp(1.0, most) } else { most }
}

/// By how many times its 95 % band the highest of `looks` nodes must stand out, so that a bed without any relief shows
/// something in at most one survey of twenty (Bonferroni's bound, normal errors).
pub(crate) fn stand_out(looks: usize) -> f64 {
    let tail = FALSE_ALARM / looks.max(1) as f64;
    let (mut low, mut high) = (0.0, 40.0);
    for _ in 0..60 {
        let z = (low + high) / 2.0;
        if 0.5 * libm::erfc(z / std::f64::consts::SQRT_2) > tail { low = z } else { high = z }
    }
    (low / Z95).max(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_looks_ask_for_more() {
        // Normal quantiles of 1 − 0.05/n (common practice, any table): 1.645, 2.576 (n = 10: 0.995), 4.265 (n = 5000).
        for (looks, z) in [(10, 2.5758), (50, 3.0902), (5000, 4.2649)] {
            assert!((stand_out(looks) * Z95 - z).abs() < 1e-3, "{looks}: {}", stand_out(looks) * Z95);
        }
        assert_eq!(stand_out(1), 1.0, "never less than the band itself");
    }
}
