//! Entries: signed sets of writes.
//!
//! Bytes: envelope (121, layout frozen for ever) ‖ body (version byte, then the writes) ‖ signature (64). The id is
//! the digest of envelope ‖ body; the signature is over the same bytes behind a domain tag.

use crate::sound::is_sound;
use crate::{
    CodecError, DeviceKey, Domain, Limits, Op, Place, SIGNATURE_BYTES, Signs, WriteRef, decode, encode,
    verify,
};
use leadline_model::{DeviceId, EntryId, Epoch, Nonce, SurveyId, UtcMillis};
use serde::{Deserialize, Serialize};

const ENVELOPE_VERSION: u8 = 1;
const ENVELOPE_BYTES: usize = 121;
/// The newest body this program reads. An entry is written with the lowest version that can hold its writes, so that
/// an older program reads all it can.
pub const BODY_VERSION: u8 = 4;
/// Far beyond any logbook, and one more still fits every integer a store or a program would use.
const MAX_SEQ: u64 = 1 << 48;
/// Year 10,000: a clock may be wrong, but its times must stay writable and their differences finite.
const FAR_FUTURE: i64 = 253_402_300_800_000;

/// Who wrote an entry, where it stands in the logbook, and when its device says it was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Envelope {
    version: u8,
    /// The survey it belongs to.
    pub survey: SurveyId,
    /// The device that signed.
    pub device: DeviceId,
    /// Its run of the store.
    pub epoch: Epoch,
    /// Number within the epoch, from 1.
    pub seq: u64,
    /// Random: makes the entry's id unlike any other, and so the keys it writes.
    pub nonce: Nonce,
    /// The entry before it in this epoch; zeros for the first.
    pub prev: EntryId,
    /// The device's clock when it wrote: a claim, nothing depends on it.
    pub claimed: UtcMillis,
}

impl Envelope {
    /// An envelope of the current version.
    pub fn new(
        survey: SurveyId,
        place: (DeviceId, Epoch, u64),
        prev: EntryId,
        nonce: Nonce,
        claimed: UtcMillis,
    ) -> Self {
        let (device, epoch, seq) = place;
        Self { version: ENVELOPE_VERSION, survey, device, epoch, seq, nonce, prev, claimed }
    }
}

/// What an entry says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Body {
    /// Writes this program understands.
    Ops(Vec<Op>),
    /// A newer version: kept and relayed unread.
    Newer(u8),
}

/// An entry whose signature and structure have been checked. Only this module can make one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    envelope: Envelope,
    body: Body,
    id: EntryId,
    bytes: Vec<u8>,
}

/// Why bytes are no entry that this survey takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Refusal {
    /// Too long, too short, or not the layout.
    #[error("entry: {0}")]
    Codec(#[from] CodecError),
    /// An envelope version that does not exist.
    #[error("entry envelope version {0} is unknown")]
    Envelope(u8),
    /// Another survey's.
    #[error("the entry belongs to survey {}", .0.short())]
    OtherSurvey(SurveyId),
    /// Its device is not in the crew.
    #[error("device {} is not in the crew", .0.short())]
    NotAdmitted(DeviceId),
    /// The signature does not fit.
    #[error("the entry's signature is wrong")]
    Signature,
    /// Breaks a bound of its kind: a count, a range, an order.
    #[error("the entry breaks a limit or is not well formed")]
    Unsound,
    /// Too many contents for one place in a logbook.
    #[error("too many different entries at one place of a device's logbook")]
    Fork,
    /// Applying it to a document failed; it is kept aside.
    #[error("the entry could not be put into its document")]
    Document,
}

impl Entry {
    /// Signs writes. Fails if they are over the limits or not well formed.
    pub fn sign(key: &DeviceKey, envelope: Envelope, ops: Vec<Op>, limits: &Limits) -> Result<Self, Refusal> {
        if key.id() != envelope.device {
            return Err(Refusal::Signature);
        }
        if !sound(&envelope, &ops, limits) {
            return Err(Refusal::Unsound);
        }
        let mut bytes = encode(&envelope, ENVELOPE_BYTES)?;
        bytes.push(version_of(&ops));
        bytes.extend(encode(&ops, limits.entry)?);
        let id = id_of(&bytes);
        let signature = key.sign(Signs::Entry, &[&bytes]);
        bytes.extend_from_slice(&signature);
        if bytes.len() > limits.entry {
            return Err(CodecError::Oversize(limits.entry).into());
        }
        Ok(Self { envelope, body: Body::Ops(ops), id, bytes })
    }

    /// Checks bytes from outside in this order: length, envelope, survey, admitted key, signature, limits and
    /// structure. An entry that begins the survey admits its own device.
    pub fn open(
        bytes: &[u8],
        survey: &SurveyId,
        admitted: impl Fn(&DeviceId) -> bool,
        limits: &Limits,
    ) -> Result<Self, Refusal> {
        let envelope = peek(bytes, limits)?;
        if envelope.survey != *survey {
            return Err(Refusal::OtherSurvey(envelope.survey));
        }
        if !admitted(&envelope.device) && !founds(bytes, &envelope, limits) {
            return Err(Refusal::NotAdmitted(envelope.device));
        }
        let (signed, signature) = split(bytes).ok_or(CodecError::Layout)?;
        if !verify(&envelope.device, Signs::Entry, &[signed], signature) {
            return Err(Refusal::Signature);
        }
        let body = read_body(signed, limits)?;
        let well_formed = match &body {
            Body::Ops(ops) => sound(&envelope, ops, limits),
            Body::Newer(_) => sound(&envelope, &[], limits),
        };
        if !well_formed {
            return Err(Refusal::Unsound);
        }
        Ok(Self { envelope, body, id: id_of(signed), bytes: bytes.to_vec() })
    }

    /// Who wrote it, and where it stands.
    pub fn envelope(&self) -> &Envelope {
        &self.envelope
    }

    /// What it says.
    pub fn body(&self) -> &Body {
        &self.body
    }

    /// Its writes; none where the body is newer than this program.
    pub fn ops(&self) -> &[Op] {
        match &self.body {
            Body::Ops(ops) => ops,
            Body::Newer(_) => &[],
        }
    }

    /// Its writes with the last part of their keys: made of the entry's id, so that nobody can choose them.
    pub fn writes(&self) -> impl Iterator<Item = (WriteRef, &Op)> {
        let nonce = Nonce(self.id.0.first_chunk().copied().expect("an id has 32 bytes"));
        self.ops().iter().zip(0u16..).map(move |(op, n)| (WriteRef { nonce, n }, op))
    }

    /// Its id.
    pub fn id(&self) -> EntryId {
        self.id
    }

    /// The exact bytes, signature included.
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// Its place, for have-lists.
    pub fn place(&self) -> Place {
        let e = &self.envelope;
        Place { device: e.device, epoch: e.epoch, seq: e.seq, id: self.id, prev: e.prev }
    }
}

/// Reads only the envelope; nothing in it is proven yet.
pub fn peek(bytes: &[u8], limits: &Limits) -> Result<Envelope, Refusal> {
    if bytes.len() > limits.entry {
        return Err(CodecError::TooLong { got: bytes.len(), limit: limits.entry }.into());
    }
    let head = bytes.get(..ENVELOPE_BYTES).ok_or(CodecError::Layout)?;
    let envelope: Envelope = decode(head, ENVELOPE_BYTES)?;
    if envelope.version == ENVELOPE_VERSION { Ok(envelope) } else { Err(Refusal::Envelope(envelope.version)) }
}

/// The id that bytes claim by their content; says nothing about the signature.
pub fn entry_id(bytes: &[u8]) -> Option<EntryId> {
    split(bytes).map(|(signed, _)| id_of(signed))
}

fn split(bytes: &[u8]) -> Option<(&[u8], &[u8; SIGNATURE_BYTES])> {
    // One byte of body at least: its version.
    if bytes.len() < ENVELOPE_BYTES + 1 + SIGNATURE_BYTES {
        return None;
    }
    bytes.split_last_chunk()
}

fn id_of(signed: &[u8]) -> EntryId {
    EntryId(Domain::Entry.digest(&[signed]).0)
}

fn read_body(signed: &[u8], limits: &Limits) -> Result<Body, Refusal> {
    match signed.get(ENVELOPE_BYTES..) {
        Some([version @ 1..=BODY_VERSION, ops @ ..]) => {
            let ops: Vec<Op> = decode(ops, limits.entry)?;
            // A program that knows only that version refuses a later one's writes in it, and so does this one.
            if version_of(&ops) <= *version { Ok(Body::Ops(ops)) } else { Err(CodecError::Layout.into()) }
        }
        Some([newer, ..]) if *newer > BODY_VERSION => Ok(Body::Newer(*newer)),
        _ => Err(CodecError::Layout.into()),
    }
}

fn version_of(ops: &[Op]) -> u8 {
    ops.iter().map(Op::body_version).max().unwrap_or(1)
}

fn sound(e: &Envelope, ops: &[Op], limits: &Limits) -> bool {
    let first = e.prev == EntryId([0; 32]);
    let dated = (0..FAR_FUTURE).contains(&e.claimed.0);
    let writes: usize = ops.iter().map(|op| if let Op::Leg(c) = op { 1 + c.strips.len() } else { 1 }).sum();
    dated
        && (1..=MAX_SEQ).contains(&e.seq)
        && (e.seq == 1) == first
        && writes <= limits.writes
        && ops.iter().all(|op| is_sound(op, limits))
}

fn founds(bytes: &[u8], envelope: &Envelope, limits: &Limits) -> bool {
    let body = split(bytes).and_then(|(signed, _)| read_body(signed, limits).ok());
    matches!(body, Some(Body::Ops(ops)) if ops.iter().any(|op| matches!(op, Op::Found(f) if f.survey_id(&envelope.device) == envelope.survey)))
}
