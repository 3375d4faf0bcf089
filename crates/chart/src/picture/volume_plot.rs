//! Area and volume against stage as a picture: two panels side by side over one axis of stages.

use super::svg::{Anchor, Svg, head, px, shortened};
use crate::palette::{INK, PAPER, depth_colour};
use crate::units::fixed;
use crate::{Banded, ChartInfo, StageRow, VolumeTable};
use leadline_model::{CAUTION, PRODUCT};

const WIDTH: f64 = 1000.0;
const HEIGHT: f64 = 640.0;
const TOP: f64 = 110.0;
const BOTTOM: f64 = 500.0;
/// Left and right edge of each panel, px.
const PANELS: [(f64, f64); 2] = [(90.0, 500.0), (550.0, 960.0)];
const SIZE: f64 = 14.0;

/// The figure of a row that a panel shows.
type Figure = fn(&StageRow) -> Banded;

/// Draws a table of at least two stages with the 95 % band of each curve.
pub fn volume_svg(table: &VolumeTable, info: &ChartInfo) -> String {
    let mut out = Svg(head(WIDTH, HEIGHT));
    out.rect((0.0, 0.0), (WIDTH, HEIGHT), &format!("fill=\"{PAPER}\""));
    let title = format!("{}: area and volume against stage", info.survey);
    out.text((PANELS[0].0, 44.0), 26.0, Anchor::Start, INK, &shortened(&title, 26.0, WIDTH - 130.0));
    let datum = format!("Stage above the sounding datum ({}), {}", info.datum, info.units.word());
    out.text((PANELS[0].0, 72.0), SIZE, Anchor::Start, INK, &shortened(&datum, SIZE, WIDTH - 130.0));
    let stages = Axis::over(table.rows.iter().map(|r| r.stage_m / info.units.in_metres()), false);
    let area: Figure = |r| r.area_m2;
    let volume: Figure = |r| r.volume_m3;
    for ((what, unit, value), edges) in
        [("Area", "m²", area), ("Volume", "m³", volume)].into_iter().zip(PANELS)
    {
        panel(&mut out, table, info, &stages, edges, value);
        let middle = (edges.0 + edges.1) / 2.0;
        out.text((middle, BOTTOM + 46.0), SIZE, Anchor::Middle, INK, &format!("{what}, {unit}"));
    }
    let known = format!(
        "Of what was surveyed: {} m². Nothing is known of {} m² more, which is in no curve. Shaded: 95 %.",
        fixed(table.known_m2, 0),
        fixed(table.unknown_m2, 0)
    );
    let used = out.lines((PANELS[0].0, BOTTOM + 76.0), 12.5, WIDTH - 130.0, INK, &known);
    out.lines(
        (PANELS[0].0, BOTTOM + 76.0 + used),
        12.5,
        WIDTH - 130.0,
        INK,
        &format!("{PRODUCT}. {CAUTION}"),
    );
    out.raw("</svg>");
    out.0
}

fn panel(
    out: &mut Svg,
    table: &VolumeTable,
    info: &ChartInfo,
    stages: &Axis,
    (left, right): (f64, f64),
    value: Figure,
) {
    let values = Axis::over(table.rows.iter().map(|r| value(r).high), true);
    let x = |v: f64| left + values.share(v) * (right - left);
    let y = |r: &StageRow| BOTTOM - stages.share(r.stage_m / info.units.in_metres()) * (BOTTOM - TOP);
    let fine = format!("stroke=\"{INK}\" stroke-width=\"0.4\" stroke-opacity=\"0.45\"");
    for v in stages.marks() {
        let at = BOTTOM - stages.share(v) * (BOTTOM - TOP);
        out.segment((left, at), (right, at), &fine);
        out.text((left - 8.0, at + 5.0), 12.5, Anchor::End, INK, &stages.text(v));
    }
    for v in values.marks() {
        out.segment((x(v), TOP), (x(v), BOTTOM), &fine);
        out.text((x(v), BOTTOM + 20.0), 12.5, Anchor::Middle, INK, &values.text(v));
    }
    let line = |points: &mut dyn Iterator<Item = (f64, f64)>| {
        points.map(|(a, b)| format!("{} {}", px(a), px(b))).collect::<Vec<_>>().join("L")
    };
    let low = line(&mut table.rows.iter().map(|r| (x(value(r).low), y(r))));
    let high = line(&mut table.rows.iter().rev().map(|r| (x(value(r).high), y(r))));
    let best = line(&mut table.rows.iter().map(|r| (x(value(r).best), y(r))));
    if table.rows.len() > 1 {
        out.path(&format!("M{low}L{high}Z"), &format!("fill=\"{}\"", depth_colour(1, 5)));
        let style = format!("fill=\"none\" stroke=\"{INK}\" stroke-width=\"1.8\" stroke-linejoin=\"round\"");
        out.path(&format!("M{best}"), &style);
    }
    let edge = format!("fill=\"none\" stroke=\"{INK}\" stroke-width=\"1\"");
    out.rect((left, TOP), (right - left, BOTTOM - TOP), &edge);
}

/// A range with round marks.
struct Axis {
    low: f64,
    high: f64,
    step: f64,
}

impl Axis {
    fn over(values: impl Iterator<Item = f64>, from_zero: bool) -> Self {
        let start = if from_zero { (0.0, 0.0) } else { (f64::INFINITY, f64::NEG_INFINITY) };
        let (low, high) = values.fold(start, |(lo, hi): (f64, f64), v| (lo.min(v), hi.max(v)));
        let (low, high) = if high > low { (low, high) } else { (0.0, 1.0) };
        let rough = (high - low) / 5.0;
        let ten = libm::pow(10.0, libm::floor(libm::log10(rough)));
        let step = [1.0, 2.0, 5.0, 10.0].map(|m| m * ten).into_iter().find(|s| *s >= rough).unwrap_or(rough);
        Self { low, high, step }
    }

    fn share(&self, v: f64) -> f64 {
        (v - self.low) / (self.high - self.low)
    }

    fn marks(&self) -> Vec<f64> {
        let first = libm::ceil(self.low / self.step - 1e-9) as i64;
        let last = libm::floor(self.high / self.step + 1e-9) as i64;
        (first..=last).take(20).map(|i| i as f64 * self.step).collect()
    }

    /// A mark in as few digits as it needs; thousands apart by a thin gap.
    fn text(&self, v: f64) -> String {
        let decimals = libm::ceil(-libm::log10(self.step) - 1e-9).clamp(0.0, 6.0) as usize;
        let text = fixed(v, decimals);
        if decimals > 0 || text.len() < 5 {
            return text.replace('-', "−");
        }
        let n = text.len();
        let gap = |(i, c): (usize, char)| {
            let thin = i > 0 && (n - i).is_multiple_of(3);
            thin.then_some('\u{2009}').into_iter().chain(std::iter::once(c))
        };
        text.chars().enumerate().flat_map(gap).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_are_round_and_few() {
        for (low, high) in [(-7.3, 1.2), (0.0, 1_234_567.0), (0.0, 0.031), (5.0, 5.0)] {
            let a = Axis::over([low, high].into_iter(), false);
            assert!((2..=12).contains(&a.marks().len()), "{low} {high}: {:?}", a.marks());
        }
        let a = Axis::over([0.0, 5e6].into_iter(), true);
        assert_eq!(a.text(2_000_000.0), "2\u{2009}000\u{2009}000");
        assert_eq!(Axis::over([-7.3, 1.2].into_iter(), false).text(-2.0), "−2");
    }

    #[test]
    fn hostile_names_and_empty_tables_make_a_picture() {
        let table = VolumeTable {
            rows: Vec::new(),
            known_m2: 0.0,
            unknown_m2: 1.0,
            square_cells: 1,
            shared95_m: 0.0,
        };
        let info = ChartInfo { survey: "<script>".into(), ..ChartInfo::default() };
        let svg = volume_svg(&table, &info);
        assert!(svg.contains("&lt;script&gt;") && !svg.contains("<script>") && svg.ends_with("</svg>\n"));
    }
}
