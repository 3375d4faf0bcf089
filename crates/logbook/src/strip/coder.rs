//! An adaptive binary range coder: every decision is coded by how often it went this way so far. A strip of two
//! hundred soundings is too short for the tables that a general compressor sends along; here nothing is sent
//! (docs/decisions/0003-strip-columns.md). Range coding after G. N. N. Martin, 1979 (from
//! memory), byte by byte, with carries held back in a pending run.

/// How likely a decision is "no", and how often it has been seen.
#[derive(Clone, Copy)]
pub(super) struct Odds {
    no: u16,
    seen: u16,
}

impl Odds {
    pub(super) const EVEN: Self = Self { no: 1 << 15, seen: 0 };
    /// Neither way is ever certain: the coder needs room for both.
    const FLOOR: u32 = 64;
    /// After so many decisions the past fades.
    const MEMORY: u16 = 120;

    /// `all` is all ones for "yes" and zero for "no". Without branches, and wrapping though nothing wraps (the operands
    /// have 16 bits): here unpacking spends its time, and which way a decision goes cannot be foreseen.
    #[inline(always)]
    fn learn(&mut self, all: u32) {
        let part = u32::from(PARTS[usize::from(self.seen.min(Self::MEMORY))]);
        let no = u32::from(self.no);
        // As far as it is from 0 for "yes", from 65,535 for "no"; a part of that away from there.
        let distance = (no ^ !all) & 0xffff;
        let step = distance.wrapping_mul(part) >> 16;
        let moved = no.wrapping_add((step ^ all).wrapping_sub(all));
        self.no = moved.clamp(Self::FLOOR, 65_535 - Self::FLOOR) as u16;
        self.seen = self.seen.wrapping_add(1).min(Self::MEMORY);
    }
}

/// One part in (seen + 1.6), of 65,536: near the estimate of Krichevsky and Trofimov, in integers.
const PARTS: [u16; Odds::MEMORY as usize + 1] = {
    let mut parts = [0; Odds::MEMORY as usize + 1];
    let mut seen = 0;
    while seen < parts.len() {
        parts[seen] = (655_360 / (10 * seen + 16)) as u16;
        seen += 1;
    }
    parts
};

fn ones_if(yes: bool) -> u32 {
    0u32.wrapping_sub(u32::from(yes))
}

const TOP: u32 = 1 << 24;
/// Zeros the encoder leaves out at the end, at most.
const MAX_DROPPED: usize = 4;

pub(super) struct Encoder {
    low: u64,
    range: u32,
    /// The byte before the pending ones; none before the first, which is always zero and not written.
    cache: Option<u8>,
    /// Bytes 0xff that a carry would still turn over.
    pending: usize,
    out: Vec<u8>,
}

impl Encoder {
    pub(super) fn after(head: Vec<u8>) -> Self {
        Self { low: 0, range: u32::MAX, cache: None, pending: 0, out: head }
    }

    pub(super) fn put(&mut self, odds: &mut Odds, yes: bool) {
        let bound = (self.range >> 16) * u32::from(odds.no);
        if yes {
            self.low += u64::from(bound);
            self.range -= bound;
        } else {
            self.range = bound;
        }
        odds.learn(ones_if(yes));
        while self.range < TOP {
            self.range <<= 8;
            self.shift();
        }
    }

    /// The bytes, without the zeros at their end, which the decoder adds in thought.
    pub(super) fn finish(mut self) -> Vec<u8> {
        // Of all numbers in the range the one with the most zeros at its end.
        let last = self.low + u64::from(self.range) - 1;
        let round = (0..32).rev().map(|bits| last >> bits << bits).find(|v| *v >= self.low);
        self.low = round.unwrap_or(last);
        let head = self.out.len();
        for _ in 0..5 {
            self.shift();
        }
        let zeros = self.out[head..].iter().rev().take(MAX_DROPPED).take_while(|b| **b == 0).count();
        self.out.truncate(self.out.len() - zeros);
        self.out
    }

    fn shift(&mut self) {
        let carry = (self.low >> 32) as u8;
        if carry != 0 || self.low < 0xff00_0000 {
            if let Some(byte) = self.cache {
                self.out.push(byte.wrapping_add(carry));
            }
            self.out.extend(std::iter::repeat_n(0xff_u8.wrapping_add(carry), self.pending));
            self.pending = 0;
            self.cache = Some((self.low >> 24) as u8);
        } else {
            self.pending += 1;
        }
        self.low = (self.low & 0x00ff_ffff) << 8;
    }
}

pub(super) struct Decoder<'a> {
    code: u32,
    range: u32,
    rest: &'a [u8],
    /// Zeros taken from behind the end.
    borrowed: usize,
}

impl<'a> Decoder<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> Self {
        let mut d = Self { code: 0, range: u32::MAX, rest: bytes, borrowed: 0 };
        for _ in 0..4 {
            d.code = d.code << 8 | u32::from(d.byte());
        }
        d
    }

    #[inline(always)]
    pub(super) fn take(&mut self, odds: &mut Odds) -> bool {
        let bound = (self.range >> 16).wrapping_mul(u32::from(odds.no));
        let yes = self.code >= bound;
        let all = ones_if(yes);
        self.code = self.code.wrapping_sub(bound & all);
        let above = self.range.wrapping_sub(bound);
        self.range = bound ^ ((bound ^ above) & all);
        odds.learn(all);
        while self.range < TOP {
            self.range <<= 8;
            self.code = self.code << 8 | u32::from(self.byte());
        }
        yes
    }

    /// Whether the bytes end where the coder ends: none left over, and no more zeros added than it dropped.
    pub(super) fn is_done(&self) -> bool {
        self.rest.is_empty() && !self.ran_dry()
    }

    /// The end has been passed by more than an encoder ever drops: whatever follows is invented.
    pub(super) fn ran_dry(&self) -> bool {
        self.borrowed > MAX_DROPPED
    }

    fn byte(&mut self) -> u8 {
        match self.rest.split_first() {
            Some((byte, rest)) => {
                self.rest = rest;
                *byte
            }
            None => {
                self.borrowed = self.borrowed.saturating_add(1);
                0
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Any decisions under any number of shared odds come back, and the bytes end where they should.
        #[test]
        fn decisions_come_back(bits in proptest::collection::vec((0usize..5, any::<bool>()), 0..3000), skew in 0u8..3) {
            let bits: Vec<_> = bits.into_iter().map(|(k, b)| (k, if skew == 0 { b } else { b && skew == 1 && k == 0 })).collect();
            let (mut odds, mut e) = ([Odds::EVEN; 5], Encoder::after(vec![9]));
            bits.iter().for_each(|(k, b)| e.put(&mut odds[*k], *b));
            let bytes = e.finish();
            let (mut odds, mut d) = ([Odds::EVEN; 5], Decoder::new(&bytes[1..]));
            for (k, b) in &bits {
                prop_assert_eq!(d.take(&mut odds[*k]), *b);
            }
            prop_assert!(d.is_done());
        }
    }

    #[test]
    fn carries_run_through_pending_bytes() {
        // "Yes" under odds of almost surely "no" keeps low at the top of its range: long runs of 0xff and carries.
        // Under Miri every step takes a thousand times as long.
        for n in 1..if cfg!(miri) { 5 } else { 200u32 } {
            let decide = |i: u32| i.is_multiple_of(n) || i % 7 == 3;
            let (mut odds, mut e) = (Odds::EVEN, Encoder::after(Vec::new()));
            (0..4000).for_each(|i| e.put(&mut odds, decide(i)));
            let bytes = e.finish();
            let (mut odds, mut d) = (Odds::EVEN, Decoder::new(&bytes));
            assert!((0..4000).all(|i| d.take(&mut odds) == decide(i)) && d.is_done());
        }
    }
}
