//! Which tiles an area touches.

use leadline_model::{GridPos, TileId};

/// Where strips are chosen from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ParcelArea {
    /// A drawn ring of at least three corners, the last one joined to the first.
    Ring(Vec<GridPos>),
    /// Tiles whose quadkey begins with these digits.
    Quadkey(String),
}

/// A point in units of the grid.
type Point = (i64, i64);

impl ParcelArea {
    /// Whether some place of `tile` lies in it.
    pub(crate) fn touches(&self, tile: TileId) -> bool {
        match self {
            Self::Quadkey(digits) => tile.quadkey().starts_with(digits),
            Self::Ring(ring) => touches(ring, tile),
        }
    }

    /// Whether `place` lies in it.
    pub(crate) fn holds(&self, place: GridPos) -> bool {
        match self {
            Self::Quadkey(_) => self.touches(place.tile()),
            Self::Ring(ring) => inside(&points(ring), point(place)),
        }
    }
}

fn touches(ring: &[GridPos], tile: TileId) -> bool {
    let (lo, hi) = (point(GridPos::in_tile(tile, 0, 0)), point(GridPos::in_tile(tile, u16::MAX, u16::MAX)));
    let ring = points(ring);
    let corners = [lo, (hi.0, lo.1), hi, (lo.0, hi.1)];
    let in_tile = |p: &Point| (lo.0..=hi.0).contains(&p.0) && (lo.1..=hi.1).contains(&p.1);
    ring.iter().any(in_tile)
        || corners.iter().any(|c| inside(&ring, *c))
        || edges(&ring).any(|(a, b)| edges(&corners).any(|(c, d)| cross(a, b, c, d)))
}

fn point(p: GridPos) -> Point {
    (i64::from(p.x()), i64::from(p.y()))
}

fn points(ring: &[GridPos]) -> Vec<Point> {
    ring.iter().copied().map(point).collect()
}

fn edges(ring: &[Point]) -> impl Iterator<Item = (Point, Point)> {
    ring.iter().copied().zip(ring.iter().copied().cycle().skip(1))
}

/// Even-odd rule.
fn inside(ring: &[Point], p: Point) -> bool {
    let crossed = edges(ring).filter(|(a, b)| {
        let (low, high) = if a.1 <= b.1 { (*a, *b) } else { (*b, *a) };
        low.1 <= p.1 && p.1 < high.1 && side(low, high, p) > 0
    });
    crossed.count() % 2 == 1
}

/// Above zero if `p` lies left of the way from `a` to `b`.
fn side(a: Point, b: Point, p: Point) -> i128 {
    let n = i128::from;
    (n(b.0) - n(a.0)) * (n(p.1) - n(a.1)) - (n(b.1) - n(a.1)) * (n(p.0) - n(a.0))
}

fn cross(a: Point, b: Point, c: Point, d: Point) -> bool {
    let opposite = |x: i128, y: i128| x.signum() * y.signum() <= 0;
    let near = |a: i64, b: i64, c: i64, d: i64| a.min(b) <= c.max(d) && c.min(d) <= a.max(b);
    near(a.0, b.0, c.0, d.0)
        && near(a.1, b.1, c.1, d.1)
        && opposite(side(a, b, c), side(a, b, d))
        && opposite(side(c, d, a), side(c, d, b))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(x: u32, y: u32) -> GridPos {
        GridPos::new(x, y).expect("on the grid")
    }

    #[test]
    fn a_ring_touches_the_tiles_it_crosses_holds_or_lies_in() {
        let size = 1u32 << 16;
        let tile = |x, y| TileId::new(x, y).expect("in range");
        // A triangle over tiles (10, 10) to (12, 12), its long side along the diagonal.
        let big = ParcelArea::Ring(vec![
            at(10 * size + 9, 10 * size + 9),
            at(12 * size + 9, 10 * size + 9),
            at(12 * size + 9, 12 * size + 9),
        ]);
        for (x, y, touched) in
            [(10, 10, true), (11, 10, true), (12, 12, true), (10, 11, false), (9, 10, false), (13, 11, false)]
        {
            assert_eq!(big.touches(tile(x, y)), touched, "{x} {y}");
        }
        // All of the tile inside, no corner and no edge of the ring in it.
        let around =
            ParcelArea::Ring(vec![at(0, 0), at(40 * size, 0), at(40 * size, 40 * size), at(0, 40 * size)]);
        assert!(around.touches(tile(20, 20)));
        // All of the ring inside one tile; a sliver through a tile without a corner in it.
        let small = ParcelArea::Ring(vec![at(100, 100), at(110, 100), at(110, 110)]);
        assert!(small.touches(tile(0, 0)) && !small.touches(tile(1, 0)));
        assert!(small.holds(at(108, 103)) && !small.holds(at(102, 108)));
        let sliver = ParcelArea::Ring(vec![at(0, 70_000), at(400_000, 70_000), at(400_000, 70_001)]);
        assert!(sliver.touches(tile(3, 1)) && !sliver.touches(tile(3, 0)));
    }

    #[test]
    fn a_quadkey_is_a_prefix() {
        let tile = TileId::new(16_384, 10_000).expect("in range");
        let key = tile.quadkey();
        assert!(ParcelArea::Quadkey(key[..9].to_owned()).touches(tile));
        assert!(!ParcelArea::Quadkey("3333".to_owned()).touches(tile));
    }
}
