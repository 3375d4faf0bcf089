//! The door: two strangers side by side, a code read aloud, and one load each way.
//!
//! A second swarm behind a prologue that everybody knows, open only while a code is. The code goes through SPAKE2, with
//! the transport's ids of both ends as its identities: whoever sits between them has other ids and gets another key.
//! Nothing but the exchange's two messages passes before both have proven the same key. A wrong guess is counted,
//! [`GUESSES`] of them end the door. Both ends show the same two words.
//!
//! A load is whatever the caller reads or writes: an invite, a parcel.

mod code;
mod frames;
mod ground;
mod host;
mod load;
mod pake;
mod visit;
mod words;

pub use code::{Code, CodeError};
pub use host::host;
pub use load::Load;
pub use visit::visit;

use libp2p::Multiaddr;
use std::time::Duration;

/// Wrong guesses that end a door. With seven digits, a stranger's chance is three in ten million.
pub const GUESSES: u32 = 3;
/// Largest load, bytes: more than any survey of a summer (judgement).
pub const LOAD_MAX: u64 = 8 << 30;

/// A door to open.
#[derive(Clone, Debug)]
pub struct Door {
    /// What the visitor is told.
    pub code: Code,
    /// Where to listen; nothing = any port of every address.
    pub listen: Vec<Multiaddr>,
    /// Say beacons, so that the visitor finds it.
    pub find: bool,
    /// Open for so long.
    pub lasts: Duration,
}

/// What happens at a door.
#[derive(Clone, Debug)]
#[non_exhaustive]
pub enum DoorEvent {
    /// The door is open here.
    Open(Multiaddr),
    /// Visitors cannot find it by themselves; they need its address.
    FindingOff(String),
    /// A door with the code's number was found, or its address was given.
    Knocking(Multiaddr),
    /// Somebody tried with another code; so many guesses are left.
    WrongGuess(u32),
    /// Both ends hold the same key: the same two words stand on both screens. Answering `false` ends it here, before
    /// anything has passed.
    Words([&'static str; 2]),
    /// Bytes of the load that have gone and come.
    Progress {
        /// Sent so far.
        given: u64,
        /// Received so far.
        taken: u64,
    },
}

/// How it ended: both loads are whole at their other end.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DoorEnd {
    /// The words both ends have shown.
    pub words: [&'static str; 2],
    /// Bytes given.
    pub given: u64,
    /// Bytes taken.
    pub taken: u64,
    /// Visitor: the door's address. Host: the port it listened on, as an address.
    pub address: Option<Multiaddr>,
}

/// Why nothing, or not all, went through the door.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum DoorError {
    /// The address cannot be listened on.
    #[error("cannot listen on {0}: {1}; choose another port, or stop the program that uses it")]
    Listen(Multiaddr, String),
    /// Sockets or threads are refused.
    #[error("the network cannot be used: {0}")]
    System(String),
    /// Nobody came in time.
    #[error("nobody came while the code was good; make a new one")]
    Expired,
    /// Too many wrong guesses.
    #[error("three wrong codes were tried, so this one is void; make a new one and read it out again")]
    Spent,
    /// No door has the number.
    #[error(
        "no door with the number {0} was found: check the code, that both devices are on one network and that the other one still waits, or give its address (--at)"
    )]
    NoDoor(u16),
    /// Nobody answers at the address given.
    #[error(
        "nobody answers at {0}: check the address, that the other device still waits, and that both are on one network"
    )]
    Unreachable(Multiaddr),
    /// The other end holds another code, or somebody sits between.
    #[error(
        "the code is not the one of that door: have it read out again; after three wrong ones it is void"
    )]
    WrongCode,
    /// The person said that the words differ, here or there.
    #[error("broken off at the check words, {0}: nothing has passed")]
    Refused(&'static str),
    /// The other end announces more than is taken.
    #[error("the other device wants to send {got} bytes where at most {most} are taken")]
    TooLarge {
        /// Announced.
        got: u64,
        /// Taken at most.
        most: u64,
    },
    /// Not what a door speaks.
    #[error("the other end broke the protocol: {0}")]
    Broken(&'static str),
    /// The link ended or went silent.
    #[error("the connection ended before all had come; nothing of it counts, begin again with a new code")]
    LinkLost,
    /// Reading or writing the load failed at this end.
    #[error("the load cannot be {0}: {1}")]
    Local(&'static str, String),
    /// A signal asked the program to end.
    #[error("left before anybody came")]
    Left,
}
