//! The slope of the bed from the map itself: planes through the rough depths around each cell.

use crate::Defaults;
use leadline_model::{CellId, GridPos, LocalFrame};

/// Cells looked at on each side: about 14 m at 45°.
pub(crate) const RADIUS: u32 = 4;
/// Residuals beyond this many typical ones lose their weight.
const ROBUST: f64 = 2.0;

/// A first depth of a cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Rough {
    pub(crate) id: CellId,
    /// Its place in the list of slopes to be found; beyond its end only its neighbours want it.
    pub(crate) number: u32,
    /// Mean position, places from the cell's western and northern edge.
    pub(crate) east: f32,
    pub(crate) south: f32,
    pub(crate) depth: f64,
    /// The stage is known.
    pub(crate) anchored: bool,
}

/// Metres the bed falls for each metre east and north, and the variance of both together.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Slope {
    east: f32,
    north: f32,
    variance: f32,
}

/// True metres in one place of the grid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Scale {
    east: f64,
    north: f64,
}

impl Scale {
    /// At the middle of the tile that holds `id`.
    pub(crate) fn of(id: CellId) -> Self {
        let middle = GridPos::in_tile(id.tile(), 1 << 15, 1 << 15);
        let corner = GridPos::in_tile(id.tile(), 1 << 14, 1 << 14);
        let (west, north) = LocalFrame::new(middle).metres(corner);
        let places = f64::from(1 << 14);
        Self { east: -west / places, north: north / places }
    }

    /// Metres east and south of a way in places.
    pub(crate) fn metres(&self, east: f64, south: f64) -> (f64, f64) {
        (east * self.east, south * self.north)
    }
}

impl Rough {
    /// Whether both are the same to the last bit, apart from their numbers.
    pub(crate) fn is(&self, other: &Self) -> bool {
        let bits = |r: &Self| (r.id, r.east.to_bits(), r.south.to_bits(), r.depth.to_bits(), r.anchored);
        bits(self) == bits(other)
    }
}

impl Slope {
    /// Whether both are the same to the last bit.
    pub(crate) fn is(&self, other: &Self) -> bool {
        let bits = |s: &Self| [s.east, s.north, s.variance].map(f32::to_bits);
        bits(self) == bits(other)
    }

    /// Of a bed nothing is known of.
    pub(crate) fn unknown(d: &Defaults) -> Self {
        Self { east: 0.0, north: 0.0, variance: (2.0 * d.slope * d.slope) as f32 }
    }

    /// Expected square of the slope: estimate and its uncertainty.
    pub(crate) fn square(&self) -> f64 {
        let (e, n) = (f64::from(self.east), f64::from(self.north));
        e * e + n * n + f64::from(self.variance)
    }

    /// Root of [`Self::square`].
    pub(crate) fn size(&self) -> f64 {
        self.square().sqrt()
    }

    /// How much deeper the bed is `east` and `south` places farther.
    pub(crate) fn rise(&self, scale: &Scale, east: f64, south: f64) -> f64 {
        f64::from(self.east) * east * scale.east - f64::from(self.north) * south * scale.north
    }
}

/// The slopes at those of `cells` that have a number below `n`, by that number. Linear in the number of cells but for
/// sorting them.
pub(crate) fn fit(mut cells: Vec<Rough>, n: usize, d: &Defaults) -> Vec<Slope> {
    let mut slopes = vec![Slope::unknown(d); n];
    cells.sort_unstable_by_key(|c| (c.id.y, c.id.x));
    let rows: Vec<Row<'_>> = cells.chunk_by(|a, b| a.id.y == b.id.y).collect();
    let mut scales = Scales::default();
    let mut around = Vec::new();
    for (r, row) in rows.iter().enumerate() {
        let mut windows: Vec<Window<'_>> =
            near_rows(&rows, r).map(|row| Window { row, from: 0, to: 0 }).collect();
        for here in *row {
            if here.number as usize >= n {
                continue;
            }
            let scale = scales.of(here.id);
            around.clear();
            for w in &mut windows {
                let near = w.around(here.id.x).iter().filter(|c| c.anchored == here.anchored);
                around.extend(near.map(|c| Offset::of(here, c, &scale)));
            }
            if let Some(slope) = slopes.get_mut(here.number as usize) {
                *slope = plane(&mut around, d);
            }
        }
    }
    slopes
}

/// Scales of tiles; one row of tiles shares one.
#[derive(Default)]
pub(crate) struct Scales(Option<(u32, Scale)>);

impl Scales {
    pub(crate) fn of(&mut self, id: CellId) -> Scale {
        let row = id.tile().y();
        match self.0 {
            Some((r, scale)) if r == row => scale,
            _ => {
                let scale = Scale::of(id);
                self.0 = Some((row, scale));
                scale
            }
        }
    }
}

type Row<'a> = &'a [Rough];

/// Rows at most [`RADIUS`] north or south of row `r`.
fn near_rows<'a>(rows: &'a [Row<'a>], r: usize) -> impl Iterator<Item = Row<'a>> {
    let y_of = |row: &Row<'_>| row.first().map_or(0, |c| c.id.y);
    let y = rows.get(r).map_or(0, y_of);
    let reach = RADIUS as usize;
    let near = rows.get(r.saturating_sub(reach)..(r + reach + 1).min(rows.len())).unwrap_or_default();
    near.iter().copied().filter(move |row| y_of(row).abs_diff(y) <= RADIUS)
}

/// A stretch of one row that moves east with the cell it surrounds.
struct Window<'a> {
    row: Row<'a>,
    from: usize,
    to: usize,
}

impl<'a> Window<'a> {
    fn around(&mut self, x: u32) -> Row<'a> {
        while self.row.get(self.from).is_some_and(|c| c.id.x + RADIUS < x) {
            self.from += 1;
        }
        self.to = self.to.max(self.from);
        while self.row.get(self.to).is_some_and(|c| c.id.x <= x + RADIUS) {
            self.to += 1;
        }
        self.row.get(self.from..self.to).unwrap_or_default()
    }
}

/// A neighbour: metres east and north, metres deeper.
#[derive(Clone, Copy, Debug)]
struct Offset {
    east: f64,
    north: f64,
    deeper: f64,
    weight: f64,
}

impl Offset {
    fn of(here: &Rough, there: &Rough, scale: &Scale) -> Self {
        let places = |a: u32, b: u32| (f64::from(b) - f64::from(a)) * 256.0;
        let east = places(here.id.x, there.id.x) + f64::from(there.east - here.east);
        let south = places(here.id.y, there.id.y) + f64::from(there.south - here.south);
        let deeper = there.depth - here.depth;
        Self { east: east * scale.east, north: -south * scale.north, deeper, weight: 1.0 }
    }
}

/// A plane by least squares with the default slope as prior, fitted twice: the second time what lies off the first
/// plane counts less.
fn plane(around: &mut [Offset], d: &Defaults) -> Slope {
    let first = fit_once(around, d);
    let (Some((slope, level)), true) = (first, around.len() > 4) else {
        return first.map_or_else(|| Slope::unknown(d), |f| f.0);
    };
    let off =
        |o: &Offset| o.deeper - level - f64::from(slope.east) * o.east - f64::from(slope.north) * o.north;
    let typical = around.iter().map(|o| off(o).abs()).sum::<f64>() / around.len() as f64;
    let limit = ROBUST * typical.max(0.5 * d.rough_noise);
    for o in around.iter_mut() {
        let r = off(o) / limit;
        o.weight = 1.0 / (1.0 + r * r);
    }
    fit_once(around, d).map_or(slope, |f| f.0)
}

/// Slope and level of the plane; `None` of nothing. The sums are taken around the cell in the middle, a few metres
/// away, so they lose no digits.
fn fit_once(around: &[Offset], d: &Defaults) -> Option<(Slope, f64)> {
    let (mut w, mut e, mut n, mut z) = (0.0, 0.0, 0.0, 0.0);
    let (mut ee, mut nn, mut en, mut ez, mut nz) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for o in around {
        let (we, wn) = (o.weight * o.east, o.weight * o.north);
        w += o.weight;
        e += we;
        n += wn;
        z += o.weight * o.deeper;
        ee += we * o.east;
        nn += wn * o.north;
        en += we * o.north;
        ez += we * o.deeper;
        nz += wn * o.deeper;
    }
    if w <= 0.0 {
        return None;
    }
    let noise = d.rough_noise * d.rough_noise;
    let prior = noise / (d.slope * d.slope).max(1e-9);
    let (a, b) = ((ee - e * e / w).max(0.0) + prior, (nn - n * n / w).max(0.0) + prior);
    let (sen, sez, snz) = (en - e * n / w, ez - e * z / w, nz - n * z / w);
    let det = a * b - sen * sen;
    let (ge, gn) = ((b * sez - sen * snz) / det, (a * snz - sen * sez) / det);
    let variance = noise * (a + b) / det;
    let slope = Slope { east: ge as f32, north: gn as f32, variance: variance as f32 };
    Some((slope, (z - ge * e - gn * n) / w))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(places: impl Iterator<Item = (u32, u32)>, bed: impl Fn(f64, f64) -> f64) -> Vec<Rough> {
        let corner = CellId { x: 4_200_000, y: 2_900_000 };
        let scale = Scale::of(corner);
        (0..)
            .zip(places)
            .map(|(number, (x, y))| Rough {
                id: CellId { x: corner.x + x, y: corner.y + y },
                number,
                east: 128.0,
                south: 128.0,
                depth: bed(f64::from(x) * 256.0 * scale.east, -f64::from(y) * 256.0 * scale.north),
                anchored: true,
            })
            .collect()
    }

    fn all_fitted(cells: Vec<Rough>, d: &Defaults) -> Vec<Slope> {
        let n = cells.len();
        fit(cells, n, d)
    }

    #[test]
    fn plane_is_found_in_spite_of_a_wrong_cell() {
        let d = Defaults::default();
        let mut all =
            cells((0..9).flat_map(|y| (0..9).map(move |x| (x, y))), |e, n| 5.0 + 0.08 * e - 0.05 * n);
        all[41].depth += 3.0;
        let s = all_fitted(all, &d)[40];
        assert!((s.east - 0.08).abs() < 0.01 && (s.north + 0.05).abs() < 0.01, "{s:?}");
        assert!(s.variance < 0.001);
    }

    #[test]
    fn lone_track_leaves_the_slope_across_unknown() {
        let d = Defaults::default();
        let s = all_fitted(cells((0..9).map(|x| (x, 0)), |e, _| 5.0 + 0.1 * e), &d)[4];
        assert!((s.east - 0.1).abs() < 0.01 && s.north == 0.0, "{s:?}");
        assert!((f64::from(s.variance) - d.slope * d.slope).abs() < 5e-4, "{s:?}");
        let alone = all_fitted(cells([(0, 0)].into_iter(), |_, _| 5.0), &d)[0];
        assert!((alone.size() - d.slope * std::f64::consts::SQRT_2).abs() < 1e-6);
    }

    #[test]
    fn far_cells_and_other_levels_do_not_count() {
        let d = Defaults::default();
        let mut all =
            cells(
                [(0, 0), (1, 0), (2, 0), (6, 0), (0, 5)].into_iter(),
                |e, _| if e > 15.0 { 99.0 } else { 5.0 },
            );
        all[4].depth = 99.0;
        let mut other = all[1];
        other.number = 5;
        other.id.y += 1;
        other.depth = 99.0;
        other.anchored = false;
        all.push(other);
        assert!(all_fitted(all, &d)[0].size() < 0.1);
    }
}
