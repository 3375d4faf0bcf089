//! What one pass alone would call a spike, and a second pass saw at the same place: a stump, a boulder, a wreck. It
//! counts, because leaving it out is the more dangerous error.

use crate::work::Work;
use leadline_model::VoidReason;

/// Two passes agree on it within this, metres (judgement).
const AGREE_M: f64 = 0.5;

/// Decides on the shoal spikes of one cell: those that two passes saw count. Deciding again changes nothing.
pub(super) fn decide(cell: &mut [Work]) {
    if cell.iter().all(|w| w.spike.is_none()) {
        return;
    }
    let spikes: Vec<(u32, f64)> =
        cell.iter().filter(|w| w.spike.is_some()).map(|w| (w.pass, w.depth)).collect();
    for w in cell.iter_mut().filter(|w| w.spike.is_some()) {
        let seen = spikes.iter().any(|(pass, depth)| *pass != w.pass && (depth - w.depth).abs() <= AGREE_M);
        w.void = match (seen, w.cut) {
            (true, true) => Some(VoidReason::LeftOut),
            (true, false) => None,
            _ => w.spike,
        };
    }
}
