//! The libp2p swarm: TCP tuned to notice a dead link, Noise behind the survey's secret, yamux, limits, mDNS.

use crate::NetError;
use leadline_sync::prologue;
use libp2p::core::Transport;
use libp2p::core::upgrade::Version;
use libp2p::swarm::behaviour::toggle::Toggle;
use libp2p::swarm::{NetworkBehaviour, Swarm};
use libp2p::{SwarmBuilder, connection_limits, mdns, noise, tcp, yamux};
use std::time::Duration;

/// Unacknowledged bytes end a connection after this time. Without it a cut link goes unnoticed for a minute or for
/// ever (measured).
const DEAD_LINK: Duration = Duration::from_secs(10);
const KEEP_ALIVE: Duration = Duration::from_secs(5);
/// For a whole connection set-up. Short, because silent strangers hold one of the pending places for so long.
const SET_UP: Duration = Duration::from_secs(4);
/// Connections without a stream are closed after this time.
const IDLE: Duration = Duration::from_secs(60);
const PENDING_MAX: u32 = 64;
const CONNECTIONS_MAX: u32 = 64;
/// Two: both ends may dial at the same moment; the surplus meeting is ended by the node.
const CONNECTIONS_PER_PEER: u32 = 2;
/// A device that is gone is forgotten after this time.
const MDNS_TTL: Duration = Duration::from_secs(24);
const MDNS_QUERY: Duration = Duration::from_secs(8);

#[derive(NetworkBehaviour)]
pub(crate) struct Behaviour {
    limits: connection_limits::Behaviour,
    pub(crate) stream: libp2p_stream::Behaviour,
    mdns: Toggle<mdns::tokio::Behaviour>,
}

/// A survey's swarm with a fresh key; and why mDNS is off, if it was asked for and is.
pub(crate) fn build(secret: &[u8; 32], find: bool) -> Result<(Swarm<Behaviour>, Option<String>), NetError> {
    build_with(prologue(secret).to_vec(), find)
}

/// A swarm behind any prologue.
pub(crate) fn build_with(
    prologue: Vec<u8>,
    find: bool,
) -> Result<(Swarm<Behaviour>, Option<String>), NetError> {
    let system = |e: &dyn std::fmt::Display| NetError::System(e.to_string());
    let mut finding_off = None;
    let builder = SwarmBuilder::with_new_identity()
        .with_tokio()
        .with_other_transport(|key| {
            let noise = noise::Config::new(key)?.with_prologue(prologue);
            Ok(tcp::tokio::Transport::new(tcp::Config::default().nodelay(true))
                .map(|stream, _| tuned(stream))
                .upgrade(Version::V1Lazy)
                .authenticate(noise)
                .multiplex(yamux::Config::default()))
        })
        .map_err(|e| system(&e))?
        .with_behaviour(|key| {
            let config = mdns::Config { ttl: MDNS_TTL, query_interval: MDNS_QUERY, enable_ipv6: false };
            let mdns = find
                .then(|| mdns::tokio::Behaviour::new(config, key.public().to_peer_id()))
                .and_then(|made| made.inspect_err(|e| finding_off = Some(e.to_string())).ok());
            let limits = connection_limits::ConnectionLimits::default()
                .with_max_pending_incoming(Some(PENDING_MAX))
                .with_max_pending_outgoing(Some(PENDING_MAX))
                .with_max_established(Some(CONNECTIONS_MAX))
                .with_max_established_per_peer(Some(CONNECTIONS_PER_PEER));
            Behaviour {
                limits: connection_limits::Behaviour::new(limits),
                stream: libp2p_stream::Behaviour::new(),
                mdns: mdns.into(),
            }
        })
        .map_err(|e| system(&e))?;
    let swarm = builder
        .with_swarm_config(|c| c.with_idle_connection_timeout(IDLE))
        .with_connection_timeout(SET_UP)
        .build();
    Ok((swarm, finding_off))
}

fn tuned(stream: tcp::tokio::TcpStream) -> tcp::tokio::TcpStream {
    let socket = socket2::SockRef::from(&stream.0);
    let keep_alive =
        socket2::TcpKeepalive::new().with_time(KEEP_ALIVE).with_interval(KEEP_ALIVE).with_retries(2);
    // A system that refuses these still has the meeting's own heartbeat.
    let _ = socket.set_tcp_keepalive(&keep_alive);
    #[cfg(any(target_os = "linux", target_os = "android"))]
    let _ = socket.set_tcp_user_timeout(Some(DEAD_LINK));
    stream
}
