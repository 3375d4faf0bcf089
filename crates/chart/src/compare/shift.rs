//! What all squares of a comparison have in common.

use super::Square;
use crate::spread::quantile;
use crate::water::cell_side_m;
use std::collections::BTreeMap;

/// Side of the blocks whose medians are taken as independent, metres (judgement: several track spacings).
const BLOCK_M: f64 = 25.0;
/// Fewer blocks say nothing of the rest of the water (judgement).
const FEWEST_BLOCKS: usize = 8;
/// Standard deviations of 95 % of a normal error.
const NORMAL_95: f64 = 1.96;
/// Standard deviations in a median absolute deviation of normal errors: 1 / Φ⁻¹(0.75).
const MAD_SIGMA: f64 = 1.4826;
/// Standard error of a median over that of a mean, large samples of normal errors: √(π/2).
const MEDIAN_OVER_MEAN: f64 = 1.2533;

/// The difference that most of the common ground shows: a stage or draft that one side has wrong, or a bed that
/// changed everywhere. The depths alone cannot tell which.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shift {
    /// Median of the change, later less earlier, metres.
    pub shift_m: f64,
    /// Its uncertainty from the scatter of the blocks, 95 %, metres.
    pub shift95_m: f64,
    /// What the stated uncertainties allow at a square, 95 %, metres (median).
    pub allowed95_m: f64,
    /// Blocks of ground that it was told from.
    pub blocks: usize,
}

impl Shift {
    /// Whether it is more than chance.
    pub fn is_real(&self) -> bool {
        self.shift_m.abs() > self.shift95_m
    }

    /// Whether it is more than the levels of both sides allow.
    pub fn is_beyond(&self) -> bool {
        self.shift_m.abs() > self.allowed95_m
    }
}

/// Medians of blocks, then the median of those: a part of the water that changed does not pull it along, as long as it
/// is less than half.
pub(super) fn common_shift(squares: &[Square]) -> Option<Shift> {
    let first = squares.first()?;
    // A square may be many cells wide; its neighbours tell its size.
    let side_m = libm::sqrt(first.area_m2).max(cell_side_m(first.at));
    let per_block = libm::ceil(BLOCK_M / side_m).max(1.0) as i64;
    let mut blocks: BTreeMap<(i64, i64), Vec<f64>> = BTreeMap::new();
    for q in squares {
        let key = (q.row.div_euclid(per_block), q.column.div_euclid(per_block));
        blocks.entry(key).or_default().push(q.change_m);
    }
    let mut medians: Vec<f64> = blocks.into_values().map(|mut b| quantile(&mut b, 0.5)).collect();
    if medians.len() < FEWEST_BLOCKS {
        return None;
    }
    let shift_m = quantile(&mut medians, 0.5);
    let mut off: Vec<f64> = medians.iter().map(|m| (m - shift_m).abs()).collect();
    let sigma = MAD_SIGMA * quantile(&mut off, 0.5);
    let mut bands: Vec<f64> = squares.iter().map(|q| q.change95_m).collect();
    Some(Shift {
        shift_m,
        shift95_m: NORMAL_95 * MEDIAN_OVER_MEAN * sigma / libm::sqrt(medians.len() as f64),
        allowed95_m: quantile(&mut bands, 0.5),
        blocks: medians.len(),
    })
}
