//! The chart as a picture: one SVG sheet, self-contained, the same bytes for the same cells.

mod change_plot;
mod coverage_map;
mod extent;
mod forms_map;
mod frame;
mod html;
mod inset;
mod labels;
mod layout;
mod legend;
mod map;
mod marks;
mod page;
mod panel;
mod paper;
mod parts;
mod plan_map;
mod soundings;
mod svg;
mod tags;
mod volume_plot;

pub use change_plot::change_svg;
pub use coverage_map::coverage_svg;
pub use forms_map::structure_svg;
pub use html::chart_html;
pub use panel::{SheetWords, sheet_words};
pub use paper::{PaperSize, SCALES, SheetSettings, Turn};
pub use plan_map::plan_svg;
pub use volume_plot::volume_svg;

use crate::{ChartError, ChartInfo, Levels, Surface, Theme};
use extent::{Extent, View, round_up};
use layout::{Layout, MARGIN, Plan};
pub(crate) use map::Bands;
use panel::{Block, Matter};
use parts::{Part, part};
use soundings::Selection;
use std::borrow::Cow;
use svg::{Anchor, Svg, shortened};
use tags::{Tag, Taken};

/// Cells nearer to each other than this in the picture are thinned to the shoalest, px.
const FINEST_PX: f64 = 3.0;
/// Below this many cells nothing is thinned.
const FEW: usize = 60_000;
/// The passes in small are worth this share of the map's size (judgement).
const ROOMY: f64 = 1.18;

/// Draws the safe surface at the chart's stage with everything a reader needs beside it, on the usual sheet. `levels` =
/// `None` chooses them for the survey's range.
pub fn chart_svg(surface: &Surface, info: &ChartInfo, levels: Option<&Levels>) -> String {
    let settings = SheetSettings::default();
    let chosen = Chosen::new(surface, info, levels, &settings);
    let best = chosen.layout(&settings);
    let view = chosen.fitted(&best.layout);
    chosen.draw(&best, &view, &settings)
}

/// The same on the paper and at the scale asked for, in the colours asked for.
///
/// # Errors
/// A scale outside [`SCALES`], or at which the survey does not fit on the paper.
pub fn chart_sheet(
    surface: &Surface,
    info: &ChartInfo,
    levels: Option<&Levels>,
    settings: &SheetSettings,
) -> Result<String, ChartError> {
    let chosen = Chosen::new(surface, info, levels, settings);
    let best = chosen.layout(settings);
    let fit = chosen.fitted(&best.layout);
    let Some(asked) = settings.scale else {
        return Ok(chosen.draw(&best, &fit, settings));
    };
    if !(SCALES.0..=SCALES.1).contains(&asked) {
        return Err(ChartError::PaperScale(asked));
    }
    let close = View::fit(&chosen.bare, &best.layout.map).placed(surface.frame());
    if asked < close.denominator() {
        let (fits, paper) = (round_up(close.denominator()), settings.paper.word());
        return Err(ChartError::ScaleTooLarge { asked, fits, paper });
    }
    Ok(chosen.draw(&best, &fit.at_scale(asked), settings))
}

/// What is drawn, chosen before the sheet is divided.
struct Chosen<'a> {
    surface: &'a Surface,
    info: &'a ChartInfo,
    levels: Levels,
    bands: Bands,
    part: Part,
    extent: Extent,
    /// The same without a border.
    bare: Extent,
}

/// A divided sheet with its panel.
struct Divided {
    layout: Layout,
    columns: Vec<Vec<Block>>,
    roomy: bool,
}

impl<'a> Chosen<'a> {
    fn new(
        surface: &'a Surface,
        info: &'a ChartInfo,
        levels: Option<&Levels>,
        settings: &SheetSettings,
    ) -> Self {
        let levels = levels.cloned().unwrap_or_else(|| surface.levels(info.stage_m, info.units));
        let range = surface.safe_range_m().map(|(lo, hi)| (lo + info.stage_m, hi + info.stage_m));
        let bands = Bands::new(levels.metres(), range, settings.theme);
        let part = part(surface.nodes(), settings.near);
        let ground = if part.elsewhere == 0 { surface.nodes_to_the_shore() } else { part.nodes.clone() };
        let (extent, bare) = (Extent::of(&ground), Extent::bare(&ground));
        Self { surface, info, levels, bands, part, extent, bare }
    }

    /// The largest scale that fits and has two digits.
    fn fitted(&self, layout: &Layout) -> View {
        let fit = View::fit(&self.extent, &layout.map).placed(self.surface.frame());
        fit.at_scale(round_up(fit.denominator()))
    }

    fn columns(&self, plan: &Plan, roomy: bool, thinned_m: Option<f64>) -> Vec<Vec<Block>> {
        let (n, width) = plan.columns();
        let levels = self.levels.metres();
        let (surface, info, bands, nodes) = (self.surface, self.info, &self.bands, &self.part.nodes);
        Matter { surface, info, bands, levels, nodes, width, roomy, thinned_m }.columns(n)
    }

    /// The division that shows the water largest.
    fn layout(&self, settings: &SheetSettings) -> Divided {
        let merit = |d: &Divided| d.layout.merit(&self.extent) * if d.roomy { ROOMY } else { 1.0 };
        let [first, others @ ..] = Plan::all(settings);
        let mut best = self.divided(first, true);
        let close = [first].into_iter().map(|p| (p, false));
        for (plan, roomy) in close.chain(others.into_iter().flat_map(|p| [(p, true), (p, false)])) {
            let one = self.divided(plan, roomy);
            if settings.turn.is_none_or(|t| plan.turn() == t) && merit(&one) > merit(&best) {
                best = one;
            }
        }
        best
    }

    fn divided(&self, plan: Plan, roomy: bool) -> Divided {
        let columns = self.columns(&plan, roomy, None);
        let layout = plan.divide(panel::height(&columns), panel::foot_height(plan.width));
        Divided { layout, columns, roomy }
    }

    fn draw(&self, best: &Divided, view: &View, settings: &SheetSettings) -> String {
        let (info, theme, layout) = (self.info, settings.theme, &best.layout);
        let (w, h) = (layout.plan.width, layout.plan.height);
        let (drawn, thinned_m) = for_picture(self.surface, FINEST_PX / view.scale);
        let words = sheet_words(self.surface, info);
        let mut out = Svg(svg::sheet_head(w, h, &words.name, &words.about));
        out.rect((0.0, 0.0), (w, h), &format!("fill=\"{}\"", theme.paper()));
        title(&mut out, layout, info, theme);
        let scale = format!(
            "1 : {} on {}",
            panel::grouped(libm::round(view.denominator()) as u64),
            settings.paper.word()
        );
        self.map_body(&mut out, view, layout, &drawn, &scale);
        frame::border(&mut out, view, &layout.map, self.surface.frame(), theme);
        match thinned_m {
            None => panel::place(&mut out, &best.columns, layout),
            some => panel::place(&mut out, &self.columns(&layout.plan, best.roomy, some), layout),
        }
        panel::foot(&mut out, layout, self.surface, theme);
        out.raw("</svg>");
        out.0
    }

    fn map_body(&self, out: &mut Svg, view: &View, layout: &Layout, surface: &Surface, scale: &str) {
        let (frame, info, bands) = (&layout.map, self.info, &self.bands);
        let (theme, nodes) = (bands.theme(), &self.part.nodes);
        let (x, y, w, h) = (svg::px(frame.x), svg::px(frame.y), svg::px(frame.w), svg::px(frame.h));
        out.raw(&format!("<clipPath id=\"map\"><path d=\"M{x} {y}h{w}v{h}h-{w}Z\"/></clipPath>"));
        out.raw("<g clip-path=\"url(#map)\">");
        map::depth_areas(out, view, bands, &surface.areas(info.stage_m, &self.levels));
        map::rim(out, view, surface, theme);
        let contours = surface.contours(info.stage_m, &self.levels);
        map::contour_lines(out, view, bands, &contours, &strong(&self.levels));
        if info.tracks {
            inset::draw_on_map(out, view, nodes, info, theme);
        }
        let signs = map::hatches(out, view, frame, bands, surface, info);
        if surface.blank_reason().is_some() {
            map::dots(out, view, nodes, theme);
        }
        let corner = frame::quiet_corner(view, frame, nodes);
        let mut taken = Taken::default();
        taken.take(Tag::of(&corner));
        marks::draw(out, view, frame, surface, info, theme, &mut taken);
        let mut selection = Selection::new(view, frame, bands, surface, info);
        out.raw("<g id=\"figures\">");
        selection.place_marked(out, &mut taken);
        map::dispute_signs(out, &signs, &mut taken, theme);
        labels::contour_figures(out, view, frame, bands, &contours, info, &mut taken);
        selection.place_others(out, &mut taken);
        out.raw("</g>\n</g>");
        frame::scale_and_north(out, view, &corner, theme, scale);
        if let Some(why) = surface.blank_reason() {
            let middle = (frame.x + frame.w / 2.0, frame.y + 60.0);
            let words = shortened(&why.to_string(), 18.0, frame.w - 80.0);
            out.text(middle, 18.0, Anchor::Middle, theme.ink(), &words);
        }
        if self.part.elsewhere > 0 {
            let (cells, at) = (panel::grouped(self.part.elsewhere as u64), &self.part.where_words);
            let words = format!("Not on this sheet: {cells} cells of other water, {at}");
            let middle = (frame.x + frame.w / 2.0, frame.y + 30.0);
            out.text(middle, 15.0, Anchor::Middle, theme.ink(), &shortened(&words, 15.0, frame.w - 40.0));
        }
    }
}

fn title(out: &mut Svg, layout: &Layout, info: &ChartInfo, theme: Theme) {
    let (room, ink) = (layout.plan.width - 2.0 * MARGIN, theme.ink());
    let name = shortened(&info.survey, 42.0, room);
    out.text((MARGIN, MARGIN + 38.0), 42.0, Anchor::Start, ink, &name);
    let warning = "Not for navigation";
    let line = shortened(&panel::title_line(info), 18.0, room - svg::width(warning, 18.0) - 30.0);
    out.text((MARGIN, MARGIN + 72.0), 18.0, Anchor::Start, ink, &line);
    out.text((layout.plan.width - MARGIN, MARGIN + 72.0), 18.0, Anchor::End, ink, warning);
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

#[cfg(test)]
mod tests;
