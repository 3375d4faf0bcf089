//! The network for a caller that blocks: the `sync` command.

use crate::{Event, NetError, NetFailure, Node, Settings, Who};
use leadline_sync::{Desk, Summary};
use libp2p::{Multiaddr, PeerId};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::{Instant, sleep_until};

/// Time between two meetings with the same device while both stay on.
const AGAIN: Duration = Duration::from_secs(10);
/// With `once`: nobody new has shown for this time after a meeting, so all who are near have been met.
const QUIET: Duration = Duration::from_millis(1_500);
const EVENTS: usize = 256;

/// Threads that ask the store: one to give, one to take. Each has an arena of its own in the system's allocator, which
/// keeps what was freed there: with as many threads as tokio likes, a device that stays on for a day came to five times
/// its memory at rest, with four to twice.
const STORE_THREADS: usize = 2;

/// Secrets of one survey that are used at the same time: the newest, and former ones by which devices that were away
/// come in.
pub const SECRETS_MAX: usize = 4;

/// Gives the survey's secrets, the newest first. Asked at the start, and again after each meeting, as a meeting may
/// have brought a newer one.
pub type Secrets = Arc<dyn Fn() -> Vec<[u8; 32]> + Send + Sync>;

/// What to do.
#[derive(Clone)]
pub struct Plan {
    /// The survey's secrets.
    pub secrets: Secrets,
    /// Whose beacons these are.
    pub who: Who,
    /// Where to listen.
    pub listen: Vec<Multiaddr>,
    /// Whom to meet.
    pub with: Vec<Multiaddr>,
    /// Look for devices on the local network, and be found. Listens on any free port if `listen` names none.
    pub find: bool,
    /// Leave after the devices of `with`, or after the first ones that are found or come; else stay until Ctrl-C.
    pub once: bool,
    /// With `once`, and nobody met and nothing going on for so long: give up. `None` = wait for ever.
    pub patience: Option<Duration>,
}

impl std::fmt::Debug for Plan {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Plan").field("listen", &self.listen).field("with", &self.with).finish_non_exhaustive()
    }
}

/// Carries out the plan on a runtime of its own, and gives back what the meetings moved. Ctrl-C ends it in order.
/// `on_event` is called on this thread.
pub fn run(plan: Plan, desk: Arc<dyn Desk>, on_event: impl FnMut(&Event)) -> Result<Vec<Summary>, NetError> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .max_blocking_threads(STORE_THREADS)
        .enable_all()
        .build()
        .map_err(|e| NetError::System(e.to_string()))?;
    runtime.block_on(go(plan, desk, on_event))
}

async fn go(
    plan: Plan,
    desk: Arc<dyn Desk>,
    mut on_event: impl FnMut(&Event),
) -> Result<Vec<Summary>, NetError> {
    let (events, mut came) = mpsc::channel(EVENTS);
    let mut nodes = Nodes { plan: &plan, desk, events, running: Vec::new(), refused: BTreeMap::new() };
    nodes.renew()?;
    for addr in &plan.with {
        nodes.dial(addr).await;
    }
    let mut run = Run::new(&plan, Instant::now());
    // Made once: a signal that comes between two turns counts too.
    let mut leave = std::pin::pin!(told_to_leave());
    let end = loop {
        let leaving = leave.as_mut();
        if let Some(end) = turn(&plan, &mut nodes, &mut came, &mut run, leaving, &mut on_event).await {
            break end;
        }
    };
    nodes.leave().await;
    end
}

/// One event, or a moment's wait; the run's end, if it has come.
async fn turn(
    plan: &Plan,
    nodes: &mut Nodes<'_>,
    came: &mut mpsc::Receiver<(usize, Event)>,
    run: &mut Run,
    leave: std::pin::Pin<&mut impl Future<Output = ()>>,
    on_event: &mut impl FnMut(&Event),
) -> Option<Result<Vec<Summary>, NetError>> {
    let wake = plan.once.then(|| run.wake_at(Instant::now())).flatten();
    let event = tokio::select! {
        event = came.recv() => event,
        () = leave => return Some(Ok(run.so_far())),
        _ = sleep_until(wake.unwrap_or_else(Instant::now)), if wake.is_some() => None,
    };
    if let Some((node, event)) = event
        && !nodes.tries_elsewhere(node, &event)
    {
        on_event(&event);
        let met = matches!(event, Event::Met { .. } | Event::InStep { .. });
        run.note(event, Instant::now());
        if met && let Err(e) = nodes.renew() {
            return Some(Err(e));
        }
    }
    plan.once.then(|| run.end(Instant::now())).flatten()
}

/// Ctrl-C, or the system's request to end.
async fn told_to_leave() {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut end) = signal(SignalKind::terminate()) {
            tokio::select! {
                _ = tokio::signal::ctrl_c() => {}
                _ = end.recv() => {}
            }
            return;
        }
    }
    let _ = tokio::signal::ctrl_c().await;
}

/// A node for each secret.
struct Nodes<'a> {
    plan: &'a Plan,
    desk: Arc<dyn Desk>,
    events: mpsc::Sender<(usize, Event)>,
    running: Vec<([u8; 32], Node)>,
    /// Nodes whose secret was the wrong one at a typed address.
    refused: BTreeMap<Multiaddr, BTreeSet<usize>>,
}

impl Nodes<'_> {
    /// Starts nodes for secrets that have none yet.
    fn renew(&mut self) -> Result<(), NetError> {
        let secrets = (self.plan.secrets)();
        for (age, secret) in secrets.iter().take(SECRETS_MAX).enumerate() {
            let known = self.running.iter().any(|(s, _)| s == secret);
            if !known && self.running.len() < 2 * SECRETS_MAX {
                self.start(*secret, age > 0)?;
            }
        }
        Ok(())
    }

    fn start(&mut self, secret: [u8; 32], shy: bool) -> Result<(), NetError> {
        let (index, plan) = (self.running.len(), self.plan);
        let settings = Settings {
            secret,
            listen: self.listen(),
            find: plan.find,
            again: (!plan.once).then_some(AGAIN),
            shy,
            who: plan.who.clone(),
        };
        let (to_node, mut of_node) = mpsc::channel(EVENTS);
        let node = Node::start(settings, self.desk.clone(), to_node)?;
        let events = self.events.clone();
        tokio::spawn(async move {
            while let Some(event) = of_node.recv().await {
                if events.send((index, event)).await.is_err() {
                    return;
                }
            }
        });
        self.running.push((secret, node));
        Ok(())
    }

    /// A chosen port is the first node's; the others are found by their beacons.
    fn listen(&self) -> Vec<Multiaddr> {
        let any = || ["/ip4/0.0.0.0/tcp/0", "/ip6/::/tcp/0"].map(|a| a.parse().expect("an address"));
        match (self.plan.listen.is_empty(), self.running.is_empty()) {
            (true, _) if self.plan.find => any().to_vec(),
            (false, true) => self.plan.listen.clone(),
            (false, false) if self.plan.find => any().to_vec(),
            _ => Vec::new(),
        }
    }

    async fn dial(&self, addr: &Multiaddr) {
        for (_, node) in &self.running {
            node.dial(addr.clone()).await;
        }
    }

    /// A typed address is tried with every secret, so that another one fails there is no news while one is left.
    fn tries_elsewhere(&mut self, node: usize, event: &Event) -> bool {
        let Event::Failed { address: Some(a), why: NetFailure::OtherSecret, .. } = event else {
            return false;
        };
        if !self.plan.with.contains(a) {
            return false;
        }
        let refused = self.refused.entry(a.clone()).or_default();
        refused.insert(node);
        let one_is_left = refused.len() < self.running.len();
        if !one_is_left {
            refused.clear();
        }
        one_is_left
    }

    async fn leave(self) {
        let leaving = self.running.into_iter().map(|(_, n)| n.leave());
        futures::future::join_all(leaving).await;
    }
}

/// When a run with `once` is over.
struct Run {
    waits_for: BTreeSet<Multiaddr>,
    named: bool,
    find: bool,
    patience: Option<Duration>,
    going_on: BTreeSet<PeerId>,
    /// Meetings that stay on.
    in_step: BTreeMap<PeerId, Summary>,
    met: Vec<Summary>,
    failed: Option<NetFailure>,
    last_news: Instant,
}

impl Run {
    fn new(plan: &Plan, now: Instant) -> Self {
        Self {
            waits_for: plan.with.iter().cloned().collect(),
            named: !plan.with.is_empty(),
            find: plan.find,
            patience: plan.patience,
            going_on: BTreeSet::new(),
            in_step: BTreeMap::new(),
            met: Vec::new(),
            failed: None,
            last_news: now,
        }
    }

    fn note(&mut self, event: Event, now: Instant) {
        match event {
            Event::Progress(peer, summary) => {
                if let Some(s) = self.in_step.get_mut(&peer) {
                    *s = summary;
                }
                return;
            }
            Event::InStep { peer, summary, .. } => drop(self.in_step.insert(peer, summary)),
            Event::Began(peer) => drop(self.going_on.insert(peer)),
            Event::Met { address, peer, summary } => {
                self.going_on.remove(&peer);
                self.in_step.remove(&peer);
                if let Some(a) = address {
                    self.waits_for.remove(&a);
                }
                self.met.push(summary);
            }
            Event::Failed { address, peer, why, .. } => {
                if let Some(p) = peer {
                    self.going_on.remove(&p);
                    // It was in step before the link went.
                    self.met.extend(self.in_step.remove(&p));
                }
                let awaited = address.is_some_and(|a| self.waits_for.remove(&a));
                // Strangers on the network are no failure of ours.
                let tells = matches!(why, NetFailure::Meeting(_));
                if awaited || (!self.named && tells) {
                    self.failed = self.failed.take().or(Some(why));
                }
            }
            _ => {}
        }
        self.last_news = now;
    }

    /// All that moved, also in meetings that are still on.
    fn so_far(&mut self) -> Vec<Summary> {
        let mut met = std::mem::take(&mut self.met);
        met.extend(std::mem::take(&mut self.in_step).into_values());
        met
    }

    /// When to look whether it is over if nothing happens; never at once again, or the loop would spin.
    fn wake_at(&self, now: Instant) -> Option<Instant> {
        let quiet = (!self.met.is_empty()).then_some(QUIET);
        quiet.or(self.patience).map(|d| (self.last_news + d).max(now + Duration::from_millis(50)))
    }

    fn end(&mut self, now: Instant) -> Option<Result<Vec<Summary>, NetError>> {
        if !self.going_on.is_empty() {
            return None;
        }
        let since = now - self.last_news;
        if self.named {
            let done = self.waits_for.is_empty();
            return done.then(|| {
                self.failed.take().map_or_else(|| Ok(std::mem::take(&mut self.met)), |f| Err(f.into()))
            });
        }
        if !self.met.is_empty() {
            let all_met = !self.find || since >= QUIET;
            return all_met.then(|| Ok(std::mem::take(&mut self.met)));
        }
        let given_up = self.patience.is_some_and(|p| since >= p);
        given_up.then(|| Err(self.failed.take().map_or(NetError::NobodyFound, NetError::Failed)))
    }
}
