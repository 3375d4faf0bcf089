//! Prints the grid's answers for checks by other programs. Reads `lon lat` lines, writes for each
//! `x y quadkey cell_x cell_y cell_area_m2 lon lat`: the place, its tile, its cell, the middle of the place.

use leadline_model::{GridPos, LonLat};
use std::io::{BufRead as _, Write as _};

fn main() -> std::io::Result<()> {
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    for line in std::io::stdin().lock().lines() {
        match place(&line?) {
            Some(p) => {
                let (cell, middle) = (p.cell(), p.lonlat());
                let (x, y, key, area) = (p.x(), p.y(), p.tile().quadkey(), cell.area_m2());
                writeln!(
                    out,
                    "{x} {y} {key} {} {} {area:.9} {:.12} {:.12}",
                    cell.x, cell.y, middle.lon, middle.lat
                )?;
            }
            None => writeln!(out, "none")?,
        }
    }
    out.flush()
}

fn place(line: &str) -> Option<GridPos> {
    let (lon, lat) = line.split_once(' ')?;
    GridPos::from_lonlat(LonLat { lon: lon.parse().ok()?, lat: lat.parse().ok()? })
}
