#![allow(missing_docs, dead_code, clippy::print_stdout)]
#[path = "support/reservoir.rs"]
mod reservoir;
use leadline_chart::*;
use reservoir::{Plan, survey};
use std::time::Instant;
fn main() {
    let dir = std::env::args().nth(1).expect("dir");
    let scale: f64 = std::env::args().nth(2).map_or(1.0, |s| s.parse().expect("n"));
    let s = survey(&Plan { turn: 45.0, scale, spacing: 14.0, ..Plan::default() });
    let info = ChartInfo {
        survey: "Quillfeather <Réservoir> & \"co\"".into(),
        datum: "spillway crest".into(),
        stage_m: 0.42,
        stage_text: "given".into(),
        passes: s.passes.clone(),
        ..ChartInfo::default()
    };
    let t = Instant::now();
    let surface = Surface::new(&s.cells, &SurfaceSettings::default());
    println!("{} cells {} m2 surface {:?}", s.cells.len(), surface.area_m2(), t.elapsed());
    let levels = surface.levels(info.stage_m, Units::Metres);
    let put = |name: &str, bytes: &[u8]| std::fs::write(format!("{dir}/{name}"), bytes).expect("written");
    let t = Instant::now();
    put("s.tif", &surface_tiff(&surface, &info, PixelZoom::CELL).expect("tiff"));
    println!("tiff {:?}", t.elapsed());
    let t = Instant::now();
    let p = map_picture(&surface, &info, &levels, None).expect("png");
    put("s.png", &p.png);
    put("s.pgw", p.world.as_bytes());
    put("s.png.aux.xml", p.aux.as_bytes());
    println!("png {:?} {}", t.elapsed(), p.pixel_m);
    let t = Instant::now();
    put("s.pmtiles", &map_tiles(&surface, &info, &levels, None).expect("tiles"));
    println!("tiles {:?}", t.elapsed());
    if scale <= 2.0 {
        let (a, b) = surface_ascii(&surface, &info, PixelZoom::CELL, false).expect("asc");
        put("s.asc", a.as_bytes());
        put("s.prj", b.as_bytes());
    }
}
