//! What is compared with what, in words, and the colours of a change.

use super::Square;
use super::outline::outlines;
use crate::palette::Colour;
use geo::{Coord, LineString, Polygon};
use leadline_model::{GridPos, LocalFrame};
use std::collections::BTreeSet;

/// The two sides of a comparison in words. Taken as hostile and escaped.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Sides {
    /// The earlier side.
    pub before: String,
    /// The later side.
    pub after: String,
    /// What the two are called.
    pub called: Called,
}

/// What the sides of a comparison are called.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Called {
    /// By time.
    #[default]
    EarlierLater,
    /// By order of naming: two boats.
    FirstSecond,
}

impl Called {
    /// The word for the side that is taken off, and for the one it is taken off from.
    pub fn words(self) -> [&'static str; 2] {
        match self {
            Self::EarlierLater => ["Earlier", "Later"],
            Self::FirstSecond => ["First", "Second"],
        }
    }
}

/// Classes of change, from the most fill (brown) over none (pale) to the most scour (blue).
///
/// Eight of the 256 rows of "vik" from `cmcrameri` 1.10 (MIT; Crameri, Shephard and Heron 2020, Nature
/// Communications 11, 5444): 221, 191, 162, 139, 116, 93, 64, 34, in the reversed order; perceptually even and safe for
/// colour-blind eyes by design.
pub(crate) const CHANGE_COLOURS: [Colour; 8] = [
    Colour(152, 51, 7),
    Colour(195, 114, 67),
    Colour(218, 166, 136),
    Colour(236, 211, 197),
    Colour(210, 225, 233),
    Colour(138, 184, 206),
    Colour(48, 125, 166),
    Colour(3, 71, 131),
];

/// The outlines of squares of `side` cells in metres of `frame`, outer rings counter-clockwise.
pub(crate) fn outline_of(frame: &LocalFrame, squares: &[&Square], side: u32) -> Vec<Polygon<f64>> {
    let Some(first) = squares.first() else { return Vec::new() };
    let set: BTreeSet<(i64, i64)> = squares.iter().map(|s| (s.row, s.column)).collect();
    let (east, north) = frame.metres(first.at);
    let [w, h] = square_m(frame, side);
    // Lines of the grid, counted from the middle of the first square.
    let corner = |(column, row): &(i64, i64)| {
        let (x, y) = ((column - first.column) as f64 - 0.5, (row - first.row) as f64 - 0.5);
        Coord { x: east + x * w, y: north - y * h }
    };
    let ring = |r: &Vec<(i64, i64)>| LineString(r.iter().map(corner).collect());
    let polygon = |p: &Vec<Vec<(i64, i64)>>| {
        let mut rings = p.iter().map(ring);
        let outer = rings.next().unwrap_or_else(|| LineString(Vec::new()));
        Polygon::new(outer, rings.collect())
    };
    outlines(&set).iter().map(polygon).collect()
}

/// Width and height of a square of `side` cells in metres of `frame`.
pub(crate) fn square_m(frame: &LocalFrame, side: u32) -> [f64; 2] {
    let o = frame.origin();
    let places = side.saturating_mul(256);
    let there = GridPos::new(o.x().wrapping_add(places) & 0x7fff_ffff, o.y().saturating_sub(places));
    let (e, n) = there.map_or((1.0, 1.0), |p| frame.metres(p));
    [e, n]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::palette::{INK, PAPER, contrast, ink_on};

    #[test]
    fn darker_the_larger_the_change() {
        let light = CHANGE_COLOURS.map(|c| contrast(c, PAPER));
        assert!(light[..4].windows(2).all(|w| w[0] > w[1]) && light[4..].windows(2).all(|w| w[0] < w[1]));
        assert!(CHANGE_COLOURS.iter().all(|c| contrast(ink_on(*c), *c) >= 4.5));
        // Ink hatches and outlines show on the pale half of each side.
        assert!(CHANGE_COLOURS[1..7].iter().all(|c| contrast(INK, *c) >= 3.0));
    }
}
