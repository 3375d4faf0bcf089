//! Seeded randomness.

use std::f64::consts::PI;

/// SplitMix64 (Vigna, public domain; constants from memory).
#[derive(Clone, Debug)]
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0xd134_2543_de82_ef95) ^ 0x6a09_e667_f3bc_c908)
    }

    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Evenly in 0 … 1, both excluded.
    pub(crate) fn unit(&mut self) -> f64 {
        ((self.bits() >> 12) as f64 + 0.5) / (1u64 << 52) as f64
    }

    /// Evenly between the two.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Whole number below `n` (n > 0).
    pub(crate) fn below(&mut self, n: usize) -> usize {
        ((u128::from(self.bits()) * n as u128) >> 64) as usize
    }

    /// Normal error of one standard deviation (Box and Muller).
    pub(crate) fn normal(&mut self) -> f64 {
        let (r, turn) = (libm::sqrt(-2.0 * libm::log(self.unit())), 2.0 * PI * self.unit());
        r * libm::cos(turn)
    }

    /// Normal error of `u95` at 95 %. S-44 §2.7: 1.96 standard deviations.
    pub(crate) fn error(&mut self, u95: f64) -> f64 {
        u95 / 1.96 * self.normal()
    }
}

/// A value that wanders around zero and forgets: first-order Gauss and Markov, one standard deviation.
#[derive(Clone, Debug)]
pub(crate) struct Wander {
    value: f64,
    keep: f64,
}

impl Wander {
    /// Forgets within about `memory_s` seconds when stepped every second.
    pub(crate) fn new(memory_s: f64, dice: &mut Dice) -> Self {
        Self { value: dice.normal(), keep: libm::exp(-1.0 / memory_s) }
    }

    pub(crate) fn step(&mut self, dice: &mut Dice) -> f64 {
        self.value = self.keep * self.value + libm::sqrt(1.0 - self.keep * self.keep) * dice.normal();
        self.value
    }

    /// After a pause of `seconds`.
    pub(crate) fn pause(&mut self, seconds: f64, dice: &mut Dice) {
        let keep = libm::pow(self.keep, seconds);
        self.value = keep * self.value + libm::sqrt(1.0 - keep * keep) * dice.normal();
    }
}
