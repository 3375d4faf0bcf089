//! The tiles that a drawn area touches.

use leadline_model::{GridPos, TileId};
use leadline_sync::TileArea;

/// Columns and rows of areas that are looked at: a larger drawing is covered by larger areas.
const ACROSS: u32 = 64;
/// Bits of a place within a tile.
const IN_TILE: u32 = 16;
const DIGITS: u32 = 15;

/// The areas that the ring (corners, each once) touches: whole tiles, or larger areas if it is large.
pub fn areas_of(ring: &[GridPos]) -> Vec<TileArea> {
    let span = |of: fn(GridPos) -> u32| {
        let all = ring.iter().map(|p| of(*p));
        all.clone().min().zip(all.max())
    };
    let (Some((x0, x1)), Some((y0, y1))) = (span(GridPos::x), span(GridPos::y)) else { return Vec::new() };
    let fits = |up: u32| (x1 >> up) - (x0 >> up) < ACROSS && (y1 >> up) - (y0 >> up) < ACROSS;
    let up = (IN_TILE..IN_TILE + DIGITS).find(|up| fits(*up)).unwrap_or(IN_TILE + DIGITS);
    let mut areas = Vec::new();
    for row in y0 >> up..=y1 >> up {
        for column in x0 >> up..=x1 >> up {
            if touches(ring, column << up, row << up, 1u64 << up) {
                areas.extend(area(column, row, up - IN_TILE));
            }
        }
    }
    areas
}

/// The area of so many digits fewer than a tile.
fn area(column: u32, row: u32, fewer: u32) -> Option<TileArea> {
    let tile = TileId::new(column << fewer, row << fewer).ok()?;
    TileArea::of_quadkey(&tile.quadkey()[..(DIGITS - fewer) as usize])
}

/// Whether a square (west, north, side) has a corner of the ring in it, is crossed by it, or lies inside.
fn touches(ring: &[GridPos], west: u32, north: u32, side: u64) -> bool {
    let (w, n) = (f64::from(west), f64::from(north));
    let (e, s) = (w + side as f64, n + side as f64);
    let edges = ring.iter().zip(ring.iter().cycle().skip(1));
    let crossed = edges.clone().any(|(a, b)| {
        crosses((f64::from(a.x()), f64::from(a.y())), (f64::from(b.x()), f64::from(b.y())), (w, n, e, s))
    });
    let (px, py) = ((w + e) / 2.0, (n + s) / 2.0);
    let inside = edges
        .filter(|(a, b)| {
            let (ax, ay, bx, by) = (f64::from(a.x()), f64::from(a.y()), f64::from(b.x()), f64::from(b.y()));
            (ay > py) != (by > py) && px < (bx - ax) * (py - ay) / (by - ay) + ax
        })
        .count();
    crossed || inside % 2 == 1
}

/// Whether any of the line from `a` to `b` lies in the square: cut at each side in turn (Liang and Barsky 1984).
fn crosses(a: (f64, f64), b: (f64, f64), (w, n, e, s): (f64, f64, f64, f64)) -> bool {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let (mut from, mut to) = (0.0f64, 1.0f64);
    for (p, q) in [(-dx, a.0 - w), (dx, e - a.0), (-dy, a.1 - n), (dy, s - a.1)] {
        if p == 0.0 {
            if q < 0.0 {
                return false;
            }
        } else if p < 0.0 {
            from = from.max(q / p);
        } else {
            to = to.min(q / p);
        }
    }
    from <= to
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ring(corners: &[(u32, u32)]) -> Vec<GridPos> {
        corners.iter().filter_map(|(x, y)| GridPos::new(*x, *y)).collect()
    }

    #[test]
    fn a_small_ring_touches_its_tile_and_a_large_one_all_it_covers() {
        let tile = |x: u32, y: u32| TileArea::from(TileId::new(x, y).expect("a tile"));
        let at = |tile: u32, inside: u32| (tile << 16) + inside;
        let small = ring(&[(at(7, 10), at(9, 10)), (at(7, 90), at(9, 10)), (at(7, 90), at(9, 90))]);
        assert_eq!(areas_of(&small), vec![tile(7, 9)]);
        // A square of 5 by 5 tiles: its middle has neither corner nor edge in it.
        let square = ring(&[
            (at(7, 9), at(7, 9)),
            (at(11, 9), at(7, 9)),
            (at(11, 9), at(11, 9)),
            (at(7, 9), at(11, 9)),
        ]);
        let areas = areas_of(&square);
        assert_eq!(areas.len(), 25);
        assert!(areas.contains(&tile(9, 9)));
        // A thin triangle: not the whole box around it.
        let thin = ring(&[(at(0, 5), at(0, 5)), (at(9, 5), at(9, 5)), (at(9, 9), at(9, 5))]);
        assert!((10..30).contains(&areas_of(&thin).len()));
    }

    #[test]
    fn half_the_world_is_a_few_large_areas() {
        let top = (1u32 << 31) - 1;
        let areas = areas_of(&ring(&[(0, 0), (top / 2, 0), (top / 2, top), (0, top)]));
        assert!((1..=64 * 64).contains(&areas.len()));
        let t = leadline_model::UtcMillis(0);
        let part = leadline_sync::Part { areas, ..Default::default() };
        assert!(part.covers(TileId::new(3, 3).expect("a tile"), t, t));
        assert!(!part.covers(TileId::new(32_000, 3).expect("a tile"), t, t));
        assert!(areas_of(&[]).is_empty());
    }
}
