//! Soundings on the map: a shoal-biased selection, in the figures of a chart.

use super::extent::View;
use super::labels::HALF_HEIGHT;
use super::layout::Rect;
use super::map::Bands;
use super::svg::{Svg, px, width};
use super::tags::{Px, Tag, Taken};
use crate::nodes::Node;
use crate::palette::Colour;
use crate::{ChartInfo, Surface, Theme, Units};
use std::collections::BTreeMap;

pub(super) const SIZE: f64 = 17.0;
/// Size of the lowered figure, and by how much it is lowered.
const LOW: (f64, f64) = (12.0, 4.0);
/// Soundings keep this far from each other, px.
const APART: f64 = 78.0;
/// White kept between a sounding and the edge of the known water: wished, and at least, px.
const ROOM: f64 = 24.0;
const CLOSE: f64 = 2.0;
/// Squares for finding shoals and holes, px.
const SQUARE: f64 = 64.0;

/// A depth as a chart writes it: whole units and, in shallow water, a smaller lowered figure; heights that dry are
/// underlined (common practice, no source). Always cut to the shoal side.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Figure {
    pub(super) whole: String,
    pub(super) low: Option<u8>,
    pub(super) dries: bool,
}

/// Up to this many units the lowered figure is written: 31 m, 10 ft, 11 fm (common practice, no source).
fn fine_below(units: Units) -> i64 {
    match units {
        Units::Metres => 31,
        Units::Feet => 10,
        Units::Fathoms => 11,
    }
}

impl Figure {
    /// The lowered figure is tenths of metres and feet, and feet of fathoms.
    pub(super) fn new(units: Units, depth_m: f64) -> Self {
        let parts = if units == Units::Fathoms { 6 } else { 10 };
        // The small addition keeps 2.3 m from becoming 2.2 for want of a binary 2.3.
        let n = libm::floor(depth_m / units.in_metres() * parts as f64 + 1e-6) as i64;
        let (whole, part) = (n.abs() / parts, n.abs() % parts);
        if whole < fine_below(units) {
            let low = u8::try_from(part).ok();
            return Self { whole: whole.to_string(), low, dries: n < 0 };
        }
        // A height is cut upward: more of it dries.
        let whole = if n < 0 && part > 0 { whole + 1 } else { whole };
        Self { whole: whole.to_string(), low: None, dries: n < 0 }
    }

    /// Width of the whole part, and of all.
    fn widths(&self) -> (f64, f64) {
        let whole = width(&self.whole, SIZE);
        (whole, whole + self.low.map_or(0.0, |_| width("0", LOW.0)))
    }

    pub(super) fn tag(&self, p: Px) -> Tag {
        let low = if self.low.is_some() { LOW.1 / 2.0 } else { 0.0 };
        Tag::level((p.0, p.1 + low), (self.widths().1 / 2.0 + 3.0, SIZE * HALF_HEIGHT + low))
    }

    /// Draws it about `p` with a halo of `under`.
    pub(super) fn draw(&self, out: &mut Svg, p: Px, under: Colour, theme: Theme) {
        let (ink, (whole, all)) = (theme.ink_on(under), self.widths());
        let (x, base) = (p.0 - all / 2.0, p.1 + SIZE * 0.36);
        if self.dries {
            let line = |c: Colour, w: f64| format!("stroke=\"{c}\" stroke-width=\"{w}\"");
            let y = base + 2.6;
            out.segment((x - 1.0, y), (x + whole + 1.0, y), &line(under, 4.0));
            out.segment((x, y), (x + whole, y), &line(ink, 1.3));
        }
        let low = self.low.map_or(String::new(), |d| {
            format!("<tspan font-size=\"{}\" dy=\"{}\">{d}</tspan>", px(LOW.0), px(LOW.1))
        });
        out.raw(&format!(
            "<text x=\"{}\" y=\"{}\" font-size=\"{}\" fill=\"{ink}\" stroke=\"{under}\" stroke-width=\"3\" \
             stroke-linejoin=\"round\" paint-order=\"stroke\">{}{low}</text>",
            px(x),
            px(base),
            px(SIZE),
            self.whole
        ));
    }
}

/// The soundings being placed: none near the edge of the known water if that can be helped.
pub(super) struct Selection<'a> {
    view: &'a View,
    frame: &'a Rect,
    bands: &'a Bands,
    surface: &'a Surface,
    info: &'a ChartInfo,
    /// Squares round what is placed.
    chosen: Taken,
    /// All cells of the sheet, shoalest first.
    all: Vec<&'a Node>,
}

impl<'a> Selection<'a> {
    pub(super) fn new(
        view: &'a View,
        frame: &'a Rect,
        bands: &'a Bands,
        surface: &'a Surface,
        info: &'a ChartInfo,
    ) -> Self {
        let on_sheet = |n: &&Node| Tag::level(view.px(n.xy), (0.0, 0.0)).inside(frame, 0.0);
        let afloat = |n: &&Node| !surface.is_ashore(n.xy);
        let mut all: Vec<&Node> = surface.nodes().iter().filter(on_sheet).filter(afloat).collect();
        all.sort_by(|a, b| a.safe_m.total_cmp(&b.safe_m).then(a.id.cmp(&b.id)));
        Self { view, frame, bands, surface, info, chosen: Taken::default(), all }
    }

    /// Shoals, then the deepest, then holes: nothing else on the map may take their place.
    pub(super) fn place_marked(&mut self, out: &mut Svg, taken: &mut Taken) {
        for room in [ROOM, CLOSE] {
            for n in self.marked() {
                self.place(out, taken, n, room);
            }
        }
    }

    /// The shoalest first wherever there is room.
    pub(super) fn place_others(&mut self, out: &mut Svg, taken: &mut Taken) {
        for room in [ROOM, CLOSE] {
            for i in 0..self.all.len() {
                if let Some(n) = self.all.get(i).copied() {
                    self.place(out, taken, n, room);
                }
            }
        }
    }

    fn place(&mut self, out: &mut Svg, taken: &mut Taken, n: &Node, room: f64) {
        let p = self.view.px(n.xy);
        let around = Tag::level(p, (APART / 2.0, APART / 2.0));
        if !self.chosen.free(&around) {
            return;
        }
        let depth = n.safe_m + self.info.stage_m;
        let figure = Figure::new(self.info.units, depth);
        let tag = figure.tag(p);
        let fits = tag.inside(self.frame, 8.0) && taken.free(&tag);
        if fits && in_water(self.surface, self.view, p, tag.half.0 + room) {
            self.chosen.take(around);
            taken.take(tag);
            figure.draw(out, p, self.bands.at(depth), self.bands.theme());
        }
    }

    /// The shoalest and the deepest cell of squares that are shoaler or deeper than all eight around them.
    fn marked(&self) -> Vec<&'a Node> {
        let key = |p: Px| (libm::floor(p.0 / SQUARE) as i64, libm::floor(p.1 / SQUARE) as i64);
        let mut squares: BTreeMap<(i64, i64), (&Node, &Node)> = BTreeMap::new();
        for n in &self.all {
            squares.entry(key(self.view.px(n.xy))).or_insert((n, n)).1 = n;
        }
        let (mut shoals, mut holes) = (Vec::new(), Vec::new());
        for ((x, y), (shoal, deep)) in &squares {
            let ring = (x - 1..=x + 1).flat_map(|x| (y - 1..=y + 1).map(move |y| (x, y)));
            let others = ring.filter(|k| k != &(*x, *y)).map(|k| squares.get(&k));
            // A square at the edge of the water says nothing about a shoal: all eight neighbours must be known.
            let Some(others) = others.collect::<Option<Vec<_>>>() else { continue };
            if others.iter().all(|o| shoal.safe_m < o.0.safe_m) {
                shoals.push(*shoal);
            }
            if others.iter().all(|o| deep.safe_m > o.1.safe_m) {
                holes.push(*deep);
            }
        }
        shoals.sort_by(|a, b| a.safe_m.total_cmp(&b.safe_m).then(a.id.cmp(&b.id)));
        shoals.extend(self.all.last());
        shoals.extend(holes);
        shoals
    }
}

/// Whether the surface is known all round `p`.
fn in_water(surface: &Surface, view: &View, p: Px, reach: f64) -> bool {
    let ring = [
        (1.0, 0.0),
        (0.7, 0.7),
        (0.0, 1.0),
        (-0.7, 0.7),
        (-1.0, 0.0),
        (-0.7, -0.7),
        (0.0, -1.0),
        (0.7, -0.7),
    ];
    ring.iter().all(|d| surface.covers(view.metres((p.0 + d.0 * reach, p.1 + d.1 * reach))))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(units: Units, depth_m: f64) -> String {
        let f = Figure::new(units, depth_m);
        let low = f.low.map_or(String::new(), |d| format!("_{d}"));
        format!("{}{}{low}", if f.dries { "dries " } else { "" }, f.whole)
    }

    #[test]
    fn figures_are_cut_to_the_shoal_side() {
        let metres = [2.3, 2.399, 0.0, -0.01, -1.25, 30.99, 31.99, -40.2].map(|d| text(Units::Metres, d));
        assert_eq!(metres, ["2_3", "2_3", "0_0", "dries 0_1", "dries 1_3", "30_9", "31", "dries 41"]);
        // A foot is 0.3048 m, a fathom six feet (1959 agreement).
        assert_eq!([3.047, 3.048, 2.0].map(|d| text(Units::Feet, d)), ["9_9", "10", "6_5"]);
        assert_eq!([3.6576, 4.2671, 4.2673].map(|d| text(Units::Fathoms, d)), ["2_0", "2_1", "2_2"]);
    }
}
