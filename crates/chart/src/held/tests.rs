//! A held chart is the chart.

use super::*;
use crate::sample;
use crate::{Between, Surface, Units};
use leadline_model::LonLat;
use proptest::prelude::*;
use std::collections::BTreeSet;

fn bed(e: f64, n: f64) -> f64 {
    6.0 + 3.0 * (e / 90.0).sin() + 2.0 * (n / 70.0).cos()
}

fn cell(frame: &LocalFrame, e: f64, n: f64, noise: f64, tvu95_m: f64) -> Cell {
    let at = frame.place(e, n);
    let depth_m = bed(e, n) + noise;
    Cell { tvu95_m, shoalest_m: depth_m - 2.0 * noise.abs(), ..sample::cell(at, depth_m) }
}

/// A track of `n` soundings 4 m apart from a place, as cells by id.
fn track(frame: &LocalFrame, from: (f64, f64), turn: f64, n: u32, seed: u32) -> Vec<Cell> {
    let one = |i: u32| {
        let noise = (f64::from((i * 7919 + seed * 104_729) % 1000) / 1000.0 - 0.5) * 0.3;
        let along = f64::from(i) * 4.0;
        cell(frame, from.0 + along * turn.cos(), from.1 + along * turn.sin(), noise, 0.1 + noise.abs())
    };
    (0..n).map(one).collect()
}

fn put_tiles(held: &mut HeldChart, all: &BTreeMap<CellId, Cell>, tiles: &BTreeSet<TileId>) {
    for t in tiles {
        let of: Vec<Cell> = all.values().filter(|c| c.id.tile() == *t).cloned().collect();
        held.put(*t, &of);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    /// Passes come and go over a corner of four tiles; after each step the contours are those of a new surface.
    #[test]
    fn equals_a_new_surface_to_the_last_bit(
        corner in prop_oneof![Just((7.4, 48.2)), Just((179.9999, 5.0)), Just((-60.0, -0.0001))],
        passes in prop::collection::vec(((-120.0..80.0f64, -80.0..80.0f64), 0.0..6.3f64, 20u32..90), 3..8),
        gone in any::<prop::sample::Index>(),
        other_stage in any::<bool>(),
    ) {
        let start = GridPos::from_lonlat(LonLat { lon: corner.0, lat: corner.1 }).expect("on the grid");
        let frame = LocalFrame::new(GridPos::in_tile(start.tile(), 0, 0));
        let settings = SurfaceSettings::default();
        let mut held = HeldChart::new(&settings);
        let mut all: BTreeMap<CellId, Cell> = BTreeMap::new();
        let mut steps: Vec<(Vec<Cell>, bool)> = Vec::new();
        for (i, (from, turn, n)) in passes.iter().enumerate() {
            steps.push((track(&frame, *from, *turn, *n, i as u32), true));
        }
        steps.push((steps[gone.index(steps.len())].0.clone(), false));
        let mut drawn = 0;
        for (cells, come) in steps {
            let tiles: BTreeSet<TileId> = cells.iter().map(|c| c.id.tile()).collect();
            for c in cells {
                if come { all.insert(c.id, c); } else { all.remove(&c.id); }
            }
            put_tiles(&mut held, &all, &tiles);
            held.refresh();
            let cells: Vec<Cell> = all.values().cloned().collect();
            let new = Surface::with(&cells, &settings, Between::Straight);
            let levels = new.levels(0.3, Units::Metres);
            drawn += new.contours(0.3, &levels).len();
            prop_assert_eq!(held.contours(0.3, &levels), new.contours(0.3, &levels));
            let feet = new.levels(-0.2, Units::Feet);
            if other_stage {
                prop_assert_eq!(held.contours(-0.2, &feet), new.contours(-0.2, &feet));
            }
            prop_assert_eq!(held.n_cells(), new.n_cells());
            prop_assert_eq!(&held.frame(), new.frame());
        }
        prop_assume!(drawn > 0);
    }
}

#[test]
fn what_is_put_again_changes_nothing() {
    let frame = LocalFrame::new(GridPos::from_lonlat(LonLat { lon: 7.4, lat: 48.2 }).expect("on the grid"));
    let mut all: BTreeMap<CellId, Cell> = BTreeMap::new();
    for k in 0..8 {
        all.extend(track(&frame, (0.0, f64::from(k) * 20.0), 0.0, 60, k).into_iter().map(|c| (c.id, c)));
    }
    let tiles: BTreeSet<TileId> = all.keys().map(|c| c.tile()).collect();
    let mut held = HeldChart::new(&SurfaceSettings::default());
    put_tiles(&mut held, &all, &tiles);
    assert!(!held.refresh().is_empty());
    put_tiles(&mut held, &all, &tiles);
    assert!(held.refresh().is_empty());
    for t in &tiles {
        held.put(*t, &[]);
    }
    assert!(!held.refresh().is_empty());
    assert_eq!(held.n_cells(), 0);
    assert!(held.contours(0.0, &Levels::new(vec![5.0]).expect("finite")).is_empty());
}
