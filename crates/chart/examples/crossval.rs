//! Withholds whole tracks of a survey and predicts them: the rows that tests/outside/surface.py compares.
//!
//! Reads lines `east north depth track noise` (metres; noise = standard deviation), withholds every fifth track
//! in turn and writes CSV: the cells that stay, and for each withheld sounding what each way between the tracks
//! says of it. Only soundings that the surface covers are written. A number as argument asks for that fold only.
#![allow(clippy::print_stdout, clippy::expect_used, reason = "an example prints, and stops at bad input")]

use leadline_chart::{Between, Surface, SurfaceSettings};
use leadline_model::{Cell, CellId, Grade, GridPos, LocalFrame, LonLat, UtcMillis};
use spade::{DelaunayTriangulation, HasPosition, Point2, Triangulation};
use std::collections::BTreeMap;
use std::io::Read;

/// Folds; a fold withholds the tracks with this remainder.
const FOLDS: u32 = 5;
/// Withheld tracks double the gaps; the study looks at all of them.
const GAP_M: f64 = 120.0;
/// Cells used by inverse distance, and its power (the usual choice of grid programs).
const IDW: usize = 12;

struct Sounding {
    xy: [f64; 2],
    depth_m: f64,
    track: u32,
    noise_m: f64,
}

struct Site {
    at: Point2<f64>,
    depth_m: f64,
}

impl HasPosition for Site {
    type Scalar = f64;
    fn position(&self) -> Point2<f64> {
        self.at
    }
}

fn main() {
    let mut text = String::new();
    std::io::stdin().read_to_string(&mut text).expect("text");
    let soundings: Vec<Sounding> = text.lines().map(sounding).collect();
    let middle = GridPos::from_lonlat(LonLat { lon: -38.25, lat: 44.5 }).expect("on the grid");
    let frame = LocalFrame::new(middle);
    println!("fold,kind,east,north,depth,straight,learned,tvu95,idw,natural,track");
    let only: Option<u32> = std::env::args().nth(1).map(|a| a.parse().expect("a fold"));
    for fold in (0..FOLDS).filter(|f| only.is_none_or(|o| o == *f)) {
        let (held, kept): (Vec<&Sounding>, Vec<&Sounding>) =
            soundings.iter().partition(|s| s.track % FOLDS == fold);
        study(fold, &frame, &cells(&frame, &kept), &held);
    }
}

fn sounding(line: &str) -> Sounding {
    let v: Vec<f64> = line.split_whitespace().map(|w| w.parse().expect("a number")).collect();
    Sounding { xy: [v[0], v[1]], depth_m: v[2], track: v[3] as u32, noise_m: v[4] }
}

fn cells(frame: &LocalFrame, kept: &[&Sounding]) -> Vec<Cell> {
    let mut all: BTreeMap<CellId, Vec<&Sounding>> = BTreeMap::new();
    for s in kept {
        all.entry(frame.place(s.xy[0], s.xy[1]).cell()).or_default().push(s);
    }
    let cell = |(id, s): (CellId, Vec<&Sounding>)| {
        let n = s.len() as f64;
        let mean = |f: &dyn Fn(&Sounding) -> f64| s.iter().map(|s| f(s)).sum::<f64>() / n;
        let depth_m = mean(&|s| s.depth_m);
        Cell {
            id,
            at: frame.place(mean(&|s| s.xy[0]), mean(&|s| s.xy[1])),
            depth_m,
            tvu95_m: 1.96 * mean(&|s| s.noise_m) / n.sqrt(),
            shoalest_m: depth_m,
            grade: Grade::Sure,
            soundings: s.len() as u32,
            passes: 1,
            devices: 1,
            main_pass: 0,
            newest: UtcMillis(0),
            disputed: false,
        }
    };
    all.into_iter().map(cell).collect()
}

fn study(fold: u32, frame: &LocalFrame, cells: &[Cell], held: &[&Sounding]) {
    let settings = SurfaceSettings { max_gap_m: GAP_M };
    let learned = Surface::with(cells, &settings, Between::Learned);
    let straight = Surface::with(cells, &settings, Between::Straight);
    let mut natural = DelaunayTriangulation::<Site>::new();
    let mut places = Vec::new();
    for c in cells {
        let (east, north) = frame.metres(c.at);
        places.push(([east, north], c.depth_m));
        natural.insert(Site { at: Point2::new(east, north), depth_m: c.depth_m }).expect("a place");
        println!("{fold},cell,{east:.4},{north:.4},{:.5},,,,,,", c.depth_m);
    }
    let natural = natural.natural_neighbor();
    for s in held {
        let at = frame.place(s.xy[0], s.xy[1]);
        let (Some(a), Some(b)) = (straight.depth_at(at), learned.depth_at(at)) else { continue };
        let n = natural.interpolate(|v| v.data().depth_m, Point2::new(s.xy[0], s.xy[1]));
        println!(
            "{fold},held,{:.4},{:.4},{:.5},{:.5},{:.5},{:.5},{:.5},{:.5},{}",
            s.xy[0],
            s.xy[1],
            s.depth_m,
            a.depth_m,
            b.depth_m,
            b.tvu95_m,
            inverse_distance(&places, s.xy),
            n.unwrap_or(a.depth_m),
            s.track
        );
    }
}

fn inverse_distance(places: &[([f64; 2], f64)], p: [f64; 2]) -> f64 {
    let mut near: Vec<(f64, f64)> =
        places.iter().map(|(q, z)| ((q[0] - p[0]).powi(2) + (q[1] - p[1]).powi(2), *z)).collect();
    near.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut up, mut down) = (0.0, 0.0);
    for (d2, z) in near.into_iter().take(IDW) {
        up += z / d2.max(1e-6);
        down += 1.0 / d2.max(1e-6);
    }
    up / down
}
