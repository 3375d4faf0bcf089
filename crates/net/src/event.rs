//! What the network tells its caller.

use leadline_sync::{Failure, Summary, SurveyId};
use libp2p::{Multiaddr, PeerId};
use std::time::Duration;

/// Something a person may want to see.
#[derive(Clone, Debug)]
#[non_exhaustive]
pub enum Event {
    /// Others can reach this device here.
    Listening(Multiaddr),
    /// Looking for devices on the local network is not possible here; typed addresses still work.
    FindingOff(String),
    /// A device was found on the local network. Nothing is known of it but that it runs libp2p.
    Found(PeerId, Multiaddr),
    /// A device that proves the survey's secret is near.
    Near {
        /// The transport's id of this run.
        peer: PeerId,
        /// Where.
        address: Multiaddr,
        /// Which device, if it is one of [`crate::Who::known`].
        device: Option<[u8; 32]>,
    },
    /// It said that it leaves, or has not announced itself for a while.
    Gone(PeerId),
    /// A meeting has begun.
    Began(PeerId),
    /// How far a meeting is; a few times a second.
    Progress(PeerId, Summary),
    /// Both hold the same, and stay on: what is new goes over as it is made. The summary is of what moved so far.
    InStep {
        /// The address this device dialled, if it did.
        address: Option<Multiaddr>,
        /// The transport's id of the other end.
        peer: PeerId,
        /// What moved.
        summary: Summary,
    },
    /// While staying on: new entries and strips were given, and are durable there.
    Pushed {
        /// The transport's id of the other end.
        peer: PeerId,
        /// Entries.
        entries: u32,
        /// Strips.
        strips: u32,
    },
    /// While staying on: new entries and strips have come, and are durable here.
    Taken {
        /// The transport's id of the other end.
        peer: PeerId,
        /// Entries.
        entries: u32,
        /// Strips.
        strips: u32,
    },
    /// A meeting is done.
    Met {
        /// The address this device dialled, if it did.
        address: Option<Multiaddr>,
        /// The transport's id of the other end.
        peer: PeerId,
        /// What moved.
        summary: Summary,
    },
    /// A meeting about a survey that the crew's adopts is done.
    Adopted {
        /// The transport's id of the other end.
        peer: PeerId,
        /// Which survey.
        survey: SurveyId,
        /// What moved.
        summary: Summary,
    },
    /// A meeting about an adopted survey failed; the crew's own is not touched by it.
    AdoptedFailed {
        /// The transport's id of the other end.
        peer: PeerId,
        /// Which survey.
        survey: SurveyId,
        /// Why.
        why: Failure,
    },
    /// A connection or a meeting failed.
    Failed {
        /// Where it was, if this device dialled.
        address: Option<Multiaddr>,
        /// The transport's id of the other end, if it came that far.
        peer: Option<PeerId>,
        /// Why.
        why: NetFailure,
        /// Tried again after this time.
        again: Option<Duration>,
    },
}

/// Why a connection or a meeting failed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum NetFailure {
    /// Nobody answers at the address.
    #[error(
        "nobody answers at {0}: check the address, that the other device listens, and that both are on one network"
    )]
    Unreachable(Multiaddr),
    /// The other end proves another secret, or is no such program.
    #[error("the other device is not in this survey's crew, or the invite is for another survey")]
    OtherSecret,
    /// Both ends are this device.
    #[error("that address is this device's own")]
    Own,
    /// Full, or the connection ended before a meeting began.
    #[error("the connection was closed before a meeting began: {0}")]
    Closed(String),
    /// The meeting failed.
    #[error(transparent)]
    Meeting(#[from] Failure),
}

/// Why the network cannot be used, or a run ended without its meeting.
#[derive(Clone, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum NetError {
    /// The address cannot be listened on.
    #[error("cannot listen on {0}: {1}; choose another port, or stop the program that uses it")]
    Listen(Multiaddr, String),
    /// The system refuses sockets or threads.
    #[error("the network cannot be used: {0}")]
    System(String),
    /// The one meeting that was asked for failed.
    #[error(transparent)]
    Failed(#[from] NetFailure),
    /// Nobody was found.
    #[error(
        "no device of this survey was found on this network: give its address (--with), or start `sync` there too"
    )]
    NobodyFound,
}

impl NetError {
    /// Whether this device's own store failed, and not the network or the other device.
    pub fn is_of_the_store(&self) -> bool {
        matches!(self, Self::Failed(NetFailure::Meeting(Failure::Desk(_))))
    }
}
