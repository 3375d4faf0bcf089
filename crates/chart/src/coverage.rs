//! What the soundings cover: grades of the water, holidays, and the lines that were driven.
//!
//! The water is cut into spots (squares of the survey grid with their true area). A spot is a holiday when it is
//! farther from every sounding than half of the largest distance that S-44 allows between registered depths,
//! max(3 × depth, 25 m). Source: IHO S-44 Ed 6.1.0 §3.5.2.

mod layers;
mod lines;
mod outline;
#[cfg(test)]
pub(crate) mod tests;

pub use layers::coverage_layers;
pub use lines::{Gaps, Lines, footprint_m, planned_footprint_share};

use crate::Surface;
use crate::nodes::Node;
use crate::tracks::Tracks;
use crate::water::{Spots, Water, cell_side_m};
use geo::Polygon;
use leadline_model::{Grade, GridPos, LocalFrame, ReducedSounding};
use outline::{patches, polygon};
use rstar::RTree;
use rstar::primitives::GeomWithData;

/// Depth times this is the largest distance between registered depths, but not under [`LEAST_SPACING_M`].
const DEPTHS: f64 = 3.0;
/// Metres.
const LEAST_SPACING_M: f64 = 25.0;
/// Weak spots smaller than this are counted, but not listed one by one, m² (judgement: ten metres square).
const LEAST_LISTED_M2: f64 = 100.0;

/// Largest distance between registered depths at a charted depth, metres. Source: IHO S-44 Ed 6.1.0 §3.5.2.
pub fn allowed_spacing_m(depth_m: f64) -> f64 {
    (DEPTHS * depth_m).max(LEAST_SPACING_M)
}

/// How coverage is judged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CoverageSettings {
    /// Metres above the sounding datum.
    pub stage_m: f64,
    /// Full angle of the sounder's beam, degrees.
    pub beam_deg: f64,
}

impl Default for CoverageSettings {
    /// At the datum; 8°, the beam of S-44's example, narrow on purpose.
    fn default() -> Self {
        Self { stage_m: 0.0, beam_deg: 8.0 }
    }
}

/// Why a spot is weak.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Weakness {
    /// Too far from any sounding.
    Holiday,
    /// Visits disagree there.
    Disputed,
    /// Known, but loose.
    Loose,
}

impl Weakness {
    /// The word people and files read.
    pub fn word(self) -> &'static str {
        match self {
            Self::Holiday => "holiday",
            Self::Disputed => "disputed",
            Self::Loose => "loose",
        }
    }
}

/// A weak spot: squares that hang together.
#[derive(Clone, Debug, PartialEq)]
pub struct Weak {
    /// Why.
    pub what: Weakness,
    /// True area, m².
    pub area_m2: f64,
    /// Charted depths around it, shoalest and deepest, metres; `None` where no sounding is near.
    pub depths_m: Option<(f64, f64)>,
    /// A place well inside: of a holiday the one farthest from all soundings.
    pub middle: GridPos,
    /// Diameter of the largest circle without a sounding, metres.
    pub widest_m: f64,
    /// Its outline in metres of the coverage's frame; outer ring counter-clockwise.
    pub outline: Polygon<f64>,
    /// Middles of its squares.
    pub(crate) squares: Vec<GridPos>,
}

/// What is said of one square.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Judged {
    /// `None` = unknown.
    pub(crate) grade: Option<Grade>,
    /// To the nearest sounding's cell, metres.
    pub(crate) apart_m: f64,
    /// Charted depth there or at the nearest sounding, on the safe side.
    pub(crate) depth_m: Option<f64>,
    pub(crate) holiday: bool,
    pub(crate) disputed: bool,
}

/// Coverage of a water.
#[derive(Clone, Debug)]
pub struct Coverage {
    /// Settings it was judged with.
    pub settings: CoverageSettings,
    /// Whether somebody drew the water; else it is what lies around the soundings, and what lies beyond is in no figure.
    pub drawn: bool,
    /// True area of the water, m².
    pub area_m2: f64,
    /// Area by grade, m²: sure, fair, loose.
    pub graded_m2: [f64; 3],
    /// Area where nothing is known, m².
    pub unknown_m2: f64,
    /// Area of all holidays, m²; part of the areas above.
    pub holiday_m2: f64,
    /// Cells whose visits disagree.
    pub disputed_cells: usize,
    /// Weak spots of 100 m² and more, and every dispute; by kind, then largest first.
    pub weak: Vec<Weak>,
    /// Holidays and loose spots too small for the list.
    pub smaller: usize,
    /// The lines driven.
    pub lines: Lines,
    /// Side of the squares, in cells of the survey grid.
    pub square_cells: u32,
    /// Frame of the outlines.
    pub frame: LocalFrame,
    pub(crate) spots: Spots,
    pub(crate) judged: Vec<Judged>,
    /// The tracks, one list of places a run.
    pub(crate) tracks: Vec<Vec<GridPos>>,
}

impl Coverage {
    /// Judges `water` by the surface and the soundings it was made from.
    pub fn of(
        surface: &Surface,
        soundings: &[ReducedSounding],
        water: &Water,
        settings: &CoverageSettings,
    ) -> Self {
        let spots = water.spots();
        let judged = judge(surface, &spots, settings.stage_m);
        let area = |f: &dyn Fn(&Judged) -> bool| {
            sum(spots.list.iter().zip(&judged).filter(|(_, j)| f(j)).map(|(s, _)| s.area_m2))
        };
        let graded_m2 = [Grade::Sure, Grade::Fair, Grade::Loose].map(|g| area(&|j| j.grade == Some(g)));
        let unknown_m2 = area(&|j| j.grade.is_none());
        let holiday_m2 = area(&|j| j.holiday);
        let area_m2 = spots.total_area_m2();
        let middle = spots.list.get(spots.list.len() / 2).map(|s| s.at);
        let frame = middle.map_or(*surface.frame(), LocalFrame::new);
        let (weak, smaller) = weak(&spots, &judged, &frame);
        let tracks = Tracks::of(soundings);
        let lines = Lines::of(&tracks, area_m2, settings.stage_m, settings.beam_deg);
        Self {
            settings: *settings,
            drawn: water.is_drawn(),
            area_m2,
            graded_m2,
            unknown_m2,
            holiday_m2,
            disputed_cells: surface.nodes().iter().filter(|n| n.disputed).count(),
            weak,
            smaller,
            lines,
            square_cells: u32::try_from(spots.side).unwrap_or(u32::MAX),
            frame,
            spots,
            judged,
            tracks: tracks.places(),
        }
    }

    /// The weak spots of one kind, largest first.
    pub fn weak_of(&self, what: Weakness) -> impl Iterator<Item = &Weak> {
        self.weak.iter().filter(move |w| w.what == what)
    }

    /// Areas of one grade, or of the unknown water.
    pub(crate) fn grade_areas(&self, grade: Option<Grade>) -> Vec<Polygon<f64>> {
        let all = patches(&self.spots, |i| self.judged[i].grade == grade);
        all.iter().map(|p| polygon(&self.spots, p, &self.frame)).collect()
    }
}

/// The sum; zero of nothing (the standard one is −0).
fn sum(values: impl Iterator<Item = f64>) -> f64 {
    values.fold(0.0, |a, b| a + b)
}

/// A cell's place in cells east and south of the water's origin, and its index.
type Site = GeomWithData<[f64; 2], u32>;

fn judge(surface: &Surface, spots: &Spots, stage_m: f64) -> Vec<Judged> {
    let nodes = surface.nodes();
    let site = |(i, n): (usize, &Node)| Site::new(spots.in_cells(n.at), i as u32);
    let sites = RTree::bulk_load(nodes.iter().enumerate().map(site).collect());
    let one = |at: GridPos| {
        let here = spots.in_cells(at);
        let nearest = nearest(&sites, here);
        let node = nearest.and_then(|(i, _)| nodes.get(i as usize));
        let apart_m = nearest.map_or(f64::INFINITY, |(_, cells)| cells * cell_side_m(at));
        let safe = surface.safe_depth_at(at).or_else(|| node.map(|n| n.safe_m));
        let depth_m = safe.map(|d| d + stage_m);
        let holiday = apart_m > allowed_spacing_m(depth_m.unwrap_or(0.0)) / 2.0;
        let side_m = spots.side as f64 * cell_side_m(at);
        let disputed = node.is_some_and(|n| n.disputed) && apart_m <= 0.75 * side_m;
        Judged { grade: surface.depth_at(at).map(|e| e.grade), apart_m, depth_m, holiday, disputed }
    };
    spots.list.iter().map(|s| one(s.at)).collect()
}

/// The nearest site and its distance in cells; the first in order of several at one distance.
fn nearest(sites: &RTree<Site>, here: [f64; 2]) -> Option<(u32, f64)> {
    let (site, d2) = sites.nearest_neighbor_iter_with_distance_2(&here).next()?;
    let same = sites.locate_within_distance(here, d2).map(|s| s.data).min().unwrap_or(site.data);
    Some((same, libm::sqrt(d2)))
}

/// Weak spots worth a line of their own, and the number of the others.
fn weak(spots: &Spots, judged: &[Judged], frame: &LocalFrame) -> (Vec<Weak>, usize) {
    let (mut out, mut smaller) = (Vec::new(), 0);
    for what in [Weakness::Holiday, Weakness::Disputed, Weakness::Loose] {
        let is = |i: usize| {
            let j = &judged[i];
            match what {
                Weakness::Holiday => j.holiday,
                Weakness::Disputed => j.disputed && !j.holiday,
                Weakness::Loose => j.grade == Some(Grade::Loose) && !j.holiday && !j.disputed,
            }
        };
        let mut kind: Vec<Weak> = Vec::new();
        for patch in patches(spots, is) {
            let area_m2: f64 = patch.iter().map(|i| spots.list[*i].area_m2).sum();
            if area_m2 >= LEAST_LISTED_M2 || what == Weakness::Disputed {
                let outline = polygon(spots, &patch, frame);
                kind.push(spot(what, area_m2, spots, judged, &patch, outline));
            } else {
                smaller += 1;
            }
        }
        // Ties keep the order of their first squares.
        kind.sort_by(|a, b| b.area_m2.total_cmp(&a.area_m2));
        out.append(&mut kind);
    }
    (out, smaller)
}

fn spot(
    what: Weakness,
    area_m2: f64,
    spots: &Spots,
    judged: &[Judged],
    patch: &[usize],
    outline: Polygon<f64>,
) -> Weak {
    let depths = || patch.iter().filter_map(|i| judged[*i].depth_m);
    let range = depths().min_by(f64::total_cmp).zip(depths().max_by(f64::total_cmp));
    let farthest = patch
        .iter()
        .fold(patch[0], |best, i| if judged[*i].apart_m > judged[best].apart_m { *i } else { best });
    let inner = if what == Weakness::Holiday { farthest } else { central(spots, patch) };
    Weak {
        what,
        area_m2,
        depths_m: range,
        middle: spots.list[inner].at,
        widest_m: 2.0 * judged[farthest].apart_m,
        outline,
        squares: patch.iter().map(|i| spots.list[*i].at).collect(),
    }
}

/// The square nearest to the mean place of all.
fn central(spots: &Spots, patch: &[usize]) -> usize {
    let n = patch.len() as i64;
    let (rows, columns) =
        patch.iter().fold((0, 0), |(r, c), i| (r + spots.list[*i].row, c + spots.list[*i].column));
    let off = |i: &usize| {
        let s = &spots.list[*i];
        let (r, c) = (s.row * n - rows, s.column * n - columns);
        i128::from(r) * i128::from(r) + i128::from(c) * i128::from(c)
    };
    patch.iter().min_by_key(|i| (off(i), **i)).copied().unwrap_or(patch[0])
}
