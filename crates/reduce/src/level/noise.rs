//! How noisy the depths proved: residuals at crossings against what the budget stated.

use super::LEAST_PERCENT;
use super::model::Model;
use super::solve::{Equation, Solved};
use super::tie::Tie;
use crate::robust::median;

/// With fewer ties nothing is said.
const LEAST_TIES: usize = 20;
/// Most the budget is widened, per cent: what is worse is an outlier, not noise.
const MOST_PERCENT: f64 = 200.0;

/// Per cent of the stated noise, for each boat.
pub(crate) struct Noise {
    depth: Vec<u16>,
    place: Vec<u16>,
}

impl Noise {
    pub(crate) fn of(
        model: &Model,
        ties: &[(Tie, [usize; 2])],
        equations: &[Equation],
        solved: &Solved,
    ) -> Self {
        let normalised: Vec<f64> = equations.iter().map(|e| solved.residual(e) / e.variance.sqrt()).collect();
        // Where noise dominates, and where positions do.
        let flat = |t: &Tie| t.noise > 2.0 * t.place;
        let steep = |t: &Tie| t.place > 2.0 * t.noise;
        let of = |which: &dyn Fn(&Tie) -> bool, boat: Option<usize>| {
            let mine = |boats: &[usize; 2]| boat.is_none_or(|b| boats[0] == b && boats[1] == b);
            let chosen = ties.iter().zip(&normalised).filter(|((t, boats), _)| which(t) && mine(boats));
            percent(chosen.map(|(_, r)| r.abs()).collect())
        };
        let each = |which: &dyn Fn(&Tie) -> bool| {
            let all = of(which, None);
            (0..model.boats.len()).map(|b| of(which, Some(b)).or(all).unwrap_or(100)).collect()
        };
        Self { depth: each(&flat), place: each(&steep) }
    }

    /// Depth and place of a boat.
    pub(crate) fn percent(&self, boat: usize) -> (u16, u16) {
        let of = |v: &[u16]| v.get(boat).copied().unwrap_or(100);
        (of(&self.depth), of(&self.place))
    }
}

/// Median size over that of a normal error, with two of its own standard errors on top.
fn percent(mut sizes: Vec<f64>) -> Option<u16> {
    let n = sizes.len();
    if n < LEAST_TIES {
        return None;
    }
    let ratio = median(&mut sizes)? / 0.6745;
    // The median absolute deviation of n normal errors scatters by 1.17 / √n of itself (from memory).
    let safe = ratio * (1.0 + 2.0 * 1.17 / (n as f64).sqrt()) * 100.0;
    Some(libm::ceil(safe.clamp(LEAST_PERCENT, MOST_PERCENT)) as u16)
}
