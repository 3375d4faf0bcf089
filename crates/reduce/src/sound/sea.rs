//! The UNESCO equation of sound speed in sea water.
//!
//! Source: Chen and Millero 1977, as in Fofonoff and Millard 1983, UNESCO Technical Papers in Marine Science 44,
//! eq. 33-37; coefficients compared with the package seawater 3.3.5. Temperatures are IPTS-68, pressure in bar.

use super::polynomial;

/// Saltiest water the equation holds for.
pub(super) const MAX_SALINITY: f64 = 40.0;
/// 1,000 bar end deeper.
pub(super) const MAX_DEPTH: f64 = 9_900.0;
/// IPTS-68 from ITS-90. Source: Saunders 1990, as used by the equation's packages.
const T68_OF_T90: f64 = 1.000_24;
/// Metres of water a dbar: 10⁴ Pa / (1,026 kg/m³ × 9.81 m/s²), hydrostatic. In fresh water it is 1.02; the
/// difference moves a sound speed by 0.0004 m/s per metre of depth, so one value is enough (judgement).
const METRES_A_DBAR: f64 = 0.9936;

/// Pure water: rows are powers of the pressure.
const C: [&[f64]; 4] = [
    &[1_402.388, 5.037_11, -5.808_52e-2, 3.342_0e-4, -1.478_00e-6, 3.146_4e-9],
    &[0.153_563, 6.898_2e-4, -8.178_8e-6, 1.362_1e-7, -6.118_5e-10],
    &[3.126_0e-5, -1.710_7e-6, 2.597_4e-8, -2.533_5e-10, 1.040_5e-12],
    &[-9.772_9e-9, 3.850_4e-10, -2.364_3e-12],
];
/// Times the salinity.
const A: [&[f64]; 4] = [
    &[1.389, -1.262e-2, 7.164e-5, 2.006e-6, -3.21e-8],
    &[9.474_2e-5, -1.258_0e-5, -6.488_5e-8, 1.050_7e-8, -2.012_2e-10],
    &[-3.906_4e-7, 9.104_1e-9, -1.600_2e-10, 7.988e-12],
    &[1.100e-10, 6.649e-12, -3.389e-13],
];
/// Times salinity to the power 3/2.
const B: [&[f64]; 2] = [&[-1.922e-2, -4.42e-5], &[7.363_7e-5, 1.794_5e-7]];
/// Times salinity squared.
const D: [&[f64]; 2] = [&[1.727e-3], &[-7.983_6e-6]];

/// Sound speed, m/s; `celsius` is ITS-90.
pub(super) fn speed(celsius: f64, salinity: f64, depth_m: f64) -> f64 {
    at_pressure(celsius * T68_OF_T90, salinity, depth_m / METRES_A_DBAR / 10.0)
}

fn at_pressure(t68: f64, salinity: f64, bar: f64) -> f64 {
    let of = |rows: &[&[f64]]| rows.iter().rev().fold(0.0, |sum, row| sum * bar + polynomial(row, t68));
    of(&C) + (of(&A) + of(&B) * salinity.sqrt() + of(&D) * salinity) * salinity
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn check_value_of_the_report() {
        // Source: Fofonoff and Millard 1983: S 40, T68 40 °C, 10,000 dbar → 1731.995 m/s.
        assert!((at_pressure(40.0, 40.0, 1_000.0) - 1_731.995).abs() < 1e-3);
        // The same 40 taken for ITS-90: 1732.009 (seawater 3.3.5 svel).
        assert!((at_pressure(40.0 * T68_OF_T90, 40.0, 1_000.0) - 1_732.009).abs() < 1e-3);
    }

    #[test]
    fn table_of_a_textbook() {
        // Source: Pond and Pickard, Introductory Dynamical Oceanography, 2nd ed. 1986, as in the documentation of
        // seawater 3.3.5 (svel): T68 0 … 40, salinity 25 and 35, 0, 5,000 and 10,000 dbar.
        let table = [
            [1_435.789_875, 1_520.358_725, 1_610.407_4, 1_449.138_828_13, 1_533.968_637_05, 1_623.150_070_97],
            [
                1_477.683_164_64,
                1_561.306_359_14,
                1_647.392_671_14,
                1_489.822_336_02,
                1_573.409_469_28,
                1_658.991_155_04,
            ],
            [
                1_510.313_883_48,
                1_593.596_717_98,
                1_676.809_677_48,
                1_521.461_973_10,
                1_604.476_282_20,
                1_687.183_056_31,
            ],
            [
                1_535.214_347_52,
                1_618.956_319_52,
                1_700.605_479_02,
                1_545.594_855_39,
                1_628.973_227_83,
                1_710.062_942_77,
            ],
            [
                1_553.445_066_36,
                1_638.025_223_36,
                1_719.150_885_36,
                1_563.209_252_47,
                1_647.299_495_76,
                1_727.831_764_04,
            ],
        ];
        for (row, t68) in table.iter().zip([0.0, 10.0, 20.0, 30.0, 40.0]) {
            let places = [25.0, 35.0].into_iter().flat_map(|s| [0.0, 500.0, 1_000.0].map(|bar| (s, bar)));
            for (want, (s, bar)) in row.iter().zip(places) {
                assert!((at_pressure(t68, s, bar) - want).abs() < 1e-6, "{t68} {s} {bar}");
            }
        }
    }

    #[test]
    fn another_equation_for_the_sea_agrees() {
        // Source: Mackenzie 1981 at salinity 35 and the surface, 1448.960 … 1545.364 at 0 … 30 °C (as published; its
        // stated standard error is 0.07 m/s, its own fit begins at 2 °C); rules of thumb of IHO C-13 ch. 3 §2.1.
        for (t, c) in [(0.0, 1_448.960), (10.0, 1_489.803), (20.0, 1_521.463), (30.0, 1_545.364)] {
            assert!((speed(t, 35.0, 0.0) - c).abs() < 0.25, "{t}: {}", speed(t, 35.0, 0.0));
        }
        let (salt, deep) = (speed(10.0, 36.0, 0.0), speed(10.0, 35.0, 100.0));
        assert!((salt - speed(10.0, 35.0, 0.0) - 1.3).abs() < 0.2);
        assert!((deep - speed(10.0, 35.0, 0.0) - 1.6).abs() < 0.1);
    }
}
