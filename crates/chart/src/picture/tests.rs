//! The sheet read back by the SVG library: where its texts and lines really are.

use super::{PaperSize, SheetSettings, chart_html, chart_sheet, chart_svg, sheet_words};
use crate::png::parse;
use crate::sample;
use crate::{ChartError, ChartInfo, Surface, SurfaceSettings, Theme, Touch, Units, chart_pdf};
use geo::{BoundingRect, Intersects, LineString, Polygon};
use leadline_model::{CAUTION, Cell, Grade, GridPos, LocalFrame, LonLat, UtcMillis};
use proptest::prelude::*;
use resvg::tiny_skia::Point;
use resvg::usvg::{Group, Node, Tree};

fn cell(at: GridPos, depth_m: f64, grade: Grade, disputed: bool) -> Cell {
    Cell { grade, newest: UtcMillis(1_777_000_000_000), disputed, ..sample::cell(at, depth_m) }
}

fn frame() -> LocalFrame {
    LocalFrame::new(GridPos::from_lonlat(LonLat { lon: 24.9, lat: 60.1 }).expect("on the grid"))
}

/// A net of cells over a bed of waves.
fn waves(columns: i32, rows: i32, step: f64, length: f64, height: f64, mean: f64) -> Vec<Cell> {
    let f = frame();
    let one = |i: i32| {
        let (e, n) = (f64::from(i % columns) * step, f64::from(i / columns) * step);
        let depth = mean + height * ((e / length).sin() + (n / length * 0.7).cos());
        let grade = if i % 97 < 6 { Grade::Loose } else { Grade::Sure };
        cell(f.place(e, n), depth, grade, i % 53 == 0)
    };
    (0..columns * rows).map(one).collect()
}

fn surface(cells: &[Cell]) -> Surface {
    Surface::new(cells, &SurfaceSettings::default())
}

/// Every group, path and text below `group`.
fn walk<'a>(group: &'a Group, see: &mut dyn FnMut(&'a Node)) {
    for node in group.children() {
        see(node);
        if let Node::Group(g) = node {
            walk(g, see);
        }
    }
}

/// Boxes of the figures on the map, as the library sets them, in px of its own.
fn figures(tree: &Tree) -> Vec<(String, Polygon<f64>)> {
    let mut out = Vec::new();
    walk(tree.root(), &mut |node| {
        let Node::Group(g) = node else { return };
        if g.id() != "figures" {
            return;
        }
        walk(g, &mut |n| {
            let Node::Text(t) = n else { return };
            let (b, at) = (t.bounding_box(), t.abs_transform());
            let corner = |x: f32, y: f32| {
                let mut p = Point::from_xy(x, y);
                at.map_point(&mut p);
                (f64::from(p.x), f64::from(p.y))
            };
            let ring = vec![
                corner(b.left(), b.top()),
                corner(b.right(), b.top()),
                corner(b.right(), b.bottom()),
                corner(b.left(), b.bottom()),
            ];
            let words = t.chunks().iter().map(|c| c.text()).collect();
            out.push((words, Polygon::new(LineString::from(ring), Vec::new())));
        });
    });
    out
}

/// The map's border.
fn border(tree: &Tree) -> geo::Rect<f64> {
    let mut out = None;
    walk(tree.root(), &mut |node| {
        if let Node::Path(p) = node
            && p.id() == "border"
        {
            let b = p.abs_bounding_box();
            let at = |x: f32, y: f32| geo::coord! { x: f64::from(x), y: f64::from(y) };
            out = Some(geo::Rect::new(at(b.left(), b.top()), at(b.right(), b.bottom())));
        }
    });
    out.expect("a border")
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    /// Boxes as the SVG library lays the text out, intersected by the geo crate.
    #[test]
    fn no_figure_lies_over_another_or_outside_the_map(
        (columns, rows) in (6i32..40, 6i32..40),
        (length, height, mean) in (12.0..90.0, 0.5..12.0, -2.0..20.0f64),
        (step, stage_m) in (9.0..28.0, -3.0..3.0f64),
        (paper, units, dark) in (0usize..3, 0usize..3, any::<bool>()),
    ) {
        let s = surface(&waves(columns, rows, step, length, height, mean));
        let paper = [PaperSize::A3, PaperSize::A4, PaperSize::Letter][paper];
        let units = [Units::Metres, Units::Feet, Units::Fathoms][units];
        let theme = if dark { Theme::Dark } else { Theme::Light };
        let info = ChartInfo { stage_m, units, ..ChartInfo::default() };
        let settings = SheetSettings { paper, theme, ..SheetSettings::default() };
        let svg = chart_sheet(&s, &info, None, &settings).expect("draws");
        let tree = parse(&svg).expect("parses");
        let (all, border) = (figures(&tree), border(&tree));
        prop_assert!(!all.is_empty());
        for (i, (text, a)) in all.iter().enumerate() {
            let own = a.bounding_rect().expect("has corners");
            prop_assert!(own.min().x > border.min().x && own.max().x < border.max().x, "{text}");
            prop_assert!(own.min().y > border.min().y && own.max().y < border.max().y, "{text}");
            for (other, b) in &all[i + 1..] {
                prop_assert!(!a.intersects(b), "{text} and {other}: {a:?} {b:?}");
            }
        }
    }
}

/// Two soundings 200 m apart at 1 : 2,000 are 100 mm apart on every paper: 100 / 25.4 × 96 px (CSS Values and Units 3,
/// §6.2: 96 px to the inch).
#[test]
fn a_scale_asked_for_is_true_on_paper() {
    let f = frame();
    let s = surface(&[0.0, 200.0].map(|e| cell(f.place(e, 0.0), 3.0, Grade::Sure, false)));
    for paper in [PaperSize::A3, PaperSize::A4, PaperSize::Letter] {
        let settings = SheetSettings { paper, scale: Some(2000.0), ..SheetSettings::default() };
        let svg = chart_sheet(&s, &ChartInfo::default(), None, &settings).expect("fits");
        assert!(svg.contains(&format!("1 : 2,000 on {}", paper.word())));
        let tree = parse(&svg).expect("parses");
        let (w, h) = paper.millimetres();
        let size = [tree.size().width(), tree.size().height()].map(|v| f64::from(v) / 96.0 * 25.4);
        assert!(
            (size[0].min(size[1]) - w).abs() < 0.05 && (size[0].max(size[1]) - h).abs() < 0.05,
            "{size:?}"
        );
        let mut dots = Vec::new();
        walk(tree.root(), &mut |node| {
            // The only shapes of 6 px: circles of radius 3.
            if let Node::Path(p) = node
                && (p.data().bounds().width() - 6.0).abs() < 0.01
                && (p.data().bounds().height() - 6.0).abs() < 0.01
            {
                dots.push(f64::from(p.abs_bounding_box().left()));
            }
        });
        assert_eq!(dots.len(), 2, "{dots:?}");
        assert!(((dots[0] - dots[1]).abs() - 100.0 / 25.4 * 96.0).abs() < 0.1, "{dots:?}");
    }
}

#[test]
fn a_scale_that_does_not_fit_says_which_does() {
    let s = surface(&waves(40, 20, 20.0, 40.0, 2.0, 6.0));
    let ask = |scale| {
        let settings = SheetSettings { paper: PaperSize::A4, scale: Some(scale), ..SheetSettings::default() };
        chart_sheet(&s, &ChartInfo::default(), None, &settings)
    };
    let Err(ChartError::ScaleTooLarge { fits, .. }) = ask(500.0) else { panic!("does not fit") };
    assert!(ask(fits).is_ok(), "1 : {fits}");
    for bad in [0.0, -5.0, f64::NAN, f64::INFINITY, 1e9] {
        assert!(matches!(ask(bad), Err(ChartError::PaperScale(_))), "{bad}");
    }
}

#[test]
fn every_form_names_its_source_and_escapes_it() {
    let s = surface(&waves(12, 9, 15.0, 40.0, 2.0, 6.0));
    let info = ChartInfo {
        survey: "<script>alert(1)</script>\u{202e}\u{7}".into(),
        datum: "]]> & \"crest\"".into(),
        touch: Some(Touch { draft_m: 0.5, margin_m: 0.3 }),
        ..ChartInfo::default()
    };
    let svg = chart_svg(&s, &info, None);
    let html = chart_html(&s, &info, None, &svg, Theme::Light);
    for text in [&svg, &html] {
        assert!(!text.contains("<script") && text.contains("&lt;script&gt;") && !text.contains('\u{202e}'));
        assert!(text.contains("crest&quot;") && text.contains(&CAUTION[..40]));
    }
    // Well formed throughout, by the XML reader of the SVG library (the page is XML but for its first line and the
    // open <meta> elements).
    let body = html.split_once("<body>").expect("a body").1;
    let body = format!("<body>{}", body.trim_end().trim_end_matches("</html>"));
    resvg::usvg::roxmltree::Document::parse(&body).expect("well formed");
    assert!(
        !html.contains("http") || html.matches("http").count() == 2,
        "namespace and the policy's http-equiv only"
    );
    let words = sheet_words(&s, &info);
    let pdf = chart_pdf(&svg, &words.name, &words.about).expect("draws");
    assert!(pdf.starts_with(b"%PDF-1.7") && pdf.trim_ascii_end().ends_with(b"%%EOF"));
    assert_eq!(pdf, chart_pdf(&svg, &words.name, &words.about).expect("draws"));
}

/// Two waters 5,000 km apart: each fills its own sheet, in its own true metres, and says where the other lies.
#[test]
fn far_waters_have_a_sheet_each() {
    let far = GridPos::from_lonlat(LonLat { lon: 25.0, lat: 15.0 }).expect("on the grid");
    let there = LocalFrame::new(far);
    let mut cells = waves(12, 9, 15.0, 40.0, 2.0, 6.0);
    cells.extend([0.0, 200.0].map(|e| cell(there.place(e, 0.0), 3.0, Grade::Sure, false)));
    let s = surface(&cells);
    let draw = |near| {
        let settings = SheetSettings { near, scale: Some(2000.0), ..SheetSettings::default() };
        chart_sheet(&s, &ChartInfo::default(), None, &settings).expect("fits")
    };
    let (north, south) = (draw(None), draw(Some(far)));
    assert!(
        north.contains("2 cells of other water, about") && north.contains("km south"),
        "{}",
        &north[..900]
    );
    assert!(south.contains("108 cells of other water, about") && south.contains("km north"));
    assert!(north.contains("60°06") && south.contains("15°00"));
    // By its own metres: the frame's are 1.4 times as long there.
    let settings = SheetSettings { near: Some(far), scale: Some(450.0), ..SheetSettings::default() };
    let Err(ChartError::ScaleTooLarge { .. }) = chart_sheet(&s, &ChartInfo::default(), None, &settings)
    else {
        panic!("200 m are 444 mm at 1 : 450, more than any side of A3");
    };
    let settings = SheetSettings { near: Some(far), scale: Some(600.0), ..SheetSettings::default() };
    assert!(chart_sheet(&s, &ChartInfo::default(), None, &settings).is_ok(), "333 mm fit on the long side");
}

/// A hump whose top is in dispute keeps its figure, with the sign beside it, on the smallest paper.
#[test]
fn a_shoal_is_never_hidden() {
    let f = frame();
    let one = |i: i32| {
        let (e, n) = (f64::from(i % 60) * 10.0, f64::from(i / 60) * 10.0);
        let far = (e - 300.0).hypot(n - 200.0);
        let depth = 10.0 - 6.9 * (1.0 - far / 40.0).max(0.0);
        cell(f.place(e, n), depth, Grade::Sure, far < 12.0)
    };
    let s = surface(&(0..60 * 40).map(one).collect::<Vec<_>>());
    for paper in [PaperSize::A3, PaperSize::A4] {
        let settings = SheetSettings { paper, ..SheetSettings::default() };
        let svg = chart_sheet(&s, &ChartInfo::default(), None, &settings).expect("draws");
        let all = figures(&parse(&svg).expect("parses"));
        // 3.1 m: a 3 with a lowered 1.
        assert_eq!(all.iter().filter(|(t, _)| t == "31").count(), 1, "{paper:?}");
    }
}
