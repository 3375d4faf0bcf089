//! A small map of the bed's forms: outlines, lines and numbers over pale depths.

use super::svg::{Anchor, Svg, head, path_data, px, shortened, width, xml};
use crate::palette::{DRYING, INK, PAPER, blend, depth_colour};
use crate::structure::numbered;
use crate::units::fixed;
use crate::{ChartInfo, Form, FormKind, Structure, Surface};
use leadline_model::{CAUTION, PRODUCT, escaped};

const WIDTH: f64 = 1400.0;
const MARGIN: f64 = 44.0;
const TOP: f64 = 108.0;
/// Height of the map, px.
const HEIGHTS: (f64, f64) = (420.0, 1500.0);
const SIZE: f64 = 15.0;
/// Depths are this much of their colour over white: the forms are the matter here.
const PALE: f64 = 0.55;
/// A ledge's ticks: distance and length, px.
const TICK: (f64, f64) = (11.0, 8.0);

/// Frame metres to pixels, north up.
struct Fit {
    scale: f64,
    left: f64,
    top: f64,
    height: f64,
}

impl Fit {
    fn new(surface: &Surface) -> Self {
        let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for n in surface.nodes() {
            for k in 0..2 {
                (low[k], high[k]) = (low[k].min(n.xy[k]), high[k].max(n.xy[k]));
            }
        }
        if surface.nodes().is_empty() {
            (low, high) = ([0.0; 2], [1.0; 2]);
        }
        let span = [0, 1].map(|k| (high[k] - low[k]).max(40.0) * 1.08);
        let room = WIDTH - 2.0 * MARGIN;
        let height = (room * span[1] / span[0]).clamp(HEIGHTS.0, HEIGHTS.1);
        let scale = (room / span[0]).min(height / span[1]);
        let middle = [0, 1].map(|k| (low[k] + high[k]) / 2.0);
        Self {
            scale,
            left: middle[0] - WIDTH / 2.0 / scale,
            top: middle[1] + (TOP + height / 2.0) / scale,
            height,
        }
    }

    fn px(&self, p: [f64; 2]) -> (f64, f64) {
        ((p[0] - self.left) * self.scale, (self.top - p[1]) * self.scale)
    }
}

/// Draws the forms over the safe surface's depth areas at the chart's stage.
pub fn structure_svg(surface: &Surface, found: &Structure, info: &ChartInfo) -> String {
    let fit = Fit::new(surface);
    let below = TOP + fit.height + 24.0;
    let mut foot = Svg::default();
    let height = below + words(&mut foot, below, surface, found, info) + MARGIN;
    let mut out = Svg(head(WIDTH, height));
    out.rect((0.0, 0.0), (WIDTH, height), &format!("fill=\"{PAPER}\""));
    let room = WIDTH - 2.0 * MARGIN;
    let title = format!("{}: forms of the bed", info.survey);
    out.text((MARGIN, 58.0), 32.0, Anchor::Start, INK, &shortened(&title, 32.0, room));
    let datum = format!("Stage {} m above the datum: {}", fixed(info.stage_m, 2), info.datum);
    out.text((MARGIN, 86.0), SIZE, Anchor::Start, INK, &shortened(&datum, SIZE, room - 160.0));
    out.text((WIDTH - MARGIN, 86.0), SIZE, Anchor::End, INK, "Not for navigation");
    depths(&mut out, &fit, surface, info);
    let mut labels = Labels::default();
    for f in &found.forms {
        draw(&mut out, &fit, f);
        labels.keep_off(&fit, f);
    }
    for (n, f) in numbered(&found.forms) {
        labels.place(&mut out, &fit, f, &label(n, f, info));
    }
    scale_bar(&mut out, &fit);
    let edge = format!("fill=\"none\" stroke=\"{INK}\" stroke-width=\"1.4\"");
    out.rect((MARGIN, TOP), (room, fit.height), &edge);
    out.0.push_str(&foot.0);
    out.raw("</svg>");
    out.0
}

/// Pale depth areas with fine contours.
fn depths(out: &mut Svg, fit: &Fit, surface: &Surface, info: &ChartInfo) {
    let levels = surface.levels(info.stage_m, info.units);
    let all = surface.areas(info.stage_m, &levels);
    let n = all.len();
    for (k, a) in all.iter().enumerate() {
        let full = if a.to_m.is_some_and(|to| to <= 0.0) { DRYING } else { depth_colour(k, n) };
        let fill = blend(PAPER, full, PALE);
        let rings = a.polygons.iter().flat_map(|p| std::iter::once(p.exterior()).chain(p.interiors()));
        let d: String =
            rings.map(|r| path_data(r.0.iter().map(|c| fit.px([c.x, c.y])), true, 0.45)).collect();
        let stroke = blend(fill, INK, 0.28);
        out.path(
            &d,
            &format!("fill=\"{fill}\" fill-rule=\"evenodd\" stroke=\"{stroke}\" stroke-width=\"0.7\""),
        );
    }
}

fn draw(out: &mut Svg, fit: &Fit, f: &Form) {
    let ink = format!("stroke=\"{INK}\" stroke-linejoin=\"round\"");
    let line = || f.line.iter().map(|p| fit.px(*p));
    match f.kind {
        FormKind::Hump | FormKind::Hole => {
            let rings = f.outline.iter();
            let d: String = rings.map(|r| path_data(r.iter().map(|p| fit.px(*p)), true, 0.45)).collect();
            let (fill, dash) = match f.kind {
                FormKind::Hump => (format!("fill=\"{PAPER}\" fill-opacity=\"0.45\""), ""),
                _ => (format!("fill=\"{INK}\" fill-opacity=\"0.14\""), " stroke-dasharray=\"2 3\""),
            };
            let dash = if f.open { " stroke-dasharray=\"9 4\"" } else { dash };
            out.path(&d, &format!("{fill} fill-rule=\"evenodd\" {ink} stroke-width=\"1.5\"{dash}"));
            let (x, y) = fit.px(f.at);
            let r = 3.0;
            // A point up for a hump, down for a hole.
            let tip = if f.kind == FormKind::Hump { -1.0 } else { 1.0 };
            out.path(
                &path_data(
                    [(x - r, y - tip * r * 0.6), (x + r, y - tip * r * 0.6), (x, y + tip * r * 1.2)]
                        .into_iter(),
                    true,
                    0.0,
                ),
                &format!("fill=\"{INK}\""),
            );
        }
        FormKind::Ledge => {
            out.path(&path_data(line(), false, 0.45), &format!("fill=\"none\" {ink} stroke-width=\"2\""));
            let ticks: String =
                ticks(fit, f).map(|(a, b)| path_data([a, b].into_iter(), false, 0.0)).collect();
            out.path(&ticks, &format!("fill=\"none\" {ink} stroke-width=\"1.1\""));
        }
        FormKind::Channel => {
            let d = path_data(line(), false, 0.45);
            out.path(
                &d,
                &format!("fill=\"none\" stroke=\"{PAPER}\" stroke-width=\"4.5\" stroke-opacity=\"0.75\""),
            );
            out.path(&d, &format!("fill=\"none\" {ink} stroke-width=\"2\" stroke-dasharray=\"12 4 2 4\""));
        }
        FormKind::Saddle => {
            let (x, y) = fit.px(f.at);
            for turn in [1.0, -1.0] {
                out.segment(
                    (x - 5.0, y - turn * 5.0),
                    (x + 5.0, y + turn * 5.0),
                    &format!("{ink} stroke-width=\"1.7\""),
                );
            }
        }
    }
}

/// Strokes from a ledge's line to its deep side.
fn ticks<'a>(fit: &'a Fit, f: &'a Form) -> impl Iterator<Item = ((f64, f64), (f64, f64))> + 'a {
    let side = f.deep_side;
    let mut since = TICK.0 / 2.0;
    f.line.windows(2).flat_map(move |w| {
        let (a, b) = (fit.px(w[0]), fit.px(w[1]));
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let long = libm::sqrt(dx * dx + dy * dy);
        let mut here = Vec::new();
        let mut at = TICK.0 - since;
        while long > 0.0 && at <= long {
            let p = (a.0 + dx * at / long, a.1 + dy * at / long);
            // Pixels run south: the left of a line on the ground is (dy, −dx) here.
            let n = (side * dy / long, -side * dx / long);
            here.push((p, (p.0 + n.0 * TICK.1, p.1 + n.1 * TICK.1)));
            at += TICK.0;
        }
        since = long - (at - TICK.0);
        here
    })
}

/// Kind, number and the depth that matters.
fn label(n: usize, f: &Form, info: &ChartInfo) -> String {
    let unit = info.units.in_metres();
    let depth = |m: f64| info.units.shoal_text(m + info.stage_m);
    let more = match f.kind {
        FormKind::Hump | FormKind::Saddle => depth(f.shoal_m),
        FormKind::Hole => depth(f.deep_m),
        FormKind::Ledge => format!("drop {}", fixed(f.relief_m / unit, 1)),
        FormKind::Channel => String::new(),
    };
    let text = format!("{} {n}", f.kind.word());
    if more.is_empty() { text } else { format!("{text}: {more}") }
}

/// Rectangles that are taken by labels, and by lines and signs: left, top, right, bottom.
#[derive(Default)]
struct Labels {
    taken: Vec<[f64; 4]>,
    drawn: Vec<[f64; 4]>,
}

fn apart(r: &[f64; 4], q: &[f64; 4]) -> bool {
    r[2] < q[0] || r[0] > q[2] || r[3] < q[1] || r[1] > q[3]
}

impl Labels {
    /// Labels rather stay off the lines and signs of `f`.
    fn keep_off(&mut self, fit: &Fit, f: &Form) {
        for p in f.line.iter().chain([&f.at]) {
            let (x, y) = fit.px(*p);
            self.drawn.push([x - 4.0, y - 4.0, x + 4.0, y + 4.0]);
        }
    }

    /// Writes `text` beside a form where there is room; a form without room keeps its sign only.
    fn place(&mut self, out: &mut Svg, fit: &Fit, f: &Form, text: &str) {
        let at = if f.line.is_empty() { f.at } else { f.line[f.line.len() / 2] };
        let (x, y) = fit.px(at);
        let (w, h) = (width(text, SIZE), SIZE);
        let inside =
            |r: &[f64; 4]| r[0] > MARGIN && r[2] < WIDTH - MARGIN && r[1] > TOP && r[3] < TOP + fit.height;
        let rect = |(dx, dy): (f64, f64)| [x + dx - 2.0, y + dy - h, x + dx + w + 2.0, y + dy + 4.0];
        let round = |d: f64| {
            let (up, down) = (-0.6 * d, h + 0.4 * d);
            [(d, up), (d, down), (-w - d, up), (-w - d, down), (-w / 2.0, -d - 4.0), (-w / 2.0, h + d)]
        };
        let spots: Vec<(f64, f64)> = [10.0, 26.0, 44.0]
            .into_iter()
            .flat_map(round)
            .filter(|s| inside(&rect(*s)) && self.taken.iter().all(|q| apart(&rect(*s), q)))
            .collect();
        let clear = |s: &&(f64, f64)| self.drawn.iter().all(|q| apart(&rect(**s), q));
        let Some((dx, dy)) = spots.iter().find(clear).or(spots.first()).copied() else { return };
        self.taken.push(rect((dx, dy)));
        let words = xml(text);
        let place = format!("x=\"{}\" y=\"{}\" font-size=\"{}\"", px(x + dx), px(y + dy), px(SIZE));
        out.raw(&format!(
            "<text {place} fill=\"{PAPER}\" stroke=\"{PAPER}\" stroke-width=\"3.5\" stroke-linejoin=\"round\" \
             stroke-opacity=\"0.85\">{words}</text>"
        ));
        out.raw(&format!("<text {place} fill=\"{INK}\">{words}</text>"));
    }
}

/// A bar of round metres in the map's lower left corner, north up.
fn scale_bar(out: &mut Svg, fit: &Fit) {
    let round = |m: f64| {
        let ten = libm::pow(10.0, libm::floor(libm::log10(m)));
        [5.0, 2.0, 1.0].map(|k| k * ten).into_iter().find(|v| *v <= m).unwrap_or(ten)
    };
    let metres = round(220.0 / fit.scale);
    let (x, y, w) = (MARGIN + 20.0, TOP + fit.height - 22.0, metres * fit.scale);
    out.rect((x - 10.0, y - 26.0), (w + 100.0, 40.0), &format!("fill=\"{PAPER}\" fill-opacity=\"0.85\""));
    out.rect((x, y), (w, 5.0), &format!("fill=\"{INK}\""));
    let text = format!("{} m, north up", fixed(metres, 0));
    out.text((x, y - 8.0), 13.0, Anchor::Start, INK, &text);
}

/// What the signs mean, where the depths come from, and the caution; answers with the height used.
fn words(out: &mut Svg, top: f64, surface: &Surface, found: &Structure, info: &ChartInfo) -> f64 {
    let newest = surface.newest().map_or_else(|| "?".to_owned(), |t| t.date_text());
    let boats: Vec<String> = info.boats().into_iter().map(escaped).collect();
    let d = found.doubt;
    let lines = [
        format!(
            "Depths in {}. Solid outlines: humps, at half their height; dotted: holes, at half their depth; dashed: going on \
             beyond the soundings. Lines with ticks: ledges, ticks on the deep side. Dash and dot: channel. Crosses: saddles.",
            info.units.word()
        ),
        format!(
            "Seen every {} m and every {} m; tracks are usually {} m apart. Only what stands out of the depths' own uncertainty is \
             shown: a bed without a sign is not proven to be smooth.",
            fixed(found.steps_m[0], 0),
            fixed(found.steps_m[1], 0),
            fixed(d.gap_m, 0)
        ),
        format!("Soundings up to {newest}, by {}. {PRODUCT}. {CAUTION}", boats.join(", ")),
    ];
    let mut used = 0.0;
    for line in lines {
        used += out.lines((MARGIN, top + used + SIZE), 13.5, WIDTH - 2.0 * MARGIN, INK, &line) + 6.0;
    }
    used
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::SurfaceSettings;

    #[test]
    fn hostile_names_and_nothing_found_make_a_picture() {
        let surface = Surface::new(&[], &SurfaceSettings::default());
        let found = crate::structure(&surface);
        let info = ChartInfo { survey: "<script>".into(), ..ChartInfo::default() };
        let svg = structure_svg(&surface, &found, &info);
        assert!(svg.contains("&lt;script&gt;") && !svg.contains("<script>") && svg.ends_with("</svg>\n"));
        assert!(svg.contains("not for navigation") && svg.contains("Not for navigation"));
    }
}
