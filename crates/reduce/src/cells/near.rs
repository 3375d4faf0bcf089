//! Cells near others, marked tile by tile.

use super::cell_key;
use crate::slope::Rough;
use leadline_model::{CELLS_PER_TILE_SIDE, CellId};
use std::collections::BTreeMap;

const SIDE: u32 = CELLS_PER_TILE_SIDE;
/// Last cell of an axis: 2^23 cells.
const LAST: u32 = (1 << 23) - 1;

/// Marks on cells, by tile in the order of the quadkeys.
#[derive(Default)]
pub(super) struct Near(BTreeMap<u64, Vec<u8>>);

impl Near {
    /// Gives `mark` (bits) to all cells at most `radius` rows and columns from `id`.
    pub(super) fn mark(&mut self, id: CellId, radius: u32, mark: u8) {
        let (west, east) = (id.x.saturating_sub(radius), (id.x + radius).min(LAST));
        for y in id.y.saturating_sub(radius)..=(id.y + radius).min(LAST) {
            let mut x = west;
            while x <= east {
                let end = (x | (SIDE - 1)).min(east);
                let key = cell_key(CellId { x, y });
                let tile = self.0.entry(key >> 16).or_insert_with(|| vec![0; (SIDE * SIDE) as usize]);
                let from = (key & 0xffff) as usize;
                for m in tile.get_mut(from..=from + (end - x) as usize).unwrap_or_default() {
                    *m |= mark;
                }
                x = end + 1;
            }
        }
    }

    /// The marked ones of `rough`, which are in the order of the cells: index and marks.
    pub(super) fn of(&self, rough: &[Rough]) -> Vec<(usize, u8)> {
        let mut found = Vec::new();
        for (tile, marks) in &self.0 {
            let from = rough.partition_point(|r| cell_key(r.id) >> 16 < *tile);
            for (i, r) in rough.iter().enumerate().skip(from) {
                let key = cell_key(r.id);
                if key >> 16 != *tile {
                    break;
                }
                let mark = marks.get((key & 0xffff) as usize).copied().unwrap_or(0);
                if mark != 0 {
                    found.push((i, mark));
                }
            }
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_reach_over_the_corner_of_four_tiles() {
        let mut near = Near::default();
        near.mark(CellId { x: 512, y: 767 }, 4, 1);
        near.mark(CellId { x: 0, y: LAST }, 4, 2);
        let mut cells: Vec<CellId> =
            (500..530).flat_map(|x| (755..780).map(move |y| CellId { x, y })).collect();
        cells.sort_by_key(|c| cell_key(*c));
        let rough: Vec<Rough> = cells
            .iter()
            .map(|id| Rough { id: *id, number: 0, east: 0.0, south: 0.0, depth: 0.0, anchored: true })
            .collect();
        let marked: Vec<CellId> = near.of(&rough).into_iter().map(|(i, _)| cells[i]).collect();
        assert_eq!(marked.len(), 81);
        assert!(marked.iter().all(|c| c.x.abs_diff(512) <= 4 && c.y.abs_diff(767) <= 4));
        assert_eq!(near.0.len(), 5);
    }
}
