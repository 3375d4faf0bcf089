//! Speed of sound in fresh, brackish and sea water, and over a column of water that is not equally warm.

mod casts;
mod column;
mod sea;

pub(crate) use casts::Casts;

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
    (cold..=warm).contains(&celsius).then(|| polynomial(&K, celsius))
}

/// Sound speed (m/s) at `celsius` (ITS-90), practical `salinity` and `depth_m` below the surface; `None` outside
/// −0.5 … 40 °C, salinity 0 … 40 or 0 … 9,900 m.
///
/// Fresh water (salinity 0) by [`fresh_water`], whose speed is that at the surface: 100 m of water add 1.6 m/s, a
/// tenth of a percent, which is inside the budget. Else the UNESCO equation: Chen and Millero 1977, in Fofonoff and
/// Millard 1983 (UNESCO Technical Papers in Marine Science 44), valid 0 … 40 °C, salinity 0 … 40, 0 … 1,000 bar.
pub fn sound_speed(celsius: f64, salinity: f64, depth_m: f64) -> Option<f64> {
    let [cold, warm] = RANGE;
    let known = (cold..=warm).contains(&celsius)
        && (0.0..=sea::MAX_SALINITY).contains(&salinity)
        && (0.0..=sea::MAX_DEPTH).contains(&depth_m);
    if !known {
        return None;
    }
    if salinity == 0.0 { fresh_water(celsius) } else { Some(sea::speed(celsius, salinity, depth_m)) }
}

fn polynomial(k: &[f64], x: f64) -> f64 {
    k.iter().rev().fold(0.0, |sum, k| sum * x + k)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bilaniuk_wong_table() {
        // Source: the published coefficients evaluated at 0 … 30 °C (Bilaniuk & Wong, 148 points).
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
            assert_eq!(sound_speed(t, 0.0, 5.0), fresh_water(t));
        }
    }

    #[test]
    fn other_published_forms_of_fresh_water_agree() {
        // Source: the published coefficients of Marczak 1997, Del Grosso & Mader 1972, Wong & Zhu 1995 (S = 0), and the
        // exact form of TEOS-10 measured with gsw 3.6.23 (sound_speed_t_exact): all within 0.03 m/s.
        let degrees = [0.0, 4.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0];
        for (name, table) in [
            ("Marczak", [1402.385, 1421.633, 1426.170, 1447.289, 1465.960, 1482.380, 1496.728, 1509.167]),
            ("Del Grosso", [1402.388, 1421.628, 1426.162, 1447.270, 1465.931, 1482.343, 1496.687, 1509.127]),
            ("Wong & Zhu", [1402.388, 1421.632, 1426.168, 1447.280, 1465.944, 1482.359, 1496.704, 1509.145]),
            ("TEOS-10", [1402.401, 1421.645, 1426.180, 1447.284, 1465.938, 1482.353, 1496.709, 1509.161]),
        ] {
            for (t, c) in degrees.into_iter().zip(table) {
                assert!((fresh_water(t).expect("water") - c).abs() < 0.03, "{name} {t}");
                // A trace of salt changes the formula, not the water.
                assert!((sound_speed(t, 1e-6, 0.0).expect("water") - c).abs() < 0.05, "{name} {t}");
            }
        }
    }

    #[test]
    fn no_water_no_speed() {
        for t in [-273.15, -17.8, -0.6, 40.1, f64::NAN] {
            assert_eq!(
                (fresh_water(t), sound_speed(t, 0.0, 0.0), sound_speed(t, 10.0, 0.0)),
                (None, None, None)
            );
        }
        for (s, z) in
            [(-0.1, 0.0), (40.1, 0.0), (f64::NAN, 0.0), (10.0, -1.0), (10.0, 11_000.0), (0.0, f64::NAN)]
        {
            assert_eq!(sound_speed(10.0, s, z), None, "{s} {z}");
        }
    }
}
