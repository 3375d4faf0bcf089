//! How good a position is.

use crate::Defaults;
use leadline_model::{FixClass, Flags, Sounding};

/// Radius of the 95 % circle in standard deviations of one axis, for equal normal errors: √(−2 ln 0.05).
/// S-44 §2.7 gives 2.45.
const CIRCLE_95: f64 = 2.447_746_830_680_816;

/// Standard deviation of the position in one axis, metres: HDOP · error at HDOP 1 / √2.
///
/// Source: σ of the horizontal error (DRMS) = HDOP · user range error; the axes share it equally.
pub(crate) fn axis_sigma(s: &Sounding, d: &Defaults) -> f64 {
    let at_one = match s.fix {
        FixClass::Differential | FixClass::Precise => d.position_corrected,
        FixClass::RtkFloat => d.position_float,
        FixClass::RtkFixed => d.position_fixed,
        _ => d.position,
    };
    let hdop = s.hdop_centi.map_or(d.hdop, |h| f64::from(h) / 100.0);
    let warned = if s.flags.has(Flags::WARNING) { d.warning_factor } else { 1.0 };
    at_one * hdop * warned * std::f64::consts::FRAC_1_SQRT_2
}

/// 95 % radius of a position with `sigma` metres in each axis.
pub(crate) fn circle95(sigma: f64) -> f64 {
    CIRCLE_95 * sigma
}

/// Whether the fix is a measurement at all.
pub(crate) fn measured(fix: FixClass) -> bool {
    !matches!(fix, FixClass::None | FixClass::Estimated | FixClass::Manual | FixClass::Simulated)
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use leadline_model::{DepthFrom, GridPos, UtcMillis};

    pub(crate) fn plain() -> Sounding {
        Sounding {
            time: UtcMillis(0),
            at: GridPos::new(1 << 30, 1 << 30).expect("on the grid"),
            depth_mm: 5_000,
            from: DepthFrom::Transducer,
            offset_mm: None,
            speed_mm_s: Some(2_000),
            hdop_centi: Some(100),
            fix: FixClass::Autonomous,
            sats: Some(9),
            temp_centi: None,
            flags: Flags(0),
        }
    }

    #[test]
    fn hdop_to_95_percent_radius() {
        // Source: circular normal errors: HDOP 1.5 × 3 m → DRMS 4.5 m, R95 = 1.7308 · DRMS = 7.79 m.
        let d = Defaults { position: 3.0, ..Defaults::default() };
        let r95 = circle95(axis_sigma(&Sounding { hdop_centi: Some(150), ..plain() }, &d));
        assert!((r95 - 7.79).abs() < 0.01, "{r95}");
    }

    #[test]
    fn corrections_help_and_silence_does_not() {
        let d = Defaults::default();
        let of = |s: Sounding| axis_sigma(&s, &d);
        assert!(of(Sounding { fix: FixClass::Differential, ..plain() }) < of(plain()));
        assert!(of(Sounding { hdop_centi: None, ..plain() }) > of(plain()));
        assert!(of(Sounding { flags: Flags::WARNING, ..plain() }) > of(plain()));
        assert!(!measured(FixClass::Simulated) && measured(FixClass::Unstated));
    }
}
