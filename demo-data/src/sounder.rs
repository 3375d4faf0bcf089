//! What a sounder shows over the known bed: sound speed, beam, weed, heave, noise, air under the hull.

use crate::bed::{bed_at, slope, weed_height};
use crate::helm::State;
use crate::rng::Rng;

/// Sound speed both sounders assume, mm/s.
pub(crate) const ASSUMED_MM_S: i32 = 1_500_000;
/// Half of the beam's opening, radians (12° in all).
const HALF_BEAM: f64 = 0.104_72;

/// What one sounder and its hull are like.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct SounderModel {
    /// Depth of the transducer below the water line, metres.
    pub(crate) draft_m: f64,
    /// Standard deviation of a reading, metres.
    pub(crate) noise_m: f64,
    /// Standard deviation of the boat's heave, metres.
    pub(crate) heave_m: f64,
}

/// The water of one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Water {
    /// Level above the datum, metres.
    pub(crate) stage_m: f64,
    /// Temperature, °C.
    pub(crate) celsius: f64,
    /// Weed is up.
    pub(crate) weed: bool,
}

/// The indicated depth below the transducer, metres, when nothing goes wrong.
pub(crate) fn indicated(model: &SounderModel, water: &Water, at: &State, second: f64, rng: &mut Rng) -> f64 {
    let bed = bed_at(at.east, at.north);
    // Tops of different height, and gaps where the beam reaches the bed.
    let tops = if rng.chance(0.12) { 0.0 } else { rng.between(0.35, 1.0) };
    let weed = if water.weed { tops * weed_height(at.east, at.north) } else { 0.0 };
    let (de, dn) = slope(at.east, at.north);
    let tilt = libm::atan(libm::hypot(de, dn)).min(HALF_BEAM);
    let heave = model.heave_m * std::f64::consts::SQRT_2 * libm::sin(second * 2.1 + 0.3 * rng.normal());
    let below = bed - weed + water.stage_m - model.draft_m;
    // The nearest part of the bed inside the beam answers first: IHO C-13 eq. 3.40.
    let slant = below.max(0.1) * libm::cos(tilt);
    let speed_ratio = f64::from(ASSUMED_MM_S) / 1000.0 / fresh_water(water.celsius);
    let noise = libm::hypot(model.noise_m, 0.002 * slant) * rng.normal();
    ((slant + heave) * speed_ratio + noise).max(0.1)
}

/// What a planing hull's sounder shows: often nothing, else anything. Metres below the transducer.
pub(crate) fn planing(calm: f64, rng: &mut Rng) -> Option<f64> {
    (!rng.chance(0.4)).then(|| (calm + 1.2 * rng.normal()).max(0.3))
}

/// Sound speed in fresh water, m/s. Source: Bilaniuk and Wong 1993 with the erratum of 1996, 148 points.
pub(crate) fn fresh_water(celsius: f64) -> f64 {
    const K: [f64; 6] =
        [1402.38744, 5.03836171, -5.81172916e-2, 3.34638117e-4, -1.48259672e-6, 3.16585020e-9];
    K.iter().rev().fold(0.0, |sum, k| sum * celsius + k)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sound_speed_of_the_table() {
        // Values of the polynomial as tabled from its published coefficients: 10 °C 1447.279, 20 °C 1482.358.
        assert!((fresh_water(10.0) - 1447.279).abs() < 1e-3);
        assert!((fresh_water(20.0) - 1482.358).abs() < 1e-3);
    }

    #[test]
    fn corrected_reading_is_the_bed() {
        let model = SounderModel { draft_m: 0.3, noise_m: 0.02, heave_m: 0.03 };
        let water = Water { stage_m: 0.5, celsius: 9.0, weed: false };
        let at = State { east: 0.0, north: 20.0, speed: 2.0, course: 0.0 };
        let mut rng = Rng::new(2, 2);
        let n = 2_000;
        let mean = (0..n).map(|i| indicated(&model, &water, &at, f64::from(i), &mut rng)).sum::<f64>()
            / f64::from(n);
        let depth = mean * fresh_water(9.0) / 1500.0 + 0.3 - 0.5;
        assert!((depth - bed_at(0.0, 20.0)).abs() < 0.05, "{depth} {}", bed_at(0.0, 20.0));
    }

    #[test]
    fn weed_is_shoaler_and_scattered() {
        let model = SounderModel { draft_m: 0.3, noise_m: 0.02, heave_m: 0.03 };
        let water = Water { stage_m: 0.85, celsius: 23.0, weed: true };
        let at = State { east: -190.0, north: 196.0, speed: 2.0, course: 0.0 };
        let mut rng = Rng::new(2, 2);
        let d: Vec<f64> = (0..500).map(|i| indicated(&model, &water, &at, f64::from(i), &mut rng)).collect();
        let clear = Water { weed: false, ..water };
        let bottom = indicated(&model, &clear, &at, 0.0, &mut rng);
        let mean = d.iter().sum::<f64>() / 500.0;
        assert!(bottom - mean > 0.4, "{bottom} {mean}");
        let spread = d.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / 500.0;
        assert!(libm::sqrt(spread) > 0.15, "{spread}");
    }
}
