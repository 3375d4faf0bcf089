use super::*;
use crate::SurfaceSettings;
use crate::sample;
use leadline_model::{Cell, LocalFrame, LonLat, UtcMillis};
use proptest::prelude::*;

pub(crate) fn at(lon: f64, lat: f64) -> GridPos {
    GridPos::from_lonlat(LonLat { lon, lat }).expect("on the grid")
}

/// Soundings every metre along lines given in metres about `middle`, each line a pass, and the cells they make.
pub(crate) fn sounded(
    middle: GridPos,
    lines: &[([f64; 2], [f64; 2])],
    depth: impl Fn(f64, f64) -> f64,
) -> (Vec<Cell>, Vec<ReducedSounding>) {
    let f = LocalFrame::new(middle);
    let (mut soundings, mut cells) = (Vec::new(), std::collections::BTreeMap::new());
    for (pass, (a, b)) in lines.iter().enumerate() {
        let n = (b[0] - a[0]).hypot(b[1] - a[1]).ceil() as usize;
        for i in 0..=n {
            let t = i as f64 / n as f64;
            let (e, no) = (a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1]));
            let at = f.place(e, no);
            let depth_m = depth(e, no);
            let time = UtcMillis((pass * 100_000 + i) as i64 * 1000);
            soundings.push(ReducedSounding {
                time,
                at,
                depth_m,
                tvu95_m: 0.2,
                thu95_m: 2.0,
                grade: Grade::Sure,
                void: None,
                pass: pass as u32,
            });
            cells.entry(at.cell()).or_insert(Cell {
                main_pass: pass as u32,
                newest: time,
                ..sample::cell(at, depth_m)
            });
        }
    }
    (cells.into_values().collect(), soundings)
}

/// Eastward lines `apart` metres from each other over a square of `2 · half` metres.
pub(crate) fn comb(half: f64, apart: f64) -> Vec<([f64; 2], [f64; 2])> {
    let n = (2.0 * half / apart) as i32;
    (0..=n).map(|i| -half + f64::from(i) * apart).map(|y| ([-half, y], [half, y])).collect()
}

fn square(middle: GridPos, half: f64) -> Water {
    let f = LocalFrame::new(middle);
    let corners = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)];
    Water::drawn(&corners.map(|(e, n)| f.place(e * half, n * half)))
}

fn judged(lines: &[([f64; 2], [f64; 2])], depth: f64, half: f64) -> Coverage {
    let middle = at(7.4, 48.2);
    let (cells, soundings) = sounded(middle, lines, |_, _| depth);
    let surface = Surface::new(&cells, &SurfaceSettings::default());
    Coverage::of(&surface, &soundings, &square(middle, half), &CoverageSettings::default())
}

#[test]
fn the_standards_figures() {
    // IHO S-44 Ed 6.1.0 §3.5.2: max(3 × depth, 25 m); its footnote's example, 8° beam, main lines 3 depths apart and
    // cross lines 10 times that: 5.1 %.
    assert_eq!([5.0, 8.0, 10.0, -1.0].map(allowed_spacing_m), [25.0, 25.0, 30.0, 25.0]);
    assert!((planned_footprint_share(8.0, 3.0, 10.0) - 0.051_279_7).abs() < 1e-7);
    assert!((planned_footprint_share(20.0, 3.0, 10.0) - 0.129_306_5).abs() < 1e-7);
    // IHO C-13 §3: footprints at 10 m for 8°, 20° and 60°.
    for (beam, m) in [(8.0, 1.399), (20.0, 3.527), (60.0, 11.547)] {
        assert!((footprint_m(10.0, beam) - m).abs() < 5e-4, "{beam}");
    }
}

#[test]
fn lines_as_near_as_the_standard_asks_leave_no_holiday() {
    // 5 m deep: 25 m. Lines 20 m apart keep every place within 10 m; lines 40 m apart leave bands of 40 − 25 = 15 m.
    let close = judged(&comb(100.0, 20.0), 5.0, 100.0);
    assert_eq!((close.holiday_m2, close.weak.len()), (0.0, 0), "{:?}", close.weak.first());
    let wide = judged(&comb(100.0, 40.0), 5.0, 100.0);
    assert!((wide.holiday_m2 / (5.0 * 15.0 * 200.0) - 1.0).abs() < 0.15, "{}", wide.holiday_m2);
    assert_eq!(wide.weak_of(Weakness::Holiday).count(), 5);
    let first = &wide.weak[0];
    assert!(
        (first.widest_m - 40.0).abs() < 4.0
            && first.depths_m.is_some_and(|d| (d.0 - 5.0).abs() + (d.1 - 5.0).abs() < 1e-9),
        "{first:?}"
    );
    // 14 m deep: 42 m are allowed.
    assert_eq!(judged(&comb(100.0, 40.0), 14.0, 100.0).holiday_m2, 0.0);
}

#[test]
fn grades_and_unknown_add_up_to_the_water() {
    let c = judged(&comb(60.0, 20.0), 5.0, 150.0);
    let sum = c.graded_m2.iter().sum::<f64>() + c.unknown_m2;
    assert!((sum / c.area_m2 - 1.0).abs() < 1e-9 && (c.area_m2 / 90_000.0 - 1.0).abs() < 0.03);
    // Known is about the sounded square of 120 m, sure between tracks so near.
    assert!((c.graded_m2[0] / 14_400.0 - 1.0).abs() < 0.08, "{:?}", c.graded_m2);
    assert!(c.holiday_m2 > c.unknown_m2 * 0.7 && c.drawn);
    let none = judged(&[], 0.0, 50.0);
    assert_eq!((none.unknown_m2, none.holiday_m2), (none.area_m2, none.area_m2));
    assert_eq!((none.weak.len(), none.weak[0].depths_m, none.lines.main_axis_deg), (1, None, None));
}

#[test]
fn lines_are_measured() {
    // 11 lines of 200 m eastward, 20 m apart, and two of 200 m across: 400 of 2,200 m.
    let mut lines = comb(100.0, 20.0);
    lines.extend([([-50.0, -100.0], [-50.0, 100.0]), ([33.0, -100.0], [33.0, 100.0])]);
    // A short way along the edge crosses nothing.
    lines.push(([-104.0, -60.0], [-104.0, -20.0]));
    let l = judged(&lines, 5.0, 100.0).lines;
    assert!((l.main_axis_deg.expect("tracks") - 90.0).abs() < 0.5, "{l:?}");
    assert!(
        (l.main_m / 2200.0 - 1.0).abs() < 0.03 && (l.cross_share() - 400.0 / 2200.0).abs() < 0.01,
        "{l:?}"
    );
    assert!((l.across.median_m - 20.0).abs() < 0.5 && (l.across.most_m - 20.0).abs() < 0.5, "{l:?}");
    assert!((l.along.median_m - 1.0).abs() < 0.05 && l.along.most_m < 1.1, "{l:?}");
    // S-44's formula by hand: footprint 2 · 5 · tan 4° = 0.699 m on 2,640 m of track over 200 m square.
    let share = 2.0 * 5.0 * 4f64.to_radians().tan() * 2640.0 / 40_000.0;
    assert!((l.footprint_share / share - 1.0).abs() < 0.03, "{l:?}");
}

#[test]
fn disputes_and_loose_ground_are_weak() {
    let middle = at(7.4, 48.2);
    let (mut cells, soundings) = sounded(middle, &comb(60.0, 12.0), |_, _| 5.0);
    let f = LocalFrame::new(middle);
    for c in &mut cells {
        let (e, n) = f.metres(c.at);
        c.disputed = e.hypot(n) < 4.0;
        if e > 20.0 {
            c.grade = Grade::Loose;
        }
    }
    let surface = Surface::new(&cells, &SurfaceSettings::default());
    let c = Coverage::of(&surface, &soundings, &square(middle, 60.0), &CoverageSettings::default());
    let loose = c.weak_of(Weakness::Loose).next().expect("loose ground");
    assert!((loose.area_m2 / (40.0 * 120.0) - 1.0).abs() < 0.15, "{}", loose.area_m2);
    assert!(c.disputed_cells > 0 && c.weak_of(Weakness::Disputed).count() >= 1);
    assert!((c.graded_m2[2] / loose.area_m2 - 1.0).abs() < 0.1);
}

#[test]
fn odd_places_and_odd_waters() {
    for (lon, lat) in [(179.9999, 10.0), (-180.0, -10.0), (7.0, 0.0), (7.0, 70.0)] {
        let middle = at(lon, lat);
        let (cells, soundings) = sounded(middle, &comb(60.0, 20.0), |_, _| 3.0);
        let surface = Surface::new(&cells, &SurfaceSettings::default());
        let c = Coverage::of(&surface, &soundings, &Water::around(&cells), &CoverageSettings::default());
        assert_eq!(c.holiday_m2, 0.0, "{lon} {lat}");
        assert!((c.lines.main_m / (7.0 * 120.0) - 1.0).abs() < 0.05 && !c.drawn, "{:?}", c.lines);
        assert!(c.unknown_m2 / c.area_m2 < 0.1);
    }
    let nothing = Coverage::of(
        &Surface::new(&[], &SurfaceSettings::default()),
        &[],
        &Water::around(&[]),
        &CoverageSettings::default(),
    );
    assert_eq!((nothing.area_m2, nothing.weak.len(), nothing.lines.cross_share()), (0.0, 0, 0.0));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]
    /// The rule itself, place by place and by brute force; the order of the input does not matter.
    #[test]
    fn holidays_are_what_the_rule_says(ends in proptest::collection::vec((-90.0..90.0f64, -90.0..90.0f64), 4..9), depth in 1.0..20.0f64) {
        let lines: Vec<_> = ends.windows(2).map(|w| ([w[0].0, w[0].1], [w[1].0, w[1].1 + 1.0])).collect();
        let middle = at(-71.3, -42.0);
        let (mut cells, mut soundings) = sounded(middle, &lines, |_, _| depth);
        let surface = Surface::new(&cells, &SurfaceSettings::default());
        let water = square(middle, 110.0);
        let c = Coverage::of(&surface, &soundings, &water, &CoverageSettings::default());
        let f = LocalFrame::new(middle);
        for (s, j) in c.spots.list.iter().zip(&c.judged) {
            let (e, n) = f.metres(s.at);
            let nearest = cells.iter().map(|c| {
                let (x, y) = f.metres(c.at);
                (x - e).hypot(y - n)
            }).fold(f64::INFINITY, f64::min);
            let limit = (3.0 * depth).max(25.0) / 2.0;
            prop_assert!((j.apart_m - nearest).abs() < 0.01 * nearest + 0.01, "{} {}", j.apart_m, nearest);
            prop_assert!(j.holiday == (nearest > limit) || (nearest / limit - 1.0).abs() < 0.01);
        }
        let listed: f64 = c.weak_of(Weakness::Holiday).map(|w| w.area_m2).sum();
        let rest = c.holiday_m2 - listed;
        prop_assert!(rest > -1e-6 && rest <= 100.0 * c.smaller as f64 + 1e-6, "{} {} {}", listed, rest, c.smaller);
        cells.reverse();
        soundings.reverse();
        let again = Coverage::of(&Surface::new(&cells, &SurfaceSettings::default()), &soundings, &water, &CoverageSettings::default());
        prop_assert_eq!(again.weak, c.weak);
        prop_assert_eq!(again.lines, c.lines);
    }
}
