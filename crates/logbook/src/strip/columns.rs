//! Columns of integers as LEB128 varints of differences.

/// Signed to unsigned, small magnitudes to small numbers.
pub(super) fn zigzag(v: i64) -> u64 {
    ((v << 1) ^ (v >> 63)) as u64
}

pub(super) fn unzigzag(n: u64) -> i64 {
    (n >> 1) as i64 ^ -((n & 1) as i64)
}

pub(super) struct Writer(Vec<u8>);

impl Writer {
    pub(super) fn with_capacity(n: usize) -> Self {
        Self(Vec::with_capacity(n))
    }

    pub(super) fn unsigned(&mut self, mut n: u64) {
        while n >= 0x80 {
            self.0.push(n as u8 | 0x80);
            n >>= 7;
        }
        self.0.push(n as u8);
    }

    pub(super) fn differences(&mut self, column: impl Iterator<Item = i64>) {
        let mut last = 0i64;
        for v in column {
            self.unsigned(zigzag(v.wrapping_sub(last)));
            last = v;
        }
    }

    pub(super) fn second_differences(&mut self, column: impl Iterator<Item = i64>) {
        let (mut last, mut step, mut n) = (0i64, 0i64, 0u32);
        for v in column {
            let d = v.wrapping_sub(last);
            self.unsigned(zigzag(d.wrapping_sub(step)));
            // The first value is no step: it would make the second difference as long as the first value.
            step = if n == 0 { 0 } else { d };
            (last, n) = (v, 1);
        }
    }

    pub(super) fn finish(self) -> Vec<u8> {
        self.0
    }
}

pub(super) struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> Self {
        Self(bytes)
    }

    pub(super) fn is_done(&self) -> bool {
        self.0.is_empty()
    }

    pub(super) fn unsigned(&mut self) -> Option<u64> {
        let mut n = 0u64;
        for (i, b) in self.0.iter().take(10).enumerate() {
            let bits = u64::from(b & 0x7f);
            if i == 9 && bits > 1 {
                return None;
            }
            n |= bits << (7 * i);
            if b & 0x80 == 0 {
                self.0 = &self.0[i + 1..];
                return Some(n);
            }
        }
        None
    }

    /// `n` values; a column takes at least a byte a value, so nothing is allocated that is not there.
    pub(super) fn differences(&mut self, n: usize) -> Option<Vec<i64>> {
        self.column(n, |last, _, d| (last.wrapping_add(d), 0))
    }

    pub(super) fn second_differences(&mut self, n: usize) -> Option<Vec<i64>> {
        let mut first = true;
        self.column(n, |last, step, d| {
            let step_now = step.wrapping_add(d);
            let kept = if first { 0 } else { step_now };
            first = false;
            (last.wrapping_add(step_now), kept)
        })
    }

    fn column(&mut self, n: usize, mut next: impl FnMut(i64, i64, i64) -> (i64, i64)) -> Option<Vec<i64>> {
        if n > self.0.len() {
            return None;
        }
        let mut out = Vec::with_capacity(n);
        let (mut last, mut step) = (0, 0);
        for _ in 0..n {
            let d = unzigzag(self.unsigned()?);
            (last, step) = next(last, step, d);
            out.push(last);
        }
        Some(out)
    }
}
