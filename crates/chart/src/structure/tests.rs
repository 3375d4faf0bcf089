//! Forms of beds given by formulas.

use super::*;
use crate::SurfaceSettings;
use leadline_model::{Cell, CellId, LonLat};
use std::collections::BTreeMap;

struct Rng(u64);

impl Rng {
    /// Uniform, 0 to 1 (SplitMix64, Steele, Lea and Flood 2014).
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.next()).ln()).sqrt() * (std::f64::consts::TAU * self.next()).cos()
    }
}

fn middle() -> GridPos {
    GridPos::from_lonlat(LonLat { lon: 7.4, lat: 48.2 }).expect("on the grid")
}

/// Cells of lines `spacing` apart over `half` metres to every side, north and south, a sounding every 2 m and a line every
/// four minutes, with errors of `sigma`, half of them common to a line if `sticky`.
fn sounded(half: f64, spacing: f64, sigma: f64, seed: u64, bed: impl Fn(f64, f64) -> f64) -> Vec<Cell> {
    let frame = LocalFrame::new(middle());
    let mut rng = Rng(seed);
    let mut all: BTreeMap<CellId, (f64, f64, f64, f64, i64)> = BTreeMap::new();
    let lines = (2.0 * half / spacing).round() as i64;
    for line in 0..=lines {
        let x0 = line as f64 * spacing - half;
        let turn = rng.next() * 6.0;
        for k in 0..half as i64 {
            let y = k as f64 * 2.0 - half;
            let x = x0 + 1.5 * (y / 40.0 + turn).sin();
            let depth = bed(x, y) + sigma * rng.normal();
            let t = all.entry(frame.place(x, y).cell()).or_insert((0.0, 0.0, 0.0, 0.0, 0));
            *t = (t.0 + 1.0, t.1 + x, t.2 + y, t.3 + depth, line * 240_000);
        }
    }
    let cell = |(id, (n, x, y, d, t)): (CellId, (f64, f64, f64, f64, i64))| Cell {
        id,
        at: frame.place(x / n, y / n),
        depth_m: d / n,
        tvu95_m: 1.96 * sigma.max(0.02),
        shoalest_m: d / n,
        grade: Grade::Sure,
        soundings: n as u32,
        passes: 1,
        devices: 1,
        main_pass: 0,
        newest: UtcMillis(t),
        disputed: false,
    };
    all.into_iter().map(cell).collect()
}

fn found(cells: &[Cell]) -> Structure {
    structure(&Surface::new(cells, &SurfaceSettings::default()))
}

/// A place of the bed's formula in the surface's frame.
fn place(s: &Structure, x: f64, y: f64) -> [f64; 2] {
    let at = LocalFrame::new(middle()).place(x, y);
    s.frame.metres(at).into()
}

fn off(s: &Structure, f: &Form, x: f64, y: f64) -> f64 {
    crate::mesh::distance(f.at, place(s, x, y))
}

fn of(s: &Structure, kind: FormKind) -> Vec<&Form> {
    s.forms.iter().filter(|f| f.kind == kind).collect()
}

#[test]
fn gauss_hump_and_hole() {
    // By hand: on a level bed a Gaussian of height h and width σ has prominence h, half-height area 2 π ln 2 σ², and
    // its steepest side falls h / (σ √e).
    let bell = |x: f64, y: f64, s: f64| (-(x * x + y * y) / (2.0 * s * s)).exp();
    let cells = sounded(300.0, 20.0, 0.02, 1, |x, y| {
        8.0 - 3.0 * bell(x - 90.0, y - 60.0, 30.0) + 2.5 * bell(x + 110.0, y + 70.0, 40.0)
    });
    let s = found(&cells);
    let (humps, holes) = (of(&s, FormKind::Hump), of(&s, FormKind::Hole));
    assert_eq!((humps.len(), holes.len()), (1, 1), "{:#?}", s.forms);
    for (f, x, y, h, sigma) in [(humps[0], 90.0, 60.0, 3.0, 30.0), (holes[0], -110.0, -70.0, 2.5, 40.0)] {
        assert!(off(&s, f, x, y) < 5.0, "{f:?}");
        assert!((f.relief_m / h - 1.0).abs() < 0.08, "{f:?}");
        let area = 2.0 * std::f64::consts::PI * std::f64::consts::LN_2 * sigma * sigma;
        assert!((f.area_m2.expect("an area") / area - 1.0).abs() < 0.12, "{f:?} {area}");
        assert!((f.fall / (h / sigma / 1.0_f64.exp().sqrt()) - 1.0).abs() < 0.15, "{f:?}");
        assert!(f.visits >= 3 && !f.open && f.grade == Grade::Sure, "{f:?}");
        let diameter = 2.0 * (area / std::f64::consts::PI).sqrt();
        assert!((f.length_m / diameter - 1.0).abs() < 0.2 && (f.width_m / diameter - 1.0).abs() < 0.2);
    }
    assert!(of(&s, FormKind::Ledge).is_empty() && of(&s, FormKind::Channel).is_empty(), "{:#?}", s.forms);
}

#[test]
fn a_ledge_is_one_line_with_its_drop() {
    // Half a cosine of 24 m down 4 m, running 30° off east: by hand its steepest slope is π·4/(2·24) = 0.262.
    let (co, si) = (30f64.to_radians().cos(), 30f64.to_radians().sin());
    let bed = move |x: f64, y: f64| {
        let t = ((-x * si + y * co) / 24.0).clamp(-0.5, 0.5);
        6.0 + 0.005 * x + 2.0 * (std::f64::consts::PI * t).sin()
    };
    let s = found(&sounded(250.0, 20.0, 0.03, 2, bed));
    let ledges = of(&s, FormKind::Ledge);
    assert_eq!(ledges.len(), 1, "{:#?}", s.forms);
    let f = ledges[0];
    assert!((f.relief_m / 4.0 - 1.0).abs() < 0.12, "{}", f.relief_m);
    assert!((f.bearing_deg - 60.0).abs() < 3.0, "{}", f.bearing_deg);
    assert!(f.length_m > 450.0 && f.length_m < 600.0, "{}", f.length_m);
    let o = place(&s, 0.0, 0.0);
    let worst = f.line.iter().map(|p| (-(p[0] - o[0]) * si + (p[1] - o[1]) * co).abs()).fold(0.0, f64::max);
    assert!(worst < 6.0, "{worst} m off the truth");
    assert!(of(&s, FormKind::Hump).is_empty() && of(&s, FormKind::Hole).is_empty(), "{:#?}", s.forms);
}

#[test]
fn a_saddle_lies_between_its_humps() {
    // depth = 6 + f(x) − f(y), f(t) = t²/4000 − t⁴/(3.2e8), level at 0 and ±200, where it is 5 m. By hand, of the nine
    // level places: humps at (0, ±200), holes at (±200, 0), a saddle in the middle, and four at (±200, ±200).
    let bed = |x: f64, y: f64| 6.0 + (x * x - y * y) / 4000.0 - x.powi(4) / 3.2e8 + y.powi(4) / 3.2e8;
    let s = found(&sounded(280.0, 20.0, 0.03, 3, bed));
    let saddles = of(&s, FormKind::Saddle);
    assert_eq!(saddles.len(), 5, "{:#?}", s.forms);
    assert!(off(&s, saddles[0], 0.0, 0.0) < 10.0, "{:?}", saddles[0]);
    assert!((saddles[0].relief_m / 5.0 - 1.0).abs() < 0.08, "{:?}", saddles[0]);
    assert!((saddles[0].bearing_deg - 90.0).abs() < 5.0, "deep water lies east and west: {:?}", saddles[0]);
    for (x, y) in [(-200.0, -200.0), (-200.0, 200.0), (200.0, -200.0), (200.0, 200.0)] {
        assert!(saddles[1..].iter().any(|f| off(&s, f, x, y) < 10.0), "{x} {y}");
    }
    let tops = |k| of(&s, k).iter().map(|f| (f.scale, f.at, f.relief_m, f.open)).collect::<Vec<_>>();
    let (humps, holes) = (tops(FormKind::Hump), tops(FormKind::Hole));
    assert_eq!((humps.len(), holes.len()), (2, 2), "{humps:?} {holes:?}");
}

#[test]
fn a_winding_channel_is_followed() {
    // Centre line y = 60 sin(x / 90), 4 m deeper than the flats, σ 25 m.
    let centre = |x: f64| 60.0 * (x / 90.0).sin();
    let bed = move |x: f64, y: f64| {
        // Distance to the line by its slope there.
        let slope = 60.0 / 90.0 * (x / 90.0).cos();
        let d = (y - centre(x)) / (1.0 + slope * slope).sqrt();
        5.0 + 0.002 * x + 4.0 * (-d * d / 1250.0).exp()
    };
    let s = found(&sounded(350.0, 20.0, 0.05, 4, bed));
    let channels = of(&s, FormKind::Channel);
    assert_eq!(channels.len(), 1, "{:#?}", s.forms);
    let f = channels[0];
    let o = place(&s, 0.0, 0.0);
    let offs: Vec<f64> = f
        .line
        .iter()
        .map(|p| {
            let (x, y) = (p[0] - o[0], p[1] - o[1]);
            (-60..=60)
                .map(|k| x + f64::from(k))
                .map(|u| (u - x).hypot(centre(u) - y))
                .fold(f64::INFINITY, f64::min)
        })
        .collect();
    let mean = offs.iter().sum::<f64>() / offs.len() as f64;
    assert!(mean < 4.0 && offs.iter().all(|d| *d < 15.0), "{mean} {offs:?}");
    // The line from x = −300 to 300 is 1.17 times as long as straight (by numeric integration of √(1 + slope²)).
    assert!(f.length_m > 600.0 && f.length_m < 900.0, "{}", f.length_m);
    assert!((f.relief_m / 4.0 - 1.0).abs() < 0.15, "{f:?}");
}

#[test]
fn a_round_bowl_has_a_hole_and_no_channel() {
    let s = found(&sounded(250.0, 25.0, 0.04, 5, |x, y| 12.0 - (x * x + y * y) / 8000.0));
    assert_eq!(of(&s, FormKind::Channel).len(), 0, "{:#?}", s.forms);
    assert_eq!(of(&s, FormKind::Hole).len(), 1);
    assert!(off(&s, of(&s, FormKind::Hole)[0], 0.0, 0.0) < 30.0);
}

#[test]
fn planes_have_no_forms() {
    for (a, b) in [(0.0, 0.0), (0.05, -0.02), (0.2, 0.0)] {
        let s = found(&sounded(200.0, 20.0, 0.0, 6, |x, y| 50.0 + a * x + b * y));
        assert!(s.forms.is_empty(), "{a} {b}: {:#?}", s.forms);
    }
}

#[test]
fn noise_alone_makes_no_forms() {
    // Errors as large as the bands say, of every sounding on its own: the hardest case for relief. At most one survey of
    // twenty may show anything (95 % of the binomial with p = 0.05, n = 100: 9).
    let mut false_alarms = Vec::new();
    for seed in 0..100 {
        let s = found(&sounded(150.0, 20.0, 0.15, 1000 + seed, |x, y| 9.0 + 0.01 * x - 0.004 * y));
        if !s.forms.is_empty() {
            false_alarms.push((seed, s.forms.len(), s.forms[0].kind));
        }
    }
    assert!(false_alarms.len() <= 9, "{false_alarms:?}");
}

#[test]
fn order_of_cells_does_not_matter() {
    let bell = |x: f64, y: f64, s: f64| (-(x * x + y * y) / (2.0 * s * s)).exp();
    let mut cells = sounded(150.0, 20.0, 0.1, 7, |x, y| 6.0 - 3.0 * bell(x, y, 30.0));
    let one = found(&cells);
    cells.reverse();
    assert_eq!(found(&cells), one);
    assert!(!one.forms.is_empty());
}

#[test]
fn little_or_odd_input_gives_an_answer() {
    assert!(found(&[]).forms.is_empty());
    let cells = sounded(60.0, 20.0, 0.05, 8, |_, _| 5.0);
    assert!(found(&cells[..1]).forms.is_empty());
    assert!(found(&cells[..3]).forms.is_empty());
    let mut far = cells.clone();
    let frame = LocalFrame::new(middle());
    for c in &cells {
        let (e, n) = frame.metres(c.at);
        let at = frame.place(e + 400_000.0, n + 300_000.0);
        far.push(Cell { id: at.cell(), at, ..*c });
    }
    assert!(found(&far).forms.is_empty(), "two waters 500 km apart");
}
