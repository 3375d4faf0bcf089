//! The coverage as a picture: grades of the water, holidays, and the tracks that made them.

use super::map::shape;
use super::page::{FAIR, LOOSE, Page, Ruled, SURE, extent};
use super::svg::path_data;
use crate::palette::{INK, PAPER};
use crate::units::fixed;
use crate::{ChartInfo, Coverage, Surface, Weak, Weakness};
use geo::Polygon;
use leadline_model::Grade;

/// Holidays with a number on the map and a row in the panel.
const NUMBERED: usize = 9;

/// Draws `coverage`, made from `surface`.
pub fn coverage_svg(coverage: &Coverage, surface: &Surface, info: &ChartInfo) -> String {
    let frame = &coverage.frame;
    let place = |at| {
        let (e, n) = frame.metres(at);
        [e, n]
    };
    let squares: Vec<[f64; 2]> = coverage.spots.list.iter().map(|s| place(s.at)).collect();
    let holidays: Vec<&Weak> = coverage.weak_of(Weakness::Holiday).collect();
    let mut page = Page::new(&format!("{}: coverage", info.survey), &line(coverage), &extent(squares.iter()));
    page.open_map();
    for (grade, fill) in [(Grade::Sure, SURE), (Grade::Fair, FAIR), (Grade::Loose, LOOSE)] {
        let d = data(&page, &coverage.grade_areas(Some(grade)));
        // The stroke of the same colour hides the seams.
        let style = format!("fill=\"{fill}\" fill-rule=\"evenodd\" stroke=\"{fill}\" stroke-width=\"0.7\"");
        page.svg.path(&d, &style);
        if grade == Grade::Loose {
            page.rule(&d, Ruled::Rising);
        }
    }
    let unknown = data(&page, &coverage.grade_areas(None));
    page.svg.path(
        &unknown,
        &format!("fill=\"none\" stroke=\"{INK}\" stroke-opacity=\"0.55\" stroke-width=\"0.8\""),
    );
    let fine = format!("fill=\"none\" stroke=\"{INK}\" stroke-opacity=\"0.4\" stroke-width=\"0.6\"");
    let d: String = coverage
        .tracks
        .iter()
        .map(|run| path_data(run.iter().map(|p| page.view.px(place(*p))), false, 0.6))
        .collect();
    page.svg.path(&d, &fine);
    let d: String = outlines(&page, holidays.iter().copied());
    page.rule(&d, Ruled::Upright);
    page.svg.path(&d, &format!("fill=\"none\" stroke=\"{INK}\" stroke-width=\"1.3\""));
    let d: String = outlines(&page, coverage.weak_of(Weakness::Disputed));
    page.rule(&d, Ruled::Both);
    page.svg.path(&d, &format!("fill=\"none\" stroke=\"{INK}\" stroke-width=\"1\""));
    for (i, w) in holidays.iter().enumerate().take(NUMBERED) {
        page.tag(place(w.middle), &(i + 1).to_string());
    }
    page.close_map();
    page.surround(frame, &squares);
    panel(&mut page, coverage, &holidays, info);
    page.finish(info, surface.newest())
}

fn data(page: &Page, areas: &[Polygon<f64>]) -> String {
    shape(&page.view, areas)
}

fn outlines<'a>(page: &Page, weak: impl Iterator<Item = &'a Weak>) -> String {
    weak.map(|w| shape(&page.view, std::slice::from_ref(&w.outline))).collect()
}

fn line(c: &Coverage) -> String {
    let what = if c.drawn { "of the drawn water" } else { "of the water around the soundings" };
    format!("{} {what} · {} holidays", hectares(c.area_m2), c.weak_of(Weakness::Holiday).count())
}

/// m² below a hectare, else hectares.
fn hectares(m2: f64) -> String {
    if m2 < 10_000.0 { format!("{} m²", fixed(m2, 0)) } else { format!("{} ha", fixed(m2 / 10_000.0, 2)) }
}

fn panel(page: &mut Page, c: &Coverage, holidays: &[&Weak], info: &ChartInfo) {
    let share = |m2: f64| {
        if c.area_m2 > 0.0 { format!("{} %", fixed(100.0 * m2 / c.area_m2, 1)) } else { "–".into() }
    };
    page.heading("Of this water");
    page.sign(SURE, None, "sure: within the limits of S-44 Order 1b", &share(c.graded_m2[0]));
    page.sign(FAIR, None, "fair: within those of Order 2", &share(c.graded_m2[1]));
    page.sign(LOOSE, Some(Ruled::Rising), "loose: known, but worse", &share(c.graded_m2[2]));
    page.sign(PAPER, None, "unknown", &share(c.unknown_m2));
    page.sign(
        PAPER,
        Some(Ruled::Upright),
        "holiday: farther from every sounding than half of max(3 × depth, 25 m), S-44 §3.5.2",
        &share(c.holiday_m2),
    );
    if c.disputed_cells > 0 {
        page.sign(
            PAPER,
            Some(Ruled::Both),
            "disputed: visits disagree",
            &format!("{} cells", c.disputed_cells),
        );
    }
    if !c.drawn {
        page.words("No shore was drawn: water beyond the soundings is in no figure, and land between them counts as water.");
    }
    if !holidays.is_empty() {
        page.heading("Largest holidays");
        let unit = info.units.in_metres();
        for (i, w) in holidays.iter().enumerate().take(NUMBERED) {
            let depth = match w.depths_m {
                Some((a, b)) => {
                    format!("{} to {} {}", fixed(a / unit, 1), fixed(b / unit, 1), info.units.sign())
                }
                None => "depth unknown".to_owned(),
            };
            page.row(&format!("{}   {}", i + 1, hectares(w.area_m2)), &depth);
        }
    }
    let l = &c.lines;
    page.heading("Lines");
    page.row("driven", &format!("{} km", fixed(l.length_m / 1000.0, 2)));
    if let Some(axis) = l.main_axis_deg {
        let (a, b) = (libm::round(axis), libm::round(axis) + 180.0);
        page.row("main direction", &format!("{}°/{}°", fixed(a, 0), fixed(b, 0)));
        page.row("between lines, half of them under", &format!("{} m", fixed(l.across.median_m, 1)));
        page.row("between soundings on a line", &format!("{} m", fixed(l.along.median_m, 1)));
        page.row(
            "cross lines, of the main lines' length",
            &format!("{} %", fixed(100.0 * l.cross_share(), 1)),
        );
    }
}
