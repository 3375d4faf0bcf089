//! The chart as a picture: one SVG sheet, self-contained, the same bytes for the same cells.

mod change_plot;
mod coverage_map;
mod forms_map;
mod frame;
mod inset;
mod labels;
mod layout;
mod map;
mod page;
mod panel;
mod plan_map;
mod svg;
mod volume_plot;

pub use change_plot::change_svg;
pub use coverage_map::coverage_svg;
pub use forms_map::structure_svg;
pub use plan_map::plan_svg;
pub use volume_plot::volume_svg;

use crate::palette::{INK, PAPER};
use crate::{ChartInfo, Levels, Surface};
use labels::Taken;
use layout::{Extent, Layout, MARGIN, Sheet, View};
use map::Bands;
use panel::Matter;
use std::borrow::Cow;
use svg::{Anchor, Svg, shortened};

/// Cells nearer to each other than this in the picture are thinned to the shoalest, px.
const FINEST_PX: f64 = 3.0;
/// Below this many cells nothing is thinned.
const FEW: usize = 60_000;

/// Draws the safe surface at the chart's stage with everything a reader needs beside it. `levels` = `None`
/// chooses them for the survey's range.
pub fn chart_svg(surface: &Surface, info: &ChartInfo, levels: Option<&Levels>) -> String {
    let extent = Extent::of(surface.nodes());
    let sheet = Sheet::for_extent(&extent);
    let (n, width) = sheet.columns();
    let chosen = levels.cloned().unwrap_or_else(|| surface.levels(info.stage_m, info.units));
    let levels = chosen.metres();
    let range = surface.safe_range_m().map(|(lo, hi)| (lo + info.stage_m, hi + info.stage_m));
    let bands = Bands::new(levels, range);
    let rough = View::fit(&extent, &Layout::new(sheet, 330.0).map);
    let (drawn, thinned_m) = for_picture(surface, FINEST_PX / rough.scale);
    let inset_most = if sheet == Sheet::Tall { 620.0 } else { 230.0 };
    let matter = Matter { surface, info, bands: &bands, levels, width, thinned_m, inset_most };
    let columns = matter.columns(n);
    let layout = Layout::new(sheet, panel::height(&columns));
    let view = View::fit(&extent, &layout.map);

    let mut out = Svg(svg::head(layout.width, layout.height));
    out.rect((0.0, 0.0), (layout.width, layout.height), &format!("fill=\"{PAPER}\""));
    title(&mut out, &layout, info);
    map_body(&mut out, &view, &layout, &bands, &drawn, info, &chosen);
    frame::border(&mut out, &view, &layout.map, surface.frame());
    panel::place(&mut out, &columns, &layout.columns);
    out.raw("</svg>");
    out.0
}

fn title(out: &mut Svg, layout: &Layout, info: &ChartInfo) {
    let room = layout.width - 2.0 * MARGIN;
    let name = shortened(&info.survey, 42.0, room);
    out.text((MARGIN, MARGIN + 38.0), 42.0, Anchor::Start, INK, &name);
    let line = shortened(&panel::title_line(info), 18.0, room);
    out.text((MARGIN, MARGIN + 72.0), 18.0, Anchor::Start, INK, &line);
    out.text((layout.width - MARGIN, MARGIN + 72.0), 18.0, Anchor::End, INK, "Not for navigation");
}

fn map_body(
    out: &mut Svg,
    view: &View,
    layout: &Layout,
    bands: &Bands,
    surface: &Surface,
    info: &ChartInfo,
    levels: &Levels,
) {
    let frame = &layout.map;
    map::depth_areas(out, view, bands, &surface.areas(info.stage_m, levels));
    map::rim(out, view, surface);
    map::hatches(out, view, frame, surface, info);
    let contours = surface.contours(info.stage_m, levels);
    map::contour_lines(out, view, bands, &contours, &strong(levels));
    if surface.blank_reason().is_some() {
        map::dots(out, view, surface.nodes(), 3.0);
    } else if info.tracks {
        map::dots(out, view, surface.nodes(), 0.9);
    }
    let corner = frame::quiet_corner(view, frame, surface.nodes());
    let mut taken = Taken::default();
    taken.block(&corner);
    labels::contour_figures(out, view, frame, bands, &contours, info, &mut taken);
    labels::soundings(out, view, frame, bands, surface, info, &mut taken);
    frame::scale_and_north(out, view, &corner);
    if let Some(why) = surface.blank_reason() {
        let middle = (frame.x + frame.w / 2.0, frame.y + 60.0);
        out.text(middle, 18.0, Anchor::Middle, INK, &shortened(&why.to_string(), 18.0, frame.w - 80.0));
    }
}

/// Levels drawn stronger: zero, and every fifth counted from it.
fn strong(levels: &Levels) -> Vec<f64> {
    let all = levels.metres();
    let step = all.windows(2).map(|w| w[1] - w[0]).fold(f64::INFINITY, f64::min);
    let fifth = |v: f64| {
        let k = v / (5.0 * step);
        (k - libm::round(k)).abs() < 1e-6
    };
    all.iter().copied().filter(|v| *v == 0.0 || fifth(*v)).collect()
}

/// The surface itself, or for large surveys one of the shoalest cell of every square of `square_m`.
fn for_picture(surface: &Surface, square_m: f64) -> (Cow<'_, Surface>, Option<f64>) {
    if surface.n_cells() <= FEW {
        return (Cow::Borrowed(surface), None);
    }
    let thin = surface.thinned(square_m);
    if thin.n_cells() * 5 > surface.n_cells() * 4 {
        return (Cow::Borrowed(surface), None);
    }
    (Cow::Owned(thin), Some(square_m))
}
