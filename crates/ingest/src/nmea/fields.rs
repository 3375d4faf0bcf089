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

    /// The next field times 10^`SCALE`.
    #[inline]
    pub(crate) fn number<const SCALE: usize>(&mut self) -> Result<Option<i64>, Malformed> {
        Ok(self.decimal::<SCALE>()?.map(|d| d.value))
    }

    /// The next field times 10^`SCALE`, and the places written.
    #[inline]
    pub(crate) fn decimal<const SCALE: usize>(&mut self) -> Result<Option<Decimal>, Malformed> {
        match self.plain_decimal::<SCALE>() {
            (_, NULL) => Ok(None),
            (_, UNUSUAL) => decimal_with(self.text(), SCALE, b'.'),
            (value, places) => Ok(Some(Decimal { value, places })),
        }
    }

    /// In one pass what nearly every field is: digits, perhaps a point and digits, a comma. Gives the value and
    /// the places written, or [`NULL`], or [`UNUSUAL`] with nothing consumed. Two registers: this is the
    /// hottest place of an import.
    fn plain_decimal<const SCALE: usize>(&mut self) -> (i64, u8) {
        let bytes = self.rest;
        // Wrapping is harmless: longer numbers are refused before the value is used.
        let (mut value, mut point, mut end) = (0u64, bytes.len(), bytes.len());
        for (i, c) in bytes.iter().enumerate() {
            let digit = c.wrapping_sub(b'0');
            if digit < 10 {
                value = value.wrapping_mul(10).wrapping_add(u64::from(digit));
            } else if *c == b'.' && point == bytes.len() {
                point = i;
            } else {
                end = i;
                break;
            }
        }
        let whole = point.min(end);
        let places = end.saturating_sub(whole + 1);
        let ended = end == bytes.len();
        let plain = (ended || bytes[end] == b',') && places <= SCALE && whole + SCALE < 18;
        if !plain || end == 1 && whole == 0 {
            return (0, UNUSUAL);
        }
        self.rest = bytes.get(end + 1..).unwrap_or_default();
        self.ended |= ended;
        if end == 0 {
            return (0, NULL);
        }
        (value.wrapping_mul(POWERS[SCALE - places]) as i64, places as u8)
    }

    /// The next field times 10^`SCALE` if it is a number the sounding can do without.
    pub(crate) fn evidence<const SCALE: usize>(&mut self) -> Option<i64> {
        self.number::<SCALE>().unwrap_or(None)
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

/// In the place of places: an empty field.
const NULL: u8 = 254;
/// In the place of places: a field for the careful parser.
const UNUSUAL: u8 = 255;
const POWERS: [u64; 10] =
    [1, 10, 100, 1_000, 10_000, 100_000, 1_000_000, 10_000_000, 100_000_000, 1_000_000_000];

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_fast_way_is_the_slow_way(text in "[0-9.,+ x-]{0,24}") {
            same::<0>(&text);
            same::<2>(&text);
            same::<7>(&text);
            let (mut fast, mut slow) = (Fields::new(text.as_bytes()), Fields::new(text.as_bytes()));
            for _ in 0..4 {
                prop_assert_eq!(fast.letter(), slow.text().first().copied().unwrap_or(0));
            }
        }
    }

    fn same<const SCALE: usize>(text: &str) {
        let (mut fast, mut slow) = (Fields::new(text.as_bytes()), Fields::new(text.as_bytes()));
        for _ in 0..4 {
            assert_eq!(fast.decimal::<SCALE>(), decimal_with(slow.text(), SCALE, b'.'));
            assert_eq!(fast.ended(), slow.ended());
        }
    }
}
