//! Marks of people on the map: what a boat can hit in a dotted ring, other places as small open signs.

use super::extent::View;
use super::layout::Rect;
use super::panel::{Block, Matter, TEXT};
use super::soundings::Figure;
use super::svg::{Anchor, Svg, px, shortened, width};
use super::tags::{Px, Tag, Taken};
use crate::danger::{CLEAR_M, bars};
use crate::{ChartInfo, Surface, Theme};
use leadline_model::{LocalFrame, Mark, MarkKind};

/// Least radius of the dotted ring round a danger, px.
const RING: f64 = 9.0;
/// Half the size of the other signs, px.
const SIGN: f64 = 5.0;
const NAME: f64 = 12.5;
/// Longest name on the map, px.
const LONGEST: f64 = 130.0;

/// Marks on the sheet, those a boat can hit first, then by place.
fn on_sheet<'a>(view: &View, frame: &Rect, at: &LocalFrame, info: &'a ChartInfo) -> Vec<(Px, &'a Mark)> {
    let place = |m: &Mark| {
        let (e, n) = at.metres(m.place);
        view.px([e, n])
    };
    let mut all: Vec<(Px, &Mark)> = info.marks.iter().map(|m| (place(m), m)).collect();
    all.retain(|(p, _)| Tag::level(*p, (0.0, 0.0)).inside(frame, 0.0));
    all.sort_by_key(|(_, m)| (!dangerous(m), m.place, m.kind, m.name.clone()));
    all
}

fn dangerous(mark: &Mark) -> bool {
    matches!(mark.kind, MarkKind::Hazard | MarkKind::Stump)
}

/// Signs and names; their places are taken from figures that come later.
pub(super) fn draw(
    out: &mut Svg,
    view: &View,
    frame: &Rect,
    surface: &Surface,
    info: &ChartInfo,
    theme: Theme,
    taken: &mut Taken,
) {
    let all = on_sheet(view, frame, surface.frame(), info);
    let mut drawn: Vec<(Px, &Mark, f64)> = Vec::new();
    for (p, m) in all {
        let r = sign(out, p, m, info, theme, view.scale * CLEAR_M);
        taken.take(Tag::level(p, (r, r)));
        drawn.push((p, m, r));
    }
    for (p, m, r) in drawn {
        name(out, p, m, r, frame, theme, taken);
    }
}

/// One sign; gives half its size.
fn sign(out: &mut Svg, p: Px, mark: &Mark, info: &ChartInfo, theme: Theme, clear: f64) -> f64 {
    let limit = info.touch.map(|t| t.draft_m + t.margin_m);
    let barred = limit.is_some_and(|l| bars(mark, info.stage_m, l));
    let depth = mark.depth_mm.map(|mm| f64::from(mm) / 1000.0 + info.stage_m);
    match mark.kind {
        MarkKind::Hazard | MarkKind::Stump => {
            let r = if barred { clear.max(RING) } else { RING };
            ring(out, p, r, barred, theme);
            match depth {
                Some(d) => {
                    let figure = Figure::new(info.units, d);
                    figure.draw(out, p, theme.paper(), theme);
                    r.max(figure.tag(p).half.0)
                }
                None => {
                    if mark.kind == MarkKind::Stump {
                        stump(out, p, theme)
                    } else {
                        cross(out, p, theme)
                    }
                    r
                }
            }
        }
        MarkKind::Landing => {
            landing(out, p, theme);
            SIGN + 2.0
        }
        MarkKind::Waypoint => {
            waypoint(out, p, theme);
            SIGN + 2.0
        }
    }
}

/// A dotted ring: the danger line of charts. Filled with level strokes where this boat would touch.
fn ring(out: &mut Svg, (x, y): Px, r: f64, barred: bool, theme: Theme) {
    let (ink, paper) = (theme.ink(), theme.paper());
    let circle = |style: &str| format!("<circle cx=\"{}\" cy=\"{}\" r=\"{}\" {style}/>", px(x), px(y), px(r));
    out.raw(&circle(&format!(
        "fill=\"{paper}\" fill-opacity=\"0.75\" stroke=\"{paper}\" stroke-width=\"3\""
    )));
    if barred {
        let mut dy = -r + 3.0;
        while dy < r {
            let half = libm::sqrt((r * r - dy * dy).max(0.0));
            let stroke = format!("stroke=\"{ink}\" stroke-opacity=\"0.72\" stroke-width=\"1.1\"");
            out.segment((x - half, y + dy), (x + half, y + dy), &stroke);
            dy += 6.0;
        }
    }
    out.raw(&circle(&format!(
        "fill=\"none\" stroke=\"{ink}\" stroke-width=\"2\" stroke-dasharray=\"0.1 4\" stroke-linecap=\"round\""
    )));
}

fn thick(theme: Theme) -> String {
    format!("stroke=\"{}\" stroke-width=\"1.8\" stroke-linecap=\"round\"", theme.ink())
}

/// Upright cross: an obstruction of unknown depth.
fn cross(out: &mut Svg, (x, y): Px, theme: Theme) {
    out.segment((x - SIGN, y), (x + SIGN, y), &thick(theme));
    out.segment((x, y - SIGN), (x, y + SIGN), &thick(theme));
}

/// A short trunk on the ground.
fn stump(out: &mut Svg, (x, y): Px, theme: Theme) {
    out.segment((x - SIGN, y + 3.5), (x + SIGN, y + 3.5), &thick(theme));
    out.segment((x - 1.8, y + 3.5), (x - 1.8, y - SIGN), &thick(theme));
    out.segment((x + 1.8, y + 3.5), (x + 1.8, y - SIGN), &thick(theme));
}

/// A slope into the water.
fn landing(out: &mut Svg, (x, y): Px, theme: Theme) {
    halo(out, (x, y), theme);
    let foot = (x - SIGN, y + SIGN - 1.0);
    out.segment(foot, (x + SIGN, y - SIGN + 1.0), &thick(theme));
    out.segment(foot, (x + SIGN, y + SIGN - 1.0), &thick(theme));
}

/// A ring with a dot.
fn waypoint(out: &mut Svg, (x, y): Px, theme: Theme) {
    halo(out, (x, y), theme);
    let ink = theme.ink();
    let (x, y) = (px(x), px(y));
    out.raw(&format!(
        "<circle cx=\"{x}\" cy=\"{y}\" r=\"4.5\" fill=\"none\" stroke=\"{ink}\" stroke-width=\"1.6\"/>"
    ));
    out.raw(&format!("<circle cx=\"{x}\" cy=\"{y}\" r=\"1.3\" fill=\"{ink}\"/>"));
}

fn halo(out: &mut Svg, (x, y): Px, theme: Theme) {
    let (x, y, r, paper) = (px(x), px(y), px(SIGN + 2.5), theme.paper());
    out.raw(&format!("<circle cx=\"{x}\" cy=\"{y}\" r=\"{r}\" fill=\"{paper}\" fill-opacity=\"0.8\"/>"));
}

/// The name on the first side that is free; without room it is left out, the sign stays.
fn name(out: &mut Svg, (x, y): Px, mark: &Mark, r: f64, frame: &Rect, theme: Theme, taken: &mut Taken) {
    let text = shortened(mark.name.as_str(), NAME, LONGEST);
    let half = width(&text, NAME) / 2.0;
    let places = [
        (x + r + 5.0 + half, y),
        (x - r - 5.0 - half, y),
        (x, y - r - 9.0),
        (x, y + r + 9.0),
        (x + r + 5.0 + half, y - 12.0),
        (x + r + 5.0 + half, y + 12.0),
    ];
    let tags = places.map(|p| Tag::level(p, (half + 2.0, NAME * 0.6)));
    let Some(tag) = tags.into_iter().find(|t| t.inside(frame, 2.0) && taken.free(t)) else { return };
    let (ink, paper) = (theme.ink(), theme.paper());
    out.raw(&format!(
        "<g stroke=\"{paper}\" stroke-width=\"3\" stroke-linejoin=\"round\" paint-order=\"stroke\">"
    ));
    out.text((tag.middle.0, tag.middle.1 + NAME * 0.36), NAME, Anchor::Middle, ink, &text);
    out.raw("</g>");
    taken.take(tag);
}

impl Matter<'_> {
    /// What the signs of the marks mean; nothing without marks.
    pub(super) fn marks(&self, b: &mut Block) {
        let has = |k: MarkKind| self.info.marks.iter().any(|m| m.kind == k);
        let rows: [(MarkKind, &str); 4] = [
            (MarkKind::Hazard, "Hazard: in the dotted ring its depth, or a cross where nobody knows it"),
            (MarkKind::Stump, "Stump or pile"),
            (MarkKind::Landing, "Landing"),
            (MarkKind::Waypoint, "Another place somebody marked"),
        ];
        for (kind, words) in rows.into_iter().filter(|(k, _)| has(*k)) {
            let (middle, theme) = ((23.0, b.height + 15.0), self.bands.theme());
            ring_or_sign(&mut b.svg, middle, kind, theme);
            let used = b.svg.lines((58.0, b.height + 20.0), TEXT, self.width - 58.0, theme.ink(), words);
            b.height += used.max(27.0) + 5.0;
        }
        if self.info.touch.is_some() && self.info.marks.iter().any(dangerous) {
            b.words(
                self.width,
                "A ring with strokes: this boat would touch there, or nobody can say that it would not.",
            );
        }
    }
}

fn ring_or_sign(out: &mut Svg, p: Px, kind: MarkKind, theme: Theme) {
    match kind {
        MarkKind::Hazard => {
            ring(out, p, RING, false, theme);
            cross(out, p, theme);
        }
        MarkKind::Stump => {
            ring(out, p, RING, false, theme);
            stump(out, p, theme);
        }
        MarkKind::Landing => landing(out, p, theme),
        MarkKind::Waypoint => waypoint(out, p, theme),
    }
}
