//! A row to its fields, without copying. A quoted field ends on its own line; `""` inside it stays as it is.

/// What stands between two fields.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Delimiter {
    /// One byte.
    Byte(u8),
    /// Any number of blanks and tabs.
    Blanks,
}

impl Delimiter {
    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::Byte(b';') => "semicolons",
            Self::Byte(b'\t') => "tabs",
            Self::Byte(b'|') => "bars",
            Self::Byte(_) => "commas",
            Self::Blanks => "blanks",
        }
    }
}

/// Most fields looked at in a row.
pub(crate) const MAX_FIELDS: usize = 64;

/// Splits a row into at most [`MAX_FIELDS`] trimmed fields; how many there are.
pub(crate) fn split<'a>(row: &'a [u8], delimiter: Delimiter, fields: &mut [&'a [u8]; MAX_FIELDS]) -> usize {
    let mut rest = row;
    let mut n = 0;
    while n < MAX_FIELDS {
        rest = skip_blanks(rest, delimiter);
        let (field, after) = match rest {
            [b'"', quoted @ ..] => quoted_field(quoted, delimiter),
            _ => plain_field(rest, delimiter),
        };
        if let Some(slot) = fields.get_mut(n) {
            *slot = field;
        }
        n += 1;
        match after {
            Some(after) => rest = after,
            None => break,
        }
    }
    // Blanks at the end of a row separate nothing.
    if delimiter == Delimiter::Blanks && n > 0 && fields[n - 1].is_empty() { n - 1 } else { n }
}

fn skip_blanks(rest: &[u8], delimiter: Delimiter) -> &[u8] {
    let blank = |c: &u8| *c == b' ' || *c == b'\t' && delimiter != Delimiter::Byte(b'\t');
    &rest[rest.iter().take_while(|c| blank(c)).count()..]
}

fn plain_field(rest: &[u8], delimiter: Delimiter) -> (&[u8], Option<&[u8]>) {
    let end = match delimiter {
        Delimiter::Byte(d) => rest.iter().position(|c| *c == d),
        Delimiter::Blanks => rest.iter().position(|c| matches!(c, b' ' | b'\t')),
    };
    match end {
        Some(i) => (rest[..i].trim_ascii_end(), Some(&rest[i + 1..])),
        None => (rest.trim_ascii_end(), None),
    }
}

fn quoted_field(quoted: &[u8], delimiter: Delimiter) -> (&[u8], Option<&[u8]>) {
    let mut i = 0;
    while let Some(&c) = quoted.get(i) {
        if c == b'"' {
            match quoted.get(i + 1) {
                Some(b'"') => i += 1,
                _ => break,
            }
        }
        i += 1;
    }
    let field = quoted[..i.min(quoted.len())].trim_ascii();
    let (_, after) = plain_field(quoted.get(i + 1..).unwrap_or_default(), delimiter);
    (field, after)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fields(row: &str, delimiter: Delimiter) -> Vec<String> {
        let mut fields = [&[][..]; MAX_FIELDS];
        let n = split(row.as_bytes(), delimiter, &mut fields);
        fields[..n].iter().map(|f| String::from_utf8_lossy(f).into_owned()).collect()
    }

    #[test]
    fn fields_of_rows() {
        let comma = Delimiter::Byte(b',');
        assert_eq!(fields("1, 2 ,,3", comma), ["1", "2", "", "3"]);
        assert_eq!(fields("\"a, b\",\"c\"\"d\" ,e,", comma), ["a, b", "c\"\"d", "e", ""]);
        assert_eq!(fields("\"open, 2", comma), ["open, 2"]);
        assert_eq!(fields("  5.31   52.85\t2.4  ", Delimiter::Blanks), ["5.31", "52.85", "2.4"]);
        assert_eq!(fields("5,31;52,85;2,4", Delimiter::Byte(b';')), ["5,31", "52,85", "2,4"]);
        assert_eq!(fields("a\t\tb", Delimiter::Byte(b'\t')), ["a", "", "b"]);
        assert_eq!(fields(&",".repeat(100), comma).len(), MAX_FIELDS);
    }
}
