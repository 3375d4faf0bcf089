//! Round the map: border, graticule, scale bar and north arrow.

use super::extent::View;
use super::layout::{FIGURES, Rect};
use super::svg::{Anchor, Svg, path_data, px, width};
use crate::Theme;
use crate::nodes::Node;
use crate::palette::Colour;
use crate::units::fixed;
use leadline_model::{GridPos, LocalFrame, LonLat};

/// Graticule steps in thousandths of a minute of arc.
const STEPS: [i64; 19] = [
    10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000, 30_000, 60_000, 120_000, 300_000, 600_000,
    1_200_000, 1_800_000, 3_600_000,
];
/// Least distance of two graticule figures, px.
const STEP_PX: f64 = 165.0;
const FIGURE_SIZE: f64 = 14.0;
/// Thousandths of a minute in a degree.
const DEGREE: f64 = 60_000.0;

/// Border, ticks with figures, and small crosses where meridians and parallels meet.
pub(super) fn border(out: &mut Svg, view: &View, rect: &Rect, frame: &LocalFrame, theme: Theme) {
    let ink = theme.ink();
    let (meridians, parallels) = (meridians(view, rect, frame), parallels(view, rect, frame));
    let fine = format!("stroke=\"{ink}\" stroke-width=\"1\"");
    for (x, _) in &meridians {
        for (y, _) in &parallels {
            let cross = format!("stroke=\"{ink}\" stroke-opacity=\"0.45\" stroke-width=\"1\"");
            out.segment((x - 6.0, *y), (x + 6.0, *y), &cross);
            out.segment((*x, y - 6.0), (*x, y + 6.0), &cross);
        }
    }
    out.rect(
        (rect.x, rect.y),
        (rect.w, rect.h),
        &format!("id=\"border\" fill=\"none\" stroke=\"{ink}\" stroke-width=\"1.6\""),
    );
    let (right, bottom) = (rect.x + rect.w, rect.y + rect.h);
    for (x, text) in &meridians {
        out.segment((*x, bottom), (*x, bottom + 7.0), &fine);
        out.segment((*x, rect.y), (*x, rect.y - 7.0), &fine);
        out.text((*x, bottom + 7.0 + FIGURE_SIZE), FIGURE_SIZE, Anchor::Middle, ink, text);
    }
    for (y, text) in &parallels {
        out.segment((right, *y), (right + 7.0, *y), &fine);
        out.segment((rect.x, *y), (rect.x - 7.0, *y), &fine);
        // Read upward, centred on its tick.
        out.raw(&format!(
            "<text transform=\"matrix(0 -1 1 0 {} {})\" font-size=\"{}\" text-anchor=\"middle\" fill=\"{ink}\">{text}</text>",
            px(rect.x - FIGURES + FIGURE_SIZE + 3.0),
            px(*y),
            px(FIGURE_SIZE)
        ));
    }
}

fn step_for(span: f64, size: f64) -> i64 {
    let fits = |s: &&i64| **s as f64 / span * size >= STEP_PX;
    STEPS.iter().find(fits).copied().unwrap_or(3_600_000)
}

/// Pixel x and figure of each meridian.
fn meridians(view: &View, rect: &Rect, frame: &LocalFrame) -> Vec<(f64, String)> {
    let lon = |x: f64| {
        let [e, n] = view.metres((x, rect.y + rect.h / 2.0));
        frame.lonlat(e, n).lon * DEGREE
    };
    let (left, mut right) = (lon(rect.x), lon(rect.x + rect.w));
    if right < left {
        right += 360.0 * DEGREE;
    }
    let step = step_for(right - left, rect.w);
    let place = |v: f64| rect.x + (v - left) / (right - left) * rect.w;
    let ticks = ticks(left, right, step).map(|v| (place(v as f64), v));
    let inside = ticks.filter(|(x, _)| *x > rect.x + 60.0 && *x < rect.x + rect.w - 60.0);
    let fold = |v: i64| (v + 10_800_000).rem_euclid(21_600_000) - 10_800_000;
    inside.map(|(x, v)| (x, figure(fold(v), step, ["E", "W"], 10_800_000))).collect()
}

/// Pixel y and figure of each parallel.
fn parallels(view: &View, rect: &Rect, frame: &LocalFrame) -> Vec<(f64, String)> {
    let lat = |y: f64| {
        let [e, n] = view.metres((rect.x + rect.w / 2.0, y));
        frame.lonlat(e, n).lat * DEGREE
    };
    let (low, high) = (lat(rect.y + rect.h), lat(rect.y));
    let step = step_for(high - low, rect.h);
    let lon = frame.origin().lonlat().lon;
    let place = |v: i64| {
        let at = GridPos::from_lonlat(LonLat { lon, lat: v as f64 / DEGREE })?;
        Some(view.px([0.0, frame.metres(at).1]).1)
    };
    let all = ticks(low, high, step).filter_map(|v| Some((place(v)?, v)));
    let inside = all.filter(|(y, _)| *y > rect.y + 60.0 && *y < rect.y + rect.h - 60.0);
    inside.map(|(y, v)| (y, figure(v, step, ["N", "S"], 0))).collect()
}

fn ticks(low: f64, high: f64, step: i64) -> impl Iterator<Item = i64> {
    let first = libm::ceil(low / step as f64) as i64;
    let last = libm::floor(high / step as f64) as i64;
    (first..=last.min(first + 200)).map(move |k| k * step)
}

/// Thousandths of a minute as degrees and minutes; zero (and the opposite meridian) has no letter.
fn figure(v: i64, step: i64, letters: [&str; 2], bare: i64) -> String {
    let (deg, min) = (v.abs() / 60_000, v.abs() % 60_000);
    let letter = if v == 0 || v.abs() == bare { "" } else { letters[usize::from(v < 0)] };
    let minutes = match step {
        s if s % 1000 == 0 => format!("{:02}", min / 1000),
        s if s % 100 == 0 => format!("{:02}.{}", min / 1000, min % 1000 / 100),
        _ => format!("{:02}.{:02}", min / 1000, min % 1000 / 10),
    };
    format!("{deg}°{minutes}′{letter}")
}

/// Height of the block with scale bar and north arrow, and its least and largest width.
const BLOCK: (f64, f64, f64) = (88.0, 230.0, 330.0);
/// Places tried along each side.
const TRIED: usize = 5;

/// The place at the map's edge with the fewest soundings under a block of that size; corners first.
pub(super) fn quiet_corner(view: &View, rect: &Rect, nodes: &[Node]) -> Rect {
    let inset = 14.0;
    let (h, least, most) = BLOCK;
    let w = (0.4 * rect.w).clamp(least, most);
    let along =
        |from: f64, room: f64, i: usize| from + inset + (room - 2.0 * inset) * i as f64 / (TRIED - 1) as f64;
    let place =
        |i: usize, k: usize| Rect { x: along(rect.x, rect.w - w, i), y: along(rect.y, rect.h - h, k), w, h };
    let last = TRIED - 1;
    let corners = [(0, last), (last, last), (0, 0), (last, 0)];
    let all = (0..TRIED).flat_map(|k| (0..TRIED).map(move |i| (i, k)));
    let sides = all.filter(|(i, k)| [0, last].contains(i) || [0, last].contains(k));
    let under = |r: &Rect| {
        let inside = |p: (f64, f64)| p.0 >= r.x && p.0 <= r.x + r.w && p.1 >= r.y && p.1 <= r.y + r.h;
        nodes.iter().filter(|n| inside(view.px(n.xy))).count()
    };
    let tried = corners.into_iter().chain(sides).map(|(i, k)| place(i, k));
    tried.min_by_key(under).unwrap_or_else(|| place(0, last))
}

/// Scale bar in true metres at the middle of the chart, a north arrow, and the scale on that paper if it has one.
pub(super) fn scale_and_north(out: &mut Svg, view: &View, at: &Rect, theme: Theme, scale: &str) {
    let (ink, paper) = (theme.ink(), theme.paper());
    out.rect((at.x, at.y), (at.w, at.h), &format!("fill=\"{paper}\" fill-opacity=\"0.88\" rx=\"3\""));
    north(out, (at.x + 34.0, at.y + 12.0), theme);
    let room = at.w - 110.0;
    let step = nice(room / view.px_a_metre() / 2.0);
    let (x, y) = (at.x + 74.0, at.y + 34.0);
    let half = step * view.px_a_metre();
    let line = format!("stroke=\"{ink}\" stroke-width=\"1.2\"");
    out.rect((x, y), (half, 9.0), &format!("fill=\"{ink}\" {line}"));
    out.rect((x + half, y), (half, 9.0), &format!("fill=\"{paper}\" {line}"));
    for i in 0..=2 {
        let text = length_text(step * f64::from(i), i == 2);
        out.text((x + half * f64::from(i), y - 8.0), 14.0, Anchor::Middle, ink, &text);
    }
    let mut base = y + 27.0;
    for words in [scale, "true metres, north up"].into_iter().filter(|w| !w.is_empty()) {
        out.text((x, base), 12.5, Anchor::Start, ink, words);
        base += 17.0;
    }
}

/// The largest 1-2-5 number not above `most`.
fn nice(most: f64) -> f64 {
    let mut best = 0.01;
    for ten in -2..=6 {
        for digit in [1.0, 2.0, 5.0] {
            let v = digit * libm::pow(10.0, f64::from(ten));
            if v <= most {
                best = v;
            }
        }
    }
    best
}

fn length_text(metres: f64, with_unit: bool) -> String {
    let unit = if with_unit { " m" } else { "" };
    let text = fixed(metres, 2);
    format!("{}{unit}", text.trim_end_matches('0').trim_end_matches('.'))
}

fn north(out: &mut Svg, (x, y): (f64, f64), theme: Theme) {
    let ink = theme.ink();
    let half = |side: f64, fill: Colour| {
        let corners = [(x, y), (x + side * 11.0, y + 42.0), (x, y + 33.0)];
        let d = path_data(corners.into_iter(), true, 0.0);
        (d, format!("fill=\"{fill}\" stroke=\"{ink}\" stroke-width=\"1\""))
    };
    for (d, style) in [half(-1.0, ink), half(1.0, theme.paper())] {
        out.path(&d, &style);
    }
    out.text((x - width("N", 18.0) / 2.0, y + 61.0), 18.0, Anchor::Start, ink, "N");
}
