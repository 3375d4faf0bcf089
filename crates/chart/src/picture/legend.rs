//! What the colours, figures and hatches of the map mean.

use super::layout::Rect;
use super::map::{Hatch, dispute_sign};
use super::panel::{Block, Matter, TEXT};
use super::soundings::Figure;
use super::svg::{Anchor, px, width};
use crate::units::fixed;
use crate::{Surface, Units};
use leadline_model::Grade;

pub(super) const SAFE_SIDE: &str = "Contours and figures are on the safe side: where a sounding is shoaler than the mean of its place \
                         by more than the uncertainty, the shoaler one is charted.";

impl Matter<'_> {
    pub(super) fn depths(&self) -> Block {
        let (info, theme) = (self.info, self.bands.theme());
        let ink = theme.ink();
        let mut b = self.block(&format!("Depths in {}", info.units.word()));
        let shown = self.shown_bands();
        let (n, top) = (shown.len().max(1), b.height + 6.0);
        let w = self.width / n as f64;
        for (i, (_, inside)) in shown.iter().enumerate() {
            let fill = self.bands.at(*inside);
            b.svg.rect((w * i as f64, top), (w + 0.5, 28.0), &format!("fill=\"{fill}\""));
            if fill == theme.drying() && w > 40.0 {
                b.svg.text((w * (i as f64 + 0.5), top + 18.0), 11.5, Anchor::Middle, ink, "dries");
            }
        }
        let edge = format!("fill=\"none\" stroke=\"{ink}\" stroke-width=\"1\"");
        b.svg.rect((0.0, top), (self.width, 28.0), &edge);
        let mut free_from = 0.0;
        for (i, (from, _)) in shown.iter().enumerate().skip(1) {
            let text = from.map(|f| info.units.level_text(f)).unwrap_or_default();
            let (x, half) = (w * i as f64, width(&text, 14.0) / 2.0);
            if x - half >= free_from {
                b.svg.segment((x, top + 28.0), (x, top + 33.0), &edge);
                b.svg.text((x, top + 47.0), 14.0, Anchor::Middle, ink, &text);
                free_from = x + half + 6.0;
            }
        }
        b.height = top + 58.0;
        self.figures(&mut b);
        if self.roomy {
            b.words(self.width, SAFE_SIDE);
        }
        b
    }

    /// Shoal limit of each band with water, and a depth inside it.
    fn shown_bands(&self) -> Vec<(Option<f64>, f64)> {
        let Some((lo, hi)) = self.surface.safe_range_m() else { return Vec::new() };
        let (lo, hi) = (lo + self.info.stage_m, hi + self.info.stage_m);
        let first = self.levels.partition_point(|l| *l <= lo);
        let last = self.levels.partition_point(|l| *l <= hi);
        let from = |b: usize| b.checked_sub(1).and_then(|k| self.levels.get(k)).copied();
        (first..=last).map(|b| (from(b), from(b).unwrap_or(lo).max(lo))).collect()
    }

    /// How a sounding is read: two samples in the chart's own figures.
    fn figures(&self, b: &mut Block) {
        let theme = self.bands.theme();
        let (units, one) = (self.info.units, self.info.units.in_metres());
        let (part, wet, dry) = match units {
            Units::Metres => (0.1, "2.4 m", "dries 0.3 m"),
            Units::Feet => (0.1, "2.4 ft", "dries 0.3 ft"),
            Units::Fathoms => (1.0 / 6.0, "2 fathoms 4 feet", "dries 3 feet"),
        };
        let y = b.height + 9.0;
        let samples = [(2.0 + 4.0 * part, wet), (-3.0 * part, dry)];
        let mut x = 14.0;
        for (depth, words) in samples {
            let figure = Figure::new(units, (depth + if depth < 0.0 { 1e-9 } else { 0.0 }) * one);
            figure.draw(&mut b.svg, (x, y), theme.paper(), theme);
            b.svg.text((x + 20.0, y + 6.0), TEXT, Anchor::Start, theme.ink(), words);
            x += 40.0 + width(words, TEXT) + 14.0;
        }
        b.height += 30.0;
    }

    pub(super) fn signs(&self) -> Block {
        let mut b = self.block("How good it is");
        b.words(self.width, &grade_words(self.surface, self.info.units));
        b.height += 4.0;
        let gap = fixed(self.surface.settings().max_gap_m / 2.0, 0);
        self.sign(&mut b, Some(Hatch::Loose), "loose", "Loose: measured, but worse than Order 2");
        self.sign(
            &mut b,
            Some(Hatch::Disputed),
            "disputed",
            "Disputed: visits disagree; the diamond where it is small",
        );
        if let Some(t) = self.info.touch {
            let words = format!(
                "A boat of {} draft would touch ({} margin)",
                self.info.units.length_text(t.draft_m),
                self.info.units.length_text(t.margin_m)
            );
            self.sign(&mut b, Some(Hatch::Touch), "touch", &words);
        }
        self.sign(
            &mut b,
            None,
            "blank",
            &format!(
                "Blank: unknown, nobody within {gap} m; the dashed line is the edge of the survey, no shore"
            ),
        );
        self.marks(&mut b);
        if let Some(m) = self.thinned_m {
            b.words(self.width, &format!("Drawn from the shoalest cell of every {} m.", fixed(m, 0)));
        }
        b
    }

    fn sign(&self, b: &mut Block, hatch: Option<Hatch>, name: &str, words: &str) {
        let theme = self.bands.theme();
        let (y, size) = (b.height + 4.0, (46.0, 26.0));
        let swatch = Rect { x: 0.0, y, w: size.0, h: size.1 };
        let fill = if hatch.is_some() { theme.depth(1, 6) } else { theme.paper() };
        b.svg.rect((0.0, y), size, &format!("fill=\"{fill}\" stroke=\"{}\" stroke-width=\"1\"", theme.ink()));
        if let Some(h) = hatch {
            let d = format!("M0 {}h{}v{}h-{}Z", px(y), size.0, size.1, size.0);
            h.fill(&mut b.svg, theme, &swatch, &format!("sign-{name}"), &d);
        }
        if hatch == Some(Hatch::Disputed) {
            dispute_sign(&mut b.svg, (size.0 / 2.0, y + size.1 / 2.0), theme);
        }
        let used = b.svg.lines((58.0, y + 17.0), TEXT, self.width - 58.0, theme.ink(), words);
        b.height += used.max(27.0) + 8.0;
    }
}

/// Shares of the grades, and how sure half of the cells are.
pub(super) fn grade_words(surface: &Surface, units: Units) -> String {
    let nodes = surface.nodes();
    let share = |g: Grade| percent(nodes.iter().filter(|n| n.grade == g).count(), nodes.len());
    format!(
        "{}% of the sounded cells are sure (within the limits of S-44 Order 1b), {}% fair (Order 2), {}% loose. Half \
         are good to ±{} or better (95%).",
        share(Grade::Sure),
        share(Grade::Fair),
        share(Grade::Loose),
        units.length_text(median(nodes.iter().map(|n| n.tvu95_m)))
    )
}

fn percent(part: usize, all: usize) -> usize {
    if all == 0 { 0 } else { (200 * part + all) / (2 * all) }
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut all: Vec<f64> = values.collect();
    all.sort_by(f64::total_cmp);
    all.get(all.len() / 2).copied().unwrap_or(0.0)
}
