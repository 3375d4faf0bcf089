//! Fields between commas, one after the other.

use crate::decimal::{Decimal, Malformed, decimal_with};

/// Walks the fields of a sentence; beyond the last one every field is empty.
#[derive(Clone, Copy)]
pub(crate) struct Fields<'a> {
    rest: &'a [u8],
    ended: bool,
}

impl<'a> Fields<'a> {
    pub(crate) fn new(fields: &'a [u8]) -> Self {
        Self { rest: fields, ended: false }
    }

    /// The next field.
    pub(crate) fn text(&mut self) -> &'a [u8] {
        let comma = self.rest.iter().position(|c| *c == b',');
        let field = match comma {
            Some(i) => {
                let (field, rest) = (&self.rest[..i], &self.rest[i + 1..]);
                self.rest = rest;
                return field;
            }
            None => self.rest,
        };
        self.rest = &[];
        self.ended = true;
        field
    }

    /// Passes over `n` fields.
    pub(crate) fn skip(&mut self, n: usize) {
        for _ in 0..n {
            self.text();
        }
    }

    /// Whether the sentence had fewer fields than were asked for.
    pub(crate) fn ended(&self) -> bool {
        self.ended
    }

    /// The next field times 10^`scale`.
    pub(crate) fn number(&mut self, scale: usize) -> Result<Option<i64>, Malformed> {
        Ok(self.decimal(scale)?.map(|d| d.value))
    }

    /// The next field times 10^`scale`, and the places written.
    pub(crate) fn decimal(&mut self, scale: usize) -> Result<Option<Decimal>, Malformed> {
        match self.plain_decimal(scale) {
            Some(d) => Ok(d),
            None => decimal_with(self.text(), scale, b'.'),
        }
    }

    /// In one pass what nearly every field is: digits, perhaps a point and digits, a comma. `None` for
    /// anything else, with nothing consumed.
    #[inline]
    fn plain_decimal(&mut self, scale: usize) -> Option<Option<Decimal>> {
        let bytes = self.rest;
        let digit = |i: usize| bytes.get(i).map(|c| c.wrapping_sub(b'0')).filter(|d| *d < 10);
        // Wrapping is harmless: longer numbers are refused before the value is used.
        let mut value = 0u64;
        let mut end = 0;
        while let Some(d) = digit(end) {
            value = value.wrapping_mul(10).wrapping_add(u64::from(d));
            end += 1;
        }
        let whole = end;
        let mut places = 0;
        if bytes.get(end) == Some(&b'.') {
            end += 1;
            while let Some(d) = digit(end) {
                value = value.wrapping_mul(10).wrapping_add(u64::from(d));
                end += 1;
            }
            places = end - whole - 1;
        }
        let last = match bytes.get(end) {
            None => true,
            Some(b',') => false,
            Some(_) => return None,
        };
        let decimal = match whole + places {
            0 if end == 0 => None,
            0 => return None,
            _ if places > scale || whole + scale >= 18 => return None,
            _ => {
                let factor = POWERS.get(scale - places)?;
                Some(Decimal { value: value.wrapping_mul(*factor) as i64, places: places as u8 })
            }
        };
        self.rest = if last { &[] } else { &bytes[end + 1..] };
        self.ended |= last;
        Some(decimal)
    }

    /// The next field times 10^`scale` if it is a number the sounding can do without.
    pub(crate) fn evidence(&mut self, scale: usize) -> Option<i64> {
        self.number(scale).unwrap_or(None)
    }

    /// The next field's first letter, 0 if empty.
    #[inline]
    pub(crate) fn letter(&mut self) -> u8 {
        match self.rest {
            [letter, b',', rest @ ..] if *letter != b',' => {
                self.rest = rest;
                *letter
            }
            _ => self.text().first().copied().unwrap_or(0),
        }
    }
}

const POWERS: [u64; 10] =
    [1, 10, 100, 1_000, 10_000, 100_000, 1_000_000, 10_000_000, 100_000_000, 1_000_000_000];

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_fast_way_is_the_slow_way(text in "[0-9.,+ x-]{0,24}", scale in 0usize..9) {
            let (mut fast, mut slow) = (Fields::new(text.as_bytes()), Fields::new(text.as_bytes()));
            for _ in 0..4 {
                prop_assert_eq!(fast.decimal(scale), decimal_with(slow.text(), scale, b'.'));
                prop_assert_eq!(fast.ended(), slow.ended());
            }
            let (mut fast, mut slow) = (Fields::new(text.as_bytes()), Fields::new(text.as_bytes()));
            for _ in 0..4 {
                prop_assert_eq!(fast.letter(), slow.text().first().copied().unwrap_or(0));
            }
        }
    }
}
