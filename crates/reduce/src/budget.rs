//! The itemised uncertainty of one sounding (95 %), and which of its terms are shared by which soundings.

use crate::Defaults;

/// 95 % of a normal error in one dimension, in standard deviations. S-44 §2.7.
pub(crate) const ONE_DIMENSION_95: f64 = 1.96;

/// Weed has only one side: what scatters is also shoaler than the bed, on average by about its scatter (judgement).
const UNREST: f64 = 1.3;

/// What the budget needs to know of a sounding. Metres, m/s, 95 % unless said.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Measured {
    /// Below the transducer.
    pub(crate) range: f64,
    /// Scatter of the track around it, one standard deviation; 0 where it cannot be seen.
    pub(crate) scatter: f64,
    pub(crate) speed: f64,
    /// One axis, one standard deviation.
    pub(crate) axis_sigma: f64,
    pub(crate) lag_s: f64,
    pub(crate) sound_share: f64,
    pub(crate) draft: f64,
    pub(crate) reference: f64,
    pub(crate) stage: f64,
}

/// The terms that do not depend on the bed's slope, 95 %, metres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Level {
    pub(crate) instrument: f64,
    pub(crate) heave: f64,
    /// What the track scatters more than instrument and heave explain: weed, fish, soft mud, a rough bed.
    pub(crate) unrest: f64,
    pub(crate) sound: f64,
    pub(crate) draft: f64,
    pub(crate) reference: f64,
    pub(crate) settlement: f64,
    pub(crate) stage: f64,
}

/// The terms that grow with the slope, 95 %, metres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Sloped {
    pub(crate) beam: f64,
    pub(crate) position: f64,
    pub(crate) lag: f64,
}

impl Level {
    pub(crate) fn of(m: &Measured, d: &Defaults) -> Self {
        let instrument = rss(&[d.instrument, d.instrument_share * m.range]);
        let expected = rss(&[instrument, d.heave]);
        let seen = ONE_DIMENSION_95 * m.scatter;
        Self {
            instrument,
            heave: d.heave,
            unrest: UNREST * (seen * seen - expected * expected).max(0.0).sqrt(),
            sound: m.sound_share * m.range,
            draft: m.draft,
            reference: m.reference,
            settlement: d.settlement_at(m.speed),
            stage: m.stage,
        }
    }

    /// Terms that are the same for all soundings of one boat.
    pub(crate) fn boat(&self) -> f64 {
        rss(&[self.sound, self.draft, self.reference, self.settlement])
    }
}

impl Sloped {
    /// `slope` is metres down a metre.
    pub(crate) fn of(m: &Measured, slope: f64, d: &Defaults) -> Self {
        Self {
            beam: HalfBeam::of(d).uncertainty95(m.range, slope),
            position: ONE_DIMENSION_95 * m.axis_sigma * slope,
            lag: m.lag_s * m.speed * slope,
        }
    }
}

/// Half the beam's opening.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct HalfBeam {
    sin: f64,
    cos: f64,
}

/// Share of the beam's correction that stays uncertain, at 95 %: the bed is no plane (judgement).
const BEAM_UNCERTAIN: f64 = 0.5;

impl HalfBeam {
    pub(crate) fn of(d: &Defaults) -> Self {
        let half = (d.beam_deg / 2.0).to_radians();
        Self { sin: libm::sin(half), cos: libm::cos(half) }
    }

    /// How much deeper the bed under the transducer is than the nearest bottom within the beam, metres: `slope` is
    /// metres down a metre.
    ///
    /// Source: IHO C-13 eq. 3.40: zm (sec ζ − 1) for ζ up to half the beam, with sec ζ = √(1 + tan² ζ); beyond it the
    /// edge of the beam meets the slope: zm (cos φ/2 + sin φ/2 · tan ζ − 1), by geometry.
    pub(crate) fn correction(&self, range: f64, slope: f64) -> f64 {
        let range = range.max(0.0);
        if slope * self.cos <= self.sin {
            return range * ((1.0 + slope * slope).sqrt() - 1.0);
        }
        range * (self.cos + self.sin * slope - 1.0)
    }

    /// What stays uncertain of it, 95 %, metres.
    pub(crate) fn uncertainty95(&self, range: f64, slope: f64) -> f64 {
        BEAM_UNCERTAIN * self.correction(range, slope)
    }
}

/// Root of the sum of squares.
pub(crate) fn rss(terms: &[f64]) -> f64 {
    terms.iter().map(|t| t * t).sum::<f64>().sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn single_beam_example_of_c13() {
        // Source: IHO C-13 §5.1.4, Fig. 3.33 (200 kHz, 20° beam, 8 kn): 2 σ terms 1/150 of the depth, 0.04 time,
        // 0.10 each of draught, squat, heave, tide, co-tidal; totals of 0.227 … 0.350 m.
        let d = Defaults {
            instrument: 0.04,
            instrument_share: 0.0,
            heave: 0.10,
            settlement: 0.10,
            ..Defaults::default()
        };
        for (range, total) in [(0.0, 0.227), (5.0, 0.230), (10.0, 0.237), (20.0, 0.263), (40.0, 0.350)] {
            let m = Measured {
                range,
                scatter: 0.0,
                speed: 8.0 * leadline_model::KNOT,
                axis_sigma: 0.0,
                lag_s: 0.0,
                sound_share: 1.0 / 150.0,
                draft: 0.10,
                reference: 0.0,
                stage: rss(&[0.10, 0.10]),
            };
            let level = Level::of(&m, &d);
            let sum = rss(&[level.heave, level.instrument, level.unrest, level.boat(), level.stage]);
            assert!((sum - total).abs() < 5e-4, "{range}: {sum}");
        }
    }

    #[test]
    fn beam_on_a_slope() {
        // Source: C-13 eq. 3.40: zm 10 m, beam 20°, slope 5° → 0.0382. At 15°, beyond half the beam, the printed
        // branch (0.1543) is a lower bound; by geometry it is 10 (cos 10° + sin 10° tan 15° − 1) = 0.3134.
        let half = HalfBeam::of(&Defaults::default());
        for (degrees, want) in [(5.0_f64, 0.0382), (15.0, 0.3134)] {
            let dz = half.correction(10.0, libm::tan(degrees.to_radians()));
            assert!((dz - want).abs() < 1e-4, "{dz}");
        }
        let edge = libm::tan(10.0_f64.to_radians());
        let (below, above) = (half.correction(10.0, edge - 1e-9), half.correction(10.0, edge + 1e-9));
        assert!((below - above).abs() < 1e-6, "one curve");
    }

    #[test]
    fn lag_on_a_slope() {
        // Source: shift = latency × speed: 3 m/s, 0.5 s, 10° → 0.264 m.
        let m = Measured {
            range: 5.0,
            scatter: 0.3,
            speed: 3.0,
            axis_sigma: 1.0,
            lag_s: 0.5,
            sound_share: 0.0,
            draft: 0.0,
            reference: 0.0,
            stage: 0.0,
        };
        let d = Defaults::default();
        let sloped = Sloped::of(&m, libm::tan(10.0_f64.to_radians()), &d);
        assert!((sloped.lag - 0.264).abs() < 1e-3, "{sloped:?}");
        // Scatter beyond the budget's own noise stays: 1.3 · √(0.588² − 0.08² − 0.025² − 0.10²).
        assert!((Level::of(&m, &d).unrest - 0.745).abs() < 1e-3);
    }
}
