//! The desk: everything a meeting wants to know of, or leave with, the store behind it.

use crate::{Binding, Config, SurveySecret, Wants};
use leadline_logbook::Have;
use leadline_model::{DeviceId, Digest, EntryId, StripDigest, SurveyId, Text};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Whoever holds the data. Its calls may block; the caller keeps them off its event loop and calls it from two
/// threads at once (one per [`Lane`]), for several meetings at a time.
pub trait Desk: Send + Sync + 'static {
    /// A meeting is about to begin over the channel `binding` names: who is this device, and what does it hold?
    fn open(&self, binding: Binding) -> Result<(Config, Holdings), DeskError>;

    /// Answers one question with the matching kind of [`Answer`].
    fn answer(&self, question: Question) -> Result<Answer, DeskError>;

    /// A number that is another one whenever entries or strips have come from anywhere, or strips that a meeting was
    /// to fetch are free again. Asked about four times a second by every meeting that stays on, so it must be cheap.
    fn version(&self) -> Result<u64, DeskError> {
        Ok(0)
    }

    /// The meeting with this number ([`Config::meeting`]) is over, in whatever way.
    fn close(&self, _meeting: u64) {}

    /// The surveys that this one adopts and about which this device meets its crew: ascending, at most
    /// [`crate::ADOPTED_MAX`]. Asked after a meeting, so that what it brought counts.
    fn adopted(&self) -> Result<Vec<SurveyId>, DeskError> {
        Ok(Vec::new())
    }

    /// The desk of one of them; `None` if it is none of them. It admits whom this desk admits.
    fn adopted_desk(&self, _survey: &SurveyId) -> Result<Option<Arc<dyn Desk>>, DeskError> {
        Ok(None)
    }

    /// What of a leg that is being recorded is to be shown to the crew, with a number that grows with it: the latest
    /// only, at most [`crate::PROVISIONAL_BYTES`]. Nothing in it is kept by anybody.
    fn provisional(&self) -> Option<(u64, Vec<u8>)> {
        None
    }

    /// What a device shows of its open leg. It has proven its key; the bytes are unchecked.
    fn show_provisional(&self, _from: DeviceId, _bytes: Vec<u8>) {}
}

/// The store could not do what was asked. Ends the meeting; nothing that was acknowledged is affected.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the store failed: {0}")]
pub struct DeskError(String);

impl DeskError {
    /// From any error, for people to read.
    pub fn new(reason: impl std::fmt::Display) -> Self {
        Self(reason.to_string())
    }
}

/// What a device holds, in short.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Holdings {
    /// Digest of the entries in force; two devices with the same entries have the same one.
    pub digest: Digest,
    /// Strips that entries in force name, that are wanted ([`Config::wants`]) and not held.
    pub missing_strips: u32,
    /// Entries in force.
    pub entries: u64,
}

/// The two halves of a meeting. Each has at most one question open; both may have one at the same time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Lane {
    /// Giving to the peer: reads only.
    Give,
    /// Taking from the peer: reads and writes.
    Take,
}

/// The first half of a strip's digest, by which strips are asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct StripKey(pub [u8; Self::LEN]);

impl StripKey {
    /// Length in bytes.
    pub const LEN: usize = 16;

    /// The smallest and the largest digest that begin with this key, for a range query.
    pub fn range(&self) -> (StripDigest, StripDigest) {
        let with = |fill: u8| {
            let mut d = [fill; StripDigest::LEN];
            d[..Self::LEN].copy_from_slice(&self.0);
            StripDigest(d)
        };
        (with(0), with(0xff))
    }
}

impl From<&StripDigest> for StripKey {
    fn from(digest: &StripDigest) -> Self {
        Self(*digest.0.first_chunk().expect("a digest has 32 bytes"))
    }
}

/// A question to the desk.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Question {
    /// May this device, which has proven its key, meet us? → [`Answer::Admitted`]. If it is no member and brings
    /// an invite, the desk may admit it, by an entry that is durable before the answer.
    Admit {
        /// The peer.
        device: DeviceId,
        /// The peer's name for itself.
        name: Text,
        /// Public key of the invite it brought; that it holds the secret half has been verified.
        invite: Option<[u8; 32]>,
    },
    /// The same question once more, for a peer that is not known and shows the entries that admitted it: take in what
    /// of them holds, then decide. → [`Answer::Admitted`]
    Introduce {
        /// The peer.
        device: DeviceId,
        /// The peer's name for itself.
        name: Text,
        /// Entries, exact bytes; nothing of them has been checked. At most [`crate::CREDENTIALS_MAX`].
        entries: Vec<Vec<u8>>,
    },
    /// The entries that admitted this device: its own admission, that of who gave it, and so on, at most
    /// [`crate::CREDENTIALS_MAX`]; none if it is in no crew. → [`Answer::Items`]
    Credentials,
    /// The have-list of the entries in force. → [`Answer::Have`]
    Have,
    /// Ids of the entries in force that a peer with this have-list lacks, oldest first
    /// ([`Have::missing_of`]). → [`Answer::Missing`]
    Missing(Have),
    /// These entries, as many from the front as fit. → [`Answer::Items`]
    Entries {
        /// Which.
        ids: Vec<EntryId>,
        /// Stop before exceeding this many bytes, but give at least one item.
        max_bytes: usize,
    },
    /// The packed strips with these keys, as many from the front as fit. → [`Answer::Items`]
    Strips {
        /// Which.
        keys: Vec<StripKey>,
        /// Stop before exceeding this many bytes, but give at least one item.
        max_bytes: usize,
    },
    /// Take in and make durable, in one transaction. Nothing in it has been checked, except that sizes keep to the
    /// limits. → [`Answer::Stored`]
    Store {
        /// The peer it came from (not necessarily who wrote it).
        from: DeviceId,
        /// The meeting ([`Config::meeting`]).
        meeting: u64,
        /// Entries, exact bytes.
        entries: Vec<Vec<u8>>,
        /// Packed strips, under the digest they were asked for by.
        strips: Vec<(StripDigest, Vec<u8>)>,
        /// Strips that were asked for and that the peer does not hold: another meeting may fetch them.
        absent: Vec<StripDigest>,
    },
    /// Digests of strips named by entries in force, within `wants`, not held: ascending, the first `max` of those
    /// greater than `after`. From then on they are this meeting's to fetch, until they are stored, are named absent or
    /// the meeting is over; what another one is fetching is left out, and what was absent at this peer too.
    /// → [`Answer::Wanted`]
    WantedStrips {
        /// The meeting ([`Config::meeting`]).
        meeting: u64,
        /// What this device wants.
        wants: Wants,
        /// Where the page before ended.
        after: Option<StripDigest>,
        /// Length of a full page; a shorter answer is the last one.
        max: usize,
    },
    /// The peer says that it holds these now, which were absent before: those of them that are still wanted and not
    /// being fetched by another meeting. → [`Answer::Wanted`]
    WantedAgain {
        /// The meeting ([`Config::meeting`]).
        meeting: u64,
        /// Which.
        digests: Vec<StripDigest>,
    },
    /// What is held now. → [`Answer::Holdings`]
    Holdings,
    /// Ids of entries that have come into force since the news ended at `after`, in the order in which they came, at
    /// most `max`. → [`Answer::News`]
    News {
        /// Where the news before ended; 0 = from the first entry on.
        after: u64,
        /// How many. 0 asks only where the news end now.
        max: usize,
    },
    /// Which of these strips are held. → [`Answer::Held`]
    Held(Vec<StripKey>),
    /// A secret that the peer says is the survey's newer one: to be kept if a keeper has announced it, and else not.
    /// → [`Answer::Noted`]
    Secret(SurveySecret),
}

/// The desk's answer.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Answer {
    /// To [`Question::Admit`].
    Admitted(Admission),
    /// To [`Question::Have`].
    Have(Have),
    /// To [`Question::Missing`].
    Missing(Vec<EntryId>),
    /// To [`Question::Entries`] and [`Question::Strips`]: one item for each from the front, at least one; `None` =
    /// not held (any more).
    Items(Vec<Option<Vec<u8>>>),
    /// To [`Question::Store`].
    Stored(Stored),
    /// To [`Question::WantedStrips`] and [`Question::WantedAgain`].
    Wanted(Vec<StripDigest>),
    /// To [`Question::Holdings`].
    Holdings(Holdings),
    /// To [`Question::News`].
    News {
        /// The entries.
        ids: Vec<EntryId>,
        /// Where they end: the next question's `after`.
        upto: u64,
    },
    /// To [`Question::Held`].
    Held(Vec<StripKey>),
    /// To [`Question::Secret`].
    Noted,
}

/// Whether a device may meet us.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Admission {
    /// It is a member, or this device has just joined and does not know the crew yet.
    Member,
    /// It was admitted just now by its invite.
    Joined,
    /// No member, no invite.
    Stranger,
    /// Its invite is not known here, or not yet.
    InviteUnknown,
    /// Its invite is past its time.
    InviteExpired,
    /// Its invite has been used by another device.
    InviteUsed,
    /// It was a member once.
    Dismissed,
    /// Its invite is good, but the crew has as many devices as it can have.
    Full,
}

/// What became of one group.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Stored {
    /// New entries in force.
    pub entries: u32,
    /// Entries that were held already.
    pub known: u32,
    /// Entries kept aside until their device is admitted.
    pub waiting: u32,
    /// New strips.
    pub strips: u32,
    /// Ids of the entries that came, whatever became of them: they are not given back to who gave them.
    pub ids: Vec<EntryId>,
    /// What was not taken: the reason for people, and how often.
    pub refused: BTreeMap<String, u32>,
}
