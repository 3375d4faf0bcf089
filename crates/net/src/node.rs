//! One survey's presence on the network: listens, finds, dials, and holds a meeting on every connection.

use crate::addr::{ip_and_port, is_link_local_v6, is_tcp, without_peer};
use crate::adopted::{ADOPTED, Around, Way, beside};
use crate::book::{Book, By, Target};
use crate::near::News;
use crate::presence::Presence;
use crate::session::{self, Stay, Told};
use crate::swarm::{Behaviour, BehaviourEvent, build};
use crate::{Event, NetError, NetFailure};
use futures::StreamExt;
use leadline_sync::{Binding, Desk, Failure, Summary};
use libp2p::swarm::dial_opts::{DialOpts, PeerCondition};
use libp2p::swarm::{ConnectionId, DialError, SwarmEvent};
use libp2p::{Multiaddr, PeerId, Stream, StreamProtocol, Swarm, TransportError, mdns, noise};
use libp2p_stream::Control;
use std::collections::{BTreeSet, HashMap};
use std::io::ErrorKind;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio::task::{AbortHandle, Id, JoinError, JoinHandle, JoinSet};
use tokio::time::{Instant, MissedTickBehavior, interval, sleep, timeout};
use tokio_util::compat::FuturesAsyncReadCompatExt;

const PROTOCOL: StreamProtocol = StreamProtocol::new("/leadline/meeting/1");
/// Meetings at the same time.
const MEETINGS_MAX: usize = 16;
/// How often the address book is looked through.
const LOOK: Duration = Duration::from_millis(250);
/// For the other end's stream, if both dialled at the same moment.
const CROSSING: Duration = Duration::from_millis(500);
/// For saying goodbye.
const PARTING: Duration = Duration::from_secs(1);
/// For a stream on a connection that stands.
pub(crate) const STREAM_OPENS: Duration = Duration::from_secs(5);

/// What a node is started with.
#[derive(Clone)]
pub struct Settings {
    /// The survey's secret, 256 bits: never anything shorter that somebody could guess.
    pub secret: [u8; 32],
    /// Where to listen. To be found by others there must be one.
    pub listen: Vec<Multiaddr>,
    /// Announce this device and look for others on the local network.
    pub find: bool,
    /// Meet again after this time; `None` = each device once.
    pub again: Option<Duration>,
    /// Wait to be dialled by found devices: for a former secret, by which devices that were away still come in.
    pub shy: bool,
    /// Whose beacons these are.
    pub who: Who,
}

/// Whom a beacon tells, to those who hold the secret.
#[derive(Clone, Debug, Default)]
pub struct Who {
    /// This device.
    pub device: [u8; 32],
    /// Devices that are told by name when they are near.
    pub known: Vec<[u8; 32]>,
}

impl std::fmt::Debug for Settings {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // The secret stays out of every log.
        f.debug_struct("Settings")
            .field("listen", &self.listen)
            .field("find", &self.find)
            .field("shy", &self.shy)
            .finish_non_exhaustive()
    }
}

/// A running node; dropping it closes all connections.
#[derive(Debug)]
pub struct Node {
    peer: PeerId,
    to_dial: mpsc::Sender<Multiaddr>,
    task: JoinHandle<()>,
}

impl Node {
    /// Starts inside the current tokio runtime.
    pub fn start(
        settings: Settings,
        desk: Arc<dyn Desk>,
        events: mpsc::Sender<Event>,
    ) -> Result<Self, NetError> {
        let (mut swarm, finding_off) = build(&settings.secret, settings.find)?;
        listen_on_any(&mut swarm, &settings.listen)?;
        let peer = *swarm.local_peer_id();
        let mut control = swarm.behaviour().stream.new_control();
        let mut streams = control.accept(PROTOCOL).map_err(|e| NetError::System(e.to_string()))?;
        let mut adopted = control.accept(ADOPTED).map_err(|e| NetError::System(e.to_string()))?;
        // Does nothing but hand on: libp2p-stream drops what comes while its one place is taken.
        let (to_accept, accepted) = mpsc::channel(MEETINGS_MAX);
        let acceptor = tokio::spawn(async move {
            loop {
                let came = tokio::select! {
                    Some((peer, stream)) = streams.next() => Incoming { peer, stream, adopted: false },
                    Some((peer, stream)) = adopted.next() => Incoming { peer, stream, adopted: true },
                    else => return,
                };
                // With all places taken the stream is dropped, and the other end tries again later.
                let _ = to_accept.try_send(came);
            }
        });
        let (to_dial, dials) = mpsc::channel(16);
        let mut off: Vec<_> = finding_off.into_iter().map(|why| format!("mDNS: {why}")).collect();
        let presence = settings
            .find
            .then(|| Presence::new(&settings, peer))
            .and_then(|made| made.inspect_err(|e| off.push(format!("beacons: {e}"))).ok());
        let running = Running {
            book: Book::new(peer, settings.again, settings.shy),
            presence,
            listening: BTreeSet::new(),
            quiet: settings.shy,
            stay: settings.again.is_some(),
            leaving: watch::Sender::new(false),
            swarm,
            control,
            desk,
            events,
            dialling: HashMap::new(),
            meetings: JoinSet::new(),
            active: HashMap::new(),
        };
        let task = tokio::spawn(async move {
            running.run(dials, accepted, off).await;
            acceptor.abort();
        });
        Ok(Self { peer, to_dial, task })
    }

    /// The transport's id in this run.
    pub fn peer(&self) -> PeerId {
        self.peer
    }

    /// Meets the device at `addr`, now and, with [`Settings::again`], from then on.
    pub async fn dial(&self, addr: Multiaddr) {
        // Fails only if the node is gone, and then there is nothing to dial with.
        let _ = self.to_dial.send(addr).await;
    }

    /// Says goodbye to those who are near, and ends.
    pub async fn leave(mut self) {
        let (nobody, _) = mpsc::channel(1);
        self.to_dial = nobody;
        let _ = timeout(2 * PARTING, &mut self.task).await;
    }
}

impl Drop for Node {
    fn drop(&mut self) {
        self.task.abort();
    }
}

struct Running {
    swarm: Swarm<Behaviour>,
    control: Control,
    desk: Arc<dyn Desk>,
    events: mpsc::Sender<Event>,
    /// Meetings stay on when all is done.
    stay: bool,
    leaving: watch::Sender<bool>,
    book: Book,
    /// Beacons, if they are wanted and can be had.
    presence: Option<Presence>,
    /// Where this device listens.
    listening: BTreeSet<Multiaddr>,
    /// Its addresses are no news to people.
    quiet: bool,
    dialling: HashMap<ConnectionId, Target>,
    meetings: JoinSet<Result<Summary, NetFailure>>,
    active: HashMap<Id, Active>,
}

/// A stream that the other end opened.
struct Incoming {
    peer: PeerId,
    stream: Stream,
    /// About a survey that the crew's adopts.
    adopted: bool,
}

/// A meeting that is going on.
struct Active {
    peer: PeerId,
    /// Whom this device dialled for it.
    target: Option<Target>,
    /// This device opened the connection and closes it after the meeting.
    dialled: bool,
    /// Another connection has taken its place: its end is no news.
    superseded: bool,
    /// Takes the streams about adopted surveys, if the other end opens them.
    adopted: Option<mpsc::Sender<Stream>>,
    abort: AbortHandle,
}

impl Running {
    async fn run(
        mut self,
        mut dials: mpsc::Receiver<Multiaddr>,
        mut accepted: mpsc::Receiver<Incoming>,
        finding_off: Vec<String>,
    ) {
        for why in finding_off {
            self.tell(Event::FindingOff(why)).await;
        }
        let mut looks = interval(LOOK);
        looks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                event = self.swarm.select_next_some() => self.on_swarm(event).await,
                dial = dials.recv() => match dial {
                    Some(addr) => { self.book.type_in(addr, Instant::now()); self.dial_due().await }
                    None => {
                        if let Some(p) = &mut self.presence {
                            p.say(true);
                        }
                        self.part().await;
                        return;
                    }
                },
                news = Presence::next(self.presence.as_mut()) => self.on_news(news).await,
                Some(came) = accepted.recv() => self.on_stream(came).await,
                Some(ended) = self.meetings.join_next_with_id() => self.on_ended(ended).await,
                _ = looks.tick() => self.dial_due().await,
            }
        }
    }

    /// Lets the meetings that stay on end in order.
    async fn part(&mut self) {
        let _ = self.leaving.send(true);
        let goodbye = sleep(PARTING);
        tokio::pin!(goodbye);
        while !self.meetings.is_empty() {
            tokio::select! {
                event = self.swarm.select_next_some() => drop(event),
                Some(ended) = self.meetings.join_next_with_id() => self.on_ended(ended).await,
                () = &mut goodbye => return,
            }
        }
    }

    async fn tell(&mut self, event: Event) {
        // A caller that does not listen any more does not want to know.
        let _ = self.events.send(event).await;
    }

    async fn on_swarm(&mut self, event: SwarmEvent<BehaviourEvent>) {
        match event {
            SwarmEvent::NewListenAddr { address, .. } => self.on_address(address).await,
            SwarmEvent::ExpiredListenAddr { address, .. } => {
                self.listening.remove(&address);
                if let (Some(p), Some((ip, _))) = (&mut self.presence, ip_and_port(&address)) {
                    p.silence(ip);
                }
            }
            SwarmEvent::ConnectionEstablished { peer_id, connection_id, .. } => {
                let Some(target) = self.dialling.remove(&connection_id) else { return };
                match self.active.values_mut().find(|a| a.peer == peer_id && !a.superseded) {
                    Some(old) => {
                        old.target = old.target.take().or(Some(target));
                        self.swarm.close_connection(connection_id);
                    }
                    None => self.open_stream(peer_id, target).await,
                }
            }
            SwarmEvent::OutgoingConnectionError { connection_id, peer_id, error } => {
                if let Some(target) = self.dialling.remove(&connection_id) {
                    self.fail(Some(target), peer_id, failure_of(&error)).await;
                }
            }
            SwarmEvent::Behaviour(BehaviourEvent::Mdns(mdns::Event::Discovered(found))) => {
                for (peer, addr) in found {
                    let addr = without_peer(&addr);
                    let usable = is_tcp(&addr) && !is_link_local_v6(&addr);
                    if usable && self.find(peer, addr.clone(), By::Mdns) {
                        self.tell(Event::Found(peer, addr)).await;
                    }
                }
                self.dial_due().await;
            }
            SwarmEvent::Behaviour(BehaviourEvent::Mdns(mdns::Event::Expired(gone))) => {
                for (peer, addr) in gone {
                    if self.book.lose(&peer, &without_peer(&addr), By::Mdns) {
                        self.tell(Event::Gone(peer)).await;
                    }
                }
            }
            _ => {}
        }
    }

    /// This device has an address, from the start or since a moment ago. Those of one link only are of no use to others.
    async fn on_address(&mut self, address: Multiaddr) {
        if is_link_local_v6(&address) || !self.listening.insert(address.clone()) {
            return;
        }
        if let (Some(p), Some((ip, port))) = (&mut self.presence, ip_and_port(&address)) {
            p.speak(ip, port);
        }
        if !self.quiet {
            self.tell(Event::Listening(address)).await;
        }
    }

    /// Whom a meeting is going on with need not be dialled.
    fn find(&mut self, peer: PeerId, addr: Multiaddr, by: By) -> bool {
        let new = self.book.find(peer, addr, by, Instant::now());
        if new && self.active.values().any(|a| a.peer == peer) {
            self.book.heard(&peer);
        }
        new
    }

    async fn on_news(&mut self, news: News) {
        match news {
            News::Here(heard) => {
                let (peer, address) = (heard.peer, heard.address);
                self.find(peer, address.clone(), By::Beacon { shy: heard.shy });
                if heard.new {
                    self.tell(Event::Near { peer, address, device: heard.device }).await;
                    self.dial_due().await;
                }
            }
            News::Left(peer) => {
                self.book.left(&peer);
                self.tell(Event::Gone(peer)).await;
            }
            News::Lost(peer, address) => {
                if self.book.lose(&peer, &address, By::Beacon { shy: false }) {
                    self.tell(Event::Gone(peer)).await;
                }
            }
        }
    }

    async fn dial_due(&mut self) {
        for target in self.book.due(Instant::now()) {
            // An own port for each: dialling twice from the listening port runs into the system's time-wait.
            let opts = match &target {
                Target::Peer(peer, addr) => DialOpts::peer_id(*peer)
                    .addresses(vec![addr.clone()])
                    .condition(PeerCondition::Always)
                    .allocate_new_port()
                    .build(),
                Target::Typed(addr) => {
                    DialOpts::unknown_peer_id().address(addr.clone()).allocate_new_port().build()
                }
            };
            let connection = opts.connection_id();
            match self.swarm.dial(opts) {
                Ok(()) => drop(self.dialling.insert(connection, target)),
                Err(e) => self.fail(Some(target), None, failure_of(&e)).await,
            }
        }
    }

    async fn open_stream(&mut self, peer: PeerId, target: Target) {
        let mut control = self.control.clone();
        let (hold, in_step) = self.holder(peer, Some(&target));
        let (around, way) = (self.around(peer), Way::Opens(self.control.clone()));
        let crossing = *self.swarm.local_peer_id() > peer;
        let meeting = async move {
            let opened = timeout(STREAM_OPENS, control.open_stream(peer, PROTOCOL)).await;
            let closed = |e: &dyn std::fmt::Display| NetFailure::Closed(e.to_string());
            let stream = opened.map_err(|e| closed(&e))?.map_err(|e| closed(&e))?;
            let ended = hold(stream).await;
            if crossing && matches!(ended, Err(NetFailure::Meeting(Failure::LinkLost))) {
                // Perhaps dropped in favour of the other end's stream, which is on its way and ends this wait.
                sleep(CROSSING).await;
            }
            ended
        };
        self.begin(peer, Some(target), None, beside(meeting, in_step, around, way)).await;
    }

    async fn on_stream(&mut self, Incoming { peer, stream, adopted }: Incoming) {
        if adopted {
            // Without a meeting of the crew that the same peer opened it is dropped unread.
            let meeting = self.active.values().find(|a| a.peer == peer && !a.superseded);
            if let Some(to) = meeting.and_then(|a| a.adopted.as_ref()) {
                let _ = to.try_send(stream);
            }
            return;
        }
        self.book.heard(&peer);
        let (hold, in_step) = self.holder(peer, None);
        let (to_answer, streams) = mpsc::channel(1);
        let (around, way) = (self.around(peer), Way::Answers(streams));
        let meeting = beside(async move { hold(stream).await }, in_step, around, way);
        self.begin(peer, None, Some(to_answer), meeting).await;
    }

    fn around(&self, peer: PeerId) -> Around {
        Around {
            desk: self.desk.clone(),
            peer,
            binding: self.binding(&peer),
            events: self.events.clone(),
            leave: self.leaving.subscribe(),
        }
    }

    fn binding(&self, peer: &PeerId) -> Binding {
        Binding { mine: self.swarm.local_peer_id().to_bytes(), theirs: peer.to_bytes() }
    }

    /// Holds a meeting on a stream to `peer`, and tells when both are in step.
    fn holder(
        &self,
        peer: PeerId,
        target: Option<&Target>,
    ) -> (impl FnOnce(Stream) -> BoxedMeeting + Send + use<>, watch::Receiver<bool>) {
        let (desk, events) = (self.desk.clone(), self.events.clone());
        let stay = Stay { stay: self.stay, leave: self.leaving.subscribe() };
        let address = target.cloned().map(address_of);
        let binding = self.binding(&peer);
        let (step, in_step) = watch::channel(false);
        let hold = move |stream: Stream| -> BoxedMeeting {
            Box::pin(async move {
                let report = move |told: Told<'_>| {
                    let event = match told {
                        Told::Progress(s) => Event::Progress(peer, s.clone()),
                        Told::InStep(s) => {
                            let _ = step.send(true);
                            Event::InStep { address: address.clone(), peer, summary: s.clone() }
                        }
                        Told::Pushed(entries, strips) => Event::Pushed { peer, entries, strips },
                        Told::Taken(entries, strips) => Event::Taken { peer, entries, strips },
                    };
                    // A caller that is behind misses some of it; the summary at the end has all.
                    let _ = events.try_send(event);
                };
                Ok(session::hold(stream.compat(), desk, binding, stay, report).await?)
            })
        };
        (hold, in_step)
    }

    async fn begin(
        &mut self,
        peer: PeerId,
        mut target: Option<Target>,
        adopted: Option<mpsc::Sender<Stream>>,
        meeting: impl Future<Output = Result<Summary, NetFailure>> + Send + 'static,
    ) {
        let own = *self.swarm.local_peer_id();
        let dialled = adopted.is_none();
        if let Some(old) = self.active.values_mut().find(|a| a.peer == peer && !a.superseded) {
            // Nothing has been opened yet on a connection of ours. Of two streams that crossed, the lower id's stays;
            // and who opens a second one has lost the first.
            if dialled || (old.dialled && own < peer) {
                old.target = old.target.take().or(target);
                return;
            }
            old.superseded = true;
            old.abort.abort();
            target = target.or(old.target.take());
        }
        if self.active.len() >= MEETINGS_MAX {
            self.fail(target, Some(peer), NetFailure::Closed("too many meetings at once".to_owned())).await;
            return;
        }
        let abort = self.meetings.spawn(meeting);
        self.active.insert(abort.id(), Active { peer, target, dialled, superseded: false, adopted, abort });
        self.tell(Event::Began(peer)).await;
    }

    async fn on_ended(&mut self, ended: Result<(Id, Result<Summary, NetFailure>), JoinError>) {
        let (id, result) = match ended {
            Ok((id, result)) => (id, result),
            Err(e) => (e.id(), Err(NetFailure::Meeting(Failure::LinkLost))),
        };
        let Some(active) = self.active.remove(&id) else { return };
        if active.superseded {
            return;
        }
        if active.dialled {
            // Fails only if it is closed already.
            let _ = self.swarm.disconnect_peer_id(active.peer);
        }
        match result {
            Ok(summary) => {
                self.book.met(active.target.as_ref(), &active.peer, Instant::now());
                let address = active.target.map(address_of);
                self.tell(Event::Met { address, peer: active.peer, summary }).await;
            }
            Err(why) => self.fail(active.target, Some(active.peer), why).await,
        }
    }

    async fn fail(&mut self, target: Option<Target>, peer: Option<PeerId>, why: NetFailure) {
        let now = Instant::now();
        let again = target.as_ref().and_then(|t| self.book.failed(t, now));
        if let (None, Some(peer)) = (&target, &peer) {
            self.book.broke(peer, now);
        }
        self.tell(Event::Failed { address: target.map(address_of), peer, why, again }).await;
    }
}

type BoxedMeeting = std::pin::Pin<Box<dyn Future<Output = Result<Summary, NetFailure>> + Send>>;

fn address_of(target: Target) -> Multiaddr {
    match target {
        Target::Peer(_, addr) | Target::Typed(addr) => addr,
    }
}

/// One address is enough: not every system has IPv6.
fn listen_on_any(swarm: &mut Swarm<Behaviour>, addrs: &[Multiaddr]) -> Result<(), NetError> {
    let tried: Vec<_> = addrs
        .iter()
        .map(|a| swarm.listen_on(a.clone()).map_err(|e| NetError::Listen(a.clone(), reason(&e))))
        .collect();
    match tried.iter().any(Result::is_ok) {
        true => Ok(()),
        false => tried.into_iter().find_map(Result::err).map_or(Ok(()), Err),
    }
}

fn reason(error: &TransportError<std::io::Error>) -> String {
    match error {
        TransportError::MultiaddrNotSupported(_) => "this kind of address is not supported".to_owned(),
        TransportError::Other(e) => e.to_string(),
    }
}

fn failure_of(error: &DialError) -> NetFailure {
    match error {
        DialError::LocalPeerId { .. } => NetFailure::Own,
        DialError::Transport(tried) => match tried.first() {
            Some((addr, TransportError::Other(e))) => match handshake_error(e) {
                Some(noise::Error::Io(io)) if io.kind() != ErrorKind::InvalidData => {
                    NetFailure::Closed("the handshake was broken off".to_owned())
                }
                // With another prologue the other end's first answer does not decrypt.
                Some(_) => NetFailure::OtherSecret,
                None => NetFailure::Unreachable(without_peer(addr)),
            },
            _ => NetFailure::Closed(error.to_string()),
        },
        other => NetFailure::Closed(other.to_string()),
    }
}

/// The Noise error inside a transport's error.
fn handshake_error(error: &std::io::Error) -> Option<&noise::Error> {
    let mut next: Option<&(dyn std::error::Error + 'static)> = Some(error);
    while let Some(e) = next {
        if let Some(noise) = e.downcast_ref() {
            return Some(noise);
        }
        // An io::Error's source is its content's source, so its content would be skipped.
        let inner = e.downcast_ref::<std::io::Error>().and_then(std::io::Error::get_ref);
        next = inner.map(|i| i as &(dyn std::error::Error + 'static)).or_else(|| e.source());
    }
    None
}
