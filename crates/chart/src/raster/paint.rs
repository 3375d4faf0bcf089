//! Colours of pixels: the depth band of the safe surface, a line where bands meet, a hatch where loose.

use super::block::{AREA, Block, GRADE, SAFE};
use super::{TILE_PX, Tile};
use crate::Theme;
use crate::palette::{Colour, blend, ink_on};
use crate::picture::Bands;
use crate::{Levels, Surface};
use std::collections::BTreeMap;

/// Distance between two strokes of the hatch, pixels; a divisor of a tile's side, so that strokes run on.
const HATCH_PX: i64 = 8;
/// Set beside the band's number where the grade is loose.
const LOOSE: u16 = 1 << 15;

/// What is seen of a tile: for each pixel zero where blank, else the number of its band from one, and [`LOOSE`].
pub(crate) struct Seen(Vec<u16>);

impl Seen {
    /// Column and row of every known pixel.
    pub(crate) fn known(&self) -> impl Iterator<Item = (usize, usize)> + '_ {
        let known = self.0.iter().enumerate().filter(|(_, code)| **code != 0);
        known.map(|(i, _)| (i % TILE_PX, i / TILE_PX))
    }
}

/// The colours of a picture's bands.
pub(crate) struct Paint {
    bands: Bands,
    levels: Vec<f64>,
}

impl Paint {
    pub(crate) fn new(surface: &Surface, stage_m: f64, levels: &Levels) -> Self {
        let range = surface.safe_range_m().map(|(lo, hi)| (lo + stage_m, hi + stage_m));
        Self { bands: Bands::new(levels.metres(), range, Theme::Light), levels: levels.metres().to_vec() }
    }

    /// What is seen of a block.
    pub(crate) fn seen(&self, block: &Block) -> Seen {
        let one = |i: usize| {
            if !block.known(i) {
                return 0;
            }
            let safe = f64::from(block.0[SAFE][i]);
            let loose = if block.0[GRADE][i] >= 2.0 { LOOSE } else { 0 };
            (self.levels.partition_point(|l| *l <= safe) + 1) as u16 | loose
        };
        Seen((0..AREA).map(one).collect())
    }

    /// Colour in the middle of band `band` (from one).
    fn fill(&self, band: u16) -> Colour {
        let band = usize::from(band) - 1;
        // A depth inside the band: its shoal limit, or just above the first level.
        let depth = match band.checked_sub(1) {
            Some(below) => self.levels[below],
            None => self.levels.first().map_or(0.0, |l| l - 1e-6),
        };
        self.bands.at(depth)
    }

    /// Red, green, blue and opacity of a pixel beside its right and lower neighbour.
    fn pixel(&self, here: u16, right: u16, below: u16, x: i64, y: i64) -> [u8; 4] {
        let band = here & !LOOSE;
        if band == 0 {
            return [0; 4];
        }
        let meets = |other: u16| other != 0 && other & !LOOSE != band;
        let colour = if meets(right) || meets(below) {
            let other = if meets(right) { right } else { below } & !LOOSE;
            let under = self.bands.across(self.levels[usize::from(band.min(other)) - 1]);
            blend(under, ink_on(under), 0.62)
        } else {
            let fill = self.fill(band);
            let stroke = here & LOOSE != 0 && (x + y).rem_euclid(HATCH_PX) == 0;
            if stroke { blend(fill, ink_on(fill), 0.45) } else { fill }
        };
        [colour.0, colour.1, colour.2, 255]
    }

    /// The pixels of one tile of `level`, beside what is seen of its neighbours.
    pub(crate) fn tile(&self, level: &BTreeMap<Tile, Seen>, tile: Tile) -> Vec<[u8; 4]> {
        let at = |dx: i64, dy: i64| level.get(&Tile { y: tile.y + dy, x: tile.x + dx });
        let Some(own) = at(0, 0) else { return vec![[0; 4]; AREA] };
        let (east, south) = (at(1, 0), at(0, 1));
        let side = TILE_PX as i64;
        let code = |x: usize, y: usize| match (x == TILE_PX, y == TILE_PX) {
            (true, _) => east.map_or(0, |s| s.0[y * TILE_PX]),
            (_, true) => south.map_or(0, |s| s.0[x]),
            _ => own.0[y * TILE_PX + x],
        };
        let mut out = Vec::with_capacity(AREA);
        for y in 0..TILE_PX {
            for x in 0..TILE_PX {
                let (px, py) = (tile.x * side + x as i64, tile.y * side + y as i64);
                out.push(self.pixel(code(x, y), code(x + 1, y), code(x, y + 1), px, py));
            }
        }
        out
    }
}
