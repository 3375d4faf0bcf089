//! A node's presence on the local network: says beacons and listens to those of its crew.

use crate::Settings;
use crate::air::Air;
use crate::beacon::{Speaker, crew};
use crate::near::{EVERY, Near, News};
use libp2p::PeerId;
use std::collections::{BTreeMap, VecDeque};
use std::io;
use std::net::IpAddr;
use std::time::Duration;
use tokio::time::{Instant, Interval, MissedTickBehavior, interval};

/// Whoever is new is answered at once, but no oftener than this.
const ANSWER: Duration = Duration::from_millis(300);

pub(crate) struct Presence {
    air: Air,
    near: Near,
    secret: [u8; 32],
    device: [u8; 32],
    peer: PeerId,
    shy: bool,
    ports: BTreeMap<IpAddr, u16>,
    counter: u32,
    said: Option<Instant>,
    ticks: Interval,
    pending: VecDeque<News>,
}

impl Presence {
    pub(crate) fn new(settings: &Settings, peer: PeerId) -> io::Result<Self> {
        let mut ticks = interval(EVERY);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        Ok(Self {
            air: Air::open()?,
            near: Near::new(settings.secret, peer, settings.who.known.clone()),
            secret: settings.secret,
            device: settings.who.device,
            peer,
            shy: settings.shy,
            ports: BTreeMap::new(),
            counter: 0,
            said: None,
            ticks,
            pending: VecDeque::new(),
        })
    }

    /// This device listens here.
    pub(crate) fn speak(&mut self, ip: IpAddr, port: u16) {
        self.air.add(ip);
        self.ports.insert(ip, port);
        self.say(false);
    }

    /// It does not any more.
    pub(crate) fn silence(&mut self, ip: IpAddr) {
        self.air.remove(&ip);
        self.ports.remove(&ip);
    }

    /// One beacon at each address.
    pub(crate) fn say(&mut self, leaving: bool) {
        self.counter = self.counter.saturating_add(1);
        self.said = Some(Instant::now());
        let speaker = Speaker { secret: &self.secret, device: &self.device, peer: &self.peer, shy: self.shy };
        self.air.say(|ip| Some(crew(speaker, leaving, self.counter, ip, *self.ports.get(&ip)?)));
    }

    /// What the beacons of others tell; never, without a presence.
    pub(crate) async fn next(this: Option<&mut Self>) -> News {
        let Some(p) = this else { return std::future::pending().await };
        loop {
            if let Some(news) = p.pending.pop_front() {
                return news;
            }
            tokio::select! {
                _ = p.ticks.tick() => {
                    p.say(false);
                    p.pending.extend(p.near.lost(Instant::now()).into_iter().map(|(peer, a)| News::Lost(peer, a)));
                }
                (bytes, from) = p.air.hear() => {
                    let now = Instant::now();
                    let Some(news) = p.near.hear(&bytes, from, now) else { continue };
                    let is_new = matches!(&news, News::Here(h) if h.new);
                    if is_new && p.said.is_none_or(|s| now.duration_since(s) >= ANSWER) {
                        // So that it need not wait for our next one.
                        p.say(false);
                    }
                    return news;
                }
            }
        }
    }
}
