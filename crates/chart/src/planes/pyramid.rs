//! Coarse zooms, made once: each level gathers the nodes of the finer one.

use super::dot::{Dot, Part, Sum};
use super::lattice::{Lattice, corner, measured};
use super::{SURFACE_ZOOM, TILE_NODES, step};
use crate::Surface;
use std::collections::{BTreeMap, BTreeSet};

/// Nodes along a side of a block: small, so that a lone track fills few nodes with nothing.
const SIDE: i64 = 32;
/// Nodes of a block.
const NODES: usize = (SIDE * SIDE) as usize;

/// Row and column of a block.
type At = (i64, i64);

/// The nodes of one zoom, in blocks; a block without a known node is not there.
#[derive(Clone, Debug, Default)]
struct Level {
    blocks: BTreeMap<At, Vec<Dot>>,
}

/// Levels by zoom, 0 to [`SURFACE_ZOOM`] − 1.
#[derive(Clone, Debug, Default)]
pub(crate) struct Pyramid {
    levels: Vec<Level>,
}

impl Pyramid {
    pub(crate) fn of(surface: &Surface, fresh: &BTreeSet<u32>) -> Self {
        let mut levels = vec![base(surface, fresh)];
        for zoom in (0..SURFACE_ZOOM - 1).rev() {
            let next = levels.last().map(|finer| coarser(finer, zoom)).unwrap_or_default();
            levels.push(next);
        }
        levels.reverse();
        Self { levels }
    }

    /// Nodes of one tile.
    pub(crate) fn dots(&self, zoom: u8, x: u32, y: u32) -> Vec<Dot> {
        let mut out = vec![Dot::NONE; TILE_NODES * TILE_NODES];
        let Some(level) = self.levels.get(zoom as usize) else { return out };
        let side = TILE_NODES as i64 - 1;
        let (left, top) = (i64::from(x) * side, i64::from(y) * side);
        for by in top / SIDE..=(top + side) / SIDE {
            for column in left / SIDE..=(left + side) / SIDE {
                let bx = column.rem_euclid(columns(zoom) / SIDE);
                if let Some(block) = level.blocks.get(&(by, bx)) {
                    copy(block, (by * SIDE - top, column * SIDE - left), &mut out);
                }
            }
        }
        out
    }
}

/// Copies what of a block at `(row, column)` of the tile lies in the tile.
fn copy(block: &[Dot], (row, column): (i64, i64), out: &mut [Dot]) {
    let last = TILE_NODES as i64;
    for y in 0.max(-row)..SIDE.min(last - row) {
        for x in 0.max(-column)..SIDE.min(last - column) {
            out[((row + y) * last + column + x) as usize] = block[(y * SIDE + x) as usize];
        }
    }
}

/// Nodes round the world.
fn columns(zoom: u8) -> i64 {
    (TILE_NODES as i64 - 1) << zoom
}

/// What is gathered, in blocks.
struct Sums {
    blocks: BTreeMap<At, Vec<Sum>>,
    columns: i64,
}

impl Sums {
    fn new(zoom: u8) -> Self {
        Self { blocks: BTreeMap::new(), columns: columns(zoom) }
    }

    fn at(&mut self, (x, y): (i64, i64)) -> &mut Sum {
        let x = x.rem_euclid(self.columns);
        let block = self.blocks.entry((y.div_euclid(SIDE), x / SIDE));
        let place = (y.rem_euclid(SIDE) * SIDE + x % SIDE) as usize;
        &mut block.or_insert_with(|| vec![Sum::default(); NODES])[place]
    }

    fn level(self) -> Level {
        let dots = |sums: Vec<Sum>| sums.iter().map(Sum::dot).collect();
        Level { blocks: self.blocks.into_iter().map(|(at, sums)| (at, dots(sums))).collect() }
    }
}

/// The finest level: triangles between, the corners of the mesh and the cells at the nodes nearest to them.
fn base(surface: &Surface, fresh: &BTreeSet<u32>) -> Level {
    let zoom = SURFACE_ZOOM - 1;
    let lattice = Lattice { surface, step: step(zoom) };
    let mut sums = Sums::new(zoom);
    let mesh = surface.mesh();
    for t in 0..mesh.tri.len() as u32 {
        lattice.walk(t, |place, part| {
            let sum = sums.at(place);
            if !sum.is_known() {
                sum.add(part());
            }
        });
    }
    for (n, xy) in mesh.node.iter().zip(&mesh.xy) {
        sums.at(lattice.nearest(*xy)).pull(corner(surface.node(*n)));
    }
    for n in surface.nodes() {
        sums.at(lattice.nearest(n.xy)).add(measured(n, fresh));
    }
    sums.level()
}

/// Each node gathers itself and its neighbours of the finer level, so that whatever lies nearest to it is in it.
fn coarser(finer: &Level, zoom: u8) -> Level {
    let mut sums = Sums::new(zoom);
    for ((by, bx), block) in &finer.blocks {
        for (i, dot) in block.iter().enumerate().filter(|(_, d)| d.is_known()) {
            let i = i as i64;
            let (x, y) = (bx * SIDE + i % SIDE, by * SIDE + i / SIDE);
            for to in halves(y).flat_map(|y| halves(x).map(move |x| (x, y))) {
                sums.at(to).add(Part::from(*dot));
            }
        }
    }
    sums.level()
}

/// The one or two nodes of twice the step that a node is next to.
fn halves(i: i64) -> impl Iterator<Item = i64> + Clone {
    i.div_euclid(2)..=(i + 1).div_euclid(2)
}
