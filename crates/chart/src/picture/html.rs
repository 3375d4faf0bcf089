//! The sheet on a page of its own for a browser: the picture, and everything beside the map as text.

use super::legend::{SAFE_SIDE, grade_words};
use super::map::Bands;
use super::panel::{self, grouped, sheet_words, span};
use super::svg::xml;
use crate::{ChartInfo, Levels, Surface, Theme};
use leadline_model::{CAUTION, PRODUCT, UtcMillis};
use std::fmt::Write;

/// Stage readings listed.
const MOST_READINGS: usize = 50;
/// Boats listed.
const MOST_BOATS: usize = 100;

/// A self-contained page with `svg` (as [`crate::chart_sheet`] writes it for the same survey) in it: no script, and
/// nothing is loaded from elsewhere.
pub fn chart_html(
    surface: &Surface,
    info: &ChartInfo,
    levels: Option<&Levels>,
    svg: &str,
    theme: Theme,
) -> String {
    let levels = levels.cloned().unwrap_or_else(|| surface.levels(info.stage_m, info.units));
    let words = sheet_words(surface, info);
    let mut out = head(&words.name, theme);
    let _ = writeln!(out, "<h1>{}</h1>\n<p>{}</p>", xml(&info.survey), xml(&panel::title_line(info)));
    let _ = writeln!(out, "<p class=\"caution\">{}</p>", xml(CAUTION));
    let _ = writeln!(out, "<div class=\"sheet\" tabindex=\"0\" aria-label=\"the sheet\">\n{svg}</div>");
    if let Some(why) = surface.blank_reason() {
        let _ = writeln!(out, "<p>{}</p>", xml(&why.to_string()));
    }
    depths(&mut out, surface, info, &levels, theme);
    let _ = writeln!(out, "<h2>How good it is</h2>\n<p>{}</p>", xml(&grade_words(surface, info.units)));
    water_level(&mut out, info);
    boats(&mut out, info);
    let upto = surface.newest().map(|t| format!(", soundings up to {}", t.date_text())).unwrap_or_default();
    let _ = writeln!(out, "<p>Made with {PRODUCT}{upto}. Positions WGS 84.</p>\n</body>\n</html>");
    out
}

fn head(name: &str, theme: Theme) -> String {
    let (ink, paper) = (theme.ink(), theme.paper());
    format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n\
         <title>{}</title>\n<style>\n\
         body {{ color: {ink}; background: {paper}; font: 1rem/1.5 'DejaVu Sans', Verdana, sans-serif; \
         margin: 1rem auto; max-width: 75rem; padding: 0 1rem }}\n\
         .caution {{ border: 2px solid {ink}; padding: 0.75rem 1rem; font-size: 1.15rem }}\n\
         .sheet {{ overflow: auto }}\n.sheet svg {{ width: 100%; min-width: 56rem; height: auto }}\n\
         table {{ border-collapse: collapse }}\n\
         th, td {{ text-align: left; padding: 0.15rem 1rem 0.15rem 0; font-weight: normal }}\n\
         td.figure {{ text-align: right; font-variant-numeric: tabular-nums }}\n\
         .band {{ width: 3rem; border: 1px solid {ink} }}\n\
         @media print {{ .sheet svg {{ min-width: 0 }} }}\n</style>\n</head>\n<body>\n",
        xml(name)
    )
}

/// The bands that the survey touches, with their colours.
fn depths(out: &mut String, surface: &Surface, info: &ChartInfo, levels: &Levels, theme: Theme) {
    let Some((lo, hi)) = surface.safe_range_m() else { return };
    let (lo, hi) = (lo + info.stage_m, hi + info.stage_m);
    let levels = levels.metres();
    let bands = Bands::new(levels, Some((lo, hi)), theme);
    let _ = writeln!(out, "<h2>Depths in {}</h2>\n<p>{}</p>\n<table>", info.units.word(), xml(SAFE_SIDE));
    let (first, last) = (levels.partition_point(|l| *l <= lo), levels.partition_point(|l| *l <= hi));
    let sign = info.units.sign();
    for band in first..=last {
        let from = band.checked_sub(1).and_then(|b| levels.get(b)).copied();
        let to = levels.get(band).copied();
        let text = |d: f64| info.units.level_text(d);
        let words = match (from, to) {
            (_, Some(to)) if to <= 0.0 => {
                format!("dries: from {} {sign}", from.map_or("−∞".to_owned(), text))
            }
            (None, Some(to)) => format!("less than {} {sign}", text(to)),
            (Some(from), Some(to)) => format!("{} to {} {sign}", text(from), text(to)),
            (Some(from), None) => format!("{} {sign} and more", text(from)),
            (None, None) => format!("{} to {} {sign}", info.units.shoal_text(lo), info.units.shoal_text(hi)),
        };
        let colour = bands.at(from.unwrap_or(lo).max(lo));
        let _ = writeln!(
            out,
            "<tr><td class=\"band\" style=\"background: {colour}\"></td><td>{}</td></tr>",
            xml(&words)
        );
    }
    out.push_str("</table>\n");
}

fn water_level(out: &mut String, info: &ChartInfo) {
    let _ = writeln!(out, "<h2>Water level</h2>");
    for words in panel::level_words(info) {
        let _ = writeln!(out, "<p>{}</p>", xml(&words));
    }
    let mut readings = info.readings.clone();
    readings.sort();
    readings.sort_by_key(|r| r.at);
    let _ = writeln!(out, "<table>");
    for r in readings.iter().rev().take(MOST_READINGS).rev() {
        let (when, gauge, level) =
            (r.at.minute_text(), xml(r.gauge.as_str()), panel::reading_text(r.level_mm, info.units));
        let _ =
            writeln!(out, "<tr><td>{when} UTC</td><td>{gauge}</td><td class=\"figure\">{level}</td></tr>");
    }
    let _ = writeln!(out, "</table>");
}

fn boats(out: &mut String, info: &ChartInfo) {
    let _ = writeln!(out, "<h2>Who sounded what</h2>\n<table>");
    for boat in info.boats().iter().take(MOST_BOATS) {
        let own = || info.passes.iter().filter(|p| p.boat.as_str() == *boat);
        let soundings: u64 = own().map(|p| u64::from(p.soundings)).sum();
        let first: Option<UtcMillis> = own().map(|p| p.first).min();
        let dates = span(first, own().map(|p| p.last).max());
        let (boat, count) = (xml(boat), grouped(soundings));
        let _ = writeln!(
            out,
            "<tr><td>{boat}</td><td>{dates}</td><td class=\"figure\">{count} soundings</td></tr>"
        );
    }
    let _ = writeln!(out, "</table>");
    if let Some(t) = info.touch {
        let [draft, margin] = [t.draft_m, t.margin_m].map(|m| info.units.length_text(m));
        let _ = writeln!(
            out,
            "<p>Hatched: where a boat of {draft} draft would touch, with a margin of {margin}.</p>"
        );
    }
}
