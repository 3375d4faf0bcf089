//! Random numbers that are the same everywhere: SplitMix64 for seeding, xoshiro256++ for drawing.
//!
//! Source of both: D. Blackman, S. Vigna, public-domain reference code (prng.di.unimi.it); written from memory
//! and checked in the tests against their published first outputs.

/// xoshiro256++.
#[derive(Clone, Debug)]
pub(crate) struct Rng {
    s: [u64; 4],
}

impl Rng {
    /// A stream of its own for every (seed, stream).
    pub(crate) fn new(seed: u64, stream: u64) -> Self {
        let mut state = seed ^ stream.wrapping_mul(0xd134_2543_de82_ef95);
        Self { s: std::array::from_fn(|_| split_mix(&mut state)) }
    }

    /// 64 random bits.
    pub(crate) fn bits(&mut self) -> u64 {
        let s = &mut self.s;
        let out = s[0].wrapping_add(s[3]).rotate_left(23).wrapping_add(s[0]);
        let t = s[1] << 17;
        s[2] ^= s[0];
        s[3] ^= s[1];
        s[1] ^= s[2];
        s[0] ^= s[3];
        s[2] ^= t;
        s[3] = s[3].rotate_left(45);
        out
    }

    /// Evenly in 0 … 1, 1 excluded.
    pub(crate) fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Evenly in `low` … `high`.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Whole number below `n` (n > 0).
    pub(crate) fn below(&mut self, n: usize) -> usize {
        ((u128::from(self.bits()) * n as u128) >> 64) as usize
    }

    /// True with probability `p`.
    pub(crate) fn chance(&mut self, p: f64) -> bool {
        self.unit() < p
    }

    /// Normal with mean 0 and standard deviation 1 (Box and Muller).
    pub(crate) fn normal(&mut self) -> f64 {
        let r = libm::sqrt(-2.0 * libm::log(1.0 - self.unit()));
        r * libm::cos(2.0 * std::f64::consts::PI * self.unit())
    }
}

fn split_mix(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let z = (*state ^ (*state >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// A value that wanders around zero: first-order Gauss-Markov with standard deviation 1.
#[derive(Clone, Debug)]
pub(crate) struct Wander {
    value: f64,
    keep: f64,
    kick: f64,
}

impl Wander {
    /// Forgets with the time constant `tau_s` when stepped every `step_s` seconds.
    pub(crate) fn new(rng: &mut Rng, tau_s: f64, step_s: f64) -> Self {
        let keep = libm::exp(-step_s / tau_s);
        Self { value: rng.normal(), keep, kick: libm::sqrt(1.0 - keep * keep) }
    }

    /// One step on; the new value.
    pub(crate) fn step(&mut self, rng: &mut Rng) -> f64 {
        self.value = self.keep * self.value + self.kick * rng.normal();
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn split_mix_of_the_published_seed() {
        // First outputs for the seed 1234567, as in the widely copied test vector of SplitMix64 (from memory).
        let mut state = 1_234_567;
        let first: Vec<u64> = (0..3).map(|_| split_mix(&mut state)).collect();
        assert_eq!(first, [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423]);
    }

    #[test]
    fn xoshiro_of_the_state_one_two_three_four() {
        // Outputs for the state [1, 2, 3, 4], as in the tests of the crate rand_xoshiro (from memory).
        let mut rng = Rng { s: [1, 2, 3, 4] };
        let first: Vec<u64> = (0..4).map(|_| rng.bits()).collect();
        assert_eq!(first, [41_943_041, 58_720_359, 3_588_806_011_781_223, 3_591_011_842_654_386]);
    }

    #[test]
    fn moments_are_those_of_the_normal() {
        let mut rng = Rng::new(7, 1);
        let draws: Vec<f64> = (0..20_000).map(|_| rng.normal()).collect();
        let mean = draws.iter().sum::<f64>() / 20_000.0;
        let var = draws.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / 20_000.0;
        assert!(mean.abs() < 0.03 && (var - 1.0).abs() < 0.05, "{mean} {var}");
    }

    #[test]
    fn streams_differ_and_repeat() {
        assert_ne!(Rng::new(1, 0).bits(), Rng::new(1, 1).bits());
        assert_eq!(Rng::new(1, 5).bits(), Rng::new(1, 5).bits());
    }
}
