use super::ground::along;
use super::*;
use crate::coverage::tests::{at, comb, sounded};
use crate::{CoverageSettings, SurfaceSettings, Weakness};
use leadline_model::{Cell, Mark, MarkKind};
use proptest::prelude::*;

fn settings() -> PlanSettings {
    PlanSettings {
        spacing_m: None,
        axis_deg: None,
        cross: false,
        speed_m_s: 2.5,
        draft_m: 0.5,
        margin_m: 0.3,
        stage_m: 0.0,
        start: None,
        into_unknown: false,
        most_spots: 60,
        marks: Vec::new(),
    }
}

fn square(middle: GridPos, half: f64) -> Water {
    let f = LocalFrame::new(middle);
    let corners = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)];
    Water::drawn(&corners.map(|(e, n)| f.place(e * half, n * half)))
}

fn planned(
    cells: &[Cell],
    water: &Water,
    task: Task,
    s: &PlanSettings,
) -> Result<(Plan, Coverage), PlanError> {
    let surface = Surface::new(cells, &SurfaceSettings::default());
    let cs = CoverageSettings { stage_m: s.stage_m, ..CoverageSettings::default() };
    let coverage = Coverage::of(&surface, &[], water, &cs);
    Plan::of(&surface, water, &coverage, task, s).map(|p| (p, coverage))
}

fn middle() -> GridPos {
    at(7.4, 48.2)
}

#[test]
fn a_first_survey_of_drawn_water() {
    // Nothing known: 25 m apart, so a square of 200 m has eight lines of 200 m, all of them unknown. The drive between
    // them takes 7 ways of 25 m (by hand).
    let (plan, _) = planned(&[], &square(middle(), 100.0), Task::Water, &settings()).expect("a plan");
    let lines: Vec<&Leg> = plan.legs.iter().filter(|l| l.kind == LegKind::Main).collect();
    assert_eq!(lines.len(), 8);
    assert_eq!(plan.spacing_m, 25.0);
    assert!((plan.length_m(LegKind::Main) / 1600.0 - 1.0).abs() < 0.04, "{}", plan.length_m(LegKind::Main));
    assert!((plan.length_m(LegKind::Way) / 175.0 - 1.0).abs() < 0.05, "{}", plan.length_m(LegKind::Way));
    assert!((plan.unknown_m() / plan.total_m() - 1.0).abs() < 1e-9 && plan.least_depth_m().is_none());
    assert_eq!(plan.turns, 14);
    assert!((plan.seconds() - plan.total_m() / 2.5).abs() < 1e-9);
    let numbers: Vec<usize> = plan.legs.iter().filter_map(|l| l.number).collect();
    assert_eq!(numbers, (1..=8).collect::<Vec<_>>());
}

#[test]
fn odd_places_are_planned_as_any_other() {
    for (lon, lat) in [(179.9999, 10.0), (-180.0, -10.0), (7.0, 0.0), (-30.0, -71.0)] {
        let here = at(lon, lat);
        let s = PlanSettings { start: Some(here), ..settings() };
        let (plan, _) = planned(&[], &square(here, 100.0), Task::Water, &s).expect("a plan");
        assert_eq!(plan.legs.iter().filter(|l| l.kind == LegKind::Main).count(), 8, "{lon} {lat}");
        assert!(
            (plan.length_m(LegKind::Main) / 1560.0 - 1.0).abs() < 0.04,
            "{}",
            plan.length_m(LegKind::Main)
        );
    }
}

#[test]
fn lines_run_across_the_contours() {
    // The bed falls toward 30° from north; the sounded lines run east.
    let fall = [0.5, 0.866];
    let (cells, _) = sounded(middle(), &comb(150.0, 20.0), |e, n| 12.0 + 0.02 * (fall[0] * e + fall[1] * n));
    let s = PlanSettings { cross: true, ..settings() };
    let (plan, _) = planned(&cells, &square(middle(), 140.0), Task::Water, &s).expect("a plan");
    let (axis, by_bed) = plan.axis_deg.expect("lines");
    assert!((axis - 30.0).abs() < 1.0 && by_bed, "{axis}");
    // 12 m deep on the mean: 3 × 12.
    assert!((plan.spacing_m - 36.0).abs() < 0.5, "{}", plan.spacing_m);
    assert_eq!(plan.unknown_m(), 0.0);
    assert!(plan.legs.iter().any(|l| l.kind == LegKind::Cross));
    // Main and cross lines are at right angles, and each of them is straight.
    for l in plan.legs.iter().filter(|l| l.number.is_some()) {
        let (a, b) = (l.points.0[0], l.points.0[1]);
        let deg = crate::tracks::axis_deg(b.x - a.x, b.y - a.y);
        let along = if l.kind == LegKind::Cross { axis + 90.0 } else { axis };
        assert!(crate::tracks::axes_apart_deg(deg, along) < 0.5 && l.points.0.len() == 2);
    }
}

/// A shoal bank across the water with a deep gap in its middle.
fn bank(gap: f64) -> impl Fn(f64, f64) -> f64 {
    move |e: f64, n: f64| if n.abs() < 20.0 && (e - 10.0).abs() > gap { 0.4 } else { 5.0 }
}

#[test]
fn ways_lead_round_a_bank() {
    let lines: Vec<_> = comb(150.0, 10.0);
    let (cells, _) = sounded(middle(), &lines, bank(40.0));
    let s = PlanSettings { axis_deg: Some(90.0), spacing_m: Some(40.0), start: Some(middle()), ..settings() };
    let (plan, _) = planned(&cells, &square(middle(), 140.0), Task::Water, &s).expect("a plan");
    assert!(plan.least_depth_m().expect("known") >= 0.8 && plan.cut_m.0 > 0.0, "{:?}", plan.cut_m);
    let north = plan.legs.iter().filter(|l| l.number.is_some() && l.points.0[0].y > 25.0).count();
    let south = plan.legs.iter().filter(|l| l.number.is_some() && l.points.0[0].y < -25.0).count();
    assert!(north >= 2 && south >= 2 && plan.not_reached.is_empty(), "{north} {south}");
    // Closed: half of the water is out of reach, and it is said.
    let (cells, _) = sounded(middle(), &lines, bank(-1.0));
    let start = Some(LocalFrame::new(middle()).place(0.0, 80.0));
    let (plan, _) =
        planned(&cells, &square(middle(), 140.0), Task::Water, &PlanSettings { start, ..s.clone() })
            .expect("a plan");
    assert!(plan.legs.iter().all(|l| l.points.0.iter().all(|p| p.y > 20.0)));
    assert!(!plan.not_reached.is_empty() && plan.not_reached.iter().all(|n| n.why.contains("0.80 m")));
    // With a metre more water the bank is no hindrance: 1.4 m are enough.
    let (plan, _) = planned(
        &cells,
        &square(middle(), 140.0),
        Task::Water,
        &PlanSettings { start, stage_m: 1.0, ..s.clone() },
    )
    .expect("a plan");
    assert!(plan.not_reached.is_empty() && plan.cut_m.0 == 0.0);
}

#[test]
fn weak_spots_are_reached_or_named() {
    // A missing line: a holiday of 300 by 15 m and more.
    let mut lines = comb(150.0, 20.0);
    lines.remove(8);
    let (cells, _) = sounded(middle(), &lines, |_, _| 5.0);
    let water = Water::around(&cells);
    let (plan, coverage) = planned(&cells, &water, Task::WeakSpots, &settings()).expect("a plan");
    assert_eq!(coverage.weak_of(Weakness::Holiday).count(), 1);
    assert_eq!(plan.legs.iter().filter(|l| l.kind == LegKind::TouchUp).count(), 1);
    let run = &plan.legs[0];
    // The missing line lay 10 m north of the middle, 300 m long; each end has up to 10 m more where water is known.
    assert!(run.points.0.iter().all(|p| (p.y - 10.0).abs() < 3.0) && run.length_m > 285.0, "{run:?}");
    // The same in water of 0.6 m: nothing there for this boat.
    let (cells, _) = sounded(middle(), &lines, |_, n| if n > -50.0 { 0.6 } else { 5.0 });
    let mut loose = cells.clone();
    for c in loose.iter_mut().filter(|c| LocalFrame::new(middle()).metres(c.at).1 < -100.0) {
        c.grade = leadline_model::Grade::Loose;
    }
    let (plan, coverage) = planned(&loose, &water, Task::WeakSpots, &settings()).expect("a plan");
    let reached = |i: usize| plan.legs.iter().any(|l| l.spot == Some(i));
    let named = |w: &Weak| plan.not_reached.iter().any(|n| n.at == w.middle);
    assert!(coverage.weak.iter().enumerate().all(|(i, w)| reached(i) != named(w)));
    assert!(plan.not_reached.iter().any(|n| n.what.contains("holiday") && n.why.contains("too shoal")));
}

#[test]
fn what_cannot_be_planned_is_said() {
    let s = settings();
    let err = |r: Result<(Plan, Coverage), PlanError>| r.map(|_| ()).expect_err("refused");
    assert_eq!(err(planned(&[], &Water::around(&[]), Task::Water, &s)), PlanError::NoWater);
    assert_eq!(err(planned(&[], &square(middle(), 9_000.0), Task::Water, &s)), PlanError::TooLarge);
    let dense = PlanSettings { spacing_m: Some(1.0), ..s.clone() };
    let many = err(planned(&[], &square(middle(), 300.0), Task::Water, &dense));
    assert!(matches!(many, PlanError::TooManyLines(_)), "{many}");
    let (cells, _) = sounded(middle(), &comb(100.0, 20.0), |_, _| 0.3);
    assert_eq!(err(planned(&cells, &square(middle(), 90.0), Task::Water, &s)), PlanError::Nothing);
    let far = PlanSettings { start: Some(at(7.41, 48.2)), ..s.clone() };
    let (cells, _) = sounded(middle(), &comb(100.0, 20.0), |_, _| 3.0);
    assert_eq!(err(planned(&cells, &Water::around(&cells), Task::WeakSpots, &far)), PlanError::Start);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    /// No line and no way touches: looked at every 0.1 m on the safe surface, beds with drawn humps and pits.
    #[test]
    fn the_drive_stays_afloat(
        humps in proptest::collection::vec((-100.0..100.0f64, -100.0..100.0f64, 4.0..50.0f64, -2.0..5.0f64), 0..12),
        axis in 0.0..180.0f64,
        draft in 0.2..1.5f64,
        begins in (-90.0..90.0f64, -90.0..90.0f64),
        weak in any::<bool>(),
    ) {
        let bed = |e: f64, n: f64| {
            let lift: f64 = humps.iter().map(|h| h.3 * (-((e - h.0).powi(2) + (n - h.1).powi(2)) / h.2 / h.2).exp()).sum();
            3.0 + 0.01 * e - lift
        };
        let (cells, _) = sounded(middle(), &comb(110.0, 30.0), bed);
        let start = Some(LocalFrame::new(middle()).place(begins.0, begins.1));
        let s = PlanSettings { axis_deg: Some(axis), draft_m: draft, start, spacing_m: Some(30.0), ..settings() };
        let water = square(middle(), 105.0);
        let task = if weak { Task::WeakSpots } else { Task::Water };
        let surface = Surface::new(&cells, &SurfaceSettings::default());
        match planned(&cells, &water, task, &s) {
            Ok((plan, coverage)) => {
                for l in &plan.legs {
                    for w in l.points.0.windows(2) {
                        for p in along([w[0].x, w[0].y], [w[1].x, w[1].y], 0.1) {
                            if let Some(d) = surface.safe_depth_at(plan.frame.place(p[0], p[1])) {
                                prop_assert!(d >= draft + 0.3 - 0.05, "{} {:?}", d, l.kind);
                            }
                        }
                    }
                }
                // One unbroken drive from the start and back.
                for w in plan.legs.windows(2) {
                    prop_assert_eq!(w[0].points.0.last(), w[1].points.0.first());
                }
                prop_assert_eq!(plan.legs[0].points.0.first(), plan.legs[plan.legs.len() - 1].points.0.last());
                if weak {
                    for (i, w) in coverage.weak.iter().enumerate() {
                        let reached = plan.legs.iter().any(|l| l.spot == Some(i));
                        prop_assert!(reached != plan.not_reached.iter().any(|n| n.at == w.middle), "{:?}", w.what);
                    }
                }
            }
            Err(e) => prop_assert!(matches!(e, PlanError::Nothing | PlanError::Start), "{}", e),
        }
    }
}

#[test]
fn lines_and_ways_keep_clear_of_marked_dangers() {
    let text = |s: &str| leadline_model::Text::new(s).expect("short");
    let mark = |kind: MarkKind, e: f64, depth_mm: Option<i32>| Mark {
        kind,
        place: LocalFrame::new(middle()).place(e, 5.0),
        depth_mm,
        name: text("something"),
        note: text("-"),
    };
    // On lines of a drawn water about which nothing else is known: one nobody knows the depth of, one deep enough, one
    // that is no danger.
    let marks = vec![
        mark(MarkKind::Hazard, -60.0, None),
        mark(MarkKind::Stump, 0.0, Some(5_000)),
        mark(MarkKind::Waypoint, 60.0, None),
    ];
    let nearest = |s: &PlanSettings, m: &Mark| {
        let (plan, _) = planned(&[], &square(middle(), 100.0), Task::Water, s).expect("a plan");
        let (e, n) = plan.frame.metres(m.place);
        let points =
            plan.legs.iter().flat_map(|l| l.points.0.windows(2).map(|w| [w[0], w[1]]).collect::<Vec<_>>());
        points
            .flat_map(|[a, b]| along([a.x, a.y], [b.x, b.y], 0.5).collect::<Vec<_>>())
            .map(|p| libm::hypot(p[0] - e, p[1] - n))
            .fold(f64::INFINITY, f64::min)
    };
    let plain = settings();
    let with = PlanSettings { marks: marks.clone(), ..settings() };
    for m in &marks {
        assert!(nearest(&plain, m) < 13.0, "lines 25 m apart come near every place");
    }
    assert!(nearest(&with, &marks[0]) >= crate::danger::CLEAR_M);
    assert!(nearest(&with, &marks[1]) < 13.0 && nearest(&with, &marks[2]) < 13.0);
}
