//! What one pass alone would call a spike, and a second pass saw at the same place: a stump, a boulder, a wreck. It
//! counts, because leaving it out is the more dangerous error.

use crate::Settings;
use crate::work::Work;
use leadline_model::{CellId, VoidReason};

/// Takes shoal spikes back in where two passes saw them in one cell. Cells are judged one by one.
pub(crate) fn restore(work: &mut [Work], settings: &Settings) {
    let mut spikes: Vec<(CellId, u32, usize)> = work
        .iter()
        .enumerate()
        .filter(|(_, w)| w.shoal_spike && is_spike(w))
        .map(|(i, w)| (w.at.cell(), w.pass, i))
        .collect();
    spikes.sort_unstable_by_key(|(cell, pass, i)| (cell.x, cell.y, *pass, *i));
    let mut back = Vec::new();
    for cell in spikes.chunk_by(|a, b| a.0 == b.0) {
        let depth = |i: usize| work.get(i).map_or(f64::NAN, |w| w.depth);
        back.extend(cell.iter().filter(|(_, pass, i)| {
            let agrees = |other: &usize| (depth(*other) - depth(*i)).abs() <= settings.stump_m;
            cell.iter().any(|(_, p, other)| p != pass && agrees(other))
        }));
    }
    for (_, _, i) in back {
        if let Some(w) = work.get_mut(i) {
            w.void = None;
        }
    }
}

fn is_spike(w: &Work) -> bool {
    matches!(w.void, Some(VoidReason::Spike | VoidReason::Clutter))
}
