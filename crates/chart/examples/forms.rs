//! Forms of a bed, and the lattice they are found on: what tests/outside/structure.py holds against other programs.
//!
//! Reads lines `east north depth tvu95 second` (metres; a sounding each), writes lines `node …` and `form …`.
#![allow(clippy::print_stdout, clippy::expect_used, reason = "an example prints, and stops at bad input")]

use leadline_chart::{Surface, SurfaceSettings, bed_shape, structure};
use leadline_model::{Cell, CellId, Grade, GridPos, LocalFrame, LonLat, UtcMillis};
use std::collections::BTreeMap;
use std::io::Read;

fn main() {
    let mut text = String::new();
    std::io::stdin().read_to_string(&mut text).expect("text");
    let middle = GridPos::from_lonlat(LonLat { lon: -38.25, lat: 44.5 }).expect("on the grid");
    let frame = LocalFrame::new(middle);
    let mut all: BTreeMap<CellId, Vec<[f64; 5]>> = BTreeMap::new();
    for line in text.lines() {
        let v: Vec<f64> = line.split_whitespace().map(|w| w.parse().expect("a number")).collect();
        let s = [v[0], v[1], v[2], v[3], v[4]];
        all.entry(frame.place(s[0], s[1]).cell()).or_default().push(s);
    }
    let cells: Vec<Cell> = all.into_iter().map(|(id, s)| cell(&frame, id, &s)).collect();
    let surface = Surface::new(&cells, &SurfaceSettings::default());
    // Places of the input's frame: the surface has one of its own.
    let (dx, dy) = surface.frame().metres(middle);
    let found = structure(&surface);
    println!("step {:.12}", found.steps_m[0]);
    for n in bed_shape(&surface, found.steps_m[0]) {
        let or_nan = |v: Option<f64>| v.unwrap_or(f64::NAN);
        let [one, two] = n.bends.unwrap_or([f64::NAN; 2]);
        println!(
            "node {} {} {:.4} {:.4} {:.9} {:.9} {:.12} {:.12} {:.9}",
            n.row,
            n.column,
            n.at[0] - dx,
            n.at[1] - dy,
            n.depth_m,
            or_nan(n.slope),
            one,
            two,
            or_nan(n.index_m)
        );
    }
    for f in &found.forms {
        println!(
            "form {} {} {:.3} {:.3} {:.6} {:.4} {:.1} {:.1} {:.1} {:.4} {} {} {} {}",
            f.kind.word(),
            f.scale.word(),
            f.at[0] - dx,
            f.at[1] - dy,
            f.relief_m,
            f.relief95_m,
            f.length_m,
            f.width_m,
            f.area_m2.unwrap_or(0.0),
            f.fall,
            f.grade,
            f.open,
            f.visits,
            f.line.iter().map(|p| format!("{:.2},{:.2}", p[0] - dx, p[1] - dy)).collect::<Vec<_>>().join(";")
        );
    }
}

fn cell(frame: &LocalFrame, id: CellId, s: &[[f64; 5]]) -> Cell {
    let n = s.len() as f64;
    let mean = |k: usize| s.iter().map(|v| v[k]).sum::<f64>() / n;
    let depth_m = mean(2);
    let newest = s.iter().map(|v| v[4]).fold(f64::NEG_INFINITY, f64::max);
    Cell {
        id,
        at: frame.place(mean(0), mean(1)),
        depth_m,
        tvu95_m: mean(3),
        shoalest_m: depth_m,
        grade: Grade::Sure,
        soundings: s.len() as u32,
        passes: 1,
        devices: 1,
        main_pass: 0,
        newest: UtcMillis((newest * 1000.0) as i64),
        disputed: false,
    }
}
