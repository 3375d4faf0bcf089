//! The surface between the cells: best depths with their uncertainty, and safe ones.

use crate::bed::{Bed, usual_gap};
use crate::blocks::{by_tile, triangles};
use crate::contour::{areas, contours};
use crate::ground::Ground;
use crate::locate::{Locator, Place};
use crate::mesh::{Mesh, distance, twice_area};
use crate::nodes::{Node, canonical, place};
use crate::shore::{Shore, Water};
use crate::smooth::smooth;
use crate::spread::{Spread, fall};
use crate::support::{bend, refine};
use crate::{BlankReason, Contour, DepthArea, Levels, Units};
use leadline_model::{Cell, Grade, GridPos, LocalFrame, UtcMillis};
use std::collections::{BTreeMap, BTreeSet};

/// How a surface is made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SurfaceSettings {
    /// Blank where a circle this wide fits between soundings, metres: no place of the surface is farther than half
    /// of it from a sounding (judgement: common line spacings of small boats are 10 to 50 m).
    pub max_gap_m: f64,
}

impl Default for SurfaceSettings {
    fn default() -> Self {
        Self { max_gap_m: 60.0 }
    }
}

/// How the surface runs between the cells.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Between {
    /// Bent as the bed of this survey bends: local kriging with what left-out stretches of track taught; straight
    /// where there are too few to learn from. The usual way: it predicts withheld tracks better on every bed tried.
    #[default]
    Learned,
    /// Straight from cell to cell: linear in the triangles.
    Straight,
}

/// What an estimate stands on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Basis {
    /// The cell itself has soundings.
    Cell,
    /// Interpolated between cells.
    Surface,
}

impl Basis {
    /// The word people and files read.
    pub fn word(self) -> &'static str {
        match self {
            Self::Cell => "cell",
            Self::Surface => "surface",
        }
    }
}

/// A depth at a place.
#[derive(Clone, Debug, PartialEq)]
pub struct Estimate {
    /// Best depth below the sounding datum, metres.
    pub depth_m: f64,
    /// Its total vertical uncertainty, 95 %, metres.
    pub tvu95_m: f64,
    /// The cell's grade, or between cells: the worst grade of the three used, and no better than the
    /// uncertainty allows.
    pub grade: Grade,
    /// What it stands on.
    pub basis: Basis,
    /// Main passes of the cells used, ascending.
    pub passes: Vec<u32>,
}

/// Triangulated cells in true metres about the survey's middle. Blank where soundings are farther apart than
/// the largest gap.
#[derive(Clone, Debug)]
pub struct Surface {
    settings: SurfaceSettings,
    frame: LocalFrame,
    /// The cells in order of their id, then places of the shore, then those between.
    nodes: Vec<Node>,
    cells: usize,
    shore: Option<Shore>,
    mesh: Mesh,
    locator: Locator,
    error: Error,
    between: Between,
    blank: Option<BlankReason>,
}

impl Surface {
    /// Builds it. Void cells and depths that are no number are left out; never fails, see
    /// [`Self::blank_reason`].
    pub fn new(cells: &[Cell], settings: &SurfaceSettings) -> Self {
        Self::with(cells, settings, Between::default())
    }

    /// The same with a chosen way between the cells.
    pub fn with(cells: &[Cell], settings: &SurfaceSettings, between: Between) -> Self {
        Self::ashore(cells, settings, between, None)
    }

    /// The same within a shore, if there is one: zero depth along it at its stage, nothing beyond it.
    pub fn ashore(
        cells: &[Cell],
        settings: &SurfaceSettings,
        between: Between,
        shore: Option<Shore>,
    ) -> Self {
        let (frame, nodes) = place(&canonical(cells));
        Self::from_nodes(frame, nodes, *settings, between, None, shore)
    }

    /// The same cells within a shore: zero depth along it at its stage, nothing beyond it.
    pub fn within(self, shore: &Shore) -> Self {
        let mut cells = self.nodes;
        cells.truncate(self.cells);
        let known = match &self.error {
            Error::Spread(spread) => Some(spread),
            Error::Bed(_) => None,
        };
        Self::from_nodes(self.frame, cells, self.settings, self.between, known, Some(shore.clone()))
    }

    /// Straight lines take the error `known` of a denser surface, if there is one.
    fn from_nodes(
        frame: LocalFrame,
        mut nodes: Vec<Node>,
        settings: SurfaceSettings,
        between: Between,
        known: Option<&Spread>,
        shore: Option<Shore>,
    ) -> Self {
        let cells = nodes.len();
        nodes.extend(shore.iter().flat_map(|s| s.nodes(&frame, &nodes)).collect::<Vec<_>>());
        let measured = nodes.len();
        let tiles = by_tile(&nodes);
        smooth(&mut nodes, &tiles);
        nodes[cells..].iter_mut().for_each(|n| n.line_m = n.safe_m);
        let mut all = triangles(&nodes, &tiles, settings.max_gap_m);
        if let Some(shore) = &shore {
            let water = Water::new(shore, &frame);
            all.retain(|t| water.holds(middle_of(t.map(|v| nodes[v as usize].xy))));
        }
        let blank = match cells {
            0 => Some(BlankReason::NoCells),
            n @ 1..=2 => Some(BlankReason::TooFew(n)),
            _ if !all.is_empty() => None,
            _ if on_a_line(&nodes[..cells]) => Some(BlankReason::Collinear),
            _ => Some(BlankReason::TooFarApart),
        };
        let gap_m = usual_gap(&nodes, &all);
        let learned = match between {
            Between::Learned => {
                let ground = Ground::new(&nodes, &all, gap_m);
                Bed::learn(&ground, &nodes[..cells]).map(|bed| (ground, bed))
            }
            Between::Straight => None,
        };
        let error = match learned {
            Some((ground, bed)) => {
                refine(&mut nodes, &mut all, gap_m);
                bend(&mut nodes, measured, &bed, &ground);
                Error::Bed(bed)
            }
            None => Error::Spread(
                known.cloned().unwrap_or_else(|| Spread::learn(&nodes[..cells], settings.max_gap_m)),
            ),
        };
        let mesh = Mesh::new(&nodes, &all);
        let locator = Locator::new(&mesh.xy, &mesh.tri);
        Self { settings, frame, nodes, cells, shore, mesh, locator, error, between, blank }
    }

    /// The same water from only the cell with the shoalest safe depth of every square of `square_m`.
    pub(crate) fn thinned(&self, square_m: f64) -> Self {
        let mut kept: BTreeMap<[i64; 2], Node> = BTreeMap::new();
        for n in self.nodes() {
            let key = n.xy.map(|v| libm::floor(v / square_m) as i64);
            let shoalest = kept.entry(key).or_insert(*n);
            if n.safe_m < shoalest.safe_m {
                *shoalest = *n;
            }
        }
        let mut nodes: Vec<Node> = kept.into_values().collect();
        nodes.sort_by_key(|n| n.id);
        // Neighbours of thinned cells may be up to two squares' diagonals farther apart.
        let settings = SurfaceSettings { max_gap_m: self.settings.max_gap_m + 2.0 * square_m };
        let known = match &self.error {
            Error::Spread(spread) => Some(spread),
            Error::Bed(_) => None,
        };
        Self::from_nodes(self.frame, nodes, settings, self.between, known, self.shore.clone())
    }

    /// Why there is no surface, if there is none. Cells can still be drawn and exported.
    pub fn blank_reason(&self) -> Option<BlankReason> {
        self.blank
    }

    /// The frame of all coordinates of contours and areas.
    pub fn frame(&self) -> &LocalFrame {
        &self.frame
    }

    /// The settings it was made with.
    pub fn settings(&self) -> &SurfaceSettings {
        &self.settings
    }

    /// Area covered, m² (scale of the survey's middle).
    pub fn area_m2(&self) -> f64 {
        self.mesh.area()
    }

    /// Number of charted cells.
    pub fn n_cells(&self) -> usize {
        self.cells
    }

    /// Newest sounding of all cells: the date of everything made from them.
    pub fn newest(&self) -> Option<UtcMillis> {
        self.nodes().iter().map(|n| n.newest).max()
    }

    /// Shoalest and deepest safe depth below the sounding datum, metres.
    pub fn safe_range_m(&self) -> Option<(f64, f64)> {
        let depths = || self.nodes.iter().map(|n| n.safe_m);
        depths().min_by(f64::total_cmp).zip(depths().max_by(f64::total_cmp))
    }

    /// Levels chosen for this survey at `stage_m`.
    pub fn levels(&self, stage_m: f64, units: Units) -> Levels {
        self.safe_range_m()
            .map_or_else(Levels::default, |(lo, hi)| Levels::for_range(lo + stage_m, hi + stage_m, units))
    }

    /// Best depth at `at`: the cell's own, else linear in the triangle; `None` where blank.
    ///
    /// Between cells the uncertainty is the cells' own (taken as fully correlated: they share levels and
    /// boats) and, squared and added, the interpolation error learned from this survey, which grows with the
    /// distance to the nearest cell and with the fall of the bed.
    pub fn depth_at(&self, at: GridPos) -> Option<Estimate> {
        if let Ok(i) = self.nodes().binary_search_by_key(&at.cell(), |n| n.id) {
            let n = &self.nodes[i];
            return Some(Estimate {
                depth_m: n.best_m,
                tvu95_m: n.tvu95_m,
                grade: n.grade,
                basis: Basis::Cell,
                passes: vec![n.main_pass],
            });
        }
        self.between(at)
    }

    /// Safe depth below the sounding datum at `at`, metres, as contours and depth areas show it; `None` where blank.
    pub fn safe_depth_at(&self, at: GridPos) -> Option<f64> {
        let (corner, place) = self.corner_nodes(at)?;
        Some((0..3).map(|i| place.weight[i] * corner[i].line_m).sum())
    }

    /// Contours of the safe surface at `stage_m`.
    pub fn contours(&self, stage_m: f64, levels: &Levels) -> Vec<Contour> {
        contours(&self.mesh, &self.charted(stage_m), levels.metres())
    }

    /// Depth areas of the safe surface at `stage_m`; together they tile the surface.
    pub fn areas(&self, stage_m: f64, levels: &Levels) -> Vec<DepthArea> {
        areas(&self.mesh, &self.charted(stage_m), levels.metres())
    }

    fn charted(&self, stage_m: f64) -> Vec<f64> {
        self.field(|n| n.line_m + stage_m)
    }

    /// A value per vertex of the mesh.
    pub(crate) fn field(&self, value: impl Fn(&Node) -> f64) -> Vec<f64> {
        self.mesh.node.iter().map(|n| value(&self.nodes[*n as usize])).collect()
    }

    /// Whether the surface is known at a place in frame metres.
    pub(crate) fn covers(&self, p: [f64; 2]) -> bool {
        self.locator.find(&self.mesh.xy, &self.mesh.tri, p).is_some()
    }

    pub(crate) fn mesh(&self) -> &Mesh {
        &self.mesh
    }

    pub(crate) fn locator(&self) -> &Locator {
        &self.locator
    }

    /// A node by its number in the mesh.
    pub(crate) fn node(&self, n: u32) -> &Node {
        &self.nodes[n as usize]
    }

    /// The cells, and the places of the shore that the surface reaches.
    pub(crate) fn nodes_to_the_shore(&self) -> Vec<Node> {
        let reached: BTreeSet<u32> = match &self.shore {
            Some(_) => self.mesh.node.iter().copied().filter(|n| *n as usize >= self.cells).collect(),
            None => BTreeSet::new(),
        };
        self.nodes().iter().copied().chain(reached.iter().map(|n| self.nodes[*n as usize])).collect()
    }

    /// Whether a shore is drawn and the place lies beyond it.
    pub(crate) fn is_ashore(&self, p: [f64; 2]) -> bool {
        self.shore.is_some() && !self.covers(p)
    }

    /// The cells, without the places between them.
    pub(crate) fn nodes(&self) -> &[Node] {
        &self.nodes[..self.cells]
    }

    /// Best depth at `at` from the triangle alone, also where the cell there has soundings of its own.
    pub(crate) fn estimate_between(&self, at: GridPos) -> Option<Estimate> {
        self.between(at)
    }

    fn corner_nodes(&self, at: GridPos) -> Option<([&Node; 3], Place)> {
        let (east, north) = self.frame.metres(at);
        let place = self.locator.find(&self.mesh.xy, &self.mesh.tri, [east, north])?;
        let corner =
            self.mesh.tri[place.tri as usize].map(|v| &self.nodes[self.mesh.node[v as usize] as usize]);
        Some((corner, place))
    }

    fn between(&self, at: GridPos) -> Option<Estimate> {
        let (corner, place) = self.corner_nodes(at)?;
        let Inside { depth_m, tvu95_m, grade, .. } = self.inside(&place);
        let mut passes = corner.map(|n| n.main_pass).to_vec();
        passes.retain(|p| *p != u32::MAX);
        passes.sort_unstable();
        passes.dedup();
        Some(Estimate { depth_m, tvu95_m, grade, basis: Basis::Surface, passes })
    }

    /// What the surface says at a place in one of the mesh's triangles.
    pub(crate) fn inside(&self, place: &Place) -> Inside {
        let corner =
            self.mesh.tri[place.tri as usize].map(|v| &self.nodes[self.mesh.node[v as usize] as usize]);
        let mean = |f: fn(&Node) -> f64| -> f64 { (0..3).map(|i| place.weight[i] * f(corner[i])).sum() };
        let fall = fall(corner.map(|n| n.xy), corner.map(|n| n.best_m));
        let own = mean(|n| n.tvu95_m);
        let gap = match &self.error {
            Error::Spread(spread) => spread.at(place.nearest_m, fall),
            Error::Bed(bed) => {
                let straight = bed.straight95(place.nearest_m, fall);
                libm::sqrt(mean(|n| n.gap95_m * n.gap95_m) + straight * straight)
            }
        };
        let depth_m = mean(|n| n.best_m);
        let tvu95_m = libm::sqrt(own * own + gap * gap);
        let worst = corner.iter().map(|n| n.grade).max().unwrap_or(Grade::Loose);
        let grade = worst.max(grade_for(tvu95_m, depth_m));
        Inside { depth_m, tvu95_m, grade, safe_m: mean(|n| n.line_m) }
    }
}

/// What the surface says at a place in a triangle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Inside {
    /// Best depth below the sounding datum, metres.
    pub(crate) depth_m: f64,
    /// Its total vertical uncertainty, 95 %, metres.
    pub(crate) tvu95_m: f64,
    /// As in [`Estimate`].
    pub(crate) grade: Grade,
    /// Safe depth below the sounding datum, metres.
    pub(crate) safe_m: f64,
}

/// What is known of the error between cells.
#[derive(Clone, Debug)]
enum Error {
    /// Measured on straight lines.
    Spread(Spread),
    /// Of the bed's model.
    Bed(Bed),
}

/// Best grade an uncertainty allows: √(a² + (b·d)²) of S-44 Ed 6.1.0 Table 1, Order 1b (0.5 m, 0.013) and
/// Order 2 (1.0 m, 0.023).
fn grade_for(tvu95_m: f64, depth_m: f64) -> Grade {
    let within = |a: f64, b: f64| tvu95_m * tvu95_m <= a * a + (b * depth_m) * (b * depth_m);
    if within(0.5, 0.013) {
        Grade::Sure
    } else if within(1.0, 0.023) {
        Grade::Fair
    } else {
        Grade::Loose
    }
}

fn middle_of(corner: [[f64; 2]; 3]) -> [f64; 2] {
    [0, 1].map(|k| (corner[0][k] + corner[1][k] + corner[2][k]) / 3.0)
}

/// Whether all nodes lie on one straight line, to a millimetre.
fn on_a_line(nodes: &[Node]) -> bool {
    let Some(first) = nodes.first() else { return true };
    let far = |n: &&Node| distance(first.xy, n.xy);
    let Some(last) = nodes.iter().max_by(|a, b| far(a).total_cmp(&far(b))) else { return true };
    let length = distance(first.xy, last.xy);
    nodes.iter().all(|n| twice_area(first.xy, last.xy, n.xy).abs() <= 1e-3 * length)
}
