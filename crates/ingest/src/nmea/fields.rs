//! Fields between commas, one after the other.

use crate::decimal::{Malformed, decimal};

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
        decimal(self.text(), scale)
    }

    /// The next field times 10^`scale` if it is a number the sounding can do without.
    pub(crate) fn evidence(&mut self, scale: usize) -> Option<i64> {
        self.number(scale).unwrap_or(None)
    }

    /// The next field's first letter, 0 if empty.
    pub(crate) fn letter(&mut self) -> u8 {
        self.text().first().copied().unwrap_or(0)
    }
}
