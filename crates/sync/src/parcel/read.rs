//! Reading a parcel, piece by piece, taking what is whole.

use super::{PARCEL_MAGIC, PARCEL_VERSION, ParcelHeader, ParcelSeal, ParcelTerms, hasher, kind};
use crate::block::split;
use crate::frame::unpack_entries;
use crate::framing::{Deframer, FRAME_PREFIX, framed};
use leadline_logbook::{Hasher, Limits, SIGNATURE_BYTES, Signs, decode, verify};
use leadline_model::SurveyId;

/// Why a file is not a parcel that can be read here.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ParcelError {
    /// Not a parcel.
    #[error("this is not a parcel: it does not begin with LEADLINE")]
    NotAParcel,
    /// Of a later program.
    #[error(
        "the parcel has format version {0}, this program reads up to {PARCEL_VERSION}: update the program"
    )]
    Version(u16),
    /// Its first frame is no header.
    #[error("the parcel's header is damaged: ask for the parcel again")]
    Header,
    /// Of another survey than the one it is read into.
    #[error("the parcel belongs to survey {} (`{name}`), not to survey {}", .found.short(), .expected.short())]
    OtherSurvey {
        /// Its survey.
        found: SurveyId,
        /// That survey's name in the header.
        name: leadline_model::Text,
        /// The survey it is read into.
        expected: SurveyId,
    },
}

/// What comes out of a parcel.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum ParcelEvent {
    /// Always first.
    Header(Box<ParcelHeader>),
    /// Entries, exact bytes, unproven.
    Entries(Vec<Vec<u8>>),
    /// Packed strips, unproven; their digests are made from their content.
    Strips(Vec<Vec<u8>>),
    /// A frame that could not be read; reading goes on behind it if its end is known.
    Damaged {
        /// Where the frame begins, bytes from the start of the file.
        at: u64,
        /// What is wrong.
        what: ParcelDamage,
    },
}

/// What is wrong with a frame of a parcel.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ParcelDamage {
    /// Its content cannot be read.
    #[error("a frame cannot be read")]
    Content,
    /// Its length is impossible, so that nothing after it can be found.
    #[error("a frame's length is damaged; what follows cannot be read")]
    Length,
    /// There is something after the seal.
    #[error("there are bytes after the parcel's end")]
    AfterSeal,
}

/// How a parcel ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ParcelEnd {
    /// Bytes from the start of the file up to which frames were whole.
    pub whole: u64,
    /// Bytes after that.
    pub torn: u64,
    /// Entries given out.
    pub entries: u64,
    /// Strips given out.
    pub strips: u64,
    /// Frames that could not be read.
    pub damaged: u64,
    /// The seal, if it came, fits all bytes before it, and is signed by the maker the header names: nothing is
    /// missing or altered.
    pub sealed: Option<ParcelSeal>,
}

impl ParcelEnd {
    /// Whether all that its maker put in has come unaltered.
    pub fn is_whole(&self) -> bool {
        self.sealed.as_ref().is_some_and(|s| (s.entries, s.strips) == (self.entries, self.strips))
            && (self.damaged, self.torn) == (0, 0)
    }
}

/// Reads a parcel from bytes that come in pieces. Holds at most one frame.
#[derive(Debug)]
pub struct ParcelReader {
    expected: Option<SurveyId>,
    limits: Limits,
    deframer: Deframer,
    hasher: Hasher,
    state: State,
    header: Option<Box<ParcelHeader>>,
    terms: Option<ParcelTerms>,
    end: ParcelEnd,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Magic,
    Header,
    Content,
    Sealed,
    Lost,
}

const PREAMBLE: usize = PARCEL_MAGIC.len() + 2;

impl ParcelReader {
    /// For a parcel of `expected`, or of any survey (to look at it).
    pub fn new(expected: Option<SurveyId>, limits: Limits) -> Self {
        Self {
            expected,
            limits,
            deframer: Deframer::new(limits.frame),
            hasher: hasher(),
            state: State::Magic,
            header: None,
            terms: None,
            end: ParcelEnd { whole: 0, torn: 0, entries: 0, strips: 0, damaged: 0, sealed: None },
        }
    }

    /// The header, once it has been read.
    pub fn header(&self) -> Option<&ParcelHeader> {
        self.header.as_deref()
    }

    /// The terms, once content has come; plain ones if the parcel has none.
    pub fn terms(&self) -> ParcelTerms {
        self.terms.clone().unwrap_or_default()
    }

    /// Reads on. After an error nothing more comes.
    pub fn push(&mut self, mut bytes: &[u8]) -> Result<Vec<ParcelEvent>, ParcelError> {
        let mut events = Vec::new();
        // No more than a frame at a time, so that a caller may push a whole file and still get bounded copies.
        while !bytes.is_empty() {
            let (piece, rest) = bytes.split_at(bytes.len().min(PIECE));
            bytes = rest;
            self.push_piece(piece, &mut events)?;
        }
        Ok(events)
    }

    /// No more bytes will come: where it ended, and whether it is whole.
    pub fn finish(mut self) -> Result<ParcelEnd, ParcelError> {
        match self.state {
            State::Magic => Err(ParcelError::NotAParcel),
            State::Header => Err(ParcelError::Header),
            _ => {
                self.end.torn += self.deframer.rest().len() as u64;
                Ok(self.end)
            }
        }
    }

    fn push_piece(&mut self, piece: &[u8], events: &mut Vec<ParcelEvent>) -> Result<(), ParcelError> {
        if self.state == State::Lost {
            self.end.torn += piece.len() as u64;
            return Ok(());
        }
        self.deframer.push(piece);
        if self.state == State::Magic && !self.read_magic()? {
            return Ok(());
        }
        loop {
            match self.deframer.frame() {
                Ok(Some(frame)) => events.extend(self.read_frame(&frame)?),
                Ok(None) => return Ok(()),
                Err(_) if self.state == State::Header => return Err(ParcelError::Header),
                Err(_) => {
                    events.push(self.damaged(ParcelDamage::Length));
                    self.end.torn += self.deframer.rest().len() as u64;
                    self.deframer = Deframer::new(self.limits.frame);
                    self.state = State::Lost;
                    return Ok(());
                }
            }
        }
    }

    fn read_magic(&mut self) -> Result<bool, ParcelError> {
        let came = self.deframer.rest();
        let shown = came.len().min(PARCEL_MAGIC.len());
        if came.get(..shown) != PARCEL_MAGIC.get(..shown) {
            return Err(ParcelError::NotAParcel);
        }
        let Some(version) = came.get(PARCEL_MAGIC.len()..PREAMBLE).and_then(|v| v.first_chunk()) else {
            return Ok(false);
        };
        let version = u16::from_le_bytes(*version);
        if version != PARCEL_VERSION {
            return Err(ParcelError::Version(version));
        }
        let came = came.to_vec();
        let (preamble, rest) = came.split_at(PREAMBLE);
        self.hasher.update(preamble);
        self.end.whole = PREAMBLE as u64;
        self.deframer = Deframer::new(self.limits.frame);
        self.deframer.push(rest);
        self.state = State::Header;
        Ok(true)
    }

    fn read_frame(&mut self, frame: &[u8]) -> Result<Option<ParcelEvent>, ParcelError> {
        let event = match (self.state, frame.split_first()) {
            (State::Header, Some((&kind::HEADER, body))) => Some(self.read_header(body)?),
            (State::Header, _) => return Err(ParcelError::Header),
            (State::Sealed, _) => Some(self.damaged(ParcelDamage::AfterSeal)),
            (_, Some((kind, body))) => self.read_content(*kind, body),
            (_, None) => Some(self.damaged(ParcelDamage::Content)),
        };
        self.hasher.update(&framed(frame));
        self.end.whole += (frame.len() + FRAME_PREFIX) as u64;
        Ok(event)
    }

    fn read_header(&mut self, body: &[u8]) -> Result<ParcelEvent, ParcelError> {
        let header: ParcelHeader = decode(body, self.limits.frame).map_err(|_| ParcelError::Header)?;
        let bounded = header.presupposes.as_ref().is_none_or(|h| h.is_bounded(&self.limits));
        if !bounded || !header.holds.tiles.is_sorted() {
            return Err(ParcelError::Header);
        }
        if let Some(expected) = self.expected.filter(|e| *e != header.survey) {
            return Err(ParcelError::OtherSurvey { found: header.survey, name: header.name, expected });
        }
        self.state = State::Content;
        let header = Box::new(header);
        self.header = Some(header.clone());
        Ok(ParcelEvent::Header(header))
    }

    fn read_content(&mut self, kind: u8, body: &[u8]) -> Option<ParcelEvent> {
        match kind {
            kind::ENTRIES => match unpack_entries(body, &self.limits) {
                Ok(entries) => {
                    self.end.entries += entries.len() as u64;
                    Some(ParcelEvent::Entries(entries))
                }
                Err(_) => Some(self.damaged(ParcelDamage::Content)),
            },
            kind::STRIPS => match split(body, self.limits.strip_packed) {
                Some(strips) => {
                    self.end.strips += strips.len() as u64;
                    Some(ParcelEvent::Strips(strips.into_iter().map(<[u8]>::to_vec).collect()))
                }
                None => Some(self.damaged(ParcelDamage::Content)),
            },
            kind::SEAL => self.read_seal(body),
            kind::TERMS => self.read_terms(body),
            // An index is for those who can seek.
            kind::INDEX | kind::SKIPPABLE.. => None,
            _ => Some(self.damaged(ParcelDamage::Content)),
        }
    }

    /// The first terms hold, and only if nothing came before them.
    fn read_terms(&mut self, body: &[u8]) -> Option<ParcelEvent> {
        let first = self.terms.is_none() && (self.end.entries, self.end.strips) == (0, 0);
        match decode::<ParcelTerms>(body, TERMS_BYTES) {
            Ok(terms) if first && terms.part.is_none_or(|p| 0 < p.number && p.number <= p.of) => {
                self.terms = Some(terms);
                None
            }
            _ => Some(self.damaged(ParcelDamage::Content)),
        }
    }

    fn read_seal(&mut self, body: &[u8]) -> Option<ParcelEvent> {
        self.state = State::Sealed;
        let seal: Option<ParcelSeal> = decode(body, self.limits.frame).ok();
        let maker = self.header.as_ref()?.maker;
        let fits = |s: &ParcelSeal| {
            s.digest == self.hasher.finish()
                && <&[u8; SIGNATURE_BYTES]>::try_from(s.signature.as_slice())
                    .is_ok_and(|sig| verify(&maker, Signs::Parcel, &[&s.text()], sig))
        };
        self.end.sealed = seal.filter(fits);
        match self.end.sealed {
            Some(_) => None,
            None => Some(self.damaged(ParcelDamage::Content)),
        }
    }

    fn damaged(&mut self, what: ParcelDamage) -> ParcelEvent {
        self.end.damaged += 1;
        ParcelEvent::Damaged { at: self.end.whole, what }
    }
}

/// More than terms ever need.
const TERMS_BYTES: usize = 256;
/// Bytes taken at a time.
const PIECE: usize = 64 << 10;
