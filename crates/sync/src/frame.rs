//! The frames of a meeting and of a parcel. docs/protocol.md draws every byte; kinds are only ever added.
//!
//! A frame is its kind (one byte) and its body. Kinds from 128 on may be skipped by whoever does not know them.

use crate::PROVISIONAL_BYTES;
use crate::block::{append, split};
use crate::items::{ITEMS_LIMIT, Items};
use crate::meeting::CREDENTIALS_BYTES;
use crate::{Config, HELLO_NAME_BYTES, Holdings, InviteProof, StripKey, SurveySecret, Wants};
use leadline_logbook::{CodecError, Have, Limits, LogHave, decode, encode, pack, unpack};
use leadline_model::{DeviceId, Digest, SurveyId, Text};
use serde::{Deserialize, Serialize};

/// Oldest and newest protocol this program speaks.
pub(crate) const PROTOCOLS: (u16, u16) = (1, 1);

pub(crate) mod kind {
    pub(crate) const HELLO: u8 = 1;
    pub(crate) const REFUSED: u8 = 2;
    pub(crate) const HAVE: u8 = 3;
    pub(crate) const OFFER: u8 = 4;
    pub(crate) const ENTRIES: u8 = 5;
    pub(crate) const ACK: u8 = 6;
    pub(crate) const WANT: u8 = 7;
    pub(crate) const STRIPS: u8 = 8;
    pub(crate) const DONE: u8 = 9;
    pub(crate) const PING: u8 = 10;
    pub(crate) const HERE: u8 = 11;
    pub(crate) const LEAVE: u8 = 12;
    pub(crate) const NOW: u8 = 13;
    pub(crate) const SECRET: u8 = 14;
    pub(crate) const SKIPPABLE: u8 = 128;
    pub(crate) const PROVISIONAL: u8 = 129;
    pub(crate) const ASK_CREDENTIALS: u8 = 130;
    pub(crate) const CREDENTIALS: u8 = 131;
}

/// One message of a meeting.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Frame {
    /// First frame of either side.
    Hello(Box<Hello>),
    /// The meeting ends here: a [`crate::RefusalCode`] as number.
    Refused(u8),
    /// What the sender holds.
    Have(Have),
    /// So many entries follow in this round.
    Offer(u32),
    /// Entries: a block under zstd, not unpacked yet.
    Entries(Vec<u8>),
    /// So many more frames of entries or strips are durable.
    Ack(u32),
    /// Strips the sender asks for.
    Want(Vec<StripKey>),
    /// Packed strips in the order they were asked for; an empty one is not held.
    Strips(Vec<Vec<u8>>),
    /// The sender has taken all it was offered and all it asked for.
    Done(Done),
    /// Nothing: shows that the sender is there.
    Ping,
    /// Strips the receiver has asked for in vain are held now.
    Here(Vec<StripKey>),
    /// The sender leaves a meeting that stayed on.
    Leave,
    /// Digest of the entries the sender has in force now.
    Now(Digest),
    /// The survey's newer secret, for a peer that told to know an older one.
    Secret(SurveySecret),
    /// What a leg that is being recorded looks like so far; opaque, kept by nobody.
    Provisional(Vec<u8>),
    /// The receiver is not known here: what admitted it?
    AskCredentials,
    /// The entries that admitted the sender: a block under zstd, not unpacked yet.
    Credentials(Vec<u8>),
    /// A kind this program does not know and may skip.
    Newer,
}

/// Who is there, and is there anything to do? The layout is frozen for every protocol version: it is sent before
/// the peer's version is known. What later versions add goes into `more`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Hello {
    pub(crate) oldest: u16,
    pub(crate) newest: u16,
    pub(crate) survey: SurveyId,
    pub(crate) device: DeviceId,
    pub(crate) name: Text,
    pub(crate) proof: Vec<u8>,
    pub(crate) invite: Option<Invite>,
    /// Largest frame the sender takes, bytes.
    pub(crate) frame: u32,
    /// 0 everything, 1 entries only, 2 the areas and dates of an item; other numbers are of later versions.
    pub(crate) wants: u8,
    /// Whether the sender lacks strips it wants.
    pub(crate) lacks: bool,
    /// Digest of the entries in force.
    pub(crate) digest: Digest,
    /// [`Items`]
    pub(crate) more: Vec<u8>,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Invite {
    pub(crate) key: [u8; 32],
    pub(crate) signature: Vec<u8>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Done {
    /// Entries the sender has been sent in this meeting.
    pub(crate) entries: u32,
    /// Strips the sender has been sent in this meeting, empty ones not counted.
    pub(crate) strips: u32,
    /// Entries of this round that were new to the sender.
    pub(crate) new: u32,
    /// Digest of the entries it has in force now.
    pub(crate) digest: Digest,
}

/// Which change, and the secret.
const SECRET_BYTES: usize = 4 + 32;

/// More than a hello ever needs; a stranger cannot make us hold more.
const HELLO_LIMIT: usize = 512 + ITEMS_LIMIT;

impl Hello {
    pub(crate) fn of(cfg: &Config, holdings: &Holdings) -> Self {
        Self {
            oldest: PROTOCOLS.0,
            newest: PROTOCOLS.1,
            survey: cfg.survey,
            device: cfg.device,
            name: cut_name(&cfg.name),
            proof: cfg.proof.clone(),
            invite: cfg.invite.as_ref().map(|i| Invite { key: i.key, signature: i.signature.clone() }),
            frame: u32::try_from(cfg.limits.frame).unwrap_or(u32::MAX),
            wants: match cfg.wants {
                Wants::Everything => 0,
                Wants::EntriesOnly => 1,
                Wants::Part(_) => 2,
            },
            lacks: cfg.wants != Wants::EntriesOnly && holdings.missing_strips > 0,
            digest: holdings.digest,
            more: Items::of(cfg).write(),
        }
    }

    pub(crate) fn invite_proof(&self) -> Option<InviteProof> {
        self.invite.as_ref().map(|i| InviteProof { key: i.key, signature: i.signature.clone() })
    }
}

fn cut_name(name: &Text) -> Text {
    let text = name.as_str();
    let mut end = text.len().min(HELLO_NAME_BYTES);
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    Text::new(text.get(..end).unwrap_or_default()).unwrap_or_else(|_| name.clone())
}

impl Frame {
    /// The frame's bytes; fails if it is larger than `limit`.
    pub(crate) fn encode(&self, limit: usize) -> Result<Vec<u8>, CodecError> {
        let mut out = vec![self.kind()];
        match self {
            Self::Hello(h) => out.extend(encode(h, HELLO_LIMIT)?),
            Self::Refused(code) => out.push(*code),
            Self::Have(have) => out.extend(encode(have, limit)?),
            Self::Offer(n) | Self::Ack(n) => out.extend(n.to_le_bytes()),
            Self::Entries(packed) => out.extend(packed),
            Self::Want(keys) | Self::Here(keys) => keys.iter().for_each(|k| out.extend(k.0)),
            Self::Strips(items) => items.iter().for_each(|i| append(&mut out, i)),
            Self::Done(d) => out.extend(encode(d, limit)?),
            Self::Now(digest) => out.extend(digest.0),
            Self::Provisional(bytes) | Self::Credentials(bytes) => out.extend(bytes),
            Self::Secret(s) => {
                out.extend(s.generation.to_le_bytes());
                out.extend(s.secret);
            }
            Self::Ping | Self::Leave | Self::AskCredentials | Self::Newer => {}
        }
        if out.len() > limit { Err(CodecError::Oversize(limit)) } else { Ok(out) }
    }

    /// Reads a frame from outside.
    pub(crate) fn decode(bytes: &[u8], limits: &Limits) -> Result<Self, CodecError> {
        if bytes.len() > limits.frame {
            return Err(CodecError::TooLong { got: bytes.len(), limit: limits.frame });
        }
        let (kind, body) = bytes.split_first().ok_or(CodecError::Layout)?;
        Ok(match *kind {
            kind::HELLO => Self::Hello(Box::new(decode(body, HELLO_LIMIT)?)),
            kind::REFUSED => Self::Refused(decode(body, 1)?),
            kind::HAVE => Self::Have(decode(body, limits.frame)?),
            kind::OFFER => Self::Offer(decode(body, 4)?),
            kind::ENTRIES => Self::Entries(body.to_vec()),
            kind::ACK => Self::Ack(decode(body, 4)?),
            kind::WANT => Self::Want(keys_of(body).ok_or(CodecError::Layout)?),
            kind::STRIPS => {
                let items = split(body, limits.strip_packed).ok_or(CodecError::Layout)?;
                Self::Strips(items.into_iter().map(<[u8]>::to_vec).collect())
            }
            kind::DONE => Self::Done(decode(body, limits.frame)?),
            kind::PING if body.is_empty() => Self::Ping,
            kind::HERE => Self::Here(keys_of(body).ok_or(CodecError::Layout)?),
            kind::LEAVE if body.is_empty() => Self::Leave,
            kind::NOW => Self::Now(decode(body, Digest::LEN)?),
            kind::SECRET => {
                let (generation, secret) = decode(body, SECRET_BYTES)?;
                Self::Secret(SurveySecret { generation, secret })
            }
            kind::PROVISIONAL if body.len() <= PROVISIONAL_BYTES => Self::Provisional(body.to_vec()),
            kind::ASK_CREDENTIALS if body.is_empty() => Self::AskCredentials,
            kind::CREDENTIALS if body.len() <= CREDENTIALS_BYTES => Self::Credentials(body.to_vec()),
            kind::SKIPPABLE.. => Self::Newer,
            _ => return Err(CodecError::Layout),
        })
    }

    fn kind(&self) -> u8 {
        match self {
            Self::Hello(_) => kind::HELLO,
            Self::Refused(_) => kind::REFUSED,
            Self::Have(_) => kind::HAVE,
            Self::Offer(_) => kind::OFFER,
            Self::Entries(_) => kind::ENTRIES,
            Self::Ack(_) => kind::ACK,
            Self::Want(_) => kind::WANT,
            Self::Strips(_) => kind::STRIPS,
            Self::Done(_) => kind::DONE,
            Self::Ping => kind::PING,
            Self::Here(_) => kind::HERE,
            Self::Leave => kind::LEAVE,
            Self::Now(_) => kind::NOW,
            Self::Secret(_) => kind::SECRET,
            Self::Provisional(_) => kind::PROVISIONAL,
            Self::AskCredentials => kind::ASK_CREDENTIALS,
            Self::Credentials(_) => kind::CREDENTIALS,
            Self::Newer => kind::SKIPPABLE,
        }
    }
}

fn keys_of(body: &[u8]) -> Option<Vec<StripKey>> {
    let (keys, rest) = body.as_chunks::<{ StripKey::LEN }>();
    rest.is_empty().then(|| keys.iter().copied().map(StripKey).collect())
}

/// Entries as the body of a frame.
pub(crate) fn pack_entries<'a>(entries: impl IntoIterator<Item = &'a [u8]>) -> Result<Vec<u8>, CodecError> {
    let mut block = Vec::new();
    entries.into_iter().for_each(|e| append(&mut block, e));
    pack(&block)
}

/// The entries of a frame's body: none larger than an entry may be, together no larger than a frame.
pub(crate) fn unpack_entries(packed: &[u8], limits: &Limits) -> Result<Vec<Vec<u8>>, CodecError> {
    let block = unpack(packed, limits.frame)?;
    let items = split(&block, limits.entry).ok_or(CodecError::Layout)?;
    Ok(items.into_iter().map(<[u8]>::to_vec).collect())
}

/// `have` in one frame. What does not fit is left out: that only makes the peer send what is held already.
pub(crate) fn fit_have(mut have: Have, devices: usize, limit: usize) -> Have {
    const LOG_BYTES: usize = DeviceId::LEN + 8 + 8 + 32 + 8;
    let mut room = limit.saturating_sub(1 + 8);
    let mut last = None;
    let mut seen = 0;
    have.0.retain(|log: &LogHave| {
        if last != Some(log.device) {
            last = Some(log.device);
            seen += 1;
        }
        let fits = seen <= devices && room >= LOG_BYTES;
        room -= if fits { LOG_BYTES } else { 0 };
        fits
    });
    // The receiver counts each log as one more id.
    let mut ids = (limit / 32).saturating_sub(have.0.len());
    for log in &mut have.0 {
        log.extra.truncate(ids.min(room / 32));
        ids -= log.extra.len();
        room -= log.extra.len() * 32;
    }
    have
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::{EntryId, Epoch};

    #[test]
    fn names_are_cut_between_characters() {
        let name = Text::new(&"ü".repeat(40)).expect("80 bytes");
        assert_eq!(cut_name(&name).as_str(), "ü".repeat(20));
        let odd = Text::new(&format!("a{}", "ü".repeat(40))).expect("81 bytes");
        assert_eq!(cut_name(&odd).as_str().len(), 39);
    }

    #[test]
    fn a_have_list_too_large_for_a_frame_is_shortened_within_bounds() {
        let log = |d: u8| LogHave {
            device: DeviceId([d; 32]),
            epoch: Epoch([0; 8]),
            top: 1,
            top_id: EntryId([9; 32]),
            extra: vec![EntryId([7; 32]); 50],
        };
        let have = Have((0..10).map(log).collect());
        for limit in [100, 1000, 4000, 10_000, 20_000] {
            let limits = Limits { frame: limit, ..Limits::default() };
            let fitted = fit_have(have.clone(), 8, limit);
            assert!(Frame::Have(fitted.clone()).encode(limit).is_ok(), "{limit}");
            assert!(fitted.is_bounded(&limits), "{limit}");
            assert!(fitted.0.len() <= 8);
        }
        assert_eq!(fit_have(have.clone(), 10, 1 << 20), have);
    }

    #[test]
    fn kinds_of_later_versions() {
        let limits = Limits::default();
        assert_eq!(Frame::decode(&[200, 1, 2, 3], &limits), Ok(Frame::Newer));
        assert_eq!(Frame::decode(&[100], &limits), Err(CodecError::Layout));
        assert_eq!(Frame::decode(&[], &limits), Err(CodecError::Layout));
        assert_eq!(
            Frame::decode(&[kind::OFFER, 1, 0, 0, 0, 0], &limits),
            Err(CodecError::TooLong { got: 5, limit: 4 })
        );
    }
}
