//! A page with one map and a panel beside it: what coverage and plans are drawn on.

use super::extent::{Extent, View};
use super::frame;
use super::layout::Rect;
use super::svg::{Anchor, Svg, head, path_data, px, shortened};
use crate::palette::{Colour, INK, PAPER};
use crate::units::fixed;
use crate::{ChartInfo, Theme};
use leadline_model::{CAUTION, LocalFrame, PRODUCT, UtcMillis};

const MARGIN: f64 = 44.0;
const TOP: f64 = 144.0;
const MAP_W: f64 = 1080.0;
const MAP_H: (f64, f64) = (700.0, 1500.0);
/// Room for figures round the map.
const FIGURES: f64 = 28.0;
const PANEL_W: f64 = 420.0;
const WIDTH: f64 = MARGIN + FIGURES + MAP_W + FIGURES + 30.0 + PANEL_W + MARGIN;
const TEXT: f64 = 15.0;

/// Water of a grade: one hue, the surer the darker; loose and unknown are told by hatch and by white.
pub(super) const SURE: Colour = Colour(92, 128, 156);
pub(super) const FAIR: Colour = Colour(158, 186, 204);
pub(super) const LOOSE: Colour = Colour(214, 226, 234);

/// How an area is ruled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ruled {
    /// Strokes up and down.
    Upright,
    /// Strokes rising to the right.
    Rising,
    /// Strokes both ways.
    Both,
}

/// The page being drawn.
pub(super) struct Page {
    pub(super) svg: Svg,
    pub(super) view: View,
    pub(super) map: Rect,
    /// Next free height in the panel.
    y: f64,
    clips: usize,
    /// Middles of the tags on the map, px.
    tags: Vec<(f64, f64)>,
}

impl Page {
    /// Title and an empty map of `extent`.
    pub(super) fn new(title: &str, line: &str, extent: &Extent) -> Self {
        let h = (MAP_W * extent.height() / extent.width()).clamp(MAP_H.0, MAP_H.1);
        let map = Rect { x: MARGIN + FIGURES, y: TOP, w: MAP_W, h };
        let mut svg = Svg::default();
        let room = WIDTH - 2.0 * MARGIN;
        svg.text((MARGIN, MARGIN + 36.0), 38.0, Anchor::Start, INK, &shortened(title, 38.0, room));
        svg.text((MARGIN, MARGIN + 68.0), 18.0, Anchor::Start, INK, &shortened(line, 18.0, room - 200.0));
        svg.text((WIDTH - MARGIN, MARGIN + 68.0), 18.0, Anchor::End, INK, "Not for navigation");
        svg.raw(&format!(
            "<clipPath id=\"map\"><rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/></clipPath>",
            px(map.x),
            px(map.y),
            px(map.w),
            px(map.h)
        ));
        Self { svg, view: View::fit(extent, &map), map, y: TOP, clips: 0, tags: Vec::new() }
    }

    /// Begins what is cut off at the map's edge.
    pub(super) fn open_map(&mut self) {
        self.svg.raw("<g clip-path=\"url(#map)\">");
    }

    /// Ends it.
    pub(super) fn close_map(&mut self) {
        self.svg.raw("</g>");
    }

    /// Rules the area inside path data `d`.
    pub(super) fn rule(&mut self, d: &str, ruled: Ruled) {
        let frame = self.map;
        self.rule_in(d, ruled, &frame);
    }

    fn rule_in(&mut self, d: &str, ruled: Ruled, frame: &Rect) {
        if d.is_empty() {
            return;
        }
        self.clips += 1;
        let clip = format!("ruled-{}", self.clips);
        self.svg.raw(&format!("<clipPath id=\"{clip}\"><path d=\"{d}\" clip-rule=\"evenodd\"/></clipPath>"));
        let strokes = match ruled {
            Ruled::Upright => upright(frame),
            Ruled::Rising => slanting(frame, true),
            Ruled::Both => slanting(frame, true) + &slanting(frame, false),
        };
        self.svg.raw(&format!("<g clip-path=\"url(#{clip})\" fill=\"none\">"));
        self.svg.path(&strokes, &format!("stroke=\"{PAPER}\" stroke-opacity=\"0.6\" stroke-width=\"2.6\""));
        self.svg.path(&strokes, &format!("stroke=\"{INK}\" stroke-opacity=\"0.75\" stroke-width=\"1.1\""));
        self.svg.raw("</g>");
    }

    /// A number in a small disc at a place in frame metres, unless it would hide another one.
    pub(super) fn tag(&mut self, at: [f64; 2], text: &str) {
        let (x, y) = self.view.px(at);
        if self.tags.iter().any(|t| libm::hypot(t.0 - x, t.1 - y) < 22.0) {
            return;
        }
        self.tags.push((x, y));
        self.svg.raw(&format!(
            "<circle cx=\"{}\" cy=\"{}\" r=\"11\" fill=\"{PAPER}\" stroke=\"{INK}\" stroke-width=\"1.3\"/>",
            px(x),
            px(y)
        ));
        self.svg.text((x, y + 4.7), 13.0, Anchor::Middle, INK, text);
    }

    /// A square sign at a place in frame metres: where the drive begins.
    pub(super) fn square(&mut self, at: [f64; 2]) {
        let (x, y) = self.view.px(at);
        self.svg.rect(
            (x - 8.0, y - 8.0),
            (16.0, 16.0),
            &format!("fill=\"{INK}\" stroke=\"{PAPER}\" stroke-width=\"2\""),
        );
    }

    /// Border with graticule, scale bar and north arrow in the corner that hides the fewest of `points`.
    pub(super) fn surround(&mut self, frame: &LocalFrame, points: &[[f64; 2]]) {
        let (w, h, inset) = (330.0, 84.0, 16.0);
        let m = self.map;
        let corners = [
            (m.x + inset, m.y + m.h - h - inset),
            (m.x + m.w - w - inset, m.y + m.h - h - inset),
            (m.x + inset, m.y + inset),
            (m.x + m.w - w - inset, m.y + inset),
        ];
        let under = |c: &(f64, f64)| {
            let inside = |p: (f64, f64)| p.0 >= c.0 && p.0 <= c.0 + w && p.1 >= c.1 && p.1 <= c.1 + h;
            points.iter().filter(|p| inside(self.view.px(**p))).count()
        };
        let (x, y) = corners.into_iter().min_by_key(under).unwrap_or(corners[0]);
        frame::scale_and_north(&mut self.svg, &self.view, &Rect { x, y, w, h }, Theme::Light, "");
        frame::border(&mut self.svg, &self.view, &self.map, frame, Theme::Light);
    }

    fn left() -> f64 {
        WIDTH - MARGIN - PANEL_W
    }

    /// A heading in the panel.
    pub(super) fn heading(&mut self, text: &str) {
        let x = Self::left();
        if self.y > TOP {
            self.y += 16.0;
        }
        self.svg.segment(
            (x, self.y + 0.5),
            (x + PANEL_W, self.y + 0.5),
            &format!("stroke=\"{INK}\" stroke-width=\"1.2\""),
        );
        self.svg.text((x, self.y + 25.0), 18.0, Anchor::Start, INK, text);
        self.y += 34.0;
    }

    /// Words in the panel.
    pub(super) fn words(&mut self, text: &str) {
        self.y += self.svg.lines((Self::left(), self.y + TEXT), TEXT, PANEL_W, INK, text) + 3.0;
    }

    /// A row with a figure at its end.
    pub(super) fn row(&mut self, what: &str, figure: &str) {
        let x = Self::left();
        let y = self.y + TEXT;
        let room = PANEL_W - super::svg::width(figure, TEXT) - 12.0;
        self.svg.text((x, y), TEXT, Anchor::Start, INK, &shortened(what, TEXT, room));
        self.svg.text((x + PANEL_W, y), TEXT, Anchor::End, INK, figure);
        self.y += 22.0;
    }

    /// A sign of the map, what it means, and a figure at the end of the row.
    pub(super) fn sign(&mut self, fill: Colour, ruled: Option<Ruled>, what: &str, figure: &str) {
        let x = Self::left();
        let swatch = Rect { x, y: self.y + 2.0, w: 46.0, h: 24.0 };
        self.svg.rect(
            (x, swatch.y),
            (swatch.w, swatch.h),
            &format!("fill=\"{fill}\" stroke=\"{INK}\" stroke-width=\"1\""),
        );
        if let Some(ruled) = ruled {
            let d = format!("M{} {}h46v24h-46Z", px(x), px(swatch.y));
            self.rule_in(&d, ruled, &swatch);
        }
        self.sign_words(what, figure);
    }

    /// A line of the map, what it means, and a figure.
    pub(super) fn line_sign(&mut self, style: &str, what: &str, figure: &str) {
        let x = Self::left();
        self.svg.segment((x, self.y + 14.0), (x + 46.0, self.y + 14.0), style);
        self.sign_words(what, figure);
    }

    fn sign_words(&mut self, what: &str, figure: &str) {
        let x = Self::left();
        let room = PANEL_W - 58.0 - super::svg::width(figure, TEXT) - 10.0;
        self.svg.text((x + PANEL_W, self.y + 19.0), TEXT, Anchor::End, INK, figure);
        let used = self.svg.lines((x + 58.0, self.y + 19.0), TEXT, room, INK, what);
        self.y += used.max(22.0) + 10.0;
    }

    /// Datum, stage, boats, dates and the caution; closes the page.
    pub(super) fn finish(mut self, info: &ChartInfo, newest: Option<UtcMillis>) -> String {
        self.heading("Water level and sources");
        let stage = if info.stage_m == 0.0 {
            "Depths at the sounding datum (stage 0).".to_owned()
        } else {
            let side = if info.stage_m > 0.0 { "above" } else { "below" };
            format!("Depths at a stage of {} m {side} the sounding datum.", fixed(info.stage_m.abs(), 2))
        };
        self.words(&stage);
        self.words(&format!("Sounding datum: {}", info.datum));
        let boats = info.boats();
        if !boats.is_empty() {
            let shown: Vec<&str> = boats.iter().copied().take(6).collect();
            let more = if boats.len() > 6 { format!(" and {} more", boats.len() - 6) } else { String::new() };
            self.words(&format!("Boats: {}{more}", shown.join(", ")));
        }
        self.heading("Caution");
        self.words(CAUTION);
        let upto = newest.map(|d| format!(", soundings up to {}", d.date_text())).unwrap_or_default();
        self.words(&format!("Made with {PRODUCT}{upto}. Positions WGS 84."));
        let height = (self.map.y + self.map.h + FIGURES).max(self.y) + MARGIN;
        let mut out = Svg(head(WIDTH, height));
        out.rect((0.0, 0.0), (WIDTH, height), &format!("fill=\"{PAPER}\""));
        out.0.push_str(&self.svg.0);
        out.raw("</svg>");
        out.0
    }
}

/// Box around points in frame metres with a small border; at least 80 m a side.
pub(super) fn extent<'a>(points: impl Iterator<Item = &'a [f64; 2]>) -> Extent {
    let mut e = Extent { low: [f64::INFINITY; 2], high: [f64::NEG_INFINITY; 2] };
    for p in points {
        for (k, v) in p.iter().enumerate() {
            e.low[k] = e.low[k].min(*v);
            e.high[k] = e.high[k].max(*v);
        }
    }
    if !(e.low[0].is_finite() && e.low[1].is_finite()) {
        e = Extent { low: [0.0; 2], high: [0.0; 2] };
    }
    let border = (0.04 * e.width().max(e.height())).max(40.0);
    for k in 0..2 {
        e.low[k] -= border;
        e.high[k] += border;
    }
    e
}

fn upright(f: &Rect) -> String {
    let n = (f.w / 7.0) as i64;
    let one = |i: i64| {
        let x = f.x + 3.5 + i as f64 * 7.0;
        path_data([(x, f.y), (x, f.y + f.h)].into_iter(), false, 0.0)
    };
    (0..=n).map(one).collect()
}

fn slanting(f: &Rect, rising: bool) -> String {
    let step = 13.0;
    let n = ((f.w + f.h) / step) as i64 + 1;
    let one = |i: i64| {
        let x = f.x + i as f64 * step;
        let (from, to) = if rising { (x - f.h, x) } else { (x, x - f.h) };
        path_data([(from, f.y + f.h), (to, f.y)].into_iter(), false, 0.0)
    };
    (0..=n).map(one).collect()
}
