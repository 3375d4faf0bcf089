//! Chance from a seed, and what has happened so far as one number.

use std::collections::VecDeque;

/// A stream of numbers from a seed. Source: Steele, Lea and Flood, "Fast splittable pseudorandom number generators"
/// (OOPSLA 2014), the mixer known as splitmix64.
#[derive(Clone, Debug)]
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ self.0 >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ z >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ z >> 31
    }

    /// 0 to `n` - 1.
    pub(crate) fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }

    pub(crate) fn chance(&mut self, percent: usize) -> bool {
        self.below(100) < percent
    }

    pub(super) fn bytes<const N: usize>(&mut self) -> [u8; N] {
        std::array::from_fn(|_| self.next() as u8)
    }

    pub(super) fn noise(&mut self, len: usize) -> Vec<u8> {
        (0..len).map(|_| self.next() as u8).collect()
    }

    /// Another stream, so that one part's throws do not shift another's.
    pub(super) fn split(&mut self) -> Self {
        Self(self.next())
    }
}

/// Everything that happened: a running digest (FNV-1a, 64 bits) and the last events in words.
#[derive(Debug)]
pub(super) struct Trace {
    pub(super) digest: u64,
    pub(super) events: u64,
    pub(super) last: VecDeque<String>,
    /// Keep all of them.
    pub(super) all: bool,
}

impl Trace {
    /// Events kept in words.
    const KEPT: usize = 60;

    pub(super) fn new() -> Self {
        Self { digest: 0xcbf2_9ce4_8422_2325, events: 0, last: VecDeque::new(), all: false }
    }

    pub(super) fn note(&mut self, event: String) {
        for b in event.bytes() {
            self.digest = (self.digest ^ u64::from(b)).wrapping_mul(0x0000_0100_0000_01b3);
        }
        self.events += 1;
        if self.last.len() == Self::KEPT && !self.all {
            self.last.pop_front();
        }
        self.last.push_back(event);
    }
}
