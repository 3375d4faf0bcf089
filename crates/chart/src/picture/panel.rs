//! The panel: blocks of figures and words, each with its own height, stacked in columns.

use super::inset::{MOST_BOATS, style, tracks};
use super::layout::{Extent, Rect};
use super::map::{Bands, Hatch};
use super::svg::{Anchor, Svg, px, shortened, width};
use crate::nodes::Node;
use crate::palette::{DRYING, INK, PAPER};
use crate::units::fixed;
use crate::{ChartInfo, Surface};
use leadline_model::{CAUTION, Grade, PRODUCT, UtcMillis};

const TEXT: f64 = 15.0;
const HEADING: f64 = 18.0;
const LINE: f64 = 21.0;
/// White between two blocks.
const BETWEEN: f64 = 22.0;
/// Stage readings listed.
const MOST_READINGS: usize = 5;

/// A block drawn at the origin, and its height.
pub(super) struct Block {
    svg: Svg,
    height: f64,
}

/// What the blocks are made from.
pub(super) struct Matter<'a> {
    pub(super) surface: &'a Surface,
    pub(super) info: &'a ChartInfo,
    pub(super) bands: &'a Bands,
    pub(super) levels: &'a [f64],
    /// Columns are this wide, px.
    pub(super) width: f64,
    /// Largest edge of the picture's thinning squares, if it was thinned.
    pub(super) thinned_m: Option<f64>,
    /// Tallest inset, px.
    pub(super) inset_most: f64,
}

impl Matter<'_> {
    /// The blocks of each column.
    pub(super) fn columns(&self, n: usize) -> Vec<Vec<Block>> {
        let mut all = vec![
            vec![self.depths(), self.water_level()],
            vec![self.boats()],
            vec![self.signs()],
            vec![self.caution()],
        ];
        if n == 1 {
            all = vec![all.into_iter().flatten().collect()];
        }
        all
    }

    fn block(&self, heading: &str) -> Block {
        let mut svg = Svg::default();
        svg.segment((0.0, 0.5), (self.width, 0.5), &format!("stroke=\"{INK}\" stroke-width=\"1.2\""));
        svg.text((0.0, 26.0), HEADING, Anchor::Start, INK, heading);
        Block { svg, height: 34.0 }
    }

    fn depths(&self) -> Block {
        let info = self.info;
        let mut b = self.block(&format!("Depths in {}", info.units.word()));
        let shown = self.shown_bands();
        let (n, top) = (shown.len().max(1), b.height + 6.0);
        let w = self.width / n as f64;
        for (i, (_, inside)) in shown.iter().enumerate() {
            let fill = self.bands.at(*inside);
            b.svg.rect((w * i as f64, top), (w + 0.5, 28.0), &format!("fill=\"{fill}\""));
            if fill == DRYING && w > 40.0 {
                b.svg.text((w * (i as f64 + 0.5), top + 18.0), 11.5, Anchor::Middle, INK, "dries");
            }
        }
        let edge = format!("fill=\"none\" stroke=\"{INK}\" stroke-width=\"1\"");
        b.svg.rect((0.0, top), (self.width, 28.0), &edge);
        let mut free_from = 0.0;
        for (i, (from, _)) in shown.iter().enumerate().skip(1) {
            let text = from.map(|f| info.units.level_text(f)).unwrap_or_default();
            let (x, half) = (w * i as f64, width(&text, 14.0) / 2.0);
            if x - half >= free_from {
                b.svg.segment((x, top + 28.0), (x, top + 33.0), &edge);
                b.svg.text((x, top + 47.0), 14.0, Anchor::Middle, INK, &text);
                free_from = x + half + 6.0;
            }
        }
        b.height = top + 58.0;
        let what = "Contours and figures are on the safe side: where a sounding is shoaler than the mean of its \
                    place by more than the uncertainty, the shoaler one is charted.";
        b.words(self.width, what);
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

    fn water_level(&self) -> Block {
        let info = self.info;
        let mut b = self.block("Water level");
        if info.stage_m == 0.0 {
            b.words(self.width, "Charted at the sounding datum (stage 0).");
        } else {
            let side = if info.stage_m > 0.0 { "above" } else { "below" };
            let stage = fixed(info.stage_m.abs(), 2);
            b.words(self.width, &format!("Charted at a stage of {stage} m {side} the sounding datum."));
        }
        b.words(self.width, &info.stage_text);
        b.words(self.width, &format!("Sounding datum: {}", info.datum));
        let mut readings = info.readings.clone();
        readings.sort();
        readings.sort_by_key(|r| r.at);
        for r in readings.iter().rev().take(MOST_READINGS).rev() {
            let level = format!("{}{} m", if r.level_mm < 0 { "−" } else { "+" }, thousandths(r.level_mm));
            let y = b.height + TEXT;
            let when = format!("{} UTC", r.at.minute_text());
            b.svg.text((0.0, y), TEXT, Anchor::Start, INK, &when);
            let x = width(&when, TEXT) + 12.0;
            let room = self.width - x - width(&level, TEXT) - 12.0;
            b.svg.text((x, y), TEXT, Anchor::Start, INK, &shortened(r.gauge.as_str(), TEXT, room));
            b.svg.text((self.width, y), TEXT, Anchor::End, INK, &level);
            b.height += LINE;
        }
        if readings.len() > MOST_READINGS {
            b.words(self.width, &format!("and {} earlier readings", readings.len() - MOST_READINGS));
        }
        b
    }

    fn boats(&self) -> Block {
        let mut b = self.block("Who sounded what");
        let nodes = self.surface.nodes();
        let extent = Extent::of(nodes);
        let tall = (self.width * extent.height() / extent.width()).clamp(90.0, self.inset_most);
        let rect = Rect { x: 8.0, y: b.height + 10.0, w: self.width - 16.0, h: tall - 8.0 };
        let line = format!("fill=\"none\" stroke=\"{INK}\" stroke-opacity=\"0.4\" stroke-width=\"1\"");
        b.svg.rect((0.0, b.height + 6.0), (self.width, tall), &line);
        tracks(&mut b.svg, &rect, nodes, self.info);
        b.height += tall + 18.0;
        let boats = self.info.boats();
        for (i, boat) in boats.iter().enumerate().take(MOST_BOATS) {
            self.boat_row(&mut b, i, boat);
        }
        if boats.len() > MOST_BOATS {
            b.words(self.width, &format!("and {} more boats", boats.len() - MOST_BOATS));
        }
        b
    }

    fn boat_row(&self, b: &mut Block, i: usize, boat: &str) {
        let own = || self.info.passes.iter().filter(|p| p.boat.as_str() == boat);
        let soundings: u64 = own().map(|p| u64::from(p.soundings)).sum();
        let dates = span(own().map(|p| p.first).min(), own().map(|p| p.last).max());
        let count = format!("{} soundings", grouped(soundings));
        let y = b.height + TEXT;
        b.svg.segment((0.0, y - 5.0), (46.0, y - 5.0), &style(i));
        let room = self.width - 58.0 - width(&count, TEXT) - 10.0;
        b.svg.text((58.0, y), TEXT, Anchor::Start, INK, &shortened(boat, TEXT, room));
        b.svg.text((self.width, y), TEXT, Anchor::End, INK, &count);
        b.svg.text((58.0, y + LINE - 2.0), TEXT - 1.0, Anchor::Start, INK, &dates);
        b.height += 2.0 * LINE + 4.0;
    }

    fn signs(&self) -> Block {
        let mut b = self.block("How good it is");
        let nodes = self.surface.nodes();
        let share = |f: &dyn Fn(&&Node) -> bool| percent(nodes.iter().filter(f).count(), nodes.len());
        let of = |g: Grade| share(&move |n| n.grade == g);
        b.words(
            self.width,
            &format!(
                "{} % of the sounded cells are sure (within the limits of S-44 Order 1b), {} % fair (Order 2), \
                 {} % loose. Half are good to ±{} m or better (95 %).",
                of(Grade::Sure),
                of(Grade::Fair),
                of(Grade::Loose),
                fixed(median(nodes.iter().map(|n| n.tvu95_m)), 2)
            ),
        );
        b.height += 4.0;
        let gap = fixed(self.surface.settings().max_gap_m, 0);
        self.sign(&mut b, Some(Hatch::Loose), "loose", "Loose: measured, but worse than Order 2");
        self.sign(&mut b, Some(Hatch::Disputed), "disputed", "Disputed: visits disagree");
        if let Some(t) = self.info.touch {
            let words = format!(
                "A boat of {} m draft would touch ({} m margin)",
                fixed(t.draft_m, 2),
                fixed(t.margin_m, 2)
            );
            self.sign(&mut b, Some(Hatch::Touch), "touch", &words);
        }
        self.sign(&mut b, None, "blank", &format!("Blank: unknown, soundings over {gap} m apart"));
        if let Some(m) = self.thinned_m {
            b.words(self.width, &format!("Drawn from the shoalest cell of every {} m.", fixed(m, 0)));
        }
        b
    }

    fn sign(&self, b: &mut Block, hatch: Option<Hatch>, name: &str, words: &str) {
        let (y, size) = (b.height + 4.0, (46.0, 26.0));
        let swatch = Rect { x: 0.0, y, w: size.0, h: size.1 };
        let fill = if hatch.is_some() { crate::palette::DEEP[2] } else { PAPER };
        b.svg.rect((0.0, y), size, &format!("fill=\"{fill}\" stroke=\"{INK}\" stroke-width=\"1\""));
        if let Some(h) = hatch {
            let d = format!("M0 {}h{}v{}h-{}Z", px(y), size.0, size.1, size.0);
            h.fill(&mut b.svg, &swatch, &format!("sign-{name}"), &d);
        }
        let used = b.svg.lines((58.0, y + 17.0), TEXT, self.width - 58.0, INK, words);
        b.height += used.max(27.0) + 10.0;
    }

    fn caution(&self) -> Block {
        let mut b = self.block("Caution");
        b.words(self.width, CAUTION);
        b.height += 8.0;
        let date = self.surface.newest().map(UtcMillis::date_text);
        let upto = date.map(|d| format!(", soundings up to {d}")).unwrap_or_default();
        b.words(self.width, &format!("Made with {PRODUCT}{upto}. Positions WGS 84."));
        b
    }
}

impl Block {
    fn words(&mut self, limit: f64, text: &str) {
        self.height += self.svg.lines((0.0, self.height + TEXT), TEXT, limit, INK, text) + 3.0;
    }
}

/// Height of the tallest column.
pub(super) fn height(columns: &[Vec<Block>]) -> f64 {
    let one = |c: &Vec<Block>| c.iter().map(|b| b.height + BETWEEN).sum::<f64>() - BETWEEN;
    columns.iter().map(one).fold(0.0, f64::max)
}

/// Writes the columns at their corners.
pub(super) fn place(out: &mut Svg, columns: &[Vec<Block>], corners: &[(f64, f64)]) {
    for (column, (x, top)) in columns.iter().zip(corners) {
        let mut y = *top;
        for b in column {
            out.raw(&format!("<g transform=\"translate({} {})\">", px(*x), px(y)));
            out.0.push_str(&b.svg.0);
            out.raw("</g>");
            y += b.height + BETWEEN;
        }
    }
}

/// First and last day.
pub(super) fn span(first: Option<UtcMillis>, last: Option<UtcMillis>) -> String {
    match (first.map(UtcMillis::date_text), last.map(UtcMillis::date_text)) {
        (Some(a), Some(b)) if a == b => a,
        (Some(a), Some(b)) => format!("{a} to {b}"),
        _ => String::new(),
    }
}

fn thousandths(mm: i32) -> String {
    let v = mm.unsigned_abs();
    format!("{}.{:02}", v / 1000, v % 1000 / 10)
}

fn grouped(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::new();
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(c);
    }
    out
}

fn percent(part: usize, all: usize) -> usize {
    if all == 0 { 0 } else { (200 * part + all) / (2 * all) }
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut all: Vec<f64> = values.collect();
    all.sort_by(f64::total_cmp);
    all.get(all.len() / 2).copied().unwrap_or(0.0)
}

/// The line under the title.
pub(super) fn title_line(info: &ChartInfo) -> String {
    let first = info.passes.iter().map(|p| p.first).min();
    let last = info.passes.iter().map(|p| p.last).max();
    let boats = match info.boats().len() {
        0 => String::new(),
        1 => " · 1 boat".to_owned(),
        n => format!(" · {n} boats"),
    };
    let days = span(first, last);
    let days = if days.is_empty() { days } else { format!(" · {days}") };
    format!("Depths in {}{boats}{days}", info.units.word())
}
