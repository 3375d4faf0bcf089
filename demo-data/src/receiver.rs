//! A satellite receiver's fixes: the true place, plus an error that wanders slowly and a little noise.

use crate::helm::State;
use crate::rng::{Rng, Wander};

/// What one boat's receiver is like.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct ReceiverModel {
    /// Standard deviation of the wandering error in each axis at HDOP 1, metres.
    pub(crate) wander_m: f64,
    /// How long the wandering error remembers, seconds.
    pub(crate) memory_s: f64,
    /// Standard deviation of the noise between two fixes in each axis, metres.
    pub(crate) noise_m: f64,
    /// Satellites used on a good day.
    pub(crate) sats: f64,
    /// HDOP on a good day.
    pub(crate) hdop: f64,
    /// With correction signals.
    pub(crate) corrected: bool,
}

/// One fix, once a second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Fix {
    pub(crate) east: f64,
    pub(crate) north: f64,
    /// Speed over ground, m/s.
    pub(crate) speed: f64,
    /// Course over ground, degrees 0 … 360.
    pub(crate) course_deg: f64,
    pub(crate) hdop: f64,
    pub(crate) sats: u32,
}

/// A running receiver.
#[derive(Debug)]
pub(crate) struct Receiver {
    model: ReceiverModel,
    east: Wander,
    north: Wander,
    sky: Wander,
}

impl Receiver {
    pub(crate) fn new(model: ReceiverModel, rng: &mut Rng) -> Self {
        let wander = |rng: &mut Rng| Wander::new(rng, model.memory_s, 1.0);
        Self { model, east: wander(rng), north: wander(rng), sky: Wander::new(rng, 400.0, 1.0) }
    }

    /// The fix of the second in which the boat is at `truth`.
    pub(crate) fn fix(&mut self, truth: &State, rng: &mut Rng) -> Fix {
        let sky = self.sky.step(rng);
        let hdop = self.model.hdop * libm::exp(0.18 * sky);
        let scale = self.model.wander_m * hdop;
        let mut noise = || self.model.noise_m * rng.normal();
        let (ne, nn) = (noise(), noise());
        let degrees = truth.course.to_degrees() + 1.5 * rng.normal();
        Fix {
            east: truth.east + scale * self.east.step(rng) + ne,
            north: truth.north + scale * self.north.step(rng) + nn,
            speed: (truth.speed + 0.04 * rng.normal()).max(0.0),
            course_deg: degrees - 360.0 * libm::floor(degrees / 360.0),
            hdop,
            sats: libm::round(self.model.sats - 1.2 * sky).clamp(5.0, 14.0) as u32,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn error_has_the_stated_size() {
        let model = ReceiverModel {
            wander_m: 0.8,
            memory_s: 60.0,
            noise_m: 0.1,
            sats: 9.0,
            hdop: 1.0,
            corrected: false,
        };
        let mut rng = Rng::new(5, 5);
        let mut receiver = Receiver::new(model, &mut rng);
        let still = State { east: 10.0, north: -5.0, speed: 0.0, course: 0.0 };
        let fixes: Vec<Fix> = (0..20_000).map(|_| receiver.fix(&still, &mut rng)).collect();
        let rms =
            |f: &dyn Fn(&Fix) -> f64| libm::sqrt(fixes.iter().map(|x| f(x) * f(x)).sum::<f64>() / 20_000.0);
        let (e, n) = (rms(&|x| x.east - 10.0), rms(&|x| x.north + 5.0));
        assert!((0.6..1.05).contains(&e) && (0.6..1.05).contains(&n), "{e} {n}");
        assert!(fixes.iter().all(|f| (0.0..360.0).contains(&f.course_deg)));
    }
}
