//! Who sounded what: the ways of the passes, one line style a boat.

use super::extent::View;
use super::svg::{Svg, path_data};
use crate::mesh::distance;
use crate::nodes::Node;
use crate::palette::blend;
use crate::units::fixed;
use crate::{ChartInfo, Theme};
use std::collections::BTreeMap;

/// Share of the ink, dashes and width, told apart without hue. Boats beyond the last share it.
const STYLES: [(f64, &str, f64); 5] =
    [(1.0, "", 1.0), (0.62, "7 4", 1.6), (1.0, "1.5 3.5", 1.8), (0.46, "", 2.6), (1.0, "9 3 2 3", 1.2)];
/// Boats with a style and a row of their own.
pub(super) const MOST_BOATS: usize = 8;
/// Cells up to which tracks have their full width.
const FULL_WIDTH: f64 = 15_000.0;
/// A track is broken where its cells are farther apart, metres.
const BREAK_M: f64 = 40.0;

/// Stroke attributes of boat `i`.
pub(super) fn style(i: usize, theme: Theme) -> String {
    stroke(i, 1.0, theme)
}

/// `share` of the usual width, for tracks so dense that they would run together.
fn stroke(i: usize, share: f64, theme: Theme) -> String {
    let (ink, dash, width) = STYLES[i.min(STYLES.len() - 1)];
    let (colour, width) = (blend(theme.paper(), theme.ink(), ink), fixed(width * share, 2));
    let dash = if dash.is_empty() { String::new() } else { format!(" stroke-dasharray=\"{dash}\"") };
    format!("fill=\"none\" stroke=\"{colour}\" stroke-width=\"{width}\" stroke-linejoin=\"round\"{dash}")
}

/// The way of one pass.
pub(super) struct Track {
    /// Index of the boat's style.
    pub(super) boat: usize,
    /// Path data.
    pub(super) d: String,
}

/// The cells of each pass in order of their newest sounding, broken where they lie apart.
pub(super) fn tracks(view: &View, nodes: &[Node], info: &ChartInfo) -> Vec<Track> {
    let boats = info.boats();
    let mut passes: BTreeMap<u32, Vec<&Node>> = BTreeMap::new();
    // A cell that another pass visited later would be out of order on this pass's track.
    let own = |n: &Node| {
        info.passes.get(n.main_pass as usize).is_none_or(|p| (p.first..=p.last).contains(&n.newest))
    };
    for n in nodes.iter().filter(|n| own(n)) {
        passes.entry(n.main_pass).or_default().push(n);
    }
    let one = |(pass, mut cells): (u32, Vec<&Node>)| {
        cells.sort_by_key(|n| (n.newest, n.id));
        let runs = cells.chunk_by(|a, b| distance(a.xy, b.xy) <= BREAK_M);
        let d = runs.map(|r| path_data(r.iter().map(|n| view.px(n.xy)), false, 1.2)).collect();
        Track { boat: info.boat_of(pass, &boats).unwrap_or(STYLES.len() - 1), d }
    };
    passes.into_iter().map(one).collect()
}

/// Draws the tracks, each in its boat's style.
pub(super) fn draw(out: &mut Svg, view: &View, nodes: &[Node], info: &ChartInfo, theme: Theme) {
    let share = (FULL_WIDTH / nodes.len() as f64).clamp(0.2, 1.0);
    for track in tracks(view, nodes, info) {
        out.path(&track.d, &stroke(track.boat, share, theme));
    }
}

/// On the map itself: fine lines that leave the depths readable.
pub(super) fn draw_on_map(out: &mut Svg, view: &View, nodes: &[Node], info: &ChartInfo, theme: Theme) {
    let style = format!(
        "fill=\"none\" stroke=\"{}\" stroke-opacity=\"0.4\" stroke-width=\"0.8\" stroke-linejoin=\"round\"",
        theme.ink()
    );
    for track in tracks(view, nodes, info) {
        out.path(&track.d, &style);
    }
}
