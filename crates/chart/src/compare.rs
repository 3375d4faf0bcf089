//! What changed between two surveys of one water: the later depth less the earlier one on the ground that both know,
//! and where that is more than their uncertainties together allow.
//!
//! A square counts as changed only where |Δ| exceeds √(u₁² + u₂²), both 95 % and each grown by what lies between its
//! soundings. What both sides share (a boat's draft, a levelling) cancels in Δ but is counted twice in the band: the
//! band is too wide there, never too narrow. What all squares share (a day's stage) shows as a common shift, which is
//! reported by itself and can be taken off.

mod layers;
mod moved;
mod outline;
mod patches;
mod shift;
mod sides;

pub use layers::change_layers;
pub use moved::Moved;
pub use patches::Patch;
pub use shift::Shift;
pub(crate) use sides::{CHANGE_COLOURS, outline_of, square_m};
pub use sides::{Called, Sides};

use crate::water::{Spots, Water};
use crate::{Banded, Estimate, Surface};
use geo::Polygon;
use leadline_model::{CellId, GridPos, LocalFrame};

/// Which way the bed went.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Change {
    /// Deeper than before.
    Scour,
    /// Shoaler than before.
    Fill,
}

impl Change {
    /// The word people and files read.
    pub fn word(self) -> &'static str {
        match self {
            Self::Scour => "scour",
            Self::Fill => "fill",
        }
    }
}

/// One square of the ground that both surveys know.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Square {
    /// Southward number among squares of its size.
    pub row: i64,
    /// Eastward number.
    pub column: i64,
    /// Its middle.
    pub at: GridPos,
    /// True area, m².
    pub area_m2: f64,
    /// Earlier best depth below the sounding datum, metres.
    pub before_m: f64,
    /// Later best depth, metres.
    pub after_m: f64,
    /// Later less earlier, the common shift taken off if that was asked for; positive = deeper, metres.
    pub change_m: f64,
    /// Combined uncertainty of `change_m`, 95 %, metres.
    pub change95_m: f64,
    /// Index of the patch it belongs to.
    pub patch: Option<usize>,
}

impl Square {
    /// The change where it is more than its uncertainty; `None` where nothing is proven.
    pub fn proven(&self) -> Option<Change> {
        (self.change_m.abs() > self.change95_m).then(|| self.direction())
    }

    fn direction(&self) -> Change {
        if self.change_m > 0.0 { Change::Scour } else { Change::Fill }
    }
}

/// Area and volume of all patches of one kind.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Total {
    /// How many patches.
    pub patches: usize,
    /// m².
    pub area_m2: f64,
    /// m³, as a positive number.
    pub volume_m3: Banded,
}

/// Two surveys compared.
#[derive(Clone, Debug, PartialEq)]
pub struct Comparison {
    /// The ground that both know, by row and column.
    pub squares: Vec<Square>,
    /// Side of a square in cells of the survey grid.
    pub side_cells: u32,
    /// Joined ground that changed, largest volume first.
    pub patches: Vec<Patch>,
    /// Fill patches that may be the scour patches' ground.
    pub moved: Vec<Moved>,
    /// What all squares have in common; `None` where too little ground is common to tell.
    pub shift: Option<Shift>,
    /// Whether the shift was taken off.
    pub shift_off: bool,
    /// Changed squares in patches too small to be named, m².
    pub specks_m2: f64,
    /// Ground that only the earlier survey knows, m².
    pub only_before_m2: f64,
    /// Ground that only the later one knows, m².
    pub only_after_m2: f64,
}

impl Comparison {
    /// A frame about the middle of the ground that both know.
    pub(crate) fn frame(&self) -> LocalFrame {
        let middle = self.squares.get(self.squares.len() / 2).map(|s| s.at);
        LocalFrame::new(middle.unwrap_or(CellId { x: 1 << 22, y: 1 << 22 }.middle()))
    }

    /// The outlines of a patch in metres of `frame`.
    pub(crate) fn outline(&self, frame: &LocalFrame, patch: &Patch) -> Vec<Polygon<f64>> {
        let its: Vec<&Square> = patch.squares.iter().filter_map(|i| self.squares.get(*i)).collect();
        outline_of(frame, &its, self.side_cells)
    }

    /// The ground that both know, m².
    pub fn common_m2(&self) -> f64 {
        self.squares.iter().map(|s| s.area_m2).sum()
    }

    /// Squares whose change is proven, m².
    pub fn proven_m2(&self) -> f64 {
        self.squares.iter().filter(|s| s.proven().is_some()).map(|s| s.area_m2).sum()
    }

    /// All patches of one kind.
    pub fn total(&self, kind: Change) -> Total {
        let its = || self.patches.iter().filter(|p| p.kind == kind);
        // An empty sum is a negative zero.
        let sum = |f: fn(&Patch) -> f64| its().map(f).sum::<f64>() + 0.0;
        Total {
            patches: its().count(),
            area_m2: sum(|p| p.area_m2),
            volume_m3: Banded {
                best: sum(|p| p.volume_m3.best),
                low: sum(|p| p.volume_m3.low),
                high: sum(|p| p.volume_m3.high),
            },
        }
    }
}

/// Compares `before` with `after` inside `water`. `stage_m` only says at which depth a change counts as notable; with
/// `shift_off` the shift common to all squares is taken off first and its own uncertainty added to every band.
pub fn compare(
    before: &Surface,
    after: &Surface,
    water: &Water,
    stage_m: f64,
    shift_off: bool,
) -> Comparison {
    let spots = water.spots();
    let (mut squares, only_before_m2, only_after_m2) = common(before, after, &spots);
    let shift = shift::common_shift(&squares);
    let off = shift.filter(|_| shift_off);
    if let Some(s) = off {
        for q in &mut squares {
            q.change_m -= s.shift_m;
            q.change95_m = libm::sqrt(q.change95_m * q.change95_m + s.shift95_m * s.shift95_m);
        }
    }
    let left = if off.is_some() { None } else { shift };
    let (patches, specks_m2) = patches::patches(&mut squares, &spots, left, stage_m);
    let moved = moved::moved(&patches);
    Comparison {
        squares,
        side_cells: u32::try_from(spots.side).unwrap_or(u32::MAX),
        patches,
        moved,
        shift,
        shift_off: off.is_some(),
        specks_m2,
        only_before_m2,
        only_after_m2,
    }
}

/// The squares that both know, and the area that only one of them knows.
fn common(before: &Surface, after: &Surface, spots: &Spots) -> (Vec<Square>, f64, f64) {
    let (mut both, mut only) = (Vec::new(), [0.0, 0.0]);
    for s in &spots.list {
        // In the triangles even where a cell has its own soundings: a cell's depth is that of their mean place, which
        // is another one in each survey.
        match (before.estimate_between(s.at), after.estimate_between(s.at)) {
            (Some(a), Some(b)) => both.push(square(s, &a, &b)),
            (Some(_), None) => only[0] += s.area_m2,
            (None, Some(_)) => only[1] += s.area_m2,
            (None, None) => (),
        }
    }
    (both, only[0], only[1])
}

fn square(s: &crate::water::Spot, before: &Estimate, after: &Estimate) -> Square {
    let (u, v) = (before.tvu95_m, after.tvu95_m);
    Square {
        row: s.row,
        column: s.column,
        at: s.at,
        area_m2: s.area_m2,
        before_m: before.depth_m,
        after_m: after.depth_m,
        change_m: after.depth_m - before.depth_m,
        change95_m: libm::sqrt(u * u + v * v),
        patch: None,
    }
}

#[cfg(test)]
mod tests;
