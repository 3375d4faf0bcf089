//! Contours of a held surface: what is cut and joined inside a block stays until the block is drawn again.

use super::Patch;
use crate::blocks::Block;
use crate::contour::{Chain, Contour, ContourLine, Named, Walk, band_of, crossing, pieces, polyline};
use geo::Coord;
use leadline_model::{CellId, GridPos, LocalFrame};
use std::collections::BTreeMap;

/// An edge by its ends, the smaller first.
type Edge = (CellId, CellId);
/// A piece of a contour with the coordinates of its ends.
type Piece = Named<Edge, [Coord<f64>; 2]>;

/// Lines by block for one frame, stage and choice of levels.
#[derive(Clone, Debug, Default)]
pub(super) struct Lines {
    asked: Option<Asked>,
    blocks: BTreeMap<Block, Vec<Run>>,
}

/// What lines depend on beside the blocks' triangles: compared bit for bit.
#[derive(Clone, Debug, PartialEq)]
struct Asked {
    origin: GridPos,
    stage: u64,
    levels: Vec<u64>,
}

/// Part of a line, or a closed one, inside one block.
#[derive(Clone, Debug)]
struct Run {
    level: usize,
    from: Edge,
    to: Edge,
    closed: bool,
    /// Where its pieces begin, and where the last one ends.
    points: Vec<Coord<f64>>,
    end: Coord<f64>,
    /// The smallest edge that a piece begins at, and which piece it is.
    least: (Edge, usize),
}

impl Lines {
    /// A block's triangles are others now, or gone.
    pub(super) fn forget(&mut self, block: Block) {
        self.blocks.remove(&block);
    }

    /// All lines of all levels, as a whole surface has them; levels without any are left out.
    pub(super) fn of(
        &mut self,
        patches: &BTreeMap<Block, Patch>,
        frame: &LocalFrame,
        stage_m: f64,
        levels: &[f64],
    ) -> Vec<Contour> {
        let asked = Asked {
            origin: frame.origin(),
            stage: stage_m.to_bits(),
            levels: levels.iter().map(|l| l.to_bits()).collect(),
        };
        if self.asked.as_ref() != Some(&asked) {
            *self = Self { asked: Some(asked), ..Self::default() };
        }
        for (block, patch) in patches {
            self.blocks.entry(*block).or_insert_with(|| runs(patch, frame, stage_m, levels));
        }
        let mut by_level: Vec<Vec<&Run>> = vec![Vec::new(); levels.len()];
        self.blocks.values().flatten().for_each(|r| by_level[r.level].push(r));
        let all = by_level.into_iter().zip(levels).map(|(r, l)| Contour { depth_m: *l, lines: joined(r) });
        all.filter(|c| !c.lines.is_empty()).collect()
    }
}

/// The runs of one block.
fn runs(patch: &Patch, frame: &LocalFrame, stage_m: f64, levels: &[f64]) -> Vec<Run> {
    let mut sides: Vec<Vec<Piece>> = vec![Vec::new(); levels.len()];
    cut(patch, frame, stage_m, levels, &mut sides);
    let of_level = |(level, sides): (usize, Vec<Piece>)| {
        let chain = Chain::new(sides);
        chain.walk().iter().filter_map(|w| Run::new(level, &chain, w)).collect::<Vec<_>>()
    };
    sides.into_iter().enumerate().flat_map(of_level).collect()
}

/// Adds the pieces of each level.
fn cut(patch: &Patch, frame: &LocalFrame, stage_m: f64, levels: &[f64], sides: &mut [Vec<Piece>]) {
    let depth: Vec<f64> = patch.corners.iter().map(|c| c.line_m + stage_m).collect();
    let band: Vec<u16> = depth.iter().map(|d| band_of(levels, *d)).collect();
    let xy = |v: u32| {
        let (e, n) = frame.metres(patch.corners[v as usize].at);
        ([e, n], depth[v as usize])
    };
    for t in &patch.triangles {
        pieces(t.map(|v| band[v as usize]), |k, leave, enter| {
            // Corners are in order of their cells, so the smaller number is the smaller cell.
            let end = |i: usize| {
                let (a, b) = (t[i].min(t[(i + 1) % 3]), t[i].max(t[(i + 1) % 3]));
                let name = (patch.corners[a as usize].id, patch.corners[b as usize].id);
                (name, crossing(levels[k], xy(a), xy(b)))
            };
            let ((from, p), (to, q)) = (end(leave), end(enter));
            sides[k].push(Named { from, to, of: [p, q] });
        });
    }
}

impl Run {
    fn new(level: usize, chain: &Chain<Edge, [Coord<f64>; 2]>, walk: &Walk) -> Option<Self> {
        let (first, last) = (chain.sides(walk).next()?, chain.sides(walk).last()?);
        let least = chain.sides(walk).enumerate().map(|(i, s)| (s.from, i)).min()?;
        Some(Self {
            level,
            from: first.from,
            to: last.to,
            closed: walk.closed,
            points: chain.sides(walk).map(|s| s.of[0]).collect(),
            end: last.of[1],
            least,
        })
    }
}

/// Whole lines of one level: open ones in order of their start, then closed ones, each from its smallest edge.
fn joined(runs: Vec<&Run>) -> Vec<ContourLine> {
    let (rings, parts): (Vec<&Run>, Vec<&Run>) = runs.into_iter().partition(|r| r.closed);
    let chain = Chain::new(parts.into_iter().map(|r| Named { from: r.from, to: r.to, of: r }).collect());
    let (around, open): (Vec<Walk>, Vec<Walk>) = chain.walk().into_iter().partition(|w| w.closed);
    let mut closed: Vec<(Edge, ContourLine)> = rings.iter().filter_map(|r| ring(&[*r])).collect();
    let of = |w: &Walk| chain.sides(w).map(|s| s.of).collect::<Vec<&Run>>();
    closed.extend(around.iter().filter_map(|w| ring(&of(w))));
    closed.sort_by_key(|(least, _)| *least);
    open.iter().filter_map(|w| line(&of(w))).chain(closed.into_iter().map(|(_, l)| l)).collect()
}

fn line(runs: &[&Run]) -> Option<ContourLine> {
    let points = runs.iter().flat_map(|r| r.points.iter().copied()).chain(runs.last().map(|r| r.end));
    Some(ContourLine { points: polyline(points, false)?, closed: false })
}

/// A closed line with its smallest edge, from where it begins.
fn ring(runs: &[&Run]) -> Option<(Edge, ContourLine)> {
    let (k, at) =
        runs.iter().enumerate().map(|(k, r)| (r.least.0, k, r.least.1)).min().map(|l| (l.1, l.2))?;
    let whole = || runs.iter().flat_map(|r| r.points.iter().copied());
    let before = runs[..k].iter().map(|r| r.points.len()).sum::<usize>() + at;
    let points = polyline(whole().skip(before).chain(whole().take(before)), true)?;
    Some((runs[k].least.0, ContourLine { points, closed: true }))
}
