#![allow(clippy::print_stdout, reason = "the measured rates stand in the docs")]

use super::*;
use crate::SurfaceSettings;
use crate::sample;
use leadline_model::{Cell, LocalFrame, LonLat};
use std::collections::BTreeMap;

/// Uniform and normal numbers from a seed (SplitMix64, Box and Muller).
struct Dice(u64);

impl Dice {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        let r = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        r * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

fn frame(lat: f64) -> LocalFrame {
    LocalFrame::new(GridPos::from_lonlat(LonLat { lon: 7.4, lat }).expect("on the grid"))
}

/// A boat's survey of `side` x `side` metres.
struct Drive<'a> {
    side: f64,
    /// Between tracks, and of the first one from the edge, metres.
    spacing: f64,
    offset: f64,
    /// One standard deviation of each depth by itself, and of all together, metres.
    own: f64,
    shared: f64,
    bed: &'a dyn Fn(f64, f64) -> f64,
}

impl Drive<'_> {
    fn cells(&self, frame: &LocalFrame, dice: &mut Dice) -> Vec<Cell> {
        let level = self.shared * dice.normal();
        let tvu95_m = 1.96 * (self.own * self.own + self.shared * self.shared).sqrt();
        let mut cells: BTreeMap<_, Cell> = BTreeMap::new();
        let mut north = self.offset;
        while north <= self.side {
            let mut east = 0.0;
            while east <= self.side {
                let at = frame.place(east, north);
                let depth_m = (self.bed)(east, north) + level + self.own * dice.normal();
                cells.entry(at.cell()).or_insert(Cell { tvu95_m, ..sample::cell(at, depth_m) });
                east += 2.0;
            }
            north += self.spacing;
        }
        cells.into_values().collect()
    }
}

fn compared(before: &[Cell], after: &[Cell], shift_off: bool) -> Comparison {
    let surface = |c: &[Cell]| Surface::new(c, &SurfaceSettings::default());
    let all = [before, after].concat();
    compare(&surface(before), &surface(after), &Water::around(&all), 0.0, shift_off)
}

fn rolling(e: f64, n: f64) -> f64 {
    5.0 + 0.01 * n + 0.5 * (e / 25.0).sin() * (n / 30.0).cos()
}

#[test]
fn a_step_on_flat_beds_by_hand() {
    // Both flat at 5 m, the later one 0.6 m deeper in the eastern half; each depth ±0.2 m: the band is 0.2·√2 = 0.283 m.
    let f = frame(48.2);
    let flat = Drive { side: 120.0, spacing: 2.0, offset: 0.0, own: 0.0, shared: 0.0, bed: &|_, _| 5.0 };
    let half = Drive { bed: &|e, _| if e > 60.0 { 5.6 } else { 5.0 }, ..flat };
    let with_band = |d: &Drive<'_>| {
        let mut cells = d.cells(&f, &mut Dice(1));
        cells.iter_mut().for_each(|c| c.tvu95_m = 0.2);
        cells
    };
    let (flat, half) = (with_band(&flat), with_band(&half));
    let c = compared(&flat, &half, false);
    assert!((c.common_m2() / 14_400.0 - 1.0).abs() < 0.06, "{}", c.common_m2());
    let east = c.squares.iter().filter(|s| (s.change_m - 0.6).abs() < 1e-9);
    assert!(east.clone().count() > 400 && east.clone().all(|s| s.proven() == Some(Change::Scour)));
    assert!(east.clone().any(|s| (s.change95_m - 0.2 * 2f64.sqrt()).abs() < 0.01));
    assert_eq!((c.patches.len(), c.moved.len(), c.specks_m2), (1, 0, 0.0));
    let p = &c.patches[0];
    // 60 m by 120 m by 0.6 m, to a square of 3.2 m at the rim.
    assert!((p.volume_m3.best / (7_200.0 * 0.6) - 1.0).abs() < 0.08, "{:?}", p.volume_m3);
    assert!((p.most_m - 0.6).abs() < 1e-9 && p.notable && p.kind == Change::Scour);
    // The other way round everything changes its sign and nothing else.
    let back = compared(&half, &flat, false);
    assert_eq!(back.patches[0].kind, Change::Fill);
    assert!((back.patches[0].volume_m3.best - p.volume_m3.best).abs() < 1e-6);
    assert!(back.squares.iter().zip(&c.squares).all(|(a, b)| a.change_m == -b.change_m));
    // Half of the water changed: which half did not, the depths cannot say.
    let shift = c.shift.expect("enough ground");
    assert!((0.0..=0.6).contains(&shift.shift_m), "{shift:?}");
}

#[test]
fn no_change_gives_no_more_false_alarms_than_stated() {
    // Two surveys of one bed with errors as large as they say: at 95 % at most one square in twenty may look changed.
    let (mut raw, mut off, mut all, mut patches) = (0.0, 0.0, 0.0, 0usize);
    const SEEDS: u64 = 40;
    for seed in 0..SEEDS {
        let mut dice = Dice(seed);
        let f = frame(48.2);
        let first = Drive { side: 160.0, spacing: 12.0, offset: 0.0, own: 0.06, shared: 0.08, bed: &rolling };
        let a = first.cells(&f, &mut dice);
        let b = Drive { offset: 5.0, ..first }.cells(&f, &mut dice);
        let c = compared(&a, &b, false);
        raw += c.proven_m2();
        all += c.common_m2();
        patches += c.patches.len();
        off += compared(&a, &b, true).proven_m2();
    }
    println!("false: {:.4} as measured, {:.4} shift off, {patches} patches in {SEEDS}", raw / all, off / all);
    assert!(raw / all <= 0.05 && off / all <= 0.05, "{} {}", raw / all, off / all);
    assert!(all > 0.0);
}

/// A bar of `height` metres at a place, 25 m by 50 m about.
fn bar(e: f64, n: f64, at: (f64, f64), height: f64) -> f64 {
    let (x, y) = ((e - at.0) / 12.0, (n - at.1) / 25.0);
    height * (-(x * x + y * y) / 2.0).exp()
}

#[test]
fn a_bar_that_moved_is_found() {
    // Volume of a Gauss hill: 2 π · 12 · 25 · 0.9 m = 1696 m³.
    let volume = std::f64::consts::TAU * 12.0 * 25.0 * 0.9;
    let mut found = 0;
    for seed in 0..10 {
        let mut dice = Dice(100 + seed);
        let f = frame(48.2);
        let old = |e: f64, n: f64| rolling(e, n) - bar(e, n, (60.0, 80.0), 0.9);
        let new = |e: f64, n: f64| rolling(e, n) - bar(e, n, (125.0, 80.0), 0.9);
        let first = Drive { side: 190.0, spacing: 10.0, offset: 0.0, own: 0.05, shared: 0.05, bed: &old };
        let a = first.cells(&f, &mut dice);
        let b = Drive { offset: 4.0, bed: &new, ..first }.cells(&f, &mut dice);
        let c = compared(&a, &b, false);
        let (scour, fill) = (c.total(Change::Scour), c.total(Change::Fill));
        assert!(scour.patches >= 1 && fill.patches >= 1, "{seed}: {scour:?} {fill:?}");
        for t in [scour, fill] {
            let v = t.volume_m3;
            println!("{seed}: {:.0} m³ ({:.0} to {:.0}) of {volume:.0}", v.best, v.low, v.high);
            assert!(v.low < volume && volume < v.high, "{seed}: {t:?} {volume}");
        }
        // A wrong level goes into the volumes with the area; without it they are within a quarter.
        let level = compared(&a, &b, true);
        for v in [Change::Scour, Change::Fill].map(|k| level.total(k).volume_m3.best / volume) {
            assert!((0.75..1.25).contains(&v), "{seed}: {v}");
        }
        if let Some(m) = c.moved.first() {
            found += 1;
            assert!((m.distance_m - 65.0).abs() < 10.0, "{seed}: {m:?}");
            assert!((m.toward_deg - 90.0).abs() < 10.0, "{seed}: {m:?}");
        }
    }
    assert!(found >= 9, "{found} of 10");
}

#[test]
fn a_wrong_level_is_a_shift_and_no_scour_once_taken_off() {
    let mut dice = Dice(7);
    let f = frame(-33.0);
    let first = Drive { side: 150.0, spacing: 10.0, offset: 0.0, own: 0.05, shared: 0.0, bed: &rolling };
    let lower = |e: f64, n: f64| rolling(e, n) + 0.5;
    let a = first.cells(&f, &mut dice);
    let b = Drive { offset: 5.0, bed: &lower, ..first }.cells(&f, &mut dice);
    let c = compared(&a, &b, false);
    let shift = c.shift.expect("enough ground");
    assert!((shift.shift_m - 0.5).abs() < shift.shift95_m + 0.02, "{shift:?}");
    assert!(shift.is_real() && shift.is_beyond());
    assert!(!c.patches.is_empty() && c.patches.iter().all(|p| p.goes_with_shift));
    let off = compared(&a, &b, true);
    assert!(off.shift_off && off.proven_m2() < 0.05 * off.common_m2() && off.patches.is_empty());
}

#[test]
fn nothing_in_common_gives_nothing() {
    let f = frame(48.2);
    let here = Drive { side: 40.0, spacing: 4.0, offset: 0.0, own: 0.0, shared: 0.0, bed: &rolling };
    let a = here.cells(&f, &mut Dice(1));
    let b: Vec<Cell> = here.cells(&frame(48.3), &mut Dice(1));
    for (x, y) in [(&a[..], &b[..]), (&a, &[]), (&[], &[])] {
        let c = compared(x, y, false);
        assert!(c.squares.is_empty() && c.patches.is_empty() && c.shift.is_none());
    }
    assert!(compared(&a, &[], false).only_before_m2 > 1_000.0);
}

#[test]
fn order_of_cells_does_not_matter() {
    let mut dice = Dice(3);
    let f = frame(48.2);
    let first = Drive { side: 80.0, spacing: 10.0, offset: 0.0, own: 0.3, shared: 0.0, bed: &rolling };
    let mut a = first.cells(&f, &mut dice);
    let mut b = Drive { offset: 5.0, ..first }.cells(&f, &mut dice);
    let once = compared(&a, &b, false);
    a.reverse();
    b.reverse();
    assert_eq!(compared(&a, &b, false), once);
}

#[test]
fn thresholds_of_the_chart_comparison() {
    // Source: IHO C-13 Annex H: 0.5 m to 10 m of depth, 1 m to 31 m, then 5 % of it.
    for (depth, metres) in [(0.0, 0.5), (10.0, 0.5), (10.1, 1.0), (31.0, 1.0), (40.0, 2.0)] {
        assert!((patches::notable_m(depth) - metres).abs() < 1e-12, "{depth}");
    }
}
