//! What lies inside the map frame, drawn from the bed upward: depth areas, hatches, contours, tracks.

use super::extent::View;
use super::layout::Rect;
use super::svg::{Svg, path_data, px};
use super::tags::{Px, Tag, Taken, gap};
use crate::contour::{areas, contours};
use crate::nodes::Node;
use crate::palette::{Colour, blend};
use crate::{ChartInfo, Contour, ContourLine, DepthArea, Surface, Theme};
use geo::{Area, BoundingRect, Centroid, LineString, Polygon};
use leadline_model::Grade;

/// Points nearer than this to the last one are not written.
const LEAST_STEP: f64 = 0.45;

/// Colours of the bands between levels at the charted stage.
pub(crate) struct Bands {
    levels: Vec<f64>,
    colours: Vec<Colour>,
    theme: Theme,
}

impl Bands {
    /// One colour for each band that `range` touches, shoal first; bands that dry have their own.
    pub(crate) fn new(levels: &[f64], range: Option<(f64, f64)>, theme: Theme) -> Self {
        let n = levels.len() + 1;
        let dry = |band: usize| levels.get(band).is_some_and(|to| *to <= 0.0);
        let band_of = |d: f64| levels.partition_point(|l| *l <= d);
        let (first, last) = range.map_or((0, n - 1), |(lo, hi)| (band_of(lo), band_of(hi)));
        let wet: Vec<usize> = (0..n).filter(|b| !dry(*b) && (first..=last).contains(b)).collect();
        let place = |b: usize| wet.partition_point(|w| *w < b);
        let colours = (0..n).map(|b| if dry(b) { theme.drying() } else { theme.depth(place(b), wet.len()) });
        Self { levels: levels.to_vec(), colours: colours.collect(), theme }
    }

    pub(super) fn theme(&self) -> Theme {
        self.theme
    }

    /// Colour at a charted depth.
    pub(crate) fn at(&self, depth_m: f64) -> Colour {
        self.colours
            .get(self.levels.partition_point(|l| *l <= depth_m))
            .copied()
            .unwrap_or(self.theme.paper())
    }

    /// Between the two bands that meet at a level.
    pub(crate) fn across(&self, level_m: f64) -> Colour {
        let deep = self.levels.partition_point(|l| *l <= level_m);
        let colour = |b: usize| self.colours.get(b).copied().unwrap_or(self.theme.paper());
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

/// The edge of the known water: a fine dashed line, for it is the limit of the survey and no shore.
pub(super) fn rim(out: &mut Svg, view: &View, surface: &Surface, theme: Theme) {
    let field = surface.field(|_| 0.0);
    let d: String = areas(surface.mesh(), &field, &[]).iter().map(|a| shape(view, &a.polygons)).collect();
    let ink = theme.ink();
    out.path(
        &d,
        &format!("fill=\"none\" stroke=\"{ink}\" stroke-opacity=\"0.6\" stroke-width=\"1\" stroke-dasharray=\"6 3\""),
    );
}

/// Contours in a quiet shade of what they cross; every fifth level, and zero, a little stronger.
pub(super) fn contour_lines(out: &mut Svg, view: &View, bands: &Bands, all: &[Contour], strong: &[f64]) {
    for c in all {
        let under = bands.across(c.depth_m);
        let stroke = blend(under, bands.theme.ink_on(under), 0.62);
        let width = if strong.contains(&c.depth_m) { 1.7 } else { 0.9 };
        let style =
            format!("fill=\"none\" stroke=\"{stroke}\" stroke-width=\"{width}\" stroke-linejoin=\"round\"");
        out.path(&lines_data(view, c), &style);
    }
}

/// A hatch: angle of its strokes as (dx, dy) a step, distance and width in px.
#[derive(Clone, Copy, PartialEq, Eq)]
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

    /// Fills the shape `d`, as clip path `clip` over `frame`: a stroke of ink and a thin one of paper beside it, so that
    /// it shows on light and on dark water.
    pub(super) fn fill(self, out: &mut Svg, theme: Theme, frame: &Rect, clip: &str, d: &str) {
        if d.is_empty() {
            return;
        }
        out.raw(&format!("<clipPath id=\"{clip}\"><path d=\"{d}\" clip-rule=\"evenodd\"/></clipPath>"));
        out.raw(&format!("<g clip-path=\"url(#{clip})\" fill=\"none\">"));
        let (ink, paper) = (theme.ink(), theme.paper());
        let lower = Rect { y: frame.y + 1.1, ..*frame };
        let beside = format!("stroke=\"{paper}\" stroke-opacity=\"0.6\" stroke-width=\"1\"");
        out.path(&self.strokes(&lower), &beside);
        out.path(
            &self.strokes(frame),
            &format!("stroke=\"{ink}\" stroke-opacity=\"0.72\" stroke-width=\"1.1\""),
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

/// Disputed ground smaller than this gets a sign of its own instead of a hatch nobody would see, px².
const SMALL: f64 = 150.0;
/// Half the diagonal of that sign, px.
const SIGN: f64 = 4.6;

/// Loose and disputed ground, and where the boat would touch. Gives the places of the small signs.
pub(super) fn hatches(
    out: &mut Svg,
    view: &View,
    frame: &Rect,
    bands: &Bands,
    surface: &Surface,
    info: &ChartInfo,
) -> Vec<Px> {
    let theme = bands.theme;
    let loose = patch(surface, |n| n.grade == Grade::Loose);
    Hatch::Loose.fill(out, theme, frame, "loose", &shape(view, &loose));
    let (small, large): (Vec<_>, Vec<_>) = patch(surface, |n| n.disputed)
        .into_iter()
        .partition(|p| p.unsigned_area() * view.scale * view.scale < SMALL);
    let d = shape(view, &large);
    Hatch::Disputed.fill(out, theme, frame, "disputed", &d);
    out.path(&d, &format!("fill=\"none\" stroke=\"{}\" stroke-width=\"1\"", theme.ink()));
    touch(out, view, frame, theme, surface, info);
    let mut signs: Vec<Px> = Vec::new();
    for at in small.iter().filter(|p| shown(view, p.exterior())).filter_map(Centroid::centroid) {
        let at = view.coord(&at.0);
        if signs.iter().all(|s| gap(*s, at) > 3.0 * SIGN) {
            signs.push(at);
        }
    }
    signs
}

/// Draws the small signs, beside a figure that stands in their place.
pub(super) fn dispute_signs(out: &mut Svg, signs: &[Px], taken: &mut Taken, theme: Theme) {
    const BESIDE: [Px; 9] = [
        (0.0, 0.0),
        (1.0, 0.0),
        (-1.0, 0.0),
        (0.0, 1.0),
        (0.0, -1.0),
        (0.7, 0.7),
        (-0.7, 0.7),
        (0.7, -0.7),
        (-0.7, -0.7),
    ];
    for (x, y) in signs {
        let tried = [10.0, 18.0, 26.0].into_iter().flat_map(|r| BESIDE.map(|d| (x + r * d.0, y + r * d.1)));
        let tags = tried.map(|p| Tag::level(p, (SIGN + 1.0, SIGN + 1.0)));
        if let Some(tag) = tags.into_iter().find(|t| taken.free(t)) {
            dispute_sign(out, tag.middle, theme);
            taken.take(tag);
        } else {
            dispute_sign(out, (*x, *y), theme);
        }
    }
}

/// A small open diamond.
pub(super) fn dispute_sign(out: &mut Svg, (x, y): Px, theme: Theme) {
    let corners = [(x, y - SIGN), (x + SIGN, y), (x, y + SIGN), (x - SIGN, y)];
    let d = path_data(corners.into_iter(), true, 0.0);
    let (ink, paper) = (theme.ink(), theme.paper());
    out.path(&d, &format!("fill=\"{paper}\" fill-opacity=\"0.8\" stroke=\"{ink}\" stroke-width=\"1.1\""));
}

fn touch(out: &mut Svg, view: &View, frame: &Rect, theme: Theme, surface: &Surface, info: &ChartInfo) {
    let Some(touch) = info.touch else { return };
    let limit = touch.draft_m + touch.margin_m;
    let field = surface.field(|n| n.safe_m + info.stage_m);
    let shoal = areas(surface.mesh(), &field, &[limit]).into_iter().find(|a| a.to_m == Some(limit));
    let d = shoal.map(|a| shape(view, &a.polygons)).unwrap_or_default();
    Hatch::Touch.fill(out, theme, frame, "touch", &d);
    // Outlined on its deep side only: the edge of the known water is no limit of the boat's.
    let edge: String =
        contours(surface.mesh(), &field, &[limit]).iter().map(|c| lines_data(view, c)).collect();
    let style = |c: Colour, w: f64, opacity: f64| {
        format!(
            "fill=\"none\" stroke=\"{c}\" stroke-width=\"{w}\" stroke-opacity=\"{opacity}\" stroke-linejoin=\"round\""
        )
    };
    out.path(&edge, &style(theme.paper(), 3.4, 0.5));
    out.path(&edge, &style(theme.ink(), 1.6, 1.0));
}

/// Path data of all lines of a contour.
fn lines_data(view: &View, c: &Contour) -> String {
    let one = |l: &ContourLine| path_data(l.points.0.iter().map(|p| view.coord(p)), l.closed, LEAST_STEP);
    c.lines.iter().filter(|l| shown(view, &l.points)).map(one).collect()
}

/// The ground nearer to nodes that are `so` than to others.
fn patch(surface: &Surface, so: impl Fn(&Node) -> bool) -> Vec<Polygon<f64>> {
    let field = surface.field(|n| if so(n) { 1.0 } else { 0.0 });
    let all = areas(surface.mesh(), &field, &[0.5]);
    all.into_iter().find(|a| a.from_m == Some(0.5)).map(|a| a.polygons).unwrap_or_default()
}

/// A dot for each node, where there is no surface to show them.
pub(super) fn dots(out: &mut Svg, view: &View, nodes: &[Node], theme: Theme) {
    let mut last = None;
    for n in nodes {
        let (x, y) = view.px(n.xy);
        let at = (libm::round(x), libm::round(y));
        if last != Some(at) {
            let (x, y, ink) = (px(x), px(y), theme.ink());
            out.raw(&format!("<circle cx=\"{x}\" cy=\"{y}\" r=\"3\" fill=\"{ink}\" fill-opacity=\"0.5\"/>"));
        }
        last = Some(at);
    }
}

/// Path data of polygons.
pub(super) fn shape(view: &View, polygons: &[Polygon<f64>]) -> String {
    let near = polygons.iter().filter(|p| shown(view, p.exterior()));
    let rings = near.flat_map(|p| std::iter::once(p.exterior()).chain(p.interiors()));
    rings.map(|r| path_data(r.0.iter().map(|c| view.coord(c)), true, LEAST_STEP)).collect()
}

/// Whether a line can touch the map: far waters are left to other sheets.
pub(super) fn shown(view: &View, line: &LineString<f64>) -> bool {
    line.bounding_rect().is_some_and(|b| view.shows([b.min().x, b.min().y], [b.max().x, b.max().y]))
}
