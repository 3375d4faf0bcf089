//! Forms of the bed: humps, holes, saddles, ledges and channel lines, at two scales.
//!
//! The best surface is averaged over the squares of a regular lattice no finer than the tracks resolve. A form counts
//! only where its relief exceeds the uncertainty of the depths it is made of: the part of the soundings' bands that is
//! not common to all of them (learned from places visited twice), and what the way between the tracks adds.

mod channels;
mod curve;
mod heights;
mod lattice;
mod ledges;
mod lines;
mod merge;
mod noise;
mod outline;
mod scene;
#[cfg(test)]
mod tests;
mod tree;

use crate::Surface;
use lattice::Lattice;
use leadline_model::{Grade, GridPos, LocalFrame, UtcMillis};
pub use noise::Doubt;
use scene::Scene;

/// Steps of the fine lattice in usual gaps, and its limits, metres: two nodes from track to track (judgement).
const FINE_GAPS: f64 = 0.5;
const FINE_M: (f64, f64) = (8.0, 40.0);
/// Step of the broad lattice, about, metres (judgement: what is felt as one bar, basin or bank).
const BROAD_M: f64 = 48.0;

/// What a form is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum FormKind {
    /// Ground shoaler than all around it.
    Hump,
    /// Ground deeper than all around it.
    Hole,
    /// A band where the bed falls faster than on both sides of it.
    Ledge,
    /// The deepest line between two banks.
    Channel,
    /// The shoalest place of the way between two holes, which is the deepest between two humps.
    Saddle,
}

impl FormKind {
    /// All kinds, in the order they are listed.
    pub const ALL: [Self; 5] = [Self::Hump, Self::Hole, Self::Ledge, Self::Channel, Self::Saddle];

    /// The word people and files read.
    pub fn word(self) -> &'static str {
        match self {
            Self::Hump => "hump",
            Self::Hole => "hole",
            Self::Ledge => "ledge",
            Self::Channel => "channel",
            Self::Saddle => "saddle",
        }
    }
}

/// At which scale a form was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Scale {
    /// As fine as the tracks resolve.
    Fine,
    /// Averaged over about 50 m.
    Broad,
    /// Both ways; measures are those of the fine one.
    Both,
}

impl Scale {
    /// The word people and files read.
    pub fn word(self) -> &'static str {
        match self {
            Self::Fine => "fine",
            Self::Broad => "broad",
            Self::Both => "both",
        }
    }
}

/// One form of the bed. Places are metres in the surface's frame, depths below the sounding datum.
#[derive(Clone, Debug, PartialEq)]
pub struct Form {
    /// What it is.
    pub kind: FormKind,
    /// Where it was found.
    pub scale: Scale,
    /// The top, the bottom, the saddle itself, the middle of a ledge, the deepest place of a channel.
    pub at: [f64; 2],
    /// The line of a ledge (its steepest places) or channel; empty otherwise.
    pub line: Vec<[f64; 2]>,
    /// On which side of its line a ledge is deep: 1 left, −1 right, 0 for other kinds.
    pub deep_side: f64,
    /// Rings at half the relief of a hump or hole, outer one first; empty otherwise.
    pub outline: Vec<Vec<[f64; 2]>>,
    /// Shoal end: a hump's top (the shoalest safe depth on it), the edge that a hole runs over at, a ledge's upper edge, a
    /// channel's shoalest place, a saddle's safe depth. Metres.
    pub shoal_m: f64,
    /// Deep end: where a hump's ground joins higher ground, a hole's bottom, a ledge's lower edge, a channel's deepest
    /// place, a saddle's best depth. Metres.
    pub deep_m: f64,
    /// Height over the key col (hump), depth under it (hole), drop (ledge), the lower bank over the line (channel), the
    /// lower of the humps or the shallower of the holes on its sides (saddle). Metres.
    pub relief_m: f64,
    /// Uncertainty of the relief, 95 %, metres.
    pub relief95_m: f64,
    /// Length, metres: of the ellipse with the same moments as the upper half; of the line; from top to top at a saddle.
    pub length_m: f64,
    /// Width, metres: of that ellipse; of a ledge's band; from bank to bank.
    pub width_m: f64,
    /// Area at half the relief, m².
    pub area_m2: Option<f64>,
    /// Steepest slope of a hump's or hole's sides, the slope of a ledge, of a channel's gentler bank, metres a metre.
    pub fall: f64,
    /// Bearing of the long axis, the line, or the way through a saddle, 0 to 180 degrees from north.
    pub bearing_deg: f64,
    /// Bathymetric position index of the place, metres: how far it stands above its surroundings.
    pub index_m: Option<f64>,
    /// How good it is: no better than the depths it is made of; at best fair if seen on one visit only or open; loose
    /// where depths are disputed.
    pub grade: Grade,
    /// Visits (more than a minute apart) whose soundings lie on it.
    pub visits: usize,
    /// It reaches the edge of what is known: the other measures are of the known part.
    pub open: bool,
    /// A quarter or more of its cells are disputed (weed, or a moved bed).
    pub disputed: bool,
    /// Newest sounding on it.
    pub newest: UtcMillis,
}

/// The forms of a survey.
#[derive(Clone, Debug, PartialEq)]
pub struct Structure {
    /// By kind, then by relief, greatest first.
    pub forms: Vec<Form>,
    /// Frame of all places.
    pub frame: LocalFrame,
    /// What the survey says about its own doubt.
    pub doubt: Doubt,
    /// Steps of the two lattices, metres.
    pub steps_m: [f64; 2],
}

/// Which forms are wanted.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Wanted {
    /// Kinds; none named = all.
    pub kinds: Vec<FormKind>,
    /// One scale; `None` or [`Scale::Both`] = all.
    pub scale: Option<Scale>,
    /// Most of each kind, the ones with the greatest relief.
    pub most: Option<usize>,
    /// Corners of an area; lines count with any of their points in it.
    pub area: Option<Vec<GridPos>>,
}

/// Finds the forms of the best surface. The same cells in any order give the same forms.
pub fn structure(surface: &Surface) -> Structure {
    let gap_m = noise::usual_gap(surface);
    let fine = Lattice::of(surface, (FINE_GAPS * gap_m).clamp(FINE_M.0, FINE_M.1));
    let side = libm::round(BROAD_M / fine.step_m).clamp(2.0, 8.0) as i32;
    let broad = fine.coarser(side);
    let doubt = Doubt::learn(surface, &fine, gap_m);
    let mut forms = Vec::new();
    for (lattice, scale) in [(&fine, Scale::Fine), (&broad, Scale::Broad)] {
        forms.push(found(&Scene::new(surface, lattice, &doubt, scale)));
    }
    let steps_m = [fine.step_m, broad.step_m];
    let mut forms = merge::both_scales(forms, steps_m);
    forms.sort_by(|a, b| {
        (a.kind, a.disputed).cmp(&(b.kind, b.disputed)).then(b.relief_m.total_cmp(&a.relief_m))
    });
    Structure { forms, frame: *surface.frame(), doubt, steps_m }
}

fn found(s: &Scene<'_>) -> Vec<Form> {
    let mut forms = heights::heights(s, -1.0);
    forms.extend(heights::heights(s, 1.0));
    let ledges = ledges::ledges(s).into_iter().filter(|l| !merge::is_flank(l, &forms));
    let ledges: Vec<Form> = ledges.collect();
    forms.extend(ledges);
    forms.extend(channels::channels(s));
    merge::one_saddle_a_place(&mut forms, s.lattice.step_m);
    forms
}

/// Each form with its number within its kind, from 1.
pub fn numbered(forms: &[Form]) -> impl Iterator<Item = (usize, &Form)> {
    let mut n = [0usize; FormKind::ALL.len()];
    forms.iter().map(move |f| {
        n[f.kind as usize] += 1;
        (n[f.kind as usize], f)
    })
}

impl Structure {
    /// The forms that are wanted.
    pub fn choose(mut self, wanted: &Wanted) -> Self {
        let frame = self.frame;
        let corners: Option<Vec<[f64; 2]>> =
            wanted.area.as_ref().map(|a| a.iter().map(|p| frame.metres(*p).into()).collect());
        let scale = wanted.scale.filter(|s| *s != Scale::Both);
        self.forms.retain(|f| {
            (wanted.kinds.is_empty() || wanted.kinds.contains(&f.kind))
                && scale.is_none_or(|s| f.scale == s || f.scale == Scale::Both)
                && corners
                    .as_ref()
                    .is_none_or(|c| contains(c, f.at) || f.line.iter().any(|p| contains(c, *p)))
        });
        if let Some(most) = wanted.most {
            let mut seen = [0usize; FormKind::ALL.len()];
            self.forms.retain(|f| {
                let n = &mut seen[f.kind as usize];
                *n += 1;
                *n <= most
            });
        }
        self
    }
}

/// The bed's shape at one node of a lattice.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BedShape {
    /// Row of the lattice, northward.
    pub row: i32,
    /// Column, eastward.
    pub column: i32,
    /// Middle of the node's square, metres in the surface's frame.
    pub at: [f64; 2],
    /// Mean best depth of the square, metres below the sounding datum.
    pub depth_m: f64,
    /// Slope, metres a metre (Horn 1981).
    pub slope: Option<f64>,
    /// Principal second derivatives of the depth, 1/m, the one of greater size first (Evans 1980, 3 × 3).
    pub bends: Option<[f64; 2]>,
    /// Bathymetric position index over the ring of 2 to 5 steps, metres (Lundblad et al. 2006).
    pub index_m: Option<f64>,
}

/// Slope, curvature and position index of the best surface every `step_m` metres, by row and column; wider apart if
/// that were more than about two million nodes. Nothing on the rim of the known water.
pub fn bed_shape(surface: &Surface, step_m: f64) -> Vec<BedShape> {
    let l = Lattice::of(surface, step_m.max(1.0));
    let one = |i: usize| BedShape {
        row: l.spots[i].key[0],
        column: l.spots[i].key[1],
        at: l.xy(i),
        depth_m: l.depth(i),
        slope: curve::horn(&l, i).map(curve::size),
        bends: curve::Quadratic::fit(&l, i, 1).map(|q| q.principal().0),
        index_m: curve::position_index(&l, i, heights::RING.0, heights::RING.1),
    };
    (0..l.len()).map(one).collect()
}

/// Even-odd rule.
fn contains(ring: &[[f64; 2]], p: [f64; 2]) -> bool {
    let n = ring.len();
    let crosses = |k: &usize| {
        let (a, b) = (ring[*k], ring[(k + 1) % n]);
        (a[1] > p[1]) != (b[1] > p[1]) && p[0] < a[0] + (p[1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0])
    };
    (0..n).filter(crosses).count() % 2 == 1
}

/// Degrees clockwise from north of a line along `way`, 0 to 180.
fn bearing(way: [f64; 2]) -> f64 {
    let deg = libm::atan2(way[0], way[1]).to_degrees();
    let folded = deg.rem_euclid(180.0);
    if folded < 180.0 { folded } else { 0.0 }
}

/// Of the straight line between the ends.
fn bearing_of(line: &[[f64; 2]]) -> f64 {
    line.first().zip(line.last()).map_or(0.0, |(a, b)| bearing([b[0] - a[0], b[1] - a[1]]))
}

/// The middle value (the upper of two); 0 of nothing.
fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}
