//! Frames as docs/protocol.md draws them, read without the meeting's own code.

use leadline_logbook::{entry_id, unpack};

/// One frame that somebody sent.
pub(super) enum Seen {
    Hello,
    Refused,
    Have,
    Entries(Vec<Vec<u8>>),
    Ack(u32),
    Strips(Vec<Vec<u8>>),
    Ping,
    AskCredentials,
    Other(u8),
}

impl Seen {
    pub(super) fn of(frame: &[u8]) -> Self {
        let Some((kind, body)) = frame.split_first() else { return Self::Other(0) };
        let number = || body.try_into().map(u32::from_le_bytes).unwrap_or_default();
        match kind {
            1 => Self::Hello,
            2 => Self::Refused,
            3 => Self::Have,
            5 => Self::Entries(unpack(body, 1 << 20).map(|b| items(&b)).unwrap_or_default()),
            6 => Self::Ack(number()),
            8 => Self::Strips(items(body)),
            10 => Self::Ping,
            130 if body.is_empty() => Self::AskCredentials,
            _ => Self::Other(*kind),
        }
    }

    /// Whether it may go to a device that is not in the crew.
    pub(super) fn tells_nothing(&self) -> bool {
        matches!(self, Self::Hello | Self::Refused | Self::Ping | Self::AskCredentials)
    }
}

fn items(mut block: &[u8]) -> Vec<Vec<u8>> {
    let mut out = Vec::new();
    while let Some((len, rest)) = block.split_first_chunk::<4>() {
        let Some((item, rest)) = rest.split_at_checked(u32::from_le_bytes(*len) as usize) else { break };
        out.push(item.to_vec());
        block = rest;
    }
    out
}

impl std::fmt::Display for Seen {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Hello => f.write_str("its hello"),
            Self::Refused => f.write_str("a refusal"),
            Self::Have => f.write_str("a have-list"),
            Self::Entries(e) => {
                f.write_str("entries")?;
                e.iter().filter_map(|b| entry_id(b)).try_for_each(|id| write!(f, " {}", id.short()))
            }
            Self::Ack(n) => write!(f, "an acknowledgement of {n}"),
            Self::Strips(s) => write!(f, "{} strips", s.len()),
            Self::Ping => f.write_str("a ping"),
            Self::AskCredentials => f.write_str("a question for credentials"),
            Self::Other(kind) => write!(f, "a frame of kind {kind}"),
        }
    }
}
