//! Figures on the map: depths along contours and a shoal-biased selection of soundings, none over another.

use super::layout::{Rect, View};
use super::map::Bands;
use super::svg::{Svg, px, width, xml};
use crate::nodes::Node;
use crate::palette::{Colour, ink_on};
use crate::{ChartInfo, Contour, ContourLine, Surface};
use std::collections::BTreeMap;

const CONTOUR_SIZE: f64 = 13.5;
const SOUNDING_SIZE: f64 = 17.0;
/// Labels on one line are at least this far apart, px along the line.
const ALONG: f64 = 420.0;
/// Soundings keep this far from each other, px.
const APART: f64 = 92.0;

/// A point of the sheet, px.
type Px = (f64, f64);

/// A line to be labelled: its length and points on the sheet.
struct Run<'a> {
    length: f64,
    contour: &'a Contour,
    points: Vec<Px>,
}

/// A disc: middle and radius, px.
struct Disc(Px, f64);

/// Discs that are taken, by square of the sheet.
#[derive(Default)]
pub(super) struct Taken {
    squares: BTreeMap<(i64, i64), Vec<Disc>>,
}

/// Side of a square; no disc is larger.
const SQUARE: f64 = 64.0;

impl Taken {
    fn key(p: Px) -> (i64, i64) {
        (libm::floor(p.0 / SQUARE) as i64, libm::floor(p.1 / SQUARE) as i64)
    }

    pub(super) fn free(&self, p: Px, radius: f64) -> bool {
        let (kx, ky) = Self::key(p);
        let near = (kx - 1..=kx + 1).flat_map(|x| (ky - 1..=ky + 1).map(move |y| (x, y)));
        near.filter_map(|k| self.squares.get(&k)).flatten().all(|Disc(q, r)| gap(p, *q) >= radius + r)
    }

    pub(super) fn take(&mut self, p: Px, radius: f64) {
        self.squares.entry(Self::key(p)).or_default().push(Disc(p, radius));
    }

    /// Keeps a rectangle of the sheet free of labels.
    pub(super) fn block(&mut self, r: &Rect) {
        let (nx, ny) = ((r.w / 24.0) as i64 + 1, (r.h / 24.0) as i64 + 1);
        for i in 0..=nx {
            for k in 0..=ny {
                self.take((r.x + r.w * i as f64 / nx as f64, r.y + r.h * k as f64 / ny as f64), 14.0);
            }
        }
    }
}

/// Discs covering a text of `w` px along (`cos`, `sin`) about its middle.
fn discs(middle: Px, w: f64, (cos, sin): Px, radius: f64) -> Vec<Px> {
    let n = libm::ceil(w / (1.2 * radius)).max(1.0) as i64;
    let at = |i: i64| (i as f64 + 0.5) / n as f64 * w - w / 2.0;
    (0..n).map(|i| (middle.0 + at(i) * cos, middle.1 + at(i) * sin)).collect()
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
        for l in &c.lines {
            let points = on_sheet(view, l);
            let length = points.windows(2).map(|w| gap(w[0], w[1])).sum();
            runs.push(Run { length, contour: c, points });
        }
    }
    runs.sort_by(|a, b| b.length.total_cmp(&a.length));
    for Run { length, contour: c, points } in runs {
        let text = info.units.level_text(c.depth_m);
        let w = width(&text, CONTOUR_SIZE) + 6.0;
        if length < 3.5 * w {
            continue;
        }
        let under = bands.across(c.depth_m);
        for (at, dir) in spots(&points, length, w, frame, taken) {
            for d in discs(at, w, dir, 9.0) {
                taken.take(d, 9.0);
            }
            figure(out, at, dir, CONTOUR_SIZE, under, &text);
        }
    }
}

fn on_sheet(view: &View, line: &ContourLine) -> Vec<Px> {
    line.points.0.iter().map(|c| view.coord(c)).collect()
}

fn gap(a: Px, b: Px) -> f64 {
    let (dx, dy) = (a.0 - b.0, a.1 - b.1);
    libm::sqrt(dx * dx + dy * dy)
}

/// Middles and directions of labels along one line.
fn spots(points: &[Px], length: f64, w: f64, frame: &Rect, taken: &Taken) -> Vec<(Px, Px)> {
    let mut out: Vec<(Px, Px)> = Vec::new();
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
        let straight = chord > 0.93 * w && gap(middle, at(s)) < 3.0;
        if straight {
            let mut dir = ((b.0 - a.0) / chord, (b.1 - a.1) / chord);
            if dir.0 < 0.0 {
                dir = (-dir.0, -dir.1);
            }
            let inside = within(frame, middle, w / 2.0 + 6.0);
            let apart = out.iter().all(|o| gap(o.0, middle) > ALONG / 2.0);
            if inside && apart && discs(middle, w, dir, 9.0).iter().all(|d| taken.free(*d, 9.0)) {
                out.push((middle, dir));
                s += ALONG;
                continue;
            }
        }
        s += 7.0;
    }
    out
}

fn within(frame: &Rect, p: Px, border: f64) -> bool {
    p.0 > frame.x + border
        && p.0 < frame.x + frame.w - border
        && p.1 > frame.y + border
        && p.1 < frame.y + frame.h - border
}

/// A text turned along `dir`, with a halo of the water's colour.
fn figure(out: &mut Svg, at: Px, dir: Px, size: f64, under: Colour, text: &str) {
    let fill = ink_on(under);
    // The baseline lies a third of the size below the middle of the figures.
    let (x, y) = (at.0 - dir.1 * size * 0.36, at.1 + dir.0 * size * 0.36);
    let turn = |v: f64| crate::units::fixed(v, 3);
    let (cos, sin, minus) = (turn(dir.0), turn(dir.1), turn(-dir.1));
    out.raw(&format!(
        "<text transform=\"matrix({cos} {sin} {minus} {cos} {} {})\" font-size=\"{}\" text-anchor=\"middle\" \
         fill=\"{fill}\" stroke=\"{under}\" stroke-width=\"4\" stroke-linejoin=\"round\" \
         paint-order=\"stroke\">{}</text>",
        px(x),
        px(y),
        px(size),
        xml(text)
    ));
}

/// A few soundings, none near the edge of the known water if that can be helped: the deepest, then shoals and
/// holes, then the shoalest first wherever there is room.
pub(super) fn soundings(
    out: &mut Svg,
    view: &View,
    frame: &Rect,
    bands: &Bands,
    surface: &Surface,
    info: &ChartInfo,
    taken: &mut Taken,
) {
    let order = by_importance(surface.nodes(), view);
    let mut chosen = Taken::default();
    for room in [ROOM, CLOSE] {
        for n in &order {
            let p = view.px(n.xy);
            let depth = n.safe_m + info.stage_m;
            let text = info.units.shoal_text(depth);
            let w = width(&text, SOUNDING_SIZE);
            let here = discs(p, w, (1.0, 0.0), 9.0);
            if !chosen.free(p, APART / 2.0)
                || !within(frame, p, w / 2.0 + 8.0)
                || !here.iter().all(|d| taken.free(*d, 11.0))
                || !in_water(surface, view, p, w / 2.0 + room)
            {
                continue;
            }
            chosen.take(p, APART / 2.0);
            for d in here {
                taken.take(d, 9.0);
            }
            sounding(out, p, bands.at(depth), &text);
        }
    }
}

/// White kept between a sounding and the edge of the known water: wished, and at least, px.
const ROOM: f64 = 24.0;
const CLOSE: f64 = 2.0;

/// Shoalest and deepest node of every square first (deepest of all at the very front), then all others,
/// shoalest first.
fn by_importance<'a>(nodes: &'a [Node], view: &View) -> Vec<&'a Node> {
    let mut squares: BTreeMap<(i64, i64), (&Node, &Node)> = BTreeMap::new();
    let mut all: Vec<&Node> = nodes.iter().collect();
    all.sort_by(|a, b| a.safe_m.total_cmp(&b.safe_m).then(a.id.cmp(&b.id)));
    for n in &all {
        let ends = squares.entry(Taken::key(view.px(n.xy))).or_insert((n, n));
        ends.1 = n;
    }
    let around = |k: &(i64, i64)| {
        let (x, y) = *k;
        (x - 1..=x + 1).flat_map(move |x| (y - 1..=y + 1).map(move |y| (x, y)))
    };
    let mut first: Vec<&Node> = all.last().copied().into_iter().collect();
    for (k, (shoal, deep)) in &squares {
        let mut near = around(k).filter(|o| o != k).filter_map(|o| squares.get(&o)).peekable();
        // A square at the edge of the water says nothing about a shoal: all eight neighbours must be known.
        if around(k).all(|o| squares.contains_key(&o)) && near.peek().is_some() {
            let others: Vec<_> = near.collect();
            if others.iter().all(|o| shoal.safe_m < o.0.safe_m) {
                first.push(shoal);
            }
            if others.iter().all(|o| deep.safe_m > o.1.safe_m) {
                first.push(deep);
            }
        }
    }
    first.extend(all);
    first
}

/// Whether the surface is known all round `p`.
fn in_water(surface: &Surface, view: &View, p: Px, reach: f64) -> bool {
    let ring = [
        (1.0, 0.0),
        (0.7, 0.7),
        (0.0, 1.0),
        (-0.7, 0.7),
        (-1.0, 0.0),
        (-0.7, -0.7),
        (0.0, -1.0),
        (0.7, -0.7),
    ];
    ring.iter().all(|d| surface.covers(view.metres((p.0 + d.0 * reach, p.1 + d.1 * reach))))
}

fn sounding(out: &mut Svg, p: Px, under: Colour, text: &str) {
    out.raw(&format!(
        "<text x=\"{}\" y=\"{}\" font-size=\"{}\" text-anchor=\"middle\" fill=\"{}\" stroke=\"{under}\" \
         stroke-width=\"3\" stroke-linejoin=\"round\" paint-order=\"stroke\">{text}</text>",
        px(p.0),
        px(p.1 + SOUNDING_SIZE * 0.36),
        px(SOUNDING_SIZE),
        ink_on(under)
    ));
}
