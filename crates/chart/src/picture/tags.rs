//! Places of labels: turned boxes of the sheet, none over another.

use super::layout::Rect;
use std::collections::BTreeMap;

/// A point of the sheet, px.
pub(super) type Px = (f64, f64);

/// A turned box: middle, half its width and height, and the direction of its width.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Tag {
    pub(super) middle: Px,
    pub(super) half: Px,
    pub(super) dir: Px,
}

impl Tag {
    /// An upright box.
    pub(super) fn level(middle: Px, half: Px) -> Self {
        Self { middle, half, dir: (1.0, 0.0) }
    }

    pub(super) fn of(r: &Rect) -> Self {
        Self::level((r.x + r.w / 2.0, r.y + r.h / 2.0), (r.w / 2.0, r.h / 2.0))
    }

    pub(super) fn corners(&self) -> [Px; 4] {
        let (cos, sin) = self.dir;
        [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)].map(|(i, k)| {
            let (u, v) = (i * self.half.0, k * self.half.1);
            (self.middle.0 + u * cos - v * sin, self.middle.1 + u * sin + v * cos)
        })
    }

    /// Whether the boxes share a point: no axis of either keeps them apart.
    fn meets(&self, other: &Self) -> bool {
        let axes = [self.dir, (-self.dir.1, self.dir.0), other.dir, (-other.dir.1, other.dir.0)];
        axes.iter().all(|axis| {
            let ((a, b), (c, d)) = (self.along(*axis), other.along(*axis));
            a <= d && c <= b
        })
    }

    fn along(&self, axis: Px) -> (f64, f64) {
        let at = self.corners().map(|c| c.0 * axis.0 + c.1 * axis.1);
        (
            at.iter().copied().fold(f64::INFINITY, f64::min),
            at.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        )
    }

    /// Whether it lies in `frame` with `border` px to spare.
    pub(super) fn inside(&self, frame: &Rect, border: f64) -> bool {
        self.corners().iter().all(|c| {
            c.0 >= frame.x + border
                && c.0 <= frame.x + frame.w - border
                && c.1 >= frame.y + border
                && c.1 <= frame.y + frame.h - border
        })
    }

    /// The squares of the sheet that it may touch.
    fn squares(&self) -> impl Iterator<Item = (i64, i64)> + use<> {
        let (x, y) = (self.along((1.0, 0.0)), self.along((0.0, 1.0)));
        let square = |v: f64| libm::floor(v / SQUARE) as i64;
        let (rows, columns) = (square(y.0)..=square(y.1), square(x.0)..=square(x.1));
        columns.flat_map(move |c| rows.clone().map(move |r| (c, r)))
    }
}

/// Boxes that are taken, by square of the sheet.
#[derive(Default)]
pub(super) struct Taken {
    tags: Vec<Tag>,
    squares: BTreeMap<(i64, i64), Vec<usize>>,
}

const SQUARE: f64 = 64.0;

impl Taken {
    pub(super) fn free(&self, tag: &Tag) -> bool {
        let near = tag.squares().filter_map(|s| self.squares.get(&s)).flatten();
        near.filter_map(|i| self.tags.get(*i)).all(|t| !t.meets(tag))
    }

    pub(super) fn take(&mut self, tag: Tag) {
        for s in tag.squares() {
            self.squares.entry(s).or_default().push(self.tags.len());
        }
        self.tags.push(tag);
    }
}

pub(super) fn gap(a: Px, b: Px) -> f64 {
    let (dx, dy) = (a.0 - b.0, a.1 - b.1);
    libm::sqrt(dx * dx + dy * dy)
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::{Intersects, LineString, Polygon};
    use proptest::prelude::*;

    fn polygon(t: &Tag) -> Polygon<f64> {
        Polygon::new(LineString::from(t.corners().to_vec()), Vec::new())
    }

    fn any_tag() -> impl Strategy<Value = Tag> {
        (0.0..300.0, 0.0..300.0, 1.0..60.0, 1.0..20.0, -3.2..3.2f64).prop_map(|(x, y, w, h, turn)| Tag {
            middle: (x, y),
            half: (w, h),
            dir: (turn.cos(), turn.sin()),
        })
    }

    proptest! {
        /// Against the polygons of the geo crate.
        #[test]
        fn boxes_meet_as_polygons_do(a in any_tag(), b in any_tag()) {
            prop_assert_eq!(a.meets(&b), polygon(&a).intersects(&polygon(&b)));
            let mut taken = Taken::default();
            taken.take(a);
            prop_assert_eq!(taken.free(&b), !a.meets(&b));
        }
    }
}
