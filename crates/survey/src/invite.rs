//! Invites as text: one word to copy, with all that joining offline needs.

use crate::Error;
use leadline_logbook::{Domain, decode, encode};
use leadline_model::{DeviceId, SurveyId, Text, UtcMillis};
use serde::{Deserialize, Serialize};

const PREFIX: &str = "leadline:";
/// Crockford's base 32 without look-alikes, as published by its author; read aloud and typed without doubt.
const ALPHABET: &[u8; 32] = b"0123456789abcdefghjkmnpqrstvwxyz";
const MAX_BYTES: usize = 1024;

/// What an invite carries. It is a secret: whoever has it can knock until it expires or is used.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct InviteText {
    /// The survey.
    pub survey: SurveyId,
    /// The survey's name, for the person who joins.
    pub name: Text,
    /// Opens the door of meetings.
    pub secret: [u8; 32],
    /// Secret half of the one-time key.
    pub one_time: [u8; 32],
    /// Not honoured after.
    pub expires: UtcMillis,
    /// Who made it.
    pub by: DeviceId,
    /// Addresses of the inviter, if known.
    pub addresses: Vec<Text>,
}

impl std::fmt::Display for InviteText {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let mut bytes = encode(self, MAX_BYTES).map_err(|_| std::fmt::Error)?;
        let check = Domain::Survey.digest(&[&bytes]).0;
        bytes.extend_from_slice(&check[..4]);
        write!(f, "{PREFIX}{}", to_base32(&bytes))
    }
}

impl std::str::FromStr for InviteText {
    type Err = Error;

    /// Blanks and line breaks inside are ignored; four check bytes at the end show a slip of the hand.
    fn from_str(text: &str) -> Result<Self, Error> {
        // A QR code carries it in capital letters.
        let squeezed: String =
            text.chars().filter(|c| !c.is_whitespace()).map(|c| c.to_ascii_lowercase()).collect();
        let body =
            squeezed.strip_prefix(PREFIX).ok_or(Error::Invite("it does not begin with `leadline:`"))?;
        let bytes = from_base32(body).ok_or(Error::Invite("it has letters that no invite has"))?;
        let (content, check) = bytes.split_last_chunk::<4>().ok_or(Error::Invite("it is too short"))?;
        if Domain::Survey.digest(&[content]).0[..4] != check[..] {
            return Err(Error::Invite("a letter is wrong or missing"));
        }
        decode(content, MAX_BYTES).map_err(|_| Error::Invite("it was made by a newer program"))
    }
}

fn to_base32(bytes: &[u8]) -> String {
    let (mut out, mut acc, mut bits) = (String::new(), 0u32, 0);
    for b in bytes {
        acc = acc << 8 & 0xffff | u32::from(*b);
        bits += 8;
        while bits >= 5 {
            bits -= 5;
            out.push(char::from(ALPHABET[(acc >> bits & 31) as usize]));
        }
    }
    if bits > 0 {
        out.push(char::from(ALPHABET[(acc << (5 - bits) & 31) as usize]));
    }
    out
}

fn from_base32(text: &str) -> Option<Vec<u8>> {
    let (mut out, mut acc, mut bits) = (Vec::new(), 0u32, 0);
    for c in text.bytes() {
        let c = match c.to_ascii_lowercase() {
            b'o' => b'0',
            b'i' | b'l' => b'1',
            c => c,
        };
        let v = ALPHABET.iter().position(|a| *a == c)? as u32;
        acc = acc << 5 & 0xffff | v;
        bits += 5;
        if bits >= 8 {
            bits -= 8;
            out.push((acc >> bits & 0xff) as u8);
        }
    }
    (out.len() <= MAX_BYTES).then_some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn round_trip_and_slips() {
        let invite = InviteText {
            survey: SurveyId([3; 16]),
            name: Text::new("Thornmere").expect("short"),
            secret: [9; 32],
            one_time: [7; 32],
            expires: UtcMillis(1_900_000_000_000),
            by: DeviceId([1; 32]),
            addresses: vec![],
        };
        let text = invite.to_string();
        assert_eq!(text.parse::<InviteText>().expect("whole"), invite);
        let wrapped: String = text
            .chars()
            .enumerate()
            .map(|(i, c)| if i % 40 == 39 { format!("{c}\n ") } else { c.to_string() })
            .collect();
        assert_eq!(wrapped.to_uppercase().parse::<InviteText>().expect("whole"), invite);
        let slip = text.replacen("9", "8", 1);
        assert!(slip == text || slip.parse::<InviteText>().is_err());
        assert!(text[..text.len() - 3].parse::<InviteText>().is_err());
    }
}
