//! Published rules for areas and volumes from a table of areas.
//!
//! Source: Håkanson, A Manual of Lake Morphometry, eq 18 and 19 (as quoted); Wetzel and Likens, Limnological Analyses.

use std::f64::consts::PI;

/// Volume of slabs `step` thick between `areas`, by the frustum rule Σ (h/3)(A + B + √(A B)): exact where the outline
/// shrinks as in a cone. Areas that are negative or no number count as zero.
pub fn frustum_volume(areas: &[f64], step: f64) -> f64 {
    slabs(areas, |a, b| (a + b + libm::sqrt(a * b)) / 3.0) * step
}

/// Volume by the trapezoid rule Σ (h/2)(A + B): exact where area is linear in depth, as in a paraboloid.
pub fn trapezoid_volume(areas: &[f64], step: f64) -> f64 {
    slabs(areas, |a, b| (a + b) / 2.0) * step
}

fn slabs(areas: &[f64], rule: impl Fn(f64, f64) -> f64) -> f64 {
    areas.windows(2).map(|w| rule(w[0].max(0.0), w[1].max(0.0))).sum()
}

/// Shoreline development L / (2 √(π A)): 1 for a circle, more the more the shore winds. `None` without an area.
pub fn shoreline_development(length_m: f64, area_m2: f64) -> Option<f64> {
    (area_m2 > 0.0).then(|| length_m / (2.0 * libm::sqrt(PI * area_m2)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// "Mathematics and Statistics for the Environment", example 20.1: areas in acres at 1-ft steps. The book prints
    /// 2274 acre-ft, which its own formula and areas do not give: they give 2288.064. Its D_L of 2.72 is right.
    const POND: [f64; 11] = [510.0, 460.0, 420.0, 332.0, 274.0, 201.0, 140.0, 110.0, 75.0, 30.0, 1.0];

    #[test]
    fn published_pond() {
        assert!((frustum_volume(&POND, 1.0) - 2288.064).abs() < 1e-3);
        assert!((trapezoid_volume(&POND, 1.0) - 2297.5).abs() < 1e-9);
        // Shoreline 8.6 mi, 510 acres = 0.796875 square miles.
        let d = shoreline_development(8.6, 510.0 / 640.0).expect("an area");
        assert!((d - 2.717_7).abs() < 5e-5, "{d}");
        assert!((frustum_volume(&POND, 1.0) / POND[0] - 4.486).abs() < 1e-3, "mean depth, ft");
    }

    #[test]
    fn slabs_of_the_pond() {
        let printed = [484.785, 439.848, 375.139, 302.536, 236.560, 169.583, 124.699, 91.943, 50.811, 12.159];
        for (w, v) in POND.windows(2).zip(printed) {
            assert!((frustum_volume(w, 1.0) - v).abs() < 1e-3, "{w:?}");
        }
    }

    #[test]
    fn cone_and_paraboloid() {
        // Geometry: R = 50, Z = 10: cone π R² Z / 3 = 26179.9388, paraboloid π R² Z / 2 = 39269.9082.
        let slices =
            |area: fn(f64) -> f64| -> Vec<f64> { (0..=10).map(|i| area(f64::from(i) / 10.0)).collect() };
        let cone = slices(|t| PI * 2500.0 * (1.0 - t) * (1.0 - t));
        let bowl = slices(|t| PI * 2500.0 * (1.0 - t));
        assert!((frustum_volume(&cone, 1.0) - 26_179.938_8).abs() < 1e-3);
        assert!((trapezoid_volume(&cone, 1.0) - 26_310.838_5).abs() < 1e-3);
        assert!((trapezoid_volume(&bowl, 1.0) - 39_269.908_2).abs() < 1e-3);
        assert!((frustum_volume(&bowl, 1.0) - 39_063.960_1).abs() < 1e-3);
    }

    #[test]
    fn shorelines() {
        // Circle 1, square 2/√π = 1.128379 (geometry).
        assert!((shoreline_development(2.0 * PI * 7.0, PI * 49.0).expect("an area") - 1.0).abs() < 1e-12);
        let square = shoreline_development(400.0, 10_000.0).expect("an area");
        assert!((square * 1e6 - 1_128_379.0).abs() < 1.0, "{square}");
        assert_eq!(shoreline_development(4.0, 0.0), None);
    }

    proptest! {
        #[test]
        fn cones_are_exact_with_any_slicing(n in 1usize..60, r in 1.0..500.0f64, z in 0.5..80.0f64) {
            let area = |i: usize| { let t = 1.0 - i as f64 / n as f64; PI * r * r * t * t };
            let areas: Vec<f64> = (0..=n).map(area).collect();
            let exact = PI * r * r * z / 3.0;
            prop_assert!((frustum_volume(&areas, z / n as f64) / exact - 1.0).abs() < 1e-9);
        }

        #[test]
        fn frustum_is_never_more_than_trapezoid(areas in prop::collection::vec(0.0..1e6f64, 2..40)) {
            prop_assert!(frustum_volume(&areas, 0.5) <= trapezoid_volume(&areas, 0.5) * (1.0 + 1e-12));
        }
    }
}
