//! Reproducible chance and what it does to bytes.

/// SplitMix64 (Steele, Lea and Flood, 2014; from memory).
pub(crate) struct Chance(pub(crate) u64);

impl Chance {
    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub(crate) fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }

    pub(crate) fn of<'a, T>(&mut self, choices: &'a [T]) -> &'a T {
        &choices[self.below(choices.len())]
    }

    /// Numbers where things break, and a few where they do not.
    pub(crate) fn number(&mut self) -> i64 {
        let edges = [
            0,
            1,
            -1,
            2,
            63,
            64,
            127,
            128,
            255,
            256,
            1023,
            1024,
            1025,
            32_767,
            32_768,
            32_769,
            65_535,
            65_536,
            599_999,
            600_000,
            i64::from(i32::MAX),
            i64::from(i32::MIN),
            i64::from(u32::MAX),
            1 << 40,
            1 << 48,
            i64::MAX,
            i64::MIN,
        ];
        match self.below(4) {
            0 => self.next() as i64,
            1 => self.next() as i64 >> 44,
            _ => *self.of(&edges),
        }
    }

    /// One to three changes: bits, bytes, eight bytes at once (lengths and counts), cuts, insertions, repeats.
    pub(crate) fn mutate(&mut self, bytes: &mut Vec<u8>) {
        for _ in 0..=self.below(3) {
            let at = self.below(bytes.len());
            match self.below(9) {
                _ if bytes.is_empty() => bytes.push(self.next() as u8),
                0 | 1 => bytes[at] ^= 1 << self.below(8),
                2 => bytes[at] = *self.of(&[0, 1, 2, 0x7f, 0x80, 0xff]),
                3 => bytes[at] = self.next() as u8,
                4 | 5 => {
                    let number = self.number().to_le_bytes();
                    let width = *self.of(&[2, 4, 8]);
                    bytes.iter_mut().skip(at).zip(number).take(width).for_each(|(b, n)| *b = n);
                }
                6 => bytes.truncate(at),
                7 => bytes.insert(at, self.next() as u8),
                _ => {
                    let end = (at + self.below(40)).min(bytes.len());
                    let part = bytes[at..end].to_vec();
                    bytes.splice(at..at, part);
                }
            }
        }
    }
}
