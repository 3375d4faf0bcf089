//! Who sounded what: the passes in small, one line style a boat.

use super::layout::{Extent, Rect, View};
use super::svg::{Svg, path_data};
use crate::ChartInfo;
use crate::mesh::distance;
use crate::nodes::Node;
use crate::palette::{Colour, INK};
use crate::units::fixed;
use std::collections::BTreeMap;

/// Shades and dashes, told apart without hue. Boats beyond the last share it.
const STYLES: [(Colour, &str, f64); 5] = [
    (INK, "", 1.0),
    (Colour(88, 98, 110), "7 4", 1.6),
    (INK, "1.5 3.5", 1.8),
    (Colour(130, 138, 148), "", 2.6),
    (INK, "9 3 2 3", 1.2),
];
/// Boats with a style and a row of their own.
pub(super) const MOST_BOATS: usize = 8;
/// Cells up to which tracks have their full width.
const FULL_WIDTH: f64 = 15_000.0;
/// A track is broken where its cells are farther apart, metres.
const BREAK_M: f64 = 40.0;

/// Stroke attributes of boat `i`.
pub(super) fn style(i: usize) -> String {
    stroke(i, 1.0)
}

/// `share` of the usual width, for tracks so dense that they would run together.
fn stroke(i: usize, share: f64) -> String {
    let (colour, dash, width) = STYLES[i.min(STYLES.len() - 1)];
    let width = fixed(width * share, 2);
    let dash = if dash.is_empty() { String::new() } else { format!(" stroke-dasharray=\"{dash}\"") };
    format!("fill=\"none\" stroke=\"{colour}\" stroke-width=\"{width}\" stroke-linejoin=\"round\"{dash}")
}

/// Draws the tracks into `rect`: the cells of each pass in order of their newest sounding.
pub(super) fn tracks(out: &mut Svg, rect: &Rect, nodes: &[Node], info: &ChartInfo) {
    let view = View::fit(&Extent::of(nodes), rect);
    let boats = info.boats();
    let mut passes: BTreeMap<u32, Vec<&Node>> = BTreeMap::new();
    // A cell that another pass visited later would be out of order on this pass's track.
    let own = |n: &Node| {
        info.passes.get(n.main_pass as usize).is_none_or(|p| (p.first..=p.last).contains(&n.newest))
    };
    for n in nodes.iter().filter(|n| own(n)) {
        passes.entry(n.main_pass).or_default().push(n);
    }
    let share = (FULL_WIDTH / nodes.len() as f64).clamp(0.2, 1.0);
    for (pass, mut cells) in passes {
        cells.sort_by_key(|n| (n.newest, n.id));
        let runs = cells.chunk_by(|a, b| distance(a.xy, b.xy) <= BREAK_M);
        let d: String = runs.map(|r| path_data(r.iter().map(|n| view.px(n.xy)), false, 1.2)).collect();
        let boat = info.boat_of(pass, &boats).unwrap_or(STYLES.len() - 1);
        out.path(&d, &stroke(boat, share));
    }
}
