//! Soundings to write on a tile: of every square the shoalest cell, thinned where a shoaler one is near.
//!
//! The choice of a square does not depend on the tile that asks, so tiles beside each other agree.

use super::window::{in_columns, unwrapped};
use super::{FINEST_TILE_ZOOM, SURFACE_ZOOM};
use crate::Surface;
use crate::nodes::Node;
use leadline_model::{Grade, GridPos};
use std::collections::{BTreeMap, BTreeSet};

/// Most soundings of a tile.
pub(crate) const MOST: usize = 60;
/// Squares along a side of a tile: 32 pixels each, a figure's breadth with clear space (judgement).
const SQUARES: i64 = 8;
/// A sounding with a shoaler one nearer than this, in squares, is left out.
pub(crate) const CLEAR: f64 = 0.75;

/// A sounding to write.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pick {
    /// Where.
    pub at: GridPos,
    /// Safe depth of its cell below the sounding datum, metres.
    pub depth_m: f64,
    /// Grade of the cell.
    pub grade: Grade,
    /// Soundings of the cell.
    pub soundings: u32,
}

/// Row and column of a square.
type At = (i64, i64);

/// The shoalest cell of each square, for coarse zooms.
#[derive(Clone, Debug, Default)]
pub(crate) struct Squares {
    /// By zoom, 0 to [`SURFACE_ZOOM`] − 1: number of the cell.
    levels: Vec<BTreeMap<At, u32>>,
    /// Tiles of the finest of these zooms with a triangle but no cell are known too.
    tiles: BTreeSet<(u32, u32)>,
}

impl Squares {
    pub(crate) fn of(surface: &Surface) -> Self {
        let nodes = surface.nodes();
        let shoaler =
            |a: u32, b: u32| if order(&nodes[a as usize]) < order(&nodes[b as usize]) { a } else { b };
        let mut finest: BTreeMap<At, u32> = BTreeMap::new();
        for (i, n) in nodes.iter().enumerate() {
            let kept = finest.entry(square_of(n, SURFACE_ZOOM - 1)).or_insert(i as u32);
            *kept = shoaler(*kept, i as u32);
        }
        let mut levels = vec![finest];
        for _ in 0..SURFACE_ZOOM - 1 {
            let mut next: BTreeMap<At, u32> = BTreeMap::new();
            for ((y, x), i) in levels.last().into_iter().flatten() {
                let kept = next.entry((y >> 1, x >> 1)).or_insert(*i);
                *kept = shoaler(*kept, *i);
            }
            levels.push(next);
        }
        levels.reverse();
        Self { levels, tiles: touched(surface) }
    }

    /// Tiles (x, y) of a zoom in which something may be known.
    pub(crate) fn tiles(&self, zoom: u8) -> Vec<(u32, u32)> {
        let finest = SURFACE_ZOOM - 1;
        let mut out = BTreeSet::new();
        for (x, y) in &self.tiles {
            if zoom <= finest {
                out.insert((y >> (finest - zoom), x >> (finest - zoom)));
            } else {
                let by = zoom.min(FINEST_TILE_ZOOM) - finest;
                let all = |v: u32| v << by..(v + 1) << by;
                out.extend(all(*y).flat_map(|y| all(*x).map(move |x| (y, x))));
            }
        }
        out.into_iter().map(|(y, x)| (x, y)).collect()
    }

    pub(crate) fn picks(&self, surface: &Surface, zoom: u8, x: u32, y: u32) -> Vec<Pick> {
        let (left, top) = (i64::from(x) * SQUARES, i64::from(y) * SQUARES);
        let around = self.around(surface, zoom, left, top);
        let own = |at: &At| (top..top + SQUARES).contains(&at.0) && (left..left + SQUARES).contains(&at.1);
        let mut kept: Vec<&Node> = around
            .iter()
            .filter(|(at, n)| own(at) && !crowded(&around, **at, n, zoom))
            .map(|(_, n)| *n)
            .collect();
        kept.sort_by_key(|n| order(n));
        kept.truncate(MOST);
        let pick = |n: &Node| Pick { at: n.at, depth_m: n.safe_m, grade: n.grade, soundings: n.soundings };
        kept.into_iter().map(pick).collect()
    }

    /// The choices of a tile's squares and those round it, by row and column.
    fn around<'a>(&self, surface: &'a Surface, zoom: u8, left: i64, top: i64) -> BTreeMap<At, &'a Node> {
        let rows = top - 1..top + SQUARES + 1;
        if let Some(level) = self.levels.get(zoom as usize) {
            let row = |y: i64| level.range((y, left - 1)..(y, left + SQUARES + 1));
            let node = |(at, i): (&At, &u32)| (*at, &surface.nodes()[*i as usize]);
            return rows.flat_map(row).map(node).collect();
        }
        let places = places(zoom);
        let cells = |from: i64, shift: i64| {
            ((from - 1) * places + shift) >> 8..=((from + SQUARES + 1) * places + shift) >> 8
        };
        let shift = unwrapped(surface, left * places) - left * places;
        let mut out: BTreeMap<At, &'a Node> = BTreeMap::new();
        for n in in_columns(surface, cells(left, shift), cells(top, 0)) {
            let at = square_of(n, zoom);
            if rows.contains(&at.0) && (left - 1..left + SQUARES + 1).contains(&at.1) {
                let kept = out.entry(at).or_insert(n);
                if order(n) < order(kept) {
                    *kept = n;
                }
            }
        }
        out
    }
}

/// Whether a shoaler choice of a square beside it is too near.
fn crowded(around: &BTreeMap<At, &Node>, (y, x): At, n: &Node, zoom: u8) -> bool {
    let far = CLEAR * places(zoom) as f64;
    let near = |o: &Node| {
        let (dx, dy) = (f64::from(n.at.x()) - f64::from(o.at.x()), f64::from(n.at.y()) - f64::from(o.at.y()));
        dx * dx + dy * dy < far * far
    };
    let beside = (y - 1..=y + 1).flat_map(|y| around.range((y, x - 1)..=(y, x + 1)));
    beside.into_iter().any(|(_, o)| order(o) < order(n) && near(o))
}

/// Grid places along a side of a square.
fn places(zoom: u8) -> i64 {
    (1 << 31 >> zoom.min(FINEST_TILE_ZOOM)) / SQUARES
}

fn square_of(n: &Node, zoom: u8) -> At {
    (i64::from(n.at.y()) / places(zoom), i64::from(n.at.x()) / places(zoom))
}

/// Shoalest first; the place makes it one order.
fn order(n: &Node) -> (i64, u32, u32) {
    (libm::round(n.safe_m * 1000.0) as i64, n.id.x, n.id.y)
}

/// Tiles (x, y) one above [`SURFACE_ZOOM`] that hold a cell or a piece of a triangle's box.
fn touched(surface: &Surface) -> BTreeSet<(u32, u32)> {
    let zoom = SURFACE_ZOOM - 1;
    let shift = 31 - u32::from(zoom);
    let mut out: BTreeSet<(u32, u32)> =
        surface.nodes().iter().map(|n| (n.at.x() >> shift, n.at.y() >> shift)).collect();
    let mesh = surface.mesh();
    let tile = |v: u32| {
        let [e, n] = mesh.xy[v as usize];
        let p = surface.frame().place(e, n);
        (p.x() >> shift, p.y() >> shift)
    };
    for t in &mesh.tri {
        let [a, b, c] = t.map(tile);
        if a == b && b == c {
            out.insert(a);
            continue;
        }
        // Triangles are smaller than a tile; across the antimeridian each corner's tile is enough.
        let (xs, ys) = ([a.0, b.0, c.0], [a.1, b.1, c.1]);
        let least = |v: [u32; 3]| v[0].min(v[1]).min(v[2]);
        let most = |v: [u32; 3]| v[0].max(v[1]).max(v[2]);
        if most(xs) - least(xs) > 2 {
            out.extend([a, b, c]);
            continue;
        }
        out.extend((least(ys)..=most(ys)).flat_map(|y| (least(xs)..=most(xs)).map(move |x| (x, y))));
    }
    out
}
