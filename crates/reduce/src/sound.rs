//! Speed of sound in fresh water.

/// Bilaniuk and Wong 1993 with the erratum of 1996, 148 points, ITS-90, one atmosphere: m/s from °C.
const K: [f64; 6] =
    [1_402.387_44, 5.038_361_71, -5.811_729_16e-2, 3.346_381_17e-4, -1.482_596_72e-6, 3.165_850_20e-9];

/// Coldest and warmest water believed, °C: beyond it, a sensor is wrong (real logs hold 0 K and 0 °F).
const RANGE: [f64; 2] = [-0.5, 40.0];

/// Sound speed in fresh water (m/s) at `celsius`; `None` outside −0.5 … 40 °C, where no open water is.
///
/// Source: Bilaniuk and Wong 148-point polynomial, valid 0 … 100 °C at one atmosphere.
pub fn fresh_water(celsius: f64) -> Option<f64> {
    let [cold, warm] = RANGE;
    (cold..=warm).contains(&celsius).then(|| K.iter().rev().fold(0.0, |sum, k| sum * celsius + k))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bilaniuk_wong_table() {
        // Source: the published coefficients evaluated at 0 … 30 °C (facts: Bilaniuk & Wong 148-point row).
        for (t, c) in [
            (0.0, 1402.387),
            (4.0, 1421.632),
            (5.0, 1426.167),
            (10.0, 1447.279),
            (15.0, 1465.943),
            (20.0, 1482.358),
            (25.0, 1496.704),
            (30.0, 1509.144),
        ] {
            assert!((fresh_water(t).expect("water") - c).abs() < 1e-3, "{t}");
        }
    }

    #[test]
    fn close_to_the_sea_water_standard() {
        // Source: TEOS-10 exact form at SA = 0, p = 0, measured with gsw 3.6.23 (sound_speed_t_exact).
        for (t, c) in [(0.0, 1402.401), (10.0, 1447.284), (20.0, 1482.353), (30.0, 1509.161)] {
            assert!((fresh_water(t).expect("water") - c).abs() < 0.03, "{t}");
        }
    }

    #[test]
    fn no_water_no_speed() {
        assert_eq!(fresh_water(-273.15), None);
        assert_eq!(fresh_water(-17.8), None);
        assert_eq!(fresh_water(f64::NAN), None);
    }
}
