//! A tile straight from the surface.

use super::dot::{Dot, Sum};
use super::lattice::{Lattice, corner, measured};
use super::{TILE_NODES, step};
use crate::Surface;
use crate::nodes::Node;
use std::collections::BTreeSet;

/// Grid places along one side of a cell.
const CELL: i64 = 256;
/// Columns and rows of cells.
const CELLS: i64 = 1 << 23;

/// Nodes of one tile of a zoom whose step is no larger than a cell.
pub(crate) fn dots(surface: &Surface, fresh: &BTreeSet<u32>, zoom: u8, x: u32, y: u32) -> Vec<Dot> {
    let lattice = Lattice { surface, step: step(zoom) };
    let left = unwrapped(surface, i64::from(x) << (31 - zoom)) / lattice.step;
    let top = i64::from(y) * (TILE_NODES as i64 - 1);
    let mut sums = vec![Sum::default(); TILE_NODES * TILE_NODES];
    let at = |(x, y): (i64, i64)| -> Option<usize> {
        let (x, y) = (x - left, y - top);
        let side = 0..TILE_NODES as i64;
        (side.contains(&x) && side.contains(&y)).then(|| y as usize * TILE_NODES + x as usize)
    };
    let last = TILE_NODES as i64;
    let (low, high) = (lattice.metres(left - 1, top + last), lattice.metres(left + last, top - 1));
    let mut corners: Vec<u32> = Vec::new();
    for t in surface.locator().within(low, high) {
        lattice.walk(t, |place, part| {
            if let Some(i) = at(place).filter(|i| !sums[*i].is_known()) {
                sums[i].add(part());
            }
        });
        corners.extend(surface.mesh().tri[t as usize]);
    }
    corners.sort_unstable();
    corners.dedup();
    for v in corners {
        let mesh = surface.mesh();
        if let Some(i) = at(lattice.nearest(mesh.xy[v as usize])) {
            sums[i].pull(corner(surface.node(mesh.node[v as usize])));
        }
    }
    for n in cells(surface, &lattice, left, top) {
        let own = measured(n, fresh);
        // A cell has the nodes in its square, as asking for a depth there would answer.
        for (x, y) in square(surface, n, lattice.step, left, top) {
            if let Some(i) = at((x, y)) {
                sums[i].measure(own);
            }
        }
        if let Some(i) = at(lattice.nearest(n.xy)) {
            sums[i].pull(own);
            sums[i].mark(own.flags);
        }
    }
    sums.iter().map(Sum::dot).collect()
}

/// A column of grid places the short way round from the surface's middle.
pub(crate) fn unwrapped(surface: &Surface, x: i64) -> i64 {
    let origin = i64::from(surface.frame().origin().x());
    origin + (x - origin + (1 << 30)).rem_euclid(1 << 31) - (1 << 30)
}

/// Nodes of the lattice in a cell's square.
fn square(
    surface: &Surface,
    n: &Node,
    step: i64,
    left: i64,
    top: i64,
) -> impl Iterator<Item = (i64, i64)> + use<> {
    let (x, y) = (unwrapped(surface, i64::from(n.id.x) * CELL), i64::from(n.id.y) * CELL);
    let span = |from: i64, low: i64| {
        let first = from.div_euclid(step) + i64::from(from.rem_euclid(step) > 0);
        let end = (from + CELL).div_euclid(step) + i64::from((from + CELL).rem_euclid(step) > 0);
        first.max(low)..end.min(low + TILE_NODES as i64)
    };
    let (columns, rows) = (span(x, left), span(y, top));
    rows.flat_map(move |y| columns.clone().map(move |x| (x, y)))
}

/// The cells of a tile and those a step around it.
fn cells<'a>(surface: &'a Surface, lattice: &Lattice<'_>, left: i64, top: i64) -> Vec<&'a Node> {
    let range = |from: i64| {
        let end = (from + TILE_NODES as i64) * lattice.step;
        ((from - 1) * lattice.step).div_euclid(CELL) - 1..=end.div_euclid(CELL) + 1
    };
    let (columns, rows) = (range(left), range(top));
    in_columns(surface, columns, rows)
}

/// The cells of these columns and rows of the survey's grid.
pub(crate) fn in_columns(
    surface: &Surface,
    columns: std::ops::RangeInclusive<i64>,
    rows: std::ops::RangeInclusive<i64>,
) -> Vec<&Node> {
    let nodes = surface.nodes();
    let first = (*rows.start()).clamp(0, CELLS - 1) as u32;
    let last = (*rows.end()).clamp(0, CELLS - 1) as u32;
    let mut out = Vec::new();
    for x in columns {
        let x = x.rem_euclid(CELLS) as u32;
        let from = nodes.partition_point(|n| (n.id.x, n.id.y) < (x, first));
        out.extend(nodes[from..].iter().take_while(|n| n.id.x == x && n.id.y <= last));
    }
    out
}
