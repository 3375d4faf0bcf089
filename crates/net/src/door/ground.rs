//! The swarm behind a door's public prologue, polled by a task of its own.

use super::DoorError;
use crate::addr::{ip_and_port, is_link_local_v6};
use crate::air::Air;
use crate::beacon;
use crate::swarm::{Behaviour, BehaviourEvent, build_with};
use futures::StreamExt;
use leadline_sync::door_prologue;
use libp2p::swarm::SwarmEvent;
use libp2p::swarm::dial_opts::DialOpts;
use libp2p::{Multiaddr, PeerId, StreamProtocol, Swarm};
use libp2p_stream::Control;
use std::collections::BTreeMap;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio::time::interval;

pub(super) const PROTOCOL: StreamProtocol = StreamProtocol::new("/leadline/door/1");
const BEACON_EVERY: Duration = Duration::from_secs(1);

/// What the swarm tells.
#[derive(Debug)]
pub(super) enum Told {
    Listening(Multiaddr),
    Connected(PeerId),
    /// The dial failed.
    NoAnswer,
    FindingOff(String),
}

/// A running swarm; dropped, it closes all connections.
pub(super) struct Ground {
    pub(super) peer: PeerId,
    pub(super) control: Control,
    pub(super) told: mpsc::Receiver<Told>,
    task: JoinHandle<()>,
}

impl Drop for Ground {
    fn drop(&mut self) {
        self.task.abort();
    }
}

impl Ground {
    /// Listens; with a `number`, says beacons.
    pub(super) fn open(listen: &[Multiaddr], number: Option<u16>) -> Result<Self, DoorError> {
        let mut swarm = swarm()?;
        let any = ["/ip4/0.0.0.0/tcp/0", "/ip6/::/tcp/0"].map(|a| a.parse().expect("an address"));
        let listen = if listen.is_empty() { &any[..] } else { listen };
        let tried: Vec<_> = listen
            .iter()
            .map(|a| swarm.listen_on(a.clone()).map_err(|e| DoorError::Listen(a.clone(), e.to_string())))
            .collect();
        if tried.iter().all(Result::is_err) {
            tried.into_iter().collect::<Result<Vec<_>, _>>()?;
        }
        Ok(Self::start(swarm, None, number))
    }

    /// Dials.
    pub(super) fn dial(addr: &Multiaddr) -> Result<Self, DoorError> {
        let swarm = swarm()?;
        Ok(Self::start(swarm, Some(addr.clone()), None))
    }

    fn start(swarm: Swarm<Behaviour>, dial: Option<Multiaddr>, number: Option<u16>) -> Self {
        let (peer, control) = (*swarm.local_peer_id(), swarm.behaviour().stream.new_control());
        let (tell, told) = mpsc::channel(64);
        let task = tokio::spawn(poll(swarm, dial, number, tell));
        Self { peer, control, told, task }
    }
}

fn swarm() -> Result<Swarm<Behaviour>, DoorError> {
    let (swarm, _) =
        build_with(door_prologue().to_vec(), false).map_err(|e| DoorError::System(e.to_string()))?;
    Ok(swarm)
}

async fn poll(
    mut swarm: Swarm<Behaviour>,
    dial: Option<Multiaddr>,
    number: Option<u16>,
    tell: mpsc::Sender<Told>,
) {
    let peer = *swarm.local_peer_id();
    let mut air = None;
    if number.is_some() {
        match Air::open() {
            Ok(a) => air = Some(a),
            Err(e) => drop(tell.send(Told::FindingOff(e.to_string())).await),
        }
    }
    if let Some(addr) = dial
        && swarm.dial(DialOpts::unknown_peer_id().address(addr).allocate_new_port().build()).is_err()
    {
        drop(tell.send(Told::NoAnswer).await);
    }
    let (mut ports, mut counter, mut ticks) = (BTreeMap::new(), 0u32, interval(BEACON_EVERY));
    loop {
        let told = tokio::select! {
            event = swarm.select_next_some() => told(event),
            _ = ticks.tick() => None,
        };
        if let (Some(Told::Listening(a)), Some(air)) = (&told, &mut air)
            && let Some((ip, port)) = ip_and_port(a)
        {
            air.add(ip);
            ports.insert(ip, port);
        }
        if let Some(t) = told
            && tell.send(t).await.is_err()
        {
            return;
        }
        if let (Some(air), Some(number)) = (&mut air, number) {
            counter = counter.saturating_add(1);
            air.say(|ip| Some(beacon::door(number, &peer, counter, *ports.get(&ip)?)));
        }
    }
}

fn told(event: SwarmEvent<BehaviourEvent>) -> Option<Told> {
    match event {
        SwarmEvent::NewListenAddr { address, .. } if !is_link_local_v6(&address) => {
            Some(Told::Listening(address))
        }
        SwarmEvent::ConnectionEstablished { peer_id, endpoint, .. } if endpoint.is_dialer() => {
            Some(Told::Connected(peer_id))
        }
        SwarmEvent::OutgoingConnectionError { .. } => Some(Told::NoAnswer),
        _ => None,
    }
}
