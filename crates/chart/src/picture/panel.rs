//! The panel: blocks of figures and words, each with its own height, stacked in columns; and the foot.

use super::extent::{Extent, View};
use super::inset::{self, MOST_BOATS, style};
use super::layout::{Layout, MARGIN, Rect};
use super::map::Bands;
use super::svg::{Anchor, Svg, px, shortened, width, wrapped};
use crate::nodes::Node;
use crate::units::fixed;
use crate::{ChartInfo, Surface, Theme, Units};
use leadline_model::{CAUTION, PRODUCT, UtcMillis, escaped};

pub(super) const TEXT: f64 = 15.0;
const HEADING: f64 = 18.0;
const LINE: f64 = 21.0;
/// White between two blocks.
const BETWEEN: f64 = 20.0;
/// Stage readings listed, with and without much room.
const MOST_READINGS: (usize, usize) = (5, 3);
/// Tallest inset of the passes.
const INSET: f64 = 230.0;
/// The caution is the largest text after the title.
const CAUTION_SIZE: f64 = 20.0;

/// A block drawn at the origin, and its height.
pub(super) struct Block {
    pub(super) svg: Svg,
    pub(super) height: f64,
    theme: Theme,
}

/// What the blocks are made from.
pub(super) struct Matter<'a> {
    pub(super) surface: &'a Surface,
    pub(super) info: &'a ChartInfo,
    pub(super) bands: &'a Bands,
    pub(super) levels: &'a [f64],
    /// The cells on the sheet.
    pub(super) nodes: &'a [Node],
    /// Columns are this wide, px.
    pub(super) width: f64,
    /// With the passes in small and all explanations.
    pub(super) roomy: bool,
    /// Edge of the picture's thinning squares, if it was thinned.
    pub(super) thinned_m: Option<f64>,
}

impl Matter<'_> {
    /// The blocks, in the order in which they are read, in `n` columns of about the same height.
    pub(super) fn columns(&self, n: usize) -> Vec<Vec<Block>> {
        let blocks = vec![self.depths(), self.signs(), self.water_level(), self.boats()];
        let heights: Vec<f64> = blocks.iter().map(|b| b.height).collect();
        let mut left = blocks.into_iter();
        cuts(&heights, n).into_iter().map(|k| left.by_ref().take(k).collect()).collect()
    }

    pub(super) fn block(&self, heading: &str) -> Block {
        let (mut svg, theme) = (Svg::default(), self.bands.theme());
        let ink = theme.ink();
        svg.segment((0.0, 0.5), (self.width, 0.5), &format!("stroke=\"{ink}\" stroke-width=\"1.2\""));
        svg.text((0.0, 26.0), HEADING, Anchor::Start, ink, heading);
        Block { svg, height: 34.0, theme }
    }

    fn water_level(&self) -> Block {
        let (info, ink) = (self.info, self.bands.theme().ink());
        let most = if self.roomy { MOST_READINGS.0 } else { MOST_READINGS.1 };
        let mut b = self.block("Water level");
        for words in level_words(info) {
            b.words(self.width, &words);
        }
        let mut readings = info.readings.clone();
        readings.sort();
        readings.sort_by_key(|r| r.at);
        for r in readings.iter().rev().take(most).rev() {
            let level = reading_text(r.level_mm, info.units);
            let y = b.height + TEXT;
            let when = format!("{} UTC", r.at.minute_text());
            b.svg.text((0.0, y), TEXT, Anchor::Start, ink, &when);
            let x = width(&when, TEXT) + 12.0;
            let room = self.width - x - width(&level, TEXT) - 12.0;
            b.svg.text((x, y), TEXT, Anchor::Start, ink, &shortened(r.gauge.as_str(), TEXT, room));
            b.svg.text((self.width, y), TEXT, Anchor::End, ink, &level);
            b.height += LINE;
        }
        if readings.len() > most {
            b.words(self.width, &format!("and {} earlier", readings.len() - most));
        }
        b
    }

    fn boats(&self) -> Block {
        let mut b = self.block("Who sounded what");
        if self.roomy {
            self.passes(&mut b);
        }
        let boats = self.info.boats();
        for (i, boat) in boats.iter().enumerate().take(MOST_BOATS) {
            self.boat_row(&mut b, i, boat);
        }
        if boats.len() > MOST_BOATS {
            b.words(self.width, &format!("and {} more boats", boats.len() - MOST_BOATS));
        }
        b
    }

    /// The passes in small.
    fn passes(&self, b: &mut Block) {
        let nodes = self.nodes;
        let extent = Extent::of(nodes);
        let tall = (self.width * extent.height() / extent.width()).clamp(90.0, INSET);
        let rect = Rect { x: 8.0, y: b.height + 10.0, w: self.width - 16.0, h: tall - 8.0 };
        let theme = self.bands.theme();
        let line =
            format!("fill=\"none\" stroke=\"{}\" stroke-opacity=\"0.4\" stroke-width=\"1\"", theme.ink());
        b.svg.rect((0.0, b.height + 6.0), (self.width, tall), &line);
        inset::draw(&mut b.svg, &View::fit(&extent, &rect), nodes, self.info, theme);
        b.height += tall + 18.0;
    }

    fn boat_row(&self, b: &mut Block, i: usize, boat: &str) {
        let ink = self.bands.theme().ink();
        let own = || self.info.passes.iter().filter(|p| p.boat.as_str() == boat);
        let soundings: u64 = own().map(|p| u64::from(p.soundings)).sum();
        let dates = span(own().map(|p| p.first).min(), own().map(|p| p.last).max());
        let count = format!("{} soundings", grouped(soundings));
        let y = b.height + TEXT;
        b.svg.segment((0.0, y - 5.0), (46.0, y - 5.0), &style(i, self.bands.theme()));
        let room = self.width - 58.0 - width(&count, TEXT) - 10.0;
        b.svg.text((58.0, y), TEXT, Anchor::Start, ink, &shortened(boat, TEXT, room));
        b.svg.text((self.width, y), TEXT, Anchor::End, ink, &count);
        b.svg.text((58.0, y + LINE - 2.0), TEXT - 1.0, Anchor::Start, ink, &dates);
        b.height += 2.0 * LINE + 4.0;
    }
}

impl Block {
    pub(super) fn words(&mut self, limit: f64, text: &str) {
        self.height += self.svg.lines((0.0, self.height + TEXT), TEXT, limit, self.theme.ink(), text) + 3.0;
    }
}

/// Height of the tallest column.
pub(super) fn height(columns: &[Vec<Block>]) -> f64 {
    let one = |c: &Vec<Block>| total(&c.iter().map(|b| b.height).collect::<Vec<_>>());
    columns.iter().map(one).fold(0.0, f64::max)
}

/// Numbers of blocks in each of `n` columns, the tallest as low as can be.
fn cuts(heights: &[f64], n: usize) -> Vec<usize> {
    fn best(heights: &[f64], n: usize) -> (f64, Vec<usize>) {
        if n <= 1 {
            return (total(heights), vec![heights.len()]);
        }
        let mut out = (f64::INFINITY, Vec::new());
        for k in 0..=heights.len() {
            let (rest, mut counts) = best(heights.get(k..).unwrap_or_default(), n - 1);
            let tallest = rest.max(total(heights.get(..k).unwrap_or_default()));
            if tallest < out.0 {
                counts.insert(0, k);
                out = (tallest, counts);
            }
        }
        out
    }
    best(heights, n).1
}

fn total(heights: &[f64]) -> f64 {
    heights.iter().map(|h| h + BETWEEN).sum::<f64>() - if heights.is_empty() { 0.0 } else { BETWEEN }
}

/// Writes the columns at their corners.
pub(super) fn place(out: &mut Svg, columns: &[Vec<Block>], layout: &Layout) {
    for (column, (x, top)) in columns.iter().zip(&layout.columns) {
        let (shrink, mut y) = (fixed(layout.shrink, 4), *top);
        for b in column {
            out.raw(&format!("<g transform=\"matrix({shrink} 0 0 {shrink} {} {})\">", px(*x), px(y)));
            out.0.push_str(&b.svg.0);
            out.raw("</g>");
            y += (b.height + BETWEEN) * layout.shrink;
        }
    }
}

/// Height of the caution across a sheet of `width` px.
pub(super) fn foot_height(width: f64) -> f64 {
    let lines = wrapped(CAUTION, CAUTION_SIZE, width - 2.0 * MARGIN - 32.0).len();
    libm::round(CAUTION_SIZE * 1.35) * lines as f64 + 22.0
}

/// The caution, framed, and who made the sheet.
pub(super) fn foot(out: &mut Svg, layout: &Layout, surface: &Surface, theme: Theme) {
    let (w, h) = (layout.plan.width, foot_height(layout.plan.width));
    let (ink, y) = (theme.ink(), layout.foot_y);
    let frame = format!("fill=\"none\" stroke=\"{ink}\" stroke-width=\"2\"");
    out.rect((MARGIN, y), (w - 2.0 * MARGIN, h), &frame);
    out.lines((MARGIN + 16.0, y + 28.0), CAUTION_SIZE, w - 2.0 * MARGIN - 32.0, ink, CAUTION);
    let upto = surface.newest().map(|t| format!(", soundings up to {}", t.date_text())).unwrap_or_default();
    let made = format!("Made with {PRODUCT}{upto}. Positions WGS 84.");
    out.text((w - MARGIN, y + h + 22.0), 13.0, Anchor::End, ink, &made);
}

/// First and last day.
pub(super) fn span(first: Option<UtcMillis>, last: Option<UtcMillis>) -> String {
    match (first.map(UtcMillis::date_text), last.map(UtcMillis::date_text)) {
        (Some(a), Some(b)) if a == b => a,
        (Some(a), Some(b)) => format!("{a} to {b}"),
        _ => String::new(),
    }
}

/// A reading with its sign, to about a centimetre.
pub(super) fn reading_text(mm: i32, units: Units) -> String {
    let sign = if mm < 0 { "−" } else { "+" };
    format!("{sign}{}", units.length_text(f64::from(mm).abs() / 1000.0))
}

/// The charted stage, where it comes from, and the datum, in sentences.
pub(super) fn level_words(info: &ChartInfo) -> [String; 3] {
    let at = if info.stage_m == 0.0 {
        "Charted at the sounding datum (stage 0).".to_owned()
    } else {
        let side = if info.stage_m > 0.0 { "above" } else { "below" };
        let stage = info.units.length_text(info.stage_m.abs());
        format!("Charted at a stage of {stage} {side} the sounding datum.")
    };
    [at, info.stage_text.clone(), format!("Sounding datum: {}", info.datum)]
}

pub(super) fn grouped(n: u64) -> String {
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
    format!("Depths in {} at {}{boats}{days}", info.units.word(), stage_words(info))
}

/// The charted stage in a few words.
fn stage_words(info: &ChartInfo) -> String {
    if info.stage_m == 0.0 {
        return "the sounding datum".to_owned();
    }
    let sign = if info.stage_m > 0.0 { "+" } else { "−" };
    format!("stage {sign}{}", info.units.length_text(info.stage_m.abs()))
}

/// What programs and people who do not see the sheet are told of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SheetWords {
    /// Its name.
    pub name: String,
    /// Stage, range of depths, date, datum, boats and caution.
    pub about: String,
}

/// The sheet in words.
pub fn sheet_words(surface: &Surface, info: &ChartInfo) -> SheetWords {
    let range = surface.safe_range_m().map_or(String::new(), |(lo, hi)| {
        let text = |d: f64| format!("{} {}", info.units.shoal_text(d + info.stage_m), info.units.sign());
        format!(" Charted depths from {} to {}.", text(lo), text(hi))
    });
    let newest = surface.newest().map_or(String::new(), |t| format!(" Newest sounding {}.", t.date_text()));
    let boats = info.boats();
    let more = boats.len().saturating_sub(MOST_BOATS);
    let named = boats.iter().take(MOST_BOATS).copied().collect::<Vec<_>>().join(", ");
    let sounded = match (boats.len(), more) {
        (0, _) => String::new(),
        (_, 0) => format!(" Sounded by {named}."),
        _ => format!(" Sounded by {named} and {more} more."),
    };
    let about =
        format!("{}.{range}{newest} Sounding datum: {}.{sounded} {CAUTION}", title_line(info), info.datum);
    SheetWords { name: escaped(&format!("{}: depth chart", info.survey)), about: escaped(&about) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_are_even_and_keep_their_order() {
        assert_eq!(cuts(&[100.0, 100.0, 100.0, 100.0], 2), [2, 2]);
        assert_eq!(cuts(&[300.0, 50.0, 50.0, 50.0], 2), [1, 3]);
        assert_eq!(cuts(&[10.0, 20.0], 1), [2]);
        assert_eq!(cuts(&[10.0, 20.0, 30.0, 40.0], 4).iter().sum::<usize>(), 4);
    }
}
