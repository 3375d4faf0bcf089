//! Short texts from people and peers: bounded, and shown escaped.

use serde::{Deserialize, Serialize};
use std::fmt;

/// Longest text field in bytes of UTF-8.
pub const MAX_TEXT_BYTES: usize = 256;

/// A text field of at most [`MAX_TEXT_BYTES`] bytes, trimmed, not empty.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Text(String);

/// Why a text was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum TextError {
    /// Nothing but blanks.
    #[error("the text is empty")]
    Empty,
    /// Over the limit.
    #[error("the text has {0} bytes; {MAX_TEXT_BYTES} are allowed")]
    TooLong(usize),
}

impl Text {
    /// Trims and checks `text`.
    pub fn new(text: &str) -> Result<Self, TextError> {
        let t = text.trim();
        match t.len() {
            0 => Err(TextError::Empty),
            n if n > MAX_TEXT_BYTES => Err(TextError::TooLong(n)),
            _ => Ok(Self(t.to_owned())),
        }
    }

    /// The text as stored. For a terminal use `Display`, which escapes.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl TryFrom<String> for Text {
    type Error = TextError;
    fn try_from(text: String) -> Result<Self, TextError> {
        Self::new(&text)
    }
}

impl From<Text> for String {
    fn from(t: Text) -> Self {
        t.0
    }
}

impl fmt::Display for Text {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&escaped(&self.0))
    }
}

/// `text` with control characters and direction overrides written as `\u{..}`, so that a name from a peer
/// cannot move the cursor or turn the line round.
pub fn escaped(text: &str) -> String {
    let hostile = |c: char| {
        c.is_control()
            || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
    };
    text.chars().map(|c| if hostile(c) { c.escape_unicode().to_string() } else { c.to_string() }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bounds_and_escapes() {
        assert_eq!(Text::new("  \t"), Err(TextError::Empty));
        assert_eq!(Text::new(&"x".repeat(257)), Err(TextError::TooLong(257)));
        assert_eq!(Text::new(" a\u{1b}[31mb ").expect("short").to_string(), "a\\u{1b}[31mb");
        assert_eq!(escaped("a\u{202e}b\nc"), "a\\u{202e}b\\u{a}c");
    }
}
