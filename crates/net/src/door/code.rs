//! The code that is read aloud.

use std::fmt;
use std::str::FromStr;

/// Digits behind the number: 23 bits. With [`super::GUESSES`] guesses seven digits leave a stranger three chances in
/// ten million, and are still read out in one breath (judgement).
const DIGITS: u32 = 7;

/// `42-183-7556`: the door's number, which everybody may know, and the password.
#[derive(Clone, PartialEq, Eq)]
pub struct Code {
    number: u16,
    password: u32,
}

impl Code {
    /// A new one, of the system's chance.
    pub fn random() -> Result<Self, CodeError> {
        let mut b = [0; 16];
        getrandom::fill(&mut b).map_err(|_| CodeError::NoChance)?;
        let [one, two] = [0, 8].map(|at| u64::from_le_bytes(b[at..at + 8].try_into().expect("eight bytes")));
        Ok(Self { number: 10 + (one % 90) as u16, password: (two % 10u64.pow(DIGITS)) as u32 })
    }

    /// By which a visitor finds the door.
    pub fn number(&self) -> u16 {
        self.number
    }

    /// What only those who heard the code know. The number is in it, so that it counts too.
    pub(super) fn password(&self) -> Vec<u8> {
        self.to_string().into_bytes()
    }
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}-{:03}-{:04}", self.number, self.password / 10_000, self.password % 10_000)
    }
}

impl fmt::Debug for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Code({}-…)", self.number)
    }
}

/// Why a text is no code.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum CodeError {
    /// Other signs, or too few or many digits.
    #[error("a code has nine digits, as in 42-183-7556; the other device shows it")]
    Form,
    /// The system gives no random bytes.
    #[error("the system gives no random bytes, so no code can be made")]
    NoChance,
}

impl FromStr for Code {
    type Err = CodeError;

    /// Hyphens and blanks may stand anywhere.
    fn from_str(text: &str) -> Result<Self, CodeError> {
        let digits: String = text.chars().filter(|c| !matches!(c, '-' | ' ')).collect();
        if digits.len() != 2 + DIGITS as usize || !digits.bytes().all(|b| b.is_ascii_digit()) {
            return Err(CodeError::Form);
        }
        let number = digits[..2].parse().map_err(|_| CodeError::Form)?;
        let password = digits[2..].parse().map_err(|_| CodeError::Form)?;
        if number < 10 { Err(CodeError::Form) } else { Ok(Self { number, password }) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn as_read_aloud_and_as_typed() {
        for _ in 0..200 {
            let code = Code::random().expect("made");
            assert_eq!(code.to_string().parse(), Ok(code.clone()));
            assert_eq!(code.to_string().replace('-', " ").parse(), Ok(code.clone()));
            assert_eq!(format!("{code:?}"), format!("Code({}-…)", code.number()));
        }
        let code: Code = "421830007".parse().expect("a code");
        assert_eq!((code.to_string().as_str(), code.number()), ("42-183-0007", 42));
        for bad in
            ["", "42-183-755", "42-183-75566", "4a-183-7556", "02-183-7556", "42–183–7556", "+2-183-7556"]
        {
            assert_eq!(bad.parse::<Code>(), Err(CodeError::Form), "{bad}");
        }
    }
}
