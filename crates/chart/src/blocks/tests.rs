//! Tile by tile is the same as all at once.

use super::*;
use crate::mesh::twice_area;
use crate::nodes::{canonical, place};
use crate::sample;
use leadline_model::{Cell, LocalFrame};
use proptest::prelude::*;

const GAP_M: f64 = 60.0;

fn nodes(places: &[GridPos]) -> Vec<Node> {
    let cells: Vec<Cell> = places.iter().map(|p| sample::cell(*p, 3.0)).collect();
    place(&canonical(&cells)).1
}

/// Where four tiles meet, at the equator, far north, far south, and on both sides of the antimeridian.
fn corners() -> impl Strategy<Value = GridPos> {
    let tile = prop_oneof![
        Just((17_058, 11_377)),
        Just((16_384, 16_384)),
        Just((0, 15_000)),
        Just((0, 16_384)),
        Just((20_000, 2_000)),
        Just((9_000, 30_500)),
    ];
    tile.prop_map(|(x, y)| GridPos::in_tile(TileId::new(x, y).expect("a tile"), 0, 0))
}

/// Area of triangles, m²; each must turn counter-clockwise.
fn area(nodes: &[Node], all: &[[u32; 3]]) -> f64 {
    let one = |t: &[u32; 3]| {
        let [a, b, c] = t.map(|v| nodes[v as usize].xy);
        let twice = twice_area(a, b, c);
        assert!(twice > 0.0);
        twice / 2.0
    };
    all.iter().map(one).sum()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]

    /// A regular net has four places on each circle, and circles' middles on tile edges: the worst case.
    #[test]
    fn a_regular_net_is_covered_once(corner in corners(), step in 8i32..20, n in 6i32..14) {
        let frame = LocalFrame::new(corner);
        let step = f64::from(step);
        let side = |i: i32| f64::from(i - n / 2) * step;
        let places: Vec<GridPos> =
            (0..n * n).map(|k| frame.place(side(k % n), side(k / n))).collect();
        let nodes = nodes(&places);
        let all = triangles(&nodes, &by_tile(&nodes), GAP_M);
        let covered = area(&nodes, &all);
        let whole = (f64::from(n - 1) * step).powi(2);
        prop_assert!((covered / whole - 1.0).abs() < 0.02, "{covered} of {whole}");
        // Euler: a disc of v vertices, h of them on its rim, has 2 v - h - 2 triangles.
        let (v, h) = (nodes.len(), 4 * (n as usize - 1));
        prop_assert_eq!(all.len(), 2 * v - h - 2);
    }

    /// Scattered soundings: the same triangles as one triangulation of all, cut by the circle.
    #[test]
    fn scattered_places_agree_with_one_triangulation(
        corner in corners(),
        at in prop::collection::vec((-150.0..150.0f64, -150.0..150.0f64), 3..120),
    ) {
        let frame = LocalFrame::new(corner);
        let nodes = nodes(&at.iter().map(|(e, n)| frame.place(*e, *n)).collect::<Vec<_>>());
        let origin = corner.tile();
        let xy: Vec<[f64; 2]> = nodes
            .iter()
            .map(|n| {
                let ([x, y], [jx, jy]) = (from_corner(origin, n.at), jitter(n.id));
                [x as f64 + jx, -(y as f64 + jy)]
            })
            .collect();
        let most = GAP_M / 2.0 / place_m(origin);
        let mut near_limit = 0;
        let one: Vec<[u32; 3]> = delaunay(&xy)
            .into_iter()
            .filter(|t| {
                let [a, b, c] = t.map(|v| xy[v as usize]);
                let [x, y] = middle_of_circle([b[0] - a[0], b[1] - a[1]], [c[0] - a[0], c[1] - a[1]]);
                let radius = libm::sqrt(x * x + y * y) / most;
                near_limit += u32::from((radius - 1.0).abs() < 1e-3);
                radius <= 1.0
            })
            .collect();
        // The scale is a tile's own, so a radius at the very limit may fall on either side.
        if near_limit == 0 {
            prop_assert_eq!(triangles(&nodes, &by_tile(&nodes), GAP_M), one);
        }
    }

    /// What lies farther than a gap from a new sounding stays as it was.
    #[test]
    fn a_new_sounding_changes_its_neighbourhood_only(
        corner in corners(),
        at in prop::collection::vec((-400.0..400.0f64, -120.0..120.0f64), 40..200),
        new in (-30.0..30.0f64, -30.0..30.0f64),
    ) {
        let frame = LocalFrame::new(corner);
        let mut places: Vec<GridPos> = at.iter().map(|(e, n)| frame.place(*e, *n)).collect();
        places.sort_unstable();
        places.dedup_by_key(|p| p.cell());
        let added = frame.place(new.0, new.1);
        prop_assume!(places.iter().all(|p| p.cell() != added.cell()));
        let ids = |places: &[GridPos]| -> Vec<[CellId; 3]> {
            let nodes = nodes(places);
            let far = |id: CellId| {
                let (e, n) = frame.metres(id.middle());
                libm::hypot(e - new.0, n - new.1) > GAP_M + 10.0
            };
            let all = triangles(&nodes, &by_tile(&nodes), GAP_M).into_iter().map(|t| t.map(|v| nodes[v as usize].id));
            all.filter(|t| t.iter().any(|id| far(*id))).collect()
        };
        let before = ids(&places);
        places.push(added);
        prop_assert_eq!(before, ids(&places));
    }
}

#[test]
fn shifts_are_small_and_differ() {
    let corner = CellId { x: 4_000_000, y: 3_000_000 };
    let mut seen: Vec<[u64; 2]> = (0..1000)
        .map(|i| jitter(CellId { x: corner.x + i % 40, y: corner.y + i / 40 }))
        .inspect(|j| assert!(j.iter().all(|v| v.abs() <= 1.0 / 512.0)))
        .map(|j| j.map(f64::to_bits))
        .collect();
    seen.sort_unstable();
    seen.dedup();
    assert_eq!(seen.len(), 1000);
}
