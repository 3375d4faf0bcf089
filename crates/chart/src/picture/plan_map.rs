//! A plan as a picture: the water as far as it is known, the lines in driving order, the ways between them.

use super::map::shape;
use super::page::{LOOSE, Page, Ruled, SURE, extent};
use super::svg::path_data;
use crate::contour::DepthArea;
use crate::palette::{DRYING, INK, PAPER};
use crate::units::fixed;
use crate::{ChartInfo, Coverage, Leg, LegKind, Levels, Plan, Surface};
use geo::{Coord, LineString, Polygon};
use leadline_model::LocalFrame;

/// Lines with their number on the map; of more only every second, fifth … has one.
const NUMBERED: usize = 40;
/// Rows of what is not reached.
const ROWS: usize = 6;

/// Draws `plan`, made from `surface` and `coverage`.
pub fn plan_svg(plan: &Plan, coverage: &Coverage, surface: &Surface, info: &ChartInfo) -> String {
    let squares: Vec<[f64; 2]> = coverage
        .spots
        .list
        .iter()
        .map(|s| {
            let (e, n) = plan.frame.metres(s.at);
            [e, n]
        })
        .collect();
    let on_drive: Vec<[f64; 2]> =
        plan.legs.iter().flat_map(|l| l.points.0.iter().map(|c| [c.x, c.y])).collect();
    let line = format!(
        "{} lines, {} km, {} at {} m/s",
        plan.legs.iter().filter(|l| l.number.is_some()).count(),
        fixed(plan.total_m() / 1000.0, 2),
        hours(plan.seconds()),
        fixed(plan.settings.speed_m_s, 1)
    );
    let mut page = Page::new(
        &format!("{}: what to drive", info.survey),
        &line,
        &extent(squares.iter().chain(&on_drive)),
    );
    page.open_map();
    ground(&mut page, plan, coverage, surface);
    legs(&mut page, plan);
    page.close_map();
    page.surround(&plan.frame, &on_drive);
    panel(&mut page, plan, info);
    page.finish(info, surface.newest())
}

/// Deep enough water, water too shoal for this boat, and the edge of the unknown.
fn ground(page: &mut Page, plan: &Plan, coverage: &Coverage, surface: &Surface) {
    let need = plan.settings.draft_m + plan.settings.margin_m;
    let levels = Levels::new(vec![need]).unwrap_or_default();
    for DepthArea { from_m, polygons, .. } in surface.areas(plan.settings.stage_m, &levels) {
        let d = moved(page, &polygons, surface.frame(), &plan.frame);
        if from_m.is_some() {
            page.svg.path(&d, &format!("fill=\"{LOOSE}\" fill-rule=\"evenodd\" stroke=\"none\""));
        } else {
            page.svg.path(
                &d,
                &format!("fill=\"{DRYING}\" fill-rule=\"evenodd\" stroke=\"{INK}\" stroke-width=\"1\""),
            );
            page.rule(&d, Ruled::Rising);
        }
    }
    let weak: Vec<Polygon<f64>> = coverage.weak.iter().map(|w| w.outline.clone()).collect();
    let d = moved(page, &weak, &coverage.frame, &plan.frame);
    page.svg.path(
        &d,
        &format!("fill=\"none\" stroke=\"{INK}\" stroke-opacity=\"0.45\" stroke-width=\"1\" stroke-dasharray=\"3 3\""),
    );
}

/// Path data of polygons given in another frame.
fn moved(page: &Page, polygons: &[Polygon<f64>], from: &LocalFrame, to: &LocalFrame) -> String {
    let point = |c: &Coord<f64>| {
        let (x, y) = to.metres(from.place(c.x, c.y));
        Coord { x, y }
    };
    let ring = |r: &LineString<f64>| LineString(r.0.iter().map(point).collect());
    let all: Vec<Polygon<f64>> = polygons
        .iter()
        .map(|p| Polygon::new(ring(p.exterior()), p.interiors().iter().map(ring).collect()))
        .collect();
    shape(&page.view, &all)
}

/// Stroke of a kind of leg.
fn style(kind: LegKind) -> String {
    let (colour, width, dash) = match kind {
        LegKind::Main => (INK, 2.4, ""),
        LegKind::Cross => (SURE, 3.4, ""),
        LegKind::TouchUp => (INK, 2.4, ""),
        LegKind::Way => (INK, 1.2, "5 4"),
    };
    let dash = if dash.is_empty() { String::new() } else { format!(" stroke-dasharray=\"{dash}\"") };
    format!("fill=\"none\" stroke=\"{colour}\" stroke-width=\"{width}\" stroke-linejoin=\"round\"{dash}")
}

fn legs(page: &mut Page, plan: &Plan) {
    let data = |page: &Page, l: &Leg| path_data(l.points.0.iter().map(|c| page.view.coord(c)), false, 0.0);
    for l in &plan.legs {
        let d = data(page, l);
        if l.unknown_m > 0.5 && l.kind != LegKind::Way {
            // A pale core tells lines that lead over unknown water.
            page.svg.path(&d, &style(l.kind).replace("stroke-width=\"2.4\"", "stroke-width=\"4\""));
            page.svg.path(&d, &format!("fill=\"none\" stroke=\"{PAPER}\" stroke-width=\"1.6\""));
        } else {
            page.svg.path(&d, &style(l.kind));
        }
    }
    for l in plan.legs.iter().filter(|l| l.number.is_some()) {
        arrow(page, l);
    }
    let n = plan.legs.iter().filter(|l| l.number.is_some()).count();
    let every = [1, 2, 5, 10, 20].into_iter().find(|e| n / e <= NUMBERED).unwrap_or(50);
    for l in &plan.legs {
        if let (Some(number), Some(first)) = (l.number, l.points.0.first())
            && (number - 1).is_multiple_of(every)
        {
            page.tag([first.x, first.y], &number.to_string());
        }
    }
    if let Some(at) = plan.start {
        let (e, n) = plan.frame.metres(at);
        page.square([e, n]);
    }
}

/// A small head in the middle of a line: which way it is driven.
fn arrow(page: &mut Page, l: &Leg) {
    let (Some(a), Some(b)) = (l.points.0.first(), l.points.0.last()) else { return };
    let (p, q) = (page.view.coord(a), page.view.coord(b));
    let length = libm::hypot(q.0 - p.0, q.1 - p.1);
    if length < 30.0 {
        return;
    }
    let (x, y) = ((q.0 - p.0) / length, (q.1 - p.1) / length);
    let m = ((p.0 + q.0) / 2.0, (p.1 + q.1) / 2.0);
    let corner = |along: f64, beside: f64| (m.0 + along * x - beside * y, m.1 + along * y + beside * x);
    let d = path_data([corner(7.0, 0.0), corner(-5.0, 5.0), corner(-5.0, -5.0)].into_iter(), true, 0.0);
    page.svg.path(&d, &format!("fill=\"{INK}\" stroke=\"{PAPER}\" stroke-width=\"0.8\""));
}

fn panel(page: &mut Page, plan: &Plan, info: &ChartInfo) {
    let km = |m: f64| format!("{} km", fixed(m / 1000.0, 2));
    page.heading("The drive, in order of the numbers");
    let by_bed = plan.axis_deg.is_some_and(|a| a.1);
    let main = if by_bed { "main lines, across the contours" } else { "main lines" };
    for (kind, what) in [
        (LegKind::Main, main),
        (LegKind::Cross, "cross lines"),
        (LegKind::TouchUp, "runs over weak spots"),
        (LegKind::Way, "ways between them"),
    ] {
        let m = plan.length_m(kind);
        if m > 0.0 {
            page.line_sign(&style(kind), what, &km(m));
        }
    }
    page.row("in all", &km(plan.total_m()));
    page.row(&format!("time at {} m/s", fixed(plan.settings.speed_m_s, 1)), &hours(plan.seconds()));
    page.row("turns", &plan.turns.to_string());
    if plan.length_m(LegKind::Main) > 0.0 {
        page.row("between main lines", &format!("{} m", fixed(plan.spacing_m, 0)));
    }
    page.heading("Where this boat may go");
    let unit = info.units.in_metres();
    let depth = |m: f64| format!("{} {}", fixed(m / unit, 2), info.units.sign());
    let s = &plan.settings;
    page.sign(
        DRYING,
        Some(Ruled::Rising),
        &format!("too shoal: {} draft and {} under it", depth(s.draft_m), depth(s.margin_m)),
        "",
    );
    page.sign(LOOSE, None, "known to be deep enough", "");
    page.sign(PAPER, None, "unknown", "");
    if let Some(d) = plan.least_depth_m() {
        page.row("least known depth on the drive", &depth(d));
    }
    if plan.unknown_m() > 0.5 {
        page.row("over unknown water (pale core)", &format!("{} m", fixed(plan.unknown_m(), 0)));
        page.words("Unknown: go slow, look out. Nothing says that this boat floats there.");
    }
    if !plan.not_reached.is_empty() || plan.later > 0 {
        page.heading("Not reached");
        for n in plan.not_reached.iter().take(ROWS) {
            page.words(&format!("{}: {}.", n.what, n.why));
        }
        if plan.not_reached.len() > ROWS {
            page.words(&format!("and {} more", plan.not_reached.len() - ROWS));
        }
        if plan.later > 0 {
            page.words(&format!("{} smaller weak spots are left for another day.", plan.later));
        }
    }
}

/// Seconds as hours and minutes.
fn hours(seconds: f64) -> String {
    let minutes = libm::ceil(seconds / 60.0) as u64;
    format!("{} h {:02} min", minutes / 60, minutes % 60)
}
