//! Surfaces, contours, areas, pictures and exports against analytic beds and published rules.
#![allow(dead_code, missing_docs, reason = "the shared sample survey has more than each test uses")]

#[path = "../examples/support/reservoir.rs"]
mod reservoir;

use geo::{Area, Contains, Point};
use leadline_chart::{
    Basis, Between, BlankReason, ChartError, ChartInfo, DepthArea, Levels, Surface, SurfaceSettings, Touch,
    Units, areas_geojson, cells_csv, cells_geojson, chart_png, chart_svg, contours_geojson,
};
use leadline_model::{CAUTION, Cell, Grade, GridPos, LocalFrame, LonLat, UtcMillis};
use proptest::prelude::*;
use reservoir::{Plan, bed, survey};
use serde_json::Value;
use std::f64::consts::PI;

fn at(lon: f64, lat: f64) -> GridPos {
    GridPos::from_lonlat(LonLat { lon, lat }).expect("on the grid")
}

fn cell(at: GridPos, depth_m: f64) -> Cell {
    Cell {
        id: at.cell(),
        at,
        depth_m,
        tvu95_m: 0.2,
        shoalest_m: depth_m,
        grade: Grade::Sure,
        soundings: 1,
        passes: 1,
        devices: 1,
        main_pass: 0,
        newest: UtcMillis(1_777_000_000_000),
        disputed: false,
    }
}

/// A square net of `n` x `n` cells `step` metres apart about `middle`; depths by the surface's own metres.
fn net(middle: GridPos, n: i32, step: f64, depth: impl Fn(f64, f64) -> f64) -> Vec<Cell> {
    let frame = LocalFrame::new(middle);
    let place = |i: i32, k: i32| {
        let off = |v: i32| (f64::from(v) - f64::from(n - 1) / 2.0) * step;
        frame.place(off(i), off(k))
    };
    let mut cells: Vec<Cell> = (0..n * n).map(|i| cell(place(i % n, i / n), 0.0)).collect();
    let own = *Surface::new(&cells, &SurfaceSettings::default()).frame();
    for c in &mut cells {
        let (e, n) = own.metres(c.at);
        c.depth_m = depth(e, n);
        c.shoalest_m = c.depth_m;
    }
    cells
}

fn surface(cells: &[Cell]) -> Surface {
    Surface::new(cells, &SurfaceSettings::default())
}

fn levels(list: &[f64]) -> Levels {
    Levels::new(list.to_vec()).expect("finite")
}

fn area(a: &DepthArea) -> f64 {
    a.polygons.iter().map(Area::unsigned_area).sum()
}

/// The trap of grid contouring: a half-cell shift, or lines pulled to the nodes. z = x must give x = 2.25.
#[test]
fn contour_of_a_plane_is_where_the_plane_says() {
    let s = surface(&net(at(-93.0, 45.0), 21, 5.0, |e, _| e));
    let all = s.contours(0.0, &levels(&[-47.5, 2.25, 20.0]));
    assert_eq!(all.len(), 3);
    for c in &all {
        assert_eq!(c.lines.len(), 1);
        assert!(!c.lines[0].closed);
        for p in &c.lines[0].points.0 {
            assert!((p.x - c.depth_m).abs() < 1e-9, "{} at {}", c.depth_m, p.x);
        }
        let n: Vec<f64> = c.lines[0].points.0.iter().map(|p| p.y).collect();
        // Deep (east) on the left: the line runs south.
        assert!(n.windows(2).all(|w| w[0] > w[1]));
        assert!((n[0] - n[n.len() - 1] - 100.0).abs() < 0.05, "from edge to edge");
    }
    // A stage of 1 m charts the 3.25 m contour where the 2.25 m one was.
    let staged = s.contours(1.0, &levels(&[3.25]));
    assert!(staged[0].lines[0].points.0.iter().all(|p| (p.x - 2.25).abs() < 1e-9));
}

/// Cone of radius 100 m, 20 m deep: the area deeper than L is π (100 − 5 L)² (geometry).
#[test]
fn contours_of_a_cone_are_nested_rings() {
    let s = surface(&net(at(11.0, 47.0), 81, 4.0, |e, n| 20.0 - (e * e + n * n).sqrt() / 5.0));
    let list = levels(&[2.0, 5.0, 10.0, 15.0]);
    let all = s.contours(0.0, &list);
    let areas = s.areas(0.0, &list);
    assert_eq!(areas.len(), 5);
    for (i, c) in all.iter().enumerate() {
        assert_eq!(c.lines.len(), 1, "level {}", c.depth_m);
        let ring = &c.lines[0];
        assert!(ring.closed && ring.points.0.first() == ring.points.0.last());
        let radius = 5.0 * (20.0 - c.depth_m);
        // Smoothed to the shoal side within half the uncertainty (0.1 m deep, 0.5 m wide here), and chords.
        assert!(ring.points.0.iter().all(|p| (-0.85..0.35).contains(&(p.x.hypot(p.y) - radius))));
        let deeper: f64 = areas[i + 1..].iter().map(area).sum();
        // At most the true circle, at least one that is half the uncertainty (0.1 m) higher up the slope of 1 in 5;
        // chords of 4 m take 0.6 %.
        let (most, least) = (PI * radius * radius, PI * (radius - 0.5).powi(2));
        assert!(deeper < most * 1.006 && deeper > least * 0.994, "{}: {deeper} {most}", c.depth_m);
    }
    // Each band between two levels is one ring with one hole.
    for a in &areas[1..4] {
        assert_eq!((a.polygons.len(), a.polygons[0].interiors().len()), (1, 1));
    }
}

/// Whole-metre depths on whole-metre levels: every level hits vertices, plateaus and saddles exactly.
#[test]
fn areas_tile_the_surface_even_on_exact_levels() {
    let flat = |e: f64, n: f64| (3.0 * (e / 9.0).sin() + 3.0 * (n / 7.0).cos()).round();
    let rough = surface(&net(at(5.0, -33.0), 40, 6.0, flat));
    let lake = surface(&survey(&Plan::default()).cells);
    let gaps = Surface::new(&survey(&Plan::default()).cells, &SurfaceSettings { max_gap_m: 27.0 });
    for s in [rough, lake, gaps] {
        let list = levels(&[-6.0, -4.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 9.0]);
        let areas = s.areas(0.0, &list);
        let sum: f64 = areas.iter().map(area).sum();
        assert!((sum / s.area_m2() - 1.0).abs() < 1e-9, "{sum} {}", s.area_m2());
        for a in &areas {
            for p in &a.polygons {
                assert!(p.exterior().is_closed() && p.signed_area() > 0.0);
            }
        }
        let bounds = s.area_m2().sqrt();
        let mut inside = 0;
        for i in 0..400u32 {
            let (x, y) = (f64::from(i % 20) / 19.0 - 0.5, f64::from(i / 20) / 19.0 - 0.5);
            let p = Point::new(x * bounds * 1.7 + 0.123, y * bounds * 1.1 + 0.077);
            let holding: Vec<&DepthArea> =
                areas.iter().filter(|a| a.polygons.iter().any(|g| g.contains(&p))).collect();
            assert!(holding.len() <= 1, "{p:?} lies in {} areas", holding.len());
            let depth = s.safe_depth_at(s.frame().place(p.x(), p.y()));
            if let (Some(a), Some(d)) = (holding.first(), depth) {
                inside += 1;
                assert!(a.from_m.is_none_or(|f| d > f - 0.05) && a.to_m.is_none_or(|t| d < t + 0.05));
            }
        }
        assert!(inside > 30, "only {inside} points tested anything");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    /// S-44 Ed 6.1.0 Annex D: no accepted sounding shoaler than the depth by more than its uncertainty lies on
    /// the deep side of a contour.
    #[test]
    fn no_shoal_sounding_on_the_deep_side(
        seed in prop::collection::vec((0.0..300.0f64, 0.0..300.0f64, 1.0..12.0f64, 0.0..3.0f64), 12..80),
        stage in -2.0..2.0f64,
    ) {
        let frame = LocalFrame::new(at(-12.0, 51.0));
        let cells: Vec<Cell> = seed.iter().map(|(e, n, depth, shoaler)| {
            Cell { shoalest_m: depth - shoaler, tvu95_m: 0.5, ..cell(frame.place(*e, *n), *depth) }
        }).collect();
        let s = Surface::new(&cells, &SurfaceSettings { max_gap_m: 200.0 });
        let mut known: Vec<&Cell> = cells.iter().collect();
        known.sort_by(|a, b| (a.id, a.at).cmp(&(b.id, b.at)).then(a.depth_m.total_cmp(&b.depth_m)));
        known.dedup_by(|b, a| a.id == b.id);
        for c in known.into_iter().filter(|c| c.depth_m - c.shoalest_m > c.tvu95_m) {
            if let Some(safe) = s.safe_depth_at(c.at) {
                prop_assert!(safe <= c.shoalest_m + 1e-9, "{safe} {}", c.shoalest_m);
            }
            // A contour a hair deeper than the sounding must leave it on the shoal side.
            let limit = c.shoalest_m + stage + 1e-6;
            let (e, n) = s.frame().metres(c.at);
            let deep = s.areas(stage, &levels(&[limit]));
            let deep = deep.iter().filter(|a| a.from_m.is_some()).flat_map(|a| &a.polygons);
            prop_assert!(deep.into_iter().all(|p| !p.contains(&Point::new(e, n))));
        }
    }
}

/// Depths and bands between the tracks against the true bed of the sample survey.
#[test]
fn between_tracks_the_stated_band_holds() {
    let plan = Plan { weed: 0.0, ..Plan::default() };
    let s = survey(&plan);
    let surface = surface(&s.cells);
    let (mut n, mut inside, mut bands, mut errors) = (0, 0, 0.0, Vec::new());
    for i in 0..180 {
        for k in -40..40 {
            let (u, v) = (10.0 * f64::from(i) + 3.3, 7.0 * f64::from(k) + 1.7);
            let at = s.frame.place(u - 900.0, v);
            let truth = bed(&plan, u, v);
            let Some(e) = surface.depth_at(at).filter(|e| truth > 1.0 && e.basis == Basis::Surface) else {
                continue;
            };
            // Cells with the loose boat's wide band would flatter the share.
            if e.grade != Grade::Loose {
                n += 1;
                inside += i32::from((e.depth_m - truth).abs() <= e.tvu95_m);
                bands += e.tvu95_m;
                errors.push((e.depth_m - truth).abs());
            }
        }
    }
    errors.sort_by(f64::total_cmp);
    let true95 = errors[errors.len() * 95 / 100];
    let (share, mean) = (f64::from(inside) / f64::from(n), bands / f64::from(n));
    assert!(n > 1500, "{n}");
    assert!(share >= 0.93, "{share} of {n} inside; mean band {mean} m, true 95 % {true95} m");
    assert!(mean < 3.0 * true95, "{mean} against {true95}");
}

/// The learned way covers the same water, keeps safe at or above best, holds its band, gives the same answers for any
/// order of cells, and is clearly nearer to the true bed than straight lines (here 0.09 m against 0.16 m, RMS).
#[test]
fn learned_covers_the_same_water_and_holds_its_band() {
    let plan = Plan { weed: 0.0, spacing: 40.0, ..Plan::default() };
    let s = survey(&plan);
    let settings = SurfaceSettings::default();
    let both = [Between::Straight, Between::Learned].map(|b| Surface::with(&s.cells, &settings, b));
    assert!((both[0].area_m2() / both[1].area_m2() - 1.0).abs() < 1e-9);
    let reversed: Vec<Cell> = s.cells.iter().rev().cloned().collect();
    let again = Surface::with(&reversed, &settings, Between::Learned);
    let (mut n, mut sums, mut inside, mut deeper) = (0, [0.0; 2], 0, [0; 2]);
    for i in 0..180 {
        for k in -40..40 {
            let (u, v) = (10.0 * f64::from(i) + 3.3, 7.0 * f64::from(k) + 1.7);
            let (at, truth) = (s.frame.place(u - 900.0, v), bed(&plan, u, v));
            let all: Vec<_> = both.iter().filter_map(|b| b.depth_at(at)).collect();
            assert_eq!(all.last(), again.depth_at(at).as_ref());
            if truth < 1.0 || all.len() < 2 || all[0].basis == Basis::Cell || all[0].grade == Grade::Loose {
                continue;
            }
            let [lines, bent] = [0, 1].map(|b| both[b].safe_depth_at(at).expect("known"));
            assert!(bent <= all[1].depth_m + 1e-9);
            for (count, safe) in deeper.iter_mut().zip([lines, bent]) {
                *count += i32::from(safe > truth + 0.05);
            }
            n += 1;
            inside += i32::from((all[1].depth_m - truth).abs() <= all[1].tvu95_m);
            for (sum, e) in sums.iter_mut().zip(&all) {
                *sum += (e.depth_m - truth).powi(2);
            }
        }
    }
    assert!(n > 800, "{n}");
    // Boats are led over less water that is shoaler than the chart says.
    assert!(deeper[1] < deeper[0], "{deeper:?} of {n} safe depths are deeper than the bed");
    assert!(sums[1] < 0.5 * sums[0], "{:?}", sums.map(|s| (s / f64::from(n)).sqrt()));
    assert!(f64::from(inside) / f64::from(n) > 0.93, "{inside} of {n}");
}

#[test]
fn uncertainty_grows_with_distance() {
    let s = surface(&net(at(20.0, 60.0), 12, 30.0, |e, n| 6.0 + (e / 40.0).sin() + n / 60.0));
    let band = |e: f64| s.depth_at(s.frame().place(e, 15.0)).expect("known").tvu95_m;
    let (near, far) = (band(20.0), band(28.0));
    let cell = s.depth_at(s.frame().place(15.0, 15.0)).expect("a cell");
    assert_eq!((cell.basis, cell.tvu95_m), (Basis::Cell, 0.2));
    assert!(0.2 < near && near < far, "{near} {far}");
    assert_eq!(s.depth_at(s.frame().place(5000.0, 0.0)), None);
}

fn info(passes: Vec<leadline_model::Pass>) -> ChartInfo {
    ChartInfo {
        survey: "Quillfeather <Reservoir> & \"Sons\"\u{202e}\u{7}".into(),
        datum: "spillway ]]> crest".into(),
        stage_m: 0.25,
        stage_text: "typed".into(),
        touch: Some(Touch { draft_m: 1.0, margin_m: 0.5 }),
        passes,
        tracks: true,
        ..ChartInfo::default()
    }
}

fn written(f: impl FnOnce(&mut dyn std::io::Write) -> std::io::Result<()>) -> String {
    let mut out = Vec::new();
    f(&mut out).expect("memory");
    String::from_utf8(out).expect("UTF-8")
}

#[test]
fn any_order_gives_the_same_bytes() {
    let sample = survey(&Plan { scale: 0.4, ..Plan::default() });
    let info = info(sample.passes.clone());
    let all = |cells: &[Cell]| {
        let s = surface(cells);
        let l = s.levels(info.stage_m, Units::Metres);
        let svg = chart_svg(&s, &info, None);
        let png = chart_png(&svg, 500).expect("draws");
        let texts = [
            written(|o| contours_geojson(&s, &info, &l, o)),
            written(|o| areas_geojson(&s, &info, &l, o)),
            written(|o| cells_geojson(cells, &info, o)),
            written(|o| cells_csv(cells, 0.25, o)),
        ];
        (svg, png, texts)
    };
    let mut cells = sample.cells.clone();
    let first = all(&cells);
    cells.reverse();
    assert!(first == all(&cells), "reversed");
    cells.sort_by_key(|c| (c.id.x.wrapping_mul(2_654_435_761) ^ c.id.y.wrapping_mul(40_503), c.id));
    assert!(first == all(&cells), "shuffled");
}

#[test]
fn odd_input_gives_a_chart_or_a_clear_message() {
    let p = at(-0.0005, 0.0001);
    let f = LocalFrame::new(p);
    let place = |e: f64, n: f64| f.place(e, n);
    let cases: Vec<(Vec<Cell>, Option<BlankReason>)> = vec![
        (vec![], Some(BlankReason::NoCells)),
        (vec![cell(p, 3.0)], Some(BlankReason::TooFew(1))),
        (vec![cell(p, 3.0), cell(place(20.0, 9.0), 4.0)], Some(BlankReason::TooFew(2))),
        ((0..9).map(|i| cell(place(f64::from(i) * 20.0, 0.0), 3.0)).collect(), Some(BlankReason::Collinear)),
        (
            vec![cell(p, 3.0), cell(place(900.0, 0.0), 3.0), cell(place(0.0, 900.0), 3.0)],
            Some(BlankReason::TooFarApart),
        ),
        (net(p, 9, 12.0, |_, _| 5.0), None),
        (net(at(179.9999, 10.0), 9, 12.0, |e, _| 5.0 + e / 30.0), None),
        (
            [net(p, 9, 12.0, |e, _| 5.0 + e / 30.0), net(at(25.0, 61.0), 9, 12.0, |e, _| 7.0 + e / 30.0)]
                .concat(),
            None,
        ),
    ];
    for (cells, blank) in cases {
        let s = surface(&cells);
        assert_eq!(s.blank_reason(), blank, "{} cells", cells.len());
        let svg = chart_svg(&s, &info(Vec::new()), None);
        assert!(chart_png(&svg, 300).is_ok());
        if let Some(why) = blank {
            assert!(svg.contains(&why.to_string()[..24]), "{why}");
        }
    }
    let bad = Cell { depth_m: f64::NAN, ..cell(p, 1.0) };
    let void = Cell { grade: Grade::Void, ..cell(p, 1.0) };
    assert_eq!(surface(&[bad, void]).n_cells(), 0);
    assert!(matches!(chart_png("<svg", 100), Err(ChartError::Svg(_))));
    assert!(matches!(chart_png("<svg/>", 0), Err(ChartError::PictureSize(0))));
}

/// Two far-apart waters keep true distances: the gap rule is in local metres, 61° N against the equator.
#[test]
fn far_water_keeps_its_own_scale() {
    let both = [net(at(10.0, 0.0), 9, 12.0, |_, _| 5.0), net(at(10.0, 61.0), 9, 55.0, |_, _| 7.0)].concat();
    let s = surface(&both);
    let middle = LocalFrame::new(at(10.0, 61.0)).place(20.0, 20.0);
    assert_eq!(s.safe_depth_at(middle), None, "a diagonal of 78 m is over the gap of 60 m");
    let close = [net(at(10.0, 0.0), 9, 12.0, |_, _| 5.0), net(at(10.0, 61.0), 9, 41.0, |_, _| 7.0)].concat();
    assert!(surface(&close).safe_depth_at(middle).is_some(), "a diagonal of 58 m is not");
}

/// RFC 7946: §4 no crs, §3.1.6 closed rings of four or more, right-hand rule, §3.1.9 cut at the antimeridian,
/// §11.2 precision.
#[test]
fn geojson_follows_rfc_7946() {
    let lake = survey(&Plan { scale: 0.5, ..Plan::default() });
    let date_line = net(at(180.0, -17.0), 21, 10.0, |e, n| 9.0 - (e * e + n * n).sqrt() / 20.0);
    for (cells, passes, crosses) in [(lake.cells, lake.passes, false), (date_line, Vec::new(), true)] {
        let s = surface(&cells);
        let info = info(passes);
        let l = s.levels(info.stage_m, Units::Metres);
        let lines = written(|o| contours_geojson(&s, &info, &l, o));
        let areas = written(|o| areas_geojson(&s, &info, &l, o));
        let points = written(|o| cells_geojson(&cells, &info, o));
        for text in [&lines, &areas, &points] {
            let v: Value = serde_json::from_str(text).expect("JSON");
            assert_eq!(v["type"], "FeatureCollection");
            assert!(!text.contains("\"crs\""));
            assert_eq!(v["leadline"]["caution"], CAUTION);
            assert_eq!(v["leadline"]["stage_m"], 0.25);
            assert!(!text.contains('\u{202e}'), "direction overrides are shown, not obeyed");
            let mut sides = (false, false);
            for f in v["features"].as_array().expect("features") {
                positions(&f["geometry"]["coordinates"], &mut |lon, lat| {
                    assert!((-180.0..=180.0).contains(&lon) && (-90.0..=90.0).contains(&lat));
                    sides = (sides.0 || lon > 179.0, sides.1 || lon < -179.0);
                });
            }
            assert_eq!(sides, (crosses, crosses));
        }
        let v: Value = serde_json::from_str(&areas).expect("JSON");
        let mut n = 0;
        for f in v["features"].as_array().expect("features") {
            for polygon in f["geometry"]["coordinates"].as_array().expect("polygons") {
                for (i, ring) in polygon.as_array().expect("rings").iter().enumerate() {
                    let xy: Vec<(f64, f64)> = ring
                        .as_array()
                        .expect("ring")
                        .iter()
                        .map(|p| (p[0].as_f64().expect("lon"), p[1].as_f64().expect("lat")))
                        .collect();
                    assert!(xy.len() >= 4 && xy.first() == xy.last());
                    let west = xy.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
                    let east = xy.iter().map(|p| p.0).fold(f64::NEG_INFINITY, f64::max);
                    assert!(east - west < 1.0, "no ring runs round the world");
                    let turn: f64 = xy
                        .windows(2)
                        .map(|w| (w[0].0 - west) * (w[1].1 - xy[0].1) - (w[1].0 - west) * (w[0].1 - xy[0].1))
                        .sum();
                    assert!(if i == 0 { turn > 0.0 } else { turn < 0.0 }, "right-hand rule");
                    n += 1;
                }
            }
        }
        assert!(n >= 5);
        assert!(
            lines.contains("\"VALDCO\":") && areas.contains("\"DRVAL1\":") && areas.contains("\"DRVAL2\":")
        );
    }
}

fn positions(v: &Value, take: &mut dyn FnMut(f64, f64)) {
    match v.as_array() {
        Some(a) if a.first().is_some_and(Value::is_number) => {
            assert_eq!(a.len(), 2);
            take(a[0].as_f64().expect("lon"), a[1].as_f64().expect("lat"));
        }
        Some(a) => a.iter().for_each(|x| positions(x, take)),
        None => {}
    }
}

#[test]
fn csv_has_the_promised_columns() {
    let c = Cell { depth_m: 2.3456, tvu95_m: 0.1234, ..cell(at(-38.25, 44.5), 0.0) };
    let text = written(|o| cells_csv(std::slice::from_ref(&c), 0.5, o));
    let mut rows = text.lines();
    assert_eq!(
        rows.next(),
        Some("lon,lat,depth_m,tvu95_m,grade,soundings,passes,devices,newest_utc,disputed")
    );
    let row: Vec<&str> = rows.next().expect("a row").split(',').collect();
    // Half a grid place (1 cm at the equator) at most from the position put in.
    assert!((row[0].parse::<f64>().expect("lon") + 38.25).abs() < 1e-7);
    assert!((row[1].parse::<f64>().expect("lat") - 44.5).abs() < 1e-7);
    assert_eq!(row[2..], ["2.846", "0.123", "sure", "1", "1", "1", "2026-04-24T03:06:40Z", "false"]);
    assert_eq!(rows.next(), None);
}

#[test]
fn the_sheet_says_what_it_must() {
    let sample = survey(&Plan { scale: 0.5, turn: 80.0, ..Plan::default() });
    let mut info = info(sample.passes.clone());
    info.readings = sample.readings.clone();
    let s = surface(&sample.cells);
    let svg = chart_svg(&s, &info, None);
    assert!(svg.contains("&lt;Reservoir&gt; &amp; &quot;Sons&quot;\\u{202e}\\u{7}"));
    for words in [
        "Heron",
        "Little Auk",
        "0.25 m above",
        "+0.42 m",
        "Not for navigation",
        "Depths in metres",
        "N</text>",
        "true metres",
        "44°30",
    ] {
        assert!(svg.contains(words), "{words}");
    }
    // Nothing from outside: no reference but to the sheet's own clip paths and the SVG namespace.
    assert!(!svg.contains("href") && svg.matches("http").count() == 1);
    let png = chart_png(&svg, 1200).expect("draws");
    assert_eq!(png[..8], *b"\x89PNG\r\n\x1a\n");
    // IHDR: width and height, the long side as asked.
    assert_eq!(u32::from_be_bytes(png[20..24].try_into().expect("four")), 1200);
    info.units = Units::Feet;
    assert!(chart_svg(&s, &info, None).contains("Depths in feet"));
}
