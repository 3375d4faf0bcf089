//! What stands beside the map of changes: the scale, the patches, the common shift, both sides, the caution.

use super::{MOST_NAMED, Scale, strokes};
use crate::compare::{CHANGE_COLOURS, Sides};
use crate::palette::{INK, PAPER};
use crate::picture::layout::Rect;
use crate::picture::svg::{Anchor, Svg, px};
use crate::units::fixed;
use crate::{ChartInfo, Comparison, Patch};
use leadline_model::{CAUTION, PRODUCT, UtcMillis};

const TEXT: f64 = 15.0;
const HEADING: f64 = 18.0;
/// White between two blocks.
const BETWEEN: f64 = 22.0;

/// A block drawn at the origin, and its height.
pub(super) struct Block {
    svg: Svg,
    height: f64,
    width: f64,
}

impl Block {
    fn new(width: f64, heading: &str) -> Self {
        let mut svg = Svg::default();
        svg.segment((0.0, 0.5), (width, 0.5), &format!("stroke=\"{INK}\" stroke-width=\"1.2\""));
        svg.text((0.0, 26.0), HEADING, Anchor::Start, INK, heading);
        Self { svg, height: 34.0, width }
    }

    fn words(&mut self, text: &str) {
        self.height += self.svg.lines((0.0, self.height + TEXT), TEXT, self.width, INK, text) + 4.0;
    }

    /// Height of all, one under the other.
    pub(super) fn total(blocks: &[Self]) -> f64 {
        blocks.iter().map(|b| b.height + BETWEEN).sum()
    }

    /// Draws them downward from `corner`.
    pub(super) fn place(out: &mut Svg, blocks: &[Self], (x, mut y): (f64, f64)) {
        for b in blocks {
            out.raw(&format!("<g transform=\"translate({} {})\">", px(x), px(y)));
            out.0.push_str(&b.svg.0);
            out.raw("</g>");
            y += b.height + BETWEEN;
        }
    }
}

pub(super) fn blocks(
    change: &Comparison,
    sides: &Sides,
    info: &ChartInfo,
    scale: &Scale,
    width: f64,
) -> Vec<Block> {
    vec![
        legend(info, scale, width),
        patches(change, info, width),
        shift(change, info, width),
        about(change, sides, info, width),
        caution(info, width),
    ]
}

fn legend(info: &ChartInfo, scale: &Scale, width: f64) -> Block {
    let mut b = Block::new(width, &format!("Change in {}", info.units.word()));
    let n = CHANGE_COLOURS.len();
    let (w, top) = (width / n as f64, b.height + 24.0);
    b.svg.text((0.0, b.height + 14.0), TEXT, Anchor::Start, INK, "fill: shoaler");
    b.svg.text((width, b.height + 14.0), TEXT, Anchor::End, INK, "scour: deeper");
    for (i, colour) in CHANGE_COLOURS.iter().enumerate() {
        b.svg.rect((w * i as f64, top), (w + 0.5, 28.0), &format!("fill=\"{colour}\""));
    }
    let edge = format!("fill=\"none\" stroke=\"{INK}\" stroke-width=\"1\"");
    b.svg.rect((0.0, top), (width, 28.0), &edge);
    for i in 1..n {
        let v = (i as f64 - (n / 2) as f64) * scale.step;
        let x = w * i as f64;
        b.svg.segment((x, top + 28.0), (x, top + 33.0), &edge);
        b.svg.text((x, top + 48.0), 14.0, Anchor::Middle, INK, &signed(v, 2));
    }
    b.height = top + 64.0;
    let (y, size) = (b.height, (46.0, 26.0));
    b.svg.rect(
        (0.0, y),
        size,
        &format!("fill=\"{}\" stroke=\"{INK}\" stroke-width=\"1\"", CHANGE_COLOURS[5]),
    );
    b.svg.raw(&format!(
        "<clipPath id=\"sign\"><path d=\"M0 {}h46v26h-46Z\"/></clipPath><g clip-path=\"url(#sign)\">",
        px(y)
    ));
    let swatch = Rect { x: 0.0, y, w: size.0, h: size.1 };
    b.svg.path(&strokes(&swatch), &format!("fill=\"none\" stroke=\"{INK}\" stroke-opacity=\"0.5\""));
    b.svg.raw("</g>");
    let words = "Hatched: not more than both surveys' uncertainties together; no change is proven";
    b.height += b.svg.lines((58.0, y + 14.0), TEXT, width - 58.0, INK, words).max(26.0) + 8.0;
    let y = b.height;
    b.svg.rect((0.0, y), size, &format!("fill=\"{PAPER}\" stroke=\"{INK}\" stroke-width=\"1\""));
    let words = "Blank: not known by both";
    b.height += b.svg.lines((58.0, y + 18.0), TEXT, width - 58.0, INK, words).max(26.0);
    b
}

fn patches(change: &Comparison, info: &ChartInfo, width: f64) -> Block {
    let mut b = Block::new(width, "Where the bed changed");
    for (i, p) in change.patches.iter().take(MOST_NAMED).enumerate() {
        b.words(&format!("{}  {}", i + 1, line(p, info)));
    }
    let more = change.patches.len().saturating_sub(MOST_NAMED);
    if more > 0 {
        b.words(&format!("and {more} smaller"));
    }
    for m in change.moved.iter().filter(|m| m.from < MOST_NAMED && m.to < MOST_NAMED) {
        let (from, to, d, deg) = (m.from + 1, m.to + 1, fixed(m.distance_m, 0), fixed(m.toward_deg, 0));
        b.words(&format!("{from} and {to}: a bar may have moved {d} m toward {deg}°"));
    }
    let proven = 100.0 * change.proven_m2() / change.common_m2().max(f64::MIN_POSITIVE);
    if change.patches.is_empty() {
        b.words("Nowhere that can be proven.");
    }
    b.words(&format!("Proven on {} % of the ground that both know.", fixed(proven, 1)));
    b
}

/// A patch in a line.
fn line(p: &Patch, info: &ChartInfo) -> String {
    let u = info.units;
    let most = p.most_m / u.in_metres();
    let with = if p.goes_with_shift { ", goes with the common shift (dashed)" } else { "" };
    format!(
        "{}: {} m², {} m³ ({} to {}), most {} ± {} {}{with}",
        p.kind.word(),
        fixed(p.area_m2, 0),
        fixed(p.volume_m3.best, 0),
        fixed(p.volume_m3.low, 0),
        fixed(p.volume_m3.high, 0),
        signed(most, 2),
        fixed(p.most95_m / u.in_metres(), 2),
        u.sign()
    )
}

fn shift(change: &Comparison, info: &ChartInfo, width: f64) -> Block {
    let mut b = Block::new(width, "Common to all squares");
    let u = info.units;
    let Some(s) = change.shift else {
        b.words("Too little common ground to tell a common shift.");
        return b;
    };
    let text = |v: f64| signed(v / u.in_metres(), 2);
    let plain = |v: f64| fixed(v / u.in_metres(), 2);
    b.words(&format!(
        "Median change {} ± {} {}; the stated uncertainties allow ± {}.",
        text(s.shift_m),
        plain(s.shift95_m),
        u.sign(),
        plain(s.allowed95_m)
    ));
    b.words(if change.shift_off {
        "It was taken off everywhere: a change of the whole bed would not show here."
    } else if s.is_beyond() {
        "More than the levels allow: one side has a wrong level, or the whole bed changed."
    } else if s.is_real() {
        "Within what the levels allow: it may be a stage or a draft."
    } else {
        "No more than chance."
    });
    b
}

fn about(change: &Comparison, sides: &Sides, info: &ChartInfo, width: f64) -> Block {
    let mut b = Block::new(width, "Compared");
    let [first, second] = sides.called.words();
    b.words(&format!("{first}: {}.", sides.before));
    b.words(&format!("{second}: {}.", sides.after));
    let areas = [change.common_m2(), change.only_before_m2, change.only_after_m2].map(|a| fixed(a, 0));
    b.words(&format!(
        "Known by both {} m²; only {} {} m², only {} {} m².",
        areas[0],
        first.to_lowercase(),
        areas[1],
        second.to_lowercase(),
        areas[2]
    ));
    b.words(&format!("Boats: {}.", info.boats().join(", ")));
    b.words(&format!("Sounding datum: {}. A difference of depths is the same at every stage.", info.datum));
    b
}

fn caution(info: &ChartInfo, width: f64) -> Block {
    let mut b = Block::new(width, "Caution");
    b.words(CAUTION);
    let date = info.passes.iter().map(|p| p.last).max().map(UtcMillis::date_text);
    let upto = date.map(|d| format!(", soundings up to {d}")).unwrap_or_default();
    b.words(&format!("Made with {PRODUCT}{upto}. Positions WGS 84."));
    b
}

/// With its sign, as few decimals as it needs.
fn signed(v: f64, decimals: usize) -> String {
    let text = fixed(v.abs(), decimals);
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    match text {
        "0" => text.to_owned(),
        _ if v > 0.0 => format!("+{text}"),
        _ => format!("−{text}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn signs_stand_out() {
        assert_eq!(
            (signed(0.2, 2), signed(-1.25, 2), signed(-0.001, 2)),
            ("+0.2".into(), "−1.25".into(), "0".into())
        );
    }
}
