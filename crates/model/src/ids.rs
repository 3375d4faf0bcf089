//! Ids: fixed-length bytes that cannot be mixed up, shown as lower-case hex.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// Why a text is not an id.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum IdParseError {
    /// Wrong number of hex digits.
    #[error("expected {expected} hex digits, got {got}")]
    Length {
        /// Digits the id has.
        expected: usize,
        /// Characters given.
        got: usize,
    },
    /// A character that is no hex digit.
    #[error("not a hex digit")]
    Digit,
}

macro_rules! id_type {
    ($(#[$doc:meta])* $name:ident, $len:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub struct $name(pub [u8; $len]);

        impl $name {
            /// Length in bytes.
            pub const LEN: usize = $len;

            /// From a slice of exactly [`Self::LEN`] bytes.
            pub fn from_slice(bytes: &[u8]) -> Option<Self> {
                bytes.try_into().ok().map(Self)
            }

            /// The first eight hex digits, for people to compare.
            pub fn short(&self) -> String {
                self.0.iter().take(4).map(|b| format!("{b:02x}")).collect()
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.iter().try_for_each(|b| write!(f, "{b:02x}"))
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, concat!(stringify!($name), "({})"), self.short())
            }
        }

        impl FromStr for $name {
            type Err = IdParseError;
            fn from_str(text: &str) -> Result<Self, IdParseError> {
                let mut out = [0u8; $len];
                read_hex(text, &mut out)?;
                Ok(Self(out))
            }
        }
    };
}

id_type!(
    /// One survey: the unit of sharing.
    SurveyId, 16
);
id_type!(
    /// One device: its Ed25519 public key.
    DeviceId, 32
);
id_type!(
    /// One signed entry: BLAKE3 of its exact bytes.
    EntryId, 32
);
id_type!(
    /// One leg: the Merkle root over its strips.
    LegId, 32
);
id_type!(
    /// One strip: BLAKE3 of its canonical columns.
    StripDigest, 32
);
id_type!(
    /// Any other BLAKE3 digest (a source file, what a device holds, a chart).
    Digest, 32
);
id_type!(
    /// One run of a store: random, new after a restore.
    Epoch, 8
);
id_type!(
    /// The random part of an entry's keys.
    Nonce, 16
);

fn read_hex(text: &str, out: &mut [u8]) -> Result<(), IdParseError> {
    let b = text.as_bytes();
    if b.len() != out.len() * 2 {
        return Err(IdParseError::Length { expected: out.len() * 2, got: b.len() });
    }
    for (o, pair) in out.iter_mut().zip(b.chunks_exact(2)) {
        *o = nibble(pair[0])? << 4 | nibble(pair[1])?;
    }
    Ok(())
}

fn nibble(c: u8) -> Result<u8, IdParseError> {
    (c as char).to_digit(16).map(|d| d as u8).ok_or(IdParseError::Digit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hex_round_trip_and_refusals() {
        let id = Epoch([0, 1, 2, 0xab, 0xcd, 0xef, 0xff, 9]);
        assert_eq!(id.to_string(), "000102abcdefff09");
        assert_eq!("000102ABCDEFFF09".parse(), Ok(id));
        assert_eq!("0001".parse::<Epoch>(), Err(IdParseError::Length { expected: 16, got: 4 }));
        assert_eq!("zz0102abcdefff09".parse::<Epoch>(), Err(IdParseError::Digit));
        assert_eq!(Epoch::from_slice(&[1; 7]), None);
    }
}
