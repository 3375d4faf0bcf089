//! Sums over the known spots with their band: one part of the error is shared by all, one only nearby.

use crate::water::{Spots, cell_side_m};
use crate::{Basis, Surface};
use std::collections::BTreeMap;

/// A known depth and its uncertainty in two parts, 95 %.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Depth {
    row: i64,
    column: i64,
    pub(super) depth_m: f64,
    pub(super) area_m2: f64,
    /// Shared by the whole map, metres.
    shared_m: f64,
    /// Shared within its block only, metres.
    near_m: f64,
    block: u32,
}

/// All known depths of a water.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Known {
    /// By row and column.
    pub(super) depths: Vec<Depth>,
    blocks: usize,
    pub(super) shared95_m: f64,
}

/// A sum and its 95 % band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Band {
    pub(super) best: f64,
    pub(super) low: f64,
    pub(super) high: f64,
}

impl Known {
    pub(super) fn of(surface: &Surface, spots: &Spots) -> Self {
        let estimates: Vec<_> =
            spots.list.iter().filter_map(|s| surface.depth_at(s.at).map(|e| (*s, e))).collect();
        let measured = |e: &crate::Estimate| e.basis == Basis::Cell;
        let mut own: Vec<f64> =
            estimates.iter().filter(|(_, e)| measured(e)).map(|(_, e)| e.tvu95_m).collect();
        if own.is_empty() {
            own = estimates.iter().map(|(_, e)| e.tvu95_m).collect();
        }
        own.sort_by(f64::total_cmp);
        let shared95_m = own.get(own.len() / 2).copied().unwrap_or(0.0);
        let side_m = spots.list.first().map_or(1.0, |s| cell_side_m(s.at) * spots.side as f64);
        let across = libm::ceil(surface.settings().max_gap_m / side_m).clamp(1.0, 1e6) as i64;
        let mut blocks: BTreeMap<(i64, i64), u32> = BTreeMap::new();
        let mut depths = Vec::with_capacity(estimates.len());
        for (s, e) in &estimates {
            let n = blocks.len() as u32;
            let key = (s.row.div_euclid(across), s.column.div_euclid(across));
            let shared_m = if measured(e) { e.tvu95_m } else { e.tvu95_m.min(shared95_m) };
            depths.push(Depth {
                row: s.row,
                column: s.column,
                depth_m: e.depth_m,
                area_m2: s.area_m2,
                shared_m,
                near_m: libm::sqrt((e.tvu95_m * e.tvu95_m - shared_m * shared_m).max(0.0)),
                block: *blocks.entry(key).or_insert(n),
            });
        }
        Self { depths, blocks: blocks.len(), shared95_m }
    }

    /// Best depth of a spot, if it is known.
    pub(super) fn depth_at(&self, row: i64, column: i64) -> Option<f64> {
        let i = self.depths.binary_search_by_key(&(row, column), |d| (d.row, d.column)).ok()?;
        self.depths.get(i).map(|d| d.depth_m)
    }

    /// Σ `part`(depth, area), which must not fall with depth: its value, and its band from both parts of the error.
    pub(super) fn band(&self, part: impl Fn(f64, f64) -> f64) -> Band {
        let sum = |shift: f64| -> f64 {
            self.depths.iter().map(|d| part(d.depth_m + shift * d.shared_m, d.area_m2)).sum()
        };
        let best = sum(0.0);
        let near = |shift: f64| {
            let mut by_block = vec![0.0; self.blocks];
            for d in &self.depths {
                if let Some(b) = by_block.get_mut(d.block as usize) {
                    *b += part(d.depth_m + shift * d.near_m, d.area_m2) - part(d.depth_m, d.area_m2);
                }
            }
            by_block.iter().map(|b: &f64| b * b).sum::<f64>()
        };
        let end = |shift: f64| {
            let shared = sum(shift) - best;
            libm::sqrt(shared * shared + near(shift))
        };
        Band { best, low: (best - end(-1.0)).max(0.0), high: best + end(1.0) }
    }
}
