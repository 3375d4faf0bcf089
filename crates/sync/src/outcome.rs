//! How a meeting ends: what moved, or why it failed.

use crate::{Admission, DeskError};
use leadline_model::{DeviceId, Digest, Text, UtcMillis};
use std::collections::BTreeMap;

/// What moved in a meeting, so far or at its end.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
#[non_exhaustive]
pub struct Summary {
    /// The peer, once it has proven its key, and its name for itself.
    pub peer: Option<(DeviceId, Text)>,
    /// Whether it stays on when all is done.
    pub peer_stays: bool,
    /// What its clock said, if it told: for the ledger, nothing may depend on it.
    pub peer_clock: Option<UtcMillis>,
    /// By how many ms that was ahead of this device's clock when it came, if both are known.
    pub peer_clock_ahead_ms: Option<i64>,
    /// Which change of the survey's secret it knows, if it told.
    pub peer_secret_generation: Option<u32>,
    /// Whether the peer was admitted by its invite in this meeting.
    pub joined: bool,
    /// Entries given.
    pub entries_sent: u32,
    /// Entries the peer has said it will give.
    pub entries_offered: u32,
    /// Entries that came, whatever became of them.
    pub entries_received: u32,
    /// Of these, new in force.
    pub entries_new: u32,
    /// Of these, kept aside until their device is admitted.
    pub entries_waiting: u32,
    /// Strips given.
    pub strips_sent: u32,
    /// Strips asked for.
    pub strips_asked: u32,
    /// Strips that came, whatever became of them.
    pub strips_received: u32,
    /// Of these, new.
    pub strips_new: u32,
    /// Strips asked for that the peer does not hold.
    pub strips_absent: u32,
    /// Entries and strips that were not taken: the reason, and how often.
    pub refused: BTreeMap<String, u32>,
    /// Bytes of all frames sent, with their lengths.
    pub bytes_sent: u64,
    /// Bytes of all frames received, with their lengths.
    pub bytes_received: u64,
    /// Times one side had to wait for the other.
    pub round_trips: u32,
    /// Whether there was nothing to do.
    pub was_equal: bool,
    /// Whether both ended with the same entries in force.
    pub same_entries: bool,
    /// Digest of this device's entries in force at the end.
    pub digest: Option<Digest>,
}

/// Why a meeting was refused by one side, as the frame says it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum RefusalCode {
    /// Not in the crew.
    #[error("not in this survey's crew: ask a member for an invite")]
    Stranger,
    /// The invite is unknown.
    #[error("the invite is unknown here: meet the device that made it")]
    InviteUnknown,
    /// The invite has expired.
    #[error("the invite has expired: ask for a new one")]
    InviteExpired,
    /// The invite was used by another device.
    #[error("the invite has been used by another device: ask for a new one")]
    InviteUsed,
    /// Dismissed from the crew.
    #[error("dismissed from this survey's crew")]
    Dismissed,
    /// Of another survey.
    #[error("of another survey")]
    OtherSurvey,
    /// No protocol version in common.
    #[error("no protocol version in common: the older program must be updated")]
    Version,
    /// The device's proof does not fit its key and this connection.
    #[error("the proof of the device's key does not fit this connection")]
    Proof,
    /// A frame that breaks the protocol.
    #[error("a frame broke the protocol")]
    Protocol,
    /// The store failed.
    #[error("a failing store")]
    Store,
    /// The crew is full.
    #[error("the crew is full (256 devices, dismissed ones included)")]
    Full,
    /// A later version's reason.
    #[error("a reason this program does not know ({0})")]
    Newer(u8),
}

impl RefusalCode {
    pub(crate) fn number(self) -> u8 {
        match self {
            Self::Stranger => 1,
            Self::InviteUnknown => 2,
            Self::InviteExpired => 3,
            Self::InviteUsed => 4,
            Self::Dismissed => 5,
            Self::OtherSurvey => 6,
            Self::Version => 7,
            Self::Proof => 8,
            Self::Protocol => 9,
            Self::Store => 10,
            Self::Full => 11,
            Self::Newer(n) => n,
        }
    }

    pub(crate) fn of_number(number: u8) -> Self {
        let known = [
            Self::Stranger,
            Self::InviteUnknown,
            Self::InviteExpired,
            Self::InviteUsed,
            Self::Dismissed,
            Self::OtherSurvey,
            Self::Version,
            Self::Proof,
            Self::Protocol,
            Self::Store,
            Self::Full,
        ];
        known.into_iter().find(|c| c.number() == number).unwrap_or(Self::Newer(number))
    }

    pub(crate) fn of_admission(admission: Admission) -> Option<Self> {
        match admission {
            Admission::Member | Admission::Joined => None,
            Admission::Stranger => Some(Self::Stranger),
            Admission::InviteUnknown => Some(Self::InviteUnknown),
            Admission::InviteExpired => Some(Self::InviteExpired),
            Admission::InviteUsed => Some(Self::InviteUsed),
            Admission::Dismissed => Some(Self::Dismissed),
            Admission::Full => Some(Self::Full),
        }
    }
}

/// Why a meeting ended before its time. What was acknowledged is kept in every case.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Failure {
    /// The connection ended; the next meeting goes on from what is stored.
    #[error("the connection was lost; what has come so far is kept, the next meeting goes on from there")]
    LinkLost,
    /// Nothing came for [`crate::SILENCE_MS`].
    #[error("the other device has been silent for 10 s; what has come so far is kept")]
    Silent,
    /// No hello within [`crate::HELLO_MS`].
    #[error("the other device did not say hello within 5 s")]
    NoHello,
    /// It is there, but nothing moved for [`crate::STALL_MS`].
    #[error("nothing has moved for two minutes; what has come so far is kept")]
    Stalled,
    /// The peer refused this device.
    #[error("the other device refused: {0}")]
    RefusedByPeer(RefusalCode),
    /// This device refused the peer.
    #[error("refused the other device: {0}")]
    RefusedPeer(RefusalCode),
    /// The peer broke the protocol.
    #[error("the other device broke the protocol: {0}")]
    Peer(Misconduct),
    /// The store failed.
    #[error(transparent)]
    Desk(#[from] DeskError),
    /// The caller gave an answer to no question, or of another kind. A bug in the caller.
    #[error("an answer does not match the question: please report this")]
    Answer,
}

impl Failure {
    /// Whether the peer said that this device was dismissed.
    pub fn is_dismissal(&self) -> bool {
        *self == Self::RefusedByPeer(RefusalCode::Dismissed)
    }
}

/// What a peer did that no honest peer does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Misconduct {
    /// A frame over its limits, or not of the layout.
    #[error("a frame is damaged, too large or of an unknown kind")]
    Frame,
    /// A frame that has no place here.
    #[error("a frame came out of turn")]
    Order,
    /// A have-list over its limits.
    #[error("the have-list is over its limits")]
    Have,
    /// More than was offered, asked for, or may be under way.
    #[error("more came than was agreed")]
    Flood,
    /// Counts of its last frame differ from what was sent.
    #[error("the counts at the end do not match what was sent")]
    Counts,
    /// More damaged entries or strips than [`crate::REFUSED_MAX`].
    #[error("too many of its entries or strips are damaged or forged")]
    Forged,
}
