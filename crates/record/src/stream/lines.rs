//! Bytes of one connection to whole lines: sources are laid into one log line by line, never in the middle of one.

/// Bytes without an end of line that are held back; more is no line, and goes on as it is.
const MAX_CARRY: usize = 64 << 10;

/// The unfinished line of a connection.
#[derive(Default)]
pub(crate) struct Lines {
    carry: Vec<u8>,
}

impl Lines {
    /// Takes bytes; the lines they complete, if any.
    pub(crate) fn push(&mut self, bytes: &[u8]) -> Option<Vec<u8>> {
        let Some(last) = bytes.iter().rposition(|c| matches!(c, b'\n' | b'\r')) else {
            self.carry.extend_from_slice(bytes);
            return if self.carry.len() > MAX_CARRY { self.rest() } else { None };
        };
        let mut whole = std::mem::take(&mut self.carry);
        whole.extend_from_slice(&bytes[..=last]);
        self.carry.extend_from_slice(&bytes[last + 1..]);
        Some(whole)
    }

    /// The connection ended: what is left, closed as a line so that nothing is joined to it.
    pub(crate) fn rest(&mut self) -> Option<Vec<u8>> {
        if self.carry.is_empty() {
            return None;
        }
        self.carry.push(b'\n');
        Some(std::mem::take(&mut self.carry))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_whole_however_they_are_cut() {
        let text = b"$A\r\n$B\n$C\r$D";
        for cut in 0..text.len() {
            let mut lines = Lines::default();
            let mut out = lines.push(&text[..cut]).unwrap_or_default();
            out.extend(lines.push(&text[cut..]).unwrap_or_default());
            assert_eq!(out, b"$A\r\n$B\n$C\r");
            assert_eq!(lines.rest().as_deref(), Some(&b"$D\n"[..]));
            assert_eq!(lines.rest(), None);
        }
    }

    #[test]
    fn endless_lines_are_bounded() {
        let mut lines = Lines::default();
        let given: usize = (0..300).filter_map(|_| lines.push(&[b'x'; 1024])).map(|l| l.len()).sum();
        assert!(given > 200 << 10 && lines.carry.len() <= MAX_CARRY);
    }
}
