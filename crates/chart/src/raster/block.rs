//! One tile of pixels with its four bands, and how four tiles become one of the next coarser level.

use super::TILE_PX;

/// Pixels of a tile.
pub(crate) const AREA: usize = TILE_PX * TILE_PX;
/// Number of bands.
pub(crate) const BANDS: usize = 4;
/// Best depth at the chart's stage, metres.
pub(crate) const DEPTH: usize = 0;
/// Its total vertical uncertainty, 95 %, metres.
pub(crate) const TVU95: usize = 1;
/// Grade as a number, best first.
pub(crate) const GRADE: usize = 2;
/// Safe depth at the chart's stage, metres.
pub(crate) const SAFE: usize = 3;

/// Names, units and what they say, as files state them.
pub(crate) const ABOUT: [(&str, &str, &str); BANDS] = [
    ("depth_m", "m", "best depth at the stage; larger pixels: mean of the smaller ones"),
    ("tvu95_m", "m", "total vertical uncertainty of the best depth, 95 %; larger pixels: the largest"),
    ("grade", "", "0 sure, 1 fair, 2 loose; larger pixels: the worst"),
    (
        "safe_depth_m",
        "m",
        "safe depth at the stage, pulled up to shoaler soundings; larger pixels: the shoalest",
    ),
];

/// A tile of 256 x 256 pixels, north row first; no number where nothing is known, in all bands alike.
#[derive(Clone, Debug)]
pub(crate) struct Block(pub(crate) [Vec<f32>; BANDS]);

impl Block {
    pub(crate) fn blank() -> Self {
        Self(std::array::from_fn(|_| vec![f32::NAN; AREA]))
    }

    pub(crate) fn known(&self, i: usize) -> bool {
        !self.0[DEPTH][i].is_nan()
    }

    pub(crate) fn is_blank(&self) -> bool {
        self.0[DEPTH].iter().all(|d| d.is_nan())
    }

    pub(crate) fn set(&mut self, i: usize, values: [f64; BANDS]) {
        for (band, v) in self.0.iter_mut().zip(values) {
            band[i] = v as f32;
        }
    }

    /// Puts `child`, a quarter of this tile (`right`, `below`), into it: two by two pixels become one.
    pub(crate) fn take_quarter(&mut self, child: &Self, right: bool, below: bool) {
        let half = TILE_PX / 2;
        let corner = usize::from(below) * half * TILE_PX + usize::from(right) * half;
        for y in 0..half {
            for x in 0..half {
                let first = 2 * y * TILE_PX + 2 * x;
                let four = [first, first + 1, first + TILE_PX, first + TILE_PX + 1];
                let known = four.iter().copied().filter(|i| child.known(*i));
                let count = known.clone().count();
                if count > 0 {
                    let to = corner + y * TILE_PX + x;
                    let band = |b: usize| known.clone().map(move |i| child.0[b][i]);
                    self.0[DEPTH][to] = (band(DEPTH).map(f64::from).sum::<f64>() / count as f64) as f32;
                    self.0[TVU95][to] = band(TVU95).fold(f32::MIN, f32::max);
                    self.0[GRADE][to] = band(GRADE).fold(f32::MIN, f32::max);
                    self.0[SAFE][to] = band(SAFE).fold(f32::MAX, f32::min);
                }
            }
        }
    }

    /// Whole millimetres, as files carry them: the best depth to the nearest, the safe one to the shoaler, the
    /// uncertainty to the larger.
    pub(crate) fn millimetres(&self, band: usize) -> Vec<f32> {
        let round: fn(f64) -> f64 = match band {
            DEPTH => libm::round,
            // The small share keeps what is a whole millimetre already, but for a float's last digit.
            TVU95 => |mm| libm::ceil(mm - 1e-2),
            SAFE => |mm| libm::floor(mm + 1e-2),
            _ => return self.0[band].clone(),
        };
        self.0[band].iter().map(|v| (round(f64::from(*v) * 1000.0) / 1000.0) as f32).collect()
    }
}
