//! Finds devices of the same survey, connects to them, and carries the bytes of meetings.
//!
//! libp2p over TCP, Noise and yamux; one [`Node`] per survey. The Noise prologue is made of the survey's secret, so a
//! stranger finishes no handshake. The transport's key is fresh in every run; who the device is, is proven inside the
//! meeting. What is stored, and who is admitted, is the [`Desk`](leadline_sync::Desk)'s business. [`run`] wraps it
//! all for a caller that blocks.

mod addr;
mod adopted;
mod air;
mod beacon;
mod book;
pub mod door;
mod event;
mod listen;
mod near;
mod node;
mod presence;
mod run;
mod session;
mod swarm;

pub use addr::{AddrError, parse_addr};
pub use event::{Event, NetError, NetFailure};
/// What a meeting moved.
pub use leadline_sync::Summary;
pub use libp2p::{Multiaddr, PeerId};
pub use listen::{NearBy, who_is_near};
pub use node::{Node, Settings, Who};
pub use run::{Plan, SECRETS_MAX, Secrets, run};
