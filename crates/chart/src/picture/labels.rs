//! Figures along the contours.

use super::extent::View;
use super::layout::Rect;
use super::map::{Bands, shown};
use super::svg::{Svg, px, width, xml};
use super::tags::{Px, Tag, Taken, gap};
use crate::palette::Colour;
use crate::units::fixed;
use crate::{ChartInfo, Contour, ContourLine};

const SIZE: f64 = 13.5;
/// Labels on one line are at least this far apart, px along the line.
const ALONG: f64 = 420.0;
/// White kept on either side of a figure, px.
const ROOM: f64 = 3.0;
/// Half the height that figures of a size need, halo included.
pub(super) const HALF_HEIGHT: f64 = 0.62;

/// A line to be labelled: its length and points on the sheet.
struct Run<'a> {
    length: f64,
    contour: &'a Contour,
    points: Vec<Px>,
}

/// Writes the depth of each line along it, where it is straight enough and free.
pub(super) fn contour_figures(
    out: &mut Svg,
    view: &View,
    frame: &Rect,
    bands: &Bands,
    all: &[Contour],
    info: &ChartInfo,
    taken: &mut Taken,
) {
    // Longest lines first: they carry the picture.
    let mut runs: Vec<Run<'_>> = Vec::new();
    for c in all {
        for l in c.lines.iter().filter(|l| shown(view, &l.points)) {
            let points = on_sheet(view, l);
            let length = points.windows(2).map(|w| gap(w[0], w[1])).sum();
            runs.push(Run { length, contour: c, points });
        }
    }
    runs.sort_by(|a, b| b.length.total_cmp(&a.length));
    for Run { length, contour: c, points } in runs {
        let text = info.units.level_text(c.depth_m);
        let w = width(&text, SIZE) + 2.0 * ROOM;
        if length < 3.5 * w {
            continue;
        }
        for tag in spots(&points, length, w, frame, taken) {
            taken.take(tag);
            figure(out, &tag, bands.across(c.depth_m), bands, &text);
        }
    }
}

fn on_sheet(view: &View, line: &ContourLine) -> Vec<Px> {
    line.points.0.iter().map(|c| view.coord(c)).collect()
}

/// Where labels of `w` px stand along one line.
fn spots(points: &[Px], length: f64, w: f64, frame: &Rect, taken: &Taken) -> Vec<Tag> {
    let mut out: Vec<Tag> = Vec::new();
    let mut along = vec![0.0];
    for p in points.windows(2) {
        along.push(along[along.len() - 1] + gap(p[0], p[1]));
    }
    let at = |s: f64| -> Px {
        let i = along.partition_point(|a| *a <= s).clamp(1, points.len() - 1);
        let part = along[i] - along[i - 1];
        let t = if part > 0.0 { ((s - along[i - 1]) / part).clamp(0.0, 1.0) } else { 0.0 };
        let (p, q) = (points[i - 1], points[i]);
        (p.0 + t * (q.0 - p.0), p.1 + t * (q.1 - p.1))
    };
    let mut s = (length * 0.5) % ALONG.min(length * 0.5).max(w);
    s = s.max(w);
    while s < length - w {
        let (a, b) = (at(s - w / 2.0), at(s + w / 2.0));
        let chord = gap(a, b);
        // Straight: the chord is nearly the arc, and the line stays within a few px of it.
        let middle = ((a.0 + b.0) / 2.0, (a.1 + b.1) / 2.0);
        if chord > 0.93 * w && gap(middle, at(s)) < 3.0 {
            // Never upside down, whichever way the line runs.
            let turn = if b.0 < a.0 { -1.0 } else { 1.0 };
            let dir = (turn * (b.0 - a.0) / chord, turn * (b.1 - a.1) / chord);
            let tag = Tag { middle, half: (w / 2.0, SIZE * HALF_HEIGHT), dir };
            let apart = out.iter().all(|o| gap(o.middle, middle) > ALONG / 2.0);
            if apart && tag.inside(frame, 6.0) && taken.free(&tag) {
                out.push(tag);
                s += ALONG;
                continue;
            }
        }
        s += 7.0;
    }
    out
}

/// A text turned along its box, with a halo of the water's colour.
fn figure(out: &mut Svg, tag: &Tag, under: Colour, bands: &Bands, text: &str) {
    let (cos, sin) = tag.dir;
    // The baseline lies a third of the size below the middle of the figures.
    let (x, y) = (tag.middle.0 - sin * SIZE * 0.36, tag.middle.1 + cos * SIZE * 0.36);
    let turn = |v: f64| fixed(v, 3);
    out.raw(&format!(
        "<text transform=\"matrix({} {} {} {} {} {})\" font-size=\"{}\" text-anchor=\"middle\" \
         fill=\"{}\" stroke=\"{under}\" stroke-width=\"4\" stroke-linejoin=\"round\" \
         paint-order=\"stroke\">{}</text>",
        turn(cos),
        turn(sin),
        turn(-sin),
        turn(cos),
        px(x),
        px(y),
        px(SIZE),
        bands.theme().ink_on(under),
        xml(text)
    ));
}
