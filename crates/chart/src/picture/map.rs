//! What lies inside the map frame, drawn from the bed upward: depth areas, hatches, contours, tracks.

use super::layout::{Rect, View};
use super::svg::{Svg, path_data};
use crate::contour::{areas, contours};
use crate::nodes::Node;
use crate::palette::{Colour, DRYING, INK, PAPER, blend, depth_colour, ink_on};
use crate::{ChartInfo, Contour, ContourLine, DepthArea, Surface};
use geo::Polygon;
use leadline_model::Grade;

/// Points nearer than this to the last one are not written.
const LEAST_STEP: f64 = 0.45;

/// Colours of the bands between levels at the charted stage.
pub(crate) struct Bands {
    levels: Vec<f64>,
    colours: Vec<Colour>,
}

impl Bands {
    /// One colour for each band that `range` touches, shoal first; bands that dry have their own.
    pub(crate) fn new(levels: &[f64], range: Option<(f64, f64)>) -> Self {
        let n = levels.len() + 1;
        let dry = |band: usize| levels.get(band).is_some_and(|to| *to <= 0.0);
        let band_of = |d: f64| levels.partition_point(|l| *l <= d);
        let (first, last) = range.map_or((0, n - 1), |(lo, hi)| (band_of(lo), band_of(hi)));
        let wet: Vec<usize> = (0..n).filter(|b| !dry(*b) && (first..=last).contains(b)).collect();
        let place = |b: usize| wet.partition_point(|w| *w < b);
        let colours = (0..n).map(|b| if dry(b) { DRYING } else { depth_colour(place(b), wet.len()) });
        Self { levels: levels.to_vec(), colours: colours.collect() }
    }

    /// Colour at a charted depth.
    pub(crate) fn at(&self, depth_m: f64) -> Colour {
        self.colours.get(self.levels.partition_point(|l| *l <= depth_m)).copied().unwrap_or(PAPER)
    }

    /// Between the two bands that meet at a level.
    pub(crate) fn across(&self, level_m: f64) -> Colour {
        let deep = self.levels.partition_point(|l| *l <= level_m);
        let colour = |b: usize| self.colours.get(b).copied().unwrap_or(PAPER);
        blend(colour(deep.saturating_sub(1)), colour(deep), 0.5)
    }
}

/// Depth areas as filled shapes; the stroke of the same colour hides the seams.
pub(super) fn depth_areas(out: &mut Svg, view: &View, bands: &Bands, all: &[DepthArea]) {
    for a in all {
        let inside = match (a.from_m, a.to_m) {
            (Some(from), _) => from,
            (None, Some(to)) => to - 1e-6,
            (None, None) => 0.0,
        };
        let colour = bands.at(inside);
        let d = shape(view, &a.polygons);
        out.path(
            &d,
            &format!("fill=\"{colour}\" fill-rule=\"evenodd\" stroke=\"{colour}\" stroke-width=\"0.8\""),
        );
    }
}

/// The edge of the known water, a fine line.
pub(super) fn rim(out: &mut Svg, view: &View, surface: &Surface) {
    let field = surface.field(|_| 0.0);
    let d: String = areas(surface.mesh(), &field, &[]).iter().map(|a| shape(view, &a.polygons)).collect();
    out.path(&d, &format!("fill=\"none\" stroke=\"{INK}\" stroke-opacity=\"0.5\" stroke-width=\"1\""));
}

/// Contours in a quiet shade of what they cross; every fifth level, and zero, a little stronger.
pub(super) fn contour_lines(out: &mut Svg, view: &View, bands: &Bands, all: &[Contour], strong: &[f64]) {
    for c in all {
        let under = bands.across(c.depth_m);
        let stroke = blend(under, ink_on(under), 0.62);
        let width = if strong.contains(&c.depth_m) { 1.7 } else { 0.9 };
        let style =
            format!("fill=\"none\" stroke=\"{stroke}\" stroke-width=\"{width}\" stroke-linejoin=\"round\"");
        out.path(&lines_data(view, c), &style);
    }
}

/// A hatch: angle of its strokes as (dx, dy) a step, distance and width in px.
#[derive(Clone, Copy)]
pub(super) enum Hatch {
    /// Loose: one set of slanting strokes.
    Loose,
    /// Disputed: strokes both ways.
    Disputed,
    /// This boat would touch: close level strokes.
    Touch,
}

impl Hatch {
    fn spacing(self) -> f64 {
        match self {
            Self::Loose => 11.0,
            Self::Disputed => 8.0,
            Self::Touch => 6.0,
        }
    }

    /// Stroke paths over `frame`.
    fn strokes(self, frame: &Rect) -> String {
        match self {
            Self::Loose => slant(frame, self.spacing(), 1.0),
            Self::Disputed => slant(frame, self.spacing(), 1.0) + &slant(frame, self.spacing(), -1.0),
            Self::Touch => level(frame, self.spacing()),
        }
    }

    /// Fills the clip path `clip` over `frame`: an ink stroke and a thin pale one beside it, so that it shows
    /// on light and on dark water.
    pub(super) fn fill(self, out: &mut Svg, frame: &Rect, clip: &str, d: &str) {
        if d.is_empty() {
            return;
        }
        out.raw(&format!("<clipPath id=\"{clip}\"><path d=\"{d}\" clip-rule=\"evenodd\"/></clipPath>"));
        out.raw(&format!("<g clip-path=\"url(#{clip})\" fill=\"none\">"));
        let width = if matches!(self, Self::Touch) { 1.5 } else { 1.1 };
        let lower = Rect { y: frame.y + 1.1, ..*frame };
        out.path(
            &self.strokes(&lower),
            &format!("stroke=\"{PAPER}\" stroke-opacity=\"0.7\" stroke-width=\"1\""),
        );
        out.path(
            &self.strokes(frame),
            &format!("stroke=\"{INK}\" stroke-opacity=\"0.72\" stroke-width=\"{width}\""),
        );
        out.raw("</g>");
    }
}

/// Slanting strokes at 45°, rising to the right for `turn` 1, falling for −1.
fn slant(f: &Rect, spacing: f64, turn: f64) -> String {
    let step = spacing * std::f64::consts::SQRT_2;
    let n = ((f.w + f.h) / step) as i64 + 1;
    let one = |i: i64| {
        let x = f.x + i as f64 * step;
        let (from, to) = if turn > 0.0 { (x - f.h, x) } else { (x, x - f.h) };
        path_data([(from, f.y + f.h), (to, f.y)].into_iter(), false, 0.0)
    };
    (0..=n).map(one).collect()
}

fn level(f: &Rect, spacing: f64) -> String {
    let n = (f.h / spacing) as i64 + 1;
    let one = |i: i64| {
        let y = f.y + i as f64 * spacing;
        path_data([(f.x, y), (f.x + f.w, y)].into_iter(), false, 0.0)
    };
    (0..=n).map(one).collect()
}

/// Loose and disputed ground, and where the boat would touch.
pub(super) fn hatches(out: &mut Svg, view: &View, frame: &Rect, surface: &Surface, info: &ChartInfo) {
    let loose = patch(surface, view, |n| n.grade == Grade::Loose);
    Hatch::Loose.fill(out, frame, "loose", &loose);
    let disputed = patch(surface, view, |n| n.disputed);
    Hatch::Disputed.fill(out, frame, "disputed", &disputed);
    // Single cells are too small to show their hatch; the outline shows them.
    out.path(&disputed, &format!("fill=\"none\" stroke=\"{INK}\" stroke-width=\"1\""));
    if let Some(touch) = info.touch {
        let limit = touch.draft_m + touch.margin_m;
        let field = surface.field(|n| n.safe_m + info.stage_m);
        let shoal = areas(surface.mesh(), &field, &[limit]).into_iter().find(|a| a.to_m == Some(limit));
        let d = shoal.map(|a| shape(view, &a.polygons)).unwrap_or_default();
        Hatch::Touch.fill(out, frame, "touch", &d);
        // Outlined on its deep side only: the edge of the known water is no limit of the boat's.
        let edge: String =
            contours(surface.mesh(), &field, &[limit]).iter().map(|c| lines_data(view, c)).collect();
        out.path(
            &edge,
            &format!("fill=\"none\" stroke=\"{INK}\" stroke-width=\"2.2\" stroke-linejoin=\"round\""),
        );
    }
}

/// Path data of all lines of a contour.
fn lines_data(view: &View, c: &Contour) -> String {
    let one = |l: &ContourLine| path_data(l.points.0.iter().map(|p| view.coord(p)), l.closed, LEAST_STEP);
    c.lines.iter().map(one).collect()
}

/// The ground nearer to nodes that are `so` than to others.
fn patch(surface: &Surface, view: &View, so: impl Fn(&Node) -> bool) -> String {
    let field = surface.field(|n| if so(n) { 1.0 } else { 0.0 });
    let all = areas(surface.mesh(), &field, &[0.5]);
    all.iter().find(|a| a.from_m == Some(0.5)).map(|a| shape(view, &a.polygons)).unwrap_or_default()
}

/// A fine dot for each node; larger ones where there is no surface to show them.
pub(super) fn dots(out: &mut Svg, view: &View, nodes: &[Node], radius: f64) {
    let mut last = None;
    for n in nodes {
        let (x, y) = view.px(n.xy);
        let at = (libm::round(x), libm::round(y));
        if last != Some(at) {
            let (x, y) = (super::svg::px(x), super::svg::px(y));
            out.raw(&format!(
                "<circle cx=\"{x}\" cy=\"{y}\" r=\"{radius}\" fill=\"{INK}\" fill-opacity=\"0.5\"/>"
            ));
        }
        last = Some(at);
    }
}

/// Path data of polygons.
pub(super) fn shape(view: &View, polygons: &[Polygon<f64>]) -> String {
    let rings = polygons.iter().flat_map(|p| std::iter::once(p.exterior()).chain(p.interiors()));
    rings.map(|r| path_data(r.0.iter().map(|c| view.coord(c)), true, LEAST_STEP)).collect()
}
