//! Two surveys compared, as a sheet: how much the bed went up or down, hatched where nothing is proven.

mod matter;

use super::extent::{Extent, View};
use super::frame;
use super::layout::Rect;
use super::svg::{Anchor, Svg, head, px, shortened};
use crate::compare::{CHANGE_COLOURS, Sides, Square, square_m};
use crate::palette::{INK, PAPER};
use crate::{ChartInfo, Comparison, Theme, Units};
use leadline_model::LocalFrame;
use matter::Block;
use std::collections::BTreeMap;

const WIDTH: f64 = 1600.0;
const MARGIN: f64 = 44.0;
/// Top of the map and of the words.
const TOP: f64 = 144.0;
/// Width of the column of words, and what is left between it and the map.
const COLUMN: (f64, f64) = (420.0, 58.0);
/// Room for figures round the map.
const FIGURES: f64 = 28.0;
/// Least and largest height of the map.
const MAP_H: (f64, f64) = (760.0, 1700.0);

/// Steps of the colour scale, in the reader's unit.
const STEPS: [f64; 9] = [0.05, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0];
/// Share of the squares whose change lies inside the scale.
const INSIDE: f64 = 0.98;
/// Size of the block with scale bar and north arrow.
const BLOCK: (f64, f64) = (330.0, 84.0);
/// Patches numbered on the sheet.
pub(super) const MOST_NAMED: usize = 8;

/// Draws `change` with the words of both sides and everything a reader needs beside it.
pub fn change_svg(change: &Comparison, sides: &Sides, info: &ChartInfo) -> String {
    let ground = Ground::of(change);
    let scale = Scale::of(change, info.units);
    let blocks = matter::blocks(change, sides, info, &scale, COLUMN.0);
    let words = Block::total(&blocks);
    let map = map_of(&ground.extent, words);
    let view = View::fit(&ground.extent, &map);
    let height = (map.y + map.h + FIGURES).max(TOP + words) + MARGIN;

    let mut out = Svg(head(WIDTH, height));
    out.rect((0.0, 0.0), (WIDTH, height), &format!("fill=\"{PAPER}\""));
    title(&mut out, sides, info);
    ground.draw(&mut out, &view, &map, change, &scale);
    numbers(&mut out, &view, &ground.frame, change);
    if change.squares.is_empty() {
        let middle = (map.x + map.w / 2.0, map.y + 60.0);
        out.text(middle, 18.0, Anchor::Middle, INK, "No ground that both surveys know");
    }
    frame::border(&mut out, &view, &map, &ground.frame, Theme::Light);
    frame::scale_and_north(&mut out, &view, &ground.quiet_corner(&view, &map), Theme::Light, "");
    Block::place(&mut out, &blocks, (WIDTH - MARGIN - COLUMN.0, TOP));
    out.raw("</svg>");
    out.0
}

/// The map left of the words: as high as its ground or the words ask for.
fn map_of(extent: &Extent, words: f64) -> Rect {
    let w = WIDTH - MARGIN - FIGURES - COLUMN.0 - COLUMN.1 - FIGURES - MARGIN;
    let h = (w * extent.height() / extent.width()).max(words - FIGURES).clamp(MAP_H.0, MAP_H.1);
    Rect { x: MARGIN + FIGURES, y: TOP, w, h }
}

fn title(out: &mut Svg, sides: &Sides, info: &ChartInfo) {
    let room = WIDTH - 2.0 * MARGIN;
    let name = shortened(&format!("{}: what changed", info.survey), 42.0, room);
    out.text((MARGIN, MARGIN + 38.0), 42.0, Anchor::Start, INK, &name);
    let [first, second] = sides.called.words();
    let line = format!("{second} less {} depth in {}", first.to_lowercase(), info.units.word());
    out.text((MARGIN, MARGIN + 72.0), 18.0, Anchor::Start, INK, &line);
    out.text((WIDTH - MARGIN, MARGIN + 72.0), 18.0, Anchor::End, INK, "Not for navigation");
}

/// Classes of change, fill first, with round limits.
pub(super) struct Scale {
    /// Width of a class, metres.
    step_m: f64,
    /// The same in the reader's unit.
    pub(super) step: f64,
}

impl Scale {
    fn of(change: &Comparison, units: Units) -> Self {
        let mut sizes: Vec<f64> = change.squares.iter().map(|s| s.change_m.abs()).collect();
        let most = if sizes.is_empty() { 0.3 } else { crate::spread::quantile(&mut sizes, INSIDE) };
        let half = (CHANGE_COLOURS.len() / 2) as f64;
        let wanted = most / units.in_metres() / half;
        let step = STEPS.into_iter().find(|s| *s >= wanted).unwrap_or(STEPS[STEPS.len() - 1]);
        Self { step_m: step * units.in_metres(), step }
    }

    fn class(&self, change_m: f64) -> usize {
        let half = (CHANGE_COLOURS.len() / 2) as f64;
        let last = CHANGE_COLOURS.len() - 1;
        // Zero belongs to the lighter class of the deeper side; both are pale.
        libm::floor(change_m / self.step_m + half).clamp(0.0, last as f64) as usize
    }
}

/// The common squares in frame metres.
struct Ground {
    frame: LocalFrame,
    extent: Extent,
    /// Half a square, metres east and north.
    half: [f64; 2],
}

impl Ground {
    fn of(change: &Comparison) -> Self {
        let frame = change.frame();
        let half = square_m(&frame, change.side_cells).map(|v| v / 2.0);
        let mut extent = Extent { low: [0.0; 2], high: [0.0; 2] };
        for s in &change.squares {
            let (e, n) = frame.metres(s.at);
            for (k, v) in [e, n].into_iter().enumerate() {
                extent.low[k] = extent.low[k].min(v - half[k]);
                extent.high[k] = extent.high[k].max(v + half[k]);
            }
        }
        let border = f64::max(0.035 * f64::max(extent.width(), extent.height()), 20.0);
        for k in 0..2 {
            extent.low[k] -= border;
            extent.high[k] += border;
        }
        Self { frame, extent, half }
    }

    fn draw(&self, out: &mut Svg, view: &View, map: &Rect, change: &Comparison, scale: &Scale) {
        let mut classes: BTreeMap<usize, Vec<&Square>> = BTreeMap::new();
        for s in &change.squares {
            classes.entry(scale.class(s.change_m)).or_default().push(s);
        }
        for (class, squares) in classes {
            let fill = CHANGE_COLOURS[class];
            out.path(&self.runs(view, &squares), &format!("fill=\"{fill}\" shape-rendering=\"crispEdges\""));
        }
        let unproven: Vec<&Square> = change.squares.iter().filter(|s| s.patch.is_none()).collect();
        let d = self.runs(view, &unproven);
        hatch(out, map, &d);
        for p in &change.patches {
            let d = super::map::shape(view, &change.outline(&self.frame, p));
            let dash = if p.goes_with_shift { " stroke-dasharray=\"6 4\"" } else { "" };
            out.path(&d, &format!("fill=\"none\" stroke=\"{INK}\" stroke-width=\"1.6\"{dash}"));
        }
    }

    /// Squares as path data, neighbours in a row as one rectangle.
    fn runs(&self, view: &View, squares: &[&Square]) -> String {
        let mut d = String::new();
        for run in squares.chunk_by(|a, b| a.row == b.row && a.column + 1 == b.column) {
            let (Some(first), Some(last)) = (run.first(), run.last()) else { continue };
            let corner = |s: &Square, side: f64| {
                let (e, n) = self.frame.metres(s.at);
                view.px([e + side * self.half[0], n - side * self.half[1]])
            };
            let (x0, y0) = corner(first, -1.0);
            let (x1, y1) = corner(last, 1.0);
            d.push_str(&format!("M{} {}H{}V{}H{}Z", px(x0), px(y0), px(x1), px(y1), px(x0)));
        }
        d
    }

    /// The corner of the map with the least ground under the scale bar.
    fn quiet_corner(&self, view: &View, map: &Rect) -> Rect {
        let (w, h, inset) = (BLOCK.0, BLOCK.1, 16.0);
        let inside = |r: &Rect, low: [f64; 2], high: [f64; 2]| {
            let ((x0, y1), (x1, y0)) = (view.px(low), view.px(high));
            (x1.min(r.x + r.w) - x0.max(r.x)).max(0.0) * (y1.min(r.y + r.h) - y0.max(r.y)).max(0.0)
        };
        let corners = [map.y + map.h - h - inset, map.y + inset]
            .into_iter()
            .flat_map(|y| [map.x + inset, map.x + map.w - w - inset].map(|x| Rect { x, y, w, h }));
        let (low, high) = (self.extent.low, self.extent.high);
        corners.min_by(|a, b| inside(a, low, high).total_cmp(&inside(b, low, high))).unwrap_or(Rect {
            x: map.x,
            y: map.y,
            w,
            h,
        })
    }
}

/// Thin strokes: quiet enough to read the colour through.
fn hatch(out: &mut Svg, map: &Rect, d: &str) {
    if d.is_empty() {
        return;
    }
    out.raw(&format!("<clipPath id=\"unproven\"><path d=\"{d}\"/></clipPath>"));
    out.raw("<g clip-path=\"url(#unproven)\">");
    out.path(
        &strokes(map),
        &format!("fill=\"none\" stroke=\"{INK}\" stroke-opacity=\"0.38\" stroke-width=\"0.9\""),
    );
    out.raw("</g>");
}

/// Slanting strokes over a rectangle.
pub(super) fn strokes(r: &Rect) -> String {
    const STEP: f64 = 12.0;
    let n = ((r.w + r.h) / STEP) as i64;
    let one = |i: i64| {
        let x = r.x + i as f64 * STEP;
        format!("M{} {}L{} {}", px(x - r.h), px(r.y + r.h), px(x), px(r.y))
    };
    (0..=n).map(one).collect()
}

/// Numbers of the largest patches at their centres, on a small disc.
fn numbers(out: &mut Svg, view: &View, frame: &LocalFrame, change: &Comparison) {
    let mut taken: Vec<(f64, f64)> = Vec::new();
    for (i, p) in change.patches.iter().take(MOST_NAMED).enumerate() {
        let (e, n) = frame.metres(p.most_at);
        let at = view.px([e, n]);
        // A number that would lie on another is left to the table.
        if taken.iter().any(|t| (t.0 - at.0).abs() < 26.0 && (t.1 - at.1).abs() < 26.0) {
            continue;
        }
        taken.push(at);
        let (x, y) = (px(at.0), px(at.1));
        out.raw(&format!("<circle cx=\"{x}\" cy=\"{y}\" r=\"12\" fill=\"{PAPER}\" stroke=\"{INK}\"/>"));
        out.text((at.0, at.1 + 5.0), 14.0, Anchor::Middle, INK, &(i + 1).to_string());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes_are_symmetrical() {
        let s = Scale { step_m: 0.2, step: 0.2 };
        assert_eq!((s.class(-9.0), s.class(9.0)), (0, CHANGE_COLOURS.len() - 1));
        for v in [0.01, 0.19, 0.21, 0.5, 0.79] {
            assert_eq!(s.class(v) + s.class(-v), CHANGE_COLOURS.len() - 1, "{v}");
        }
    }

    #[test]
    fn an_empty_comparison_with_hostile_names_is_a_sheet() {
        let nothing = crate::compare(
            &crate::Surface::new(&[], &crate::SurfaceSettings::default()),
            &crate::Surface::new(&[], &crate::SurfaceSettings::default()),
            &crate::Water::around(&[]),
            0.0,
            false,
        );
        let info = ChartInfo { survey: "<script>".into(), ..ChartInfo::default() };
        let sides = Sides { before: "<b>".into(), after: "&".into(), ..Sides::default() };
        let svg = change_svg(&nothing, &sides, &info);
        assert!(svg.contains("&lt;script&gt;") && !svg.contains("<b>") && svg.ends_with("</svg>\n"));
        crate::png::parse(&svg).expect("reads back");
    }
}
