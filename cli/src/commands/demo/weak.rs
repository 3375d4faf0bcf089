//! Where a map is weak: blocks of cells with the most loose or disputed ones.

use leadline_model::{Cell, CellId, Grade, LonLat};
use std::collections::BTreeMap;

/// Cells along a side of a block: about 100 m at middle latitudes.
const BLOCK: u32 = 32;

/// A weak place.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Weak {
    /// Its middle.
    pub at: LonLat,
    /// Cells graded loose.
    pub loose: usize,
    /// Cells in dispute.
    pub disputed: usize,
}

/// The worst blocks, worst first.
pub(crate) fn weakest(cells: &[Cell], n: usize) -> Vec<Weak> {
    let mut blocks: BTreeMap<(u32, u32), (usize, usize)> = BTreeMap::new();
    for c in cells {
        let b = blocks.entry((c.id.x / BLOCK, c.id.y / BLOCK)).or_default();
        b.0 += usize::from(c.grade == Grade::Loose);
        b.1 += usize::from(c.disputed);
    }
    let mut weak: Vec<_> = blocks.into_iter().filter(|(_, (loose, disputed))| loose + disputed > 0).collect();
    weak.sort_by_key(|(at, (loose, disputed))| (std::cmp::Reverse(loose + disputed), *at));
    weak.into_iter()
        .take(n)
        .map(|((x, y), (loose, disputed))| {
            let middle = CellId { x: x * BLOCK + BLOCK / 2, y: y * BLOCK + BLOCK / 2 };
            Weak { at: middle.lonlat(), loose, disputed }
        })
        .collect()
}
