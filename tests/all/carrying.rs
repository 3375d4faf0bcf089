//! Meetings that stay on, over real sockets and real stores: what is new goes over as it is made, and on to others.

#[path = "../benches/legs.rs"]
mod legs;

use leadline_logbook::{DeviceKey, Envelope, Op, Place, Signs, encode, entry_id};
use leadline_model::{EntryId, Epoch, Nonce, SurveyId, Text, UtcMillis};
use leadline_net::{Event, Multiaddr, Node, Settings, Who, parse_addr};
use leadline_survey::{Home, Part, SurveyDesk, Wants};
use leadline_sync::{Answer, Desk, Question};
use legs::{filled, joined, measure};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tempfile::TempDir;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc::{Receiver, channel};
use tokio::time::{sleep, timeout};

/// Against hanging, not a measurement.
const LONG: Duration = Duration::from_secs(90);

/// Some devices of one crew; the first has founded the survey.
struct Crew {
    _dir: TempDir,
    homes: Vec<Home>,
    id: SurveyId,
}

fn crew(legs: u64, others: usize) -> Crew {
    let dir = tempfile::tempdir().expect("a folder");
    let (first, id) = filled(&dir.path().join("0"), legs);
    let mut homes = vec![first];
    for n in 1..=others {
        let home = joined(&dir.path().join(n.to_string()), &homes[0], &id);
        homes.push(home);
    }
    Crew { _dir: dir, homes, id }
}

impl Crew {
    fn store(&self, n: usize) -> leadline_survey::Store {
        self.homes[n].store(&self.id).expect("a store")
    }

    fn desk(&self, n: usize) -> Arc<SurveyDesk> {
        Arc::new(SurveyDesk::new(&self.homes[n], self.id).expect("a desk"))
    }

    /// Device `n` on the loopback network, staying on; with its address.
    async fn start(&self, n: usize) -> (Node, Receiver<Event>, Multiaddr) {
        self.start_with(self.desk(n)).await
    }

    async fn start_with(&self, desk: Arc<SurveyDesk>) -> (Node, Receiver<Event>, Multiaddr) {
        let (events, mut came) = channel(4096);
        let settings = Settings {
            secret: self.homes[0].secret(&self.id).expect("a secret"),
            listen: vec![parse_addr("127.0.0.1:0").expect("an address")],
            find: false,
            again: Some(Duration::from_secs(1)),
            shy: false,
            who: Who::default(),
        };
        let node = Node::start(settings, desk, events).expect("starts");
        let addr = next(&mut came, |e| if let Event::Listening(a) = e { Some(a) } else { None }).await;
        (node, came, addr)
    }

    fn digest(&self, n: usize) -> String {
        self.store(n).holdings_digest().expect("read").to_string()
    }

    /// Waits until these devices hold the same.
    async fn alike(&self, devices: &[usize]) {
        let same = async {
            while devices.iter().any(|n| self.digest(*n) != self.digest(devices[0])) {
                sleep(Duration::from_millis(100)).await;
            }
        };
        timeout(LONG, same).await.expect("they hold the same in time");
    }
}

async fn next<T>(events: &mut Receiver<Event>, mut pick: impl FnMut(Event) -> Option<T>) -> T {
    let found = async {
        loop {
            if let Some(t) = pick(events.recv().await.expect("the node runs")) {
                return t;
            }
        }
    };
    timeout(LONG, found).await.expect("it comes in time")
}

async fn in_step(events: &mut Receiver<Event>) -> leadline_net::Summary {
    next(events, |e| if let Event::InStep { summary, .. } = e { Some(summary) } else { None }).await
}

/// Carries bytes to `target`, at most `rate` a second in each direction; connections end when `cut` is set.
async fn relay(target: &Multiaddr, rate: usize, cut: Arc<AtomicBool>) -> Multiaddr {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("binds");
    let port = listener.local_addr().expect("bound").port();
    let target = target.to_string().replace("/ip4/", "").replace("/tcp/", ":");
    tokio::spawn(async move {
        while let Ok((near, _)) = listener.accept().await {
            let Ok(far) = TcpStream::connect(&target).await else { continue };
            let ((nr, nw), (fr, fw)) = (near.into_split(), far.into_split());
            tokio::spawn(carry(nr, fw, rate, cut.clone()));
            tokio::spawn(carry(fr, nw, rate, cut.clone()));
        }
    });
    parse_addr(&format!("127.0.0.1:{port}")).expect("an address")
}

async fn carry(
    mut from: tokio::net::tcp::OwnedReadHalf,
    mut to: tokio::net::tcp::OwnedWriteHalf,
    rate: usize,
    cut: Arc<AtomicBool>,
) {
    let mut buffer = vec![0; (rate / 50).clamp(1, 65_536)];
    while !cut.load(Ordering::Relaxed) {
        match timeout(Duration::from_millis(50), from.read(&mut buffer)).await {
            Err(_) => continue,
            Ok(Ok(n)) if n > 0 => {
                if to.write_all(&buffer[..n]).await.is_err() {
                    return;
                }
                sleep(Duration::from_secs_f64(n as f64 / rate as f64)).await;
            }
            Ok(_) => return,
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_made_goes_over_and_on_to_a_third_device() {
    let crew = crew(5, 2);
    let (_a, mut events_a, at_a) = crew.start(0).await;
    let (b, _events_b, at_b) = crew.start(1).await;
    let (c, mut events_c, _) = crew.start(2).await;
    b.dial(at_a).await;
    in_step(&mut events_a).await;
    c.dial(at_b).await;
    in_step(&mut events_c).await;
    crew.alike(&[0, 1, 2]).await;
    // One end of the chain makes a leg, then the other: both arrive at the far end with their strips.
    measure(&mut crew.store(0), 100, 1);
    crew.alike(&[0, 1, 2]).await;
    measure(&mut crew.store(2), 200, 3);
    crew.alike(&[0, 1, 2]).await;
    assert_eq!(crew.store(0).counts().expect("counted").wanted, 0);
    assert_eq!(crew.store(0).counts().expect("counted").entries, 5 + 1 + 4 + 4);
    let pushed = next(&mut events_a, |e| match e {
        Event::Pushed { entries, .. } => Some(entries),
        Event::Met { .. } | Event::Failed { .. } => panic!("the meeting stays on: {e:?}"),
        _ => None,
    });
    assert!(pushed.await > 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_slow_peer_stalls_no_fast_one_and_a_cut_is_made_good() {
    let crew = crew(300, 2);
    let (_a, _events_a, at_a) = crew.start(0).await;
    let (slow, mut events_slow, _) = crew.start(1).await;
    let (fast, mut events_fast, _) = crew.start(2).await;
    let cut = Arc::new(AtomicBool::new(false));
    slow.dial(relay(&at_a, 100_000, cut.clone()).await).await;
    next(&mut events_slow, |e| matches!(e, Event::Progress(_, s) if s.bytes_received > 0).then_some(()))
        .await;
    fast.dial(at_a).await;
    let s = in_step(&mut events_fast).await;
    assert!(s.strips_new >= 300, "{s:?}");
    let behind = crew.store(1).counts().expect("counted").strips;
    assert!(behind < 300, "the slow one has not come that far: {behind}");
    // Its link goes away under way, and comes back: it goes on by itself from what it has.
    cut.store(true, Ordering::Relaxed);
    next(&mut events_slow, |e| matches!(e, Event::Failed { .. }).then_some(())).await;
    let kept = crew.store(1).counts().expect("counted").strips;
    cut.store(false, Ordering::Relaxed);
    measure(&mut crew.store(2), 500, 1);
    let s = in_step(&mut events_slow).await;
    crew.alike(&[0, 1, 2]).await;
    let all = crew.store(1).counts().expect("counted").strips;
    assert!(u64::from(s.strips_received) <= all - kept, "what was kept does not come again: {s:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn two_givers_and_no_strip_fetched_twice() {
    let crew = crew(1500, 2);
    let (_a, _events_a, at_a) = crew.start(0).await;
    let (b, mut events_b, at_b) = crew.start(1).await;
    b.dial(at_a.clone()).await;
    in_step(&mut events_b).await;
    let (taker, mut events, _) = crew.start(2).await;
    let never = Arc::new(AtomicBool::new(false));
    for at in [at_a, at_b] {
        taker.dial(relay(&at, 3_000_000, never.clone()).await).await;
    }
    let (one, two) = (in_step(&mut events).await, in_step(&mut events).await);
    crew.alike(&[0, 2]).await;
    let strips = crew.store(2).counts().expect("counted").strips;
    let later = events.try_recv().map_or(0, |e| if let Event::Taken { strips, .. } = e { strips } else { 0 });
    let came = u64::from(one.strips_received + two.strips_received + later);
    assert!(came <= strips, "{came} strips came for {strips}");
    assert!(one.strips_new > 0 && two.strips_new > 0, "both gave: {one:?} {two:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn only_the_strips_of_the_dates_asked_for_come() {
    let crew = crew(200, 1);
    let (_a, _events_a, at_a) = crew.start(0).await;
    let from = legs::time_of(150);
    let part = Part { from: Some(from), to: Some(legs::time_of(160)), ..Part::default() };
    let desk = SurveyDesk::new(&crew.homes[1], crew.id).expect("a desk").wanting(Wants::Part(Box::new(part)));
    let (b, mut events_b, _) = crew.start_with(Arc::new(desk)).await;
    b.dial(at_a.clone()).await;
    let s = in_step(&mut events_b).await;
    let counts = crew.store(1).counts().expect("counted");
    assert_eq!(crew.store(0).entries_digest().expect("read"), crew.store(1).entries_digest().expect("read"));
    assert!(s.strips_new >= 10 && s.strips_new < 40, "ten legs, a few tiles each: {s:?}");
    assert_eq!(counts.strips, u64::from(s.strips_new));
    // A leg of another date is heard of, and not fetched.
    measure(&mut crew.store(0), 500, 1);
    next(&mut events_b, |e| matches!(e, Event::Taken { entries, .. } if entries > 0).then_some(())).await;
    sleep(Duration::from_secs(2)).await;
    assert_eq!(crew.store(1).counts().expect("counted").entries, counts.entries + 1);
    assert_eq!(crew.store(1).counts().expect("counted").strips, counts.strips);
    b.leave().await;
    // Later everything is wanted.
    let (b, mut events_b, _) = crew.start(1).await;
    b.dial(at_a).await;
    in_step(&mut events_b).await;
    crew.alike(&[0, 1]).await;
}

/// An entry of a program to come: signed as ours are, with a body nobody here can read.
fn of_the_future(key: &DeviceKey, survey: SurveyId, seq: u64, prev: EntryId) -> Vec<u8> {
    let place = (key.id(), Epoch([9; 8]), seq);
    let envelope = Envelope::new(survey, place, prev, Nonce([3; 16]), UtcMillis(1_800_000_000_000));
    let mut bytes = encode(&envelope, 1024).expect("small");
    bytes.push(99);
    bytes.extend(b"what this says will be known one day");
    let signature = key.sign(Signs::Entry, &[&bytes]);
    bytes.extend(signature);
    bytes
}

#[tokio::test(flavor = "multi_thread")]
async fn entries_of_a_later_version_are_kept_and_relayed() {
    let crew = crew(2, 2);
    let (_a, mut events_a, at_a) = crew.start(0).await;
    let (b, _events_b, at_b) = crew.start(1).await;
    let (c, mut events_c, _) = crew.start(2).await;
    b.dial(at_a).await;
    in_step(&mut events_a).await;
    c.dial(at_b).await;
    in_step(&mut events_c).await;
    crew.alike(&[0, 1, 2]).await;
    let mut store = crew.store(0);
    let key = DeviceKey::from_seed(&store.key().seed());
    let entry = of_the_future(&key, crew.id, 1, EntryId([0; 32]));
    let id = entry_id(&entry).expect("an entry");
    store.accept(vec![entry.clone()], Vec::new()).expect("taken");
    crew.alike(&[0, 1, 2]).await;
    assert_eq!(crew.store(2).entry(&id).expect("read"), Some(entry));
    // What is made after it still goes over.
    let name = Op::DeviceName { name: Text::new("the first").expect("short"), replaces: Vec::new() };
    crew.store(0).append(vec![vec![name]], &[], UtcMillis(1_800_000_000_000)).expect("written");
    crew.alike(&[0, 1, 2]).await;
}

/// The signature is no part of an entry's id: whoever spoils it must not keep others from giving the genuine one.
#[test]
fn a_spoiled_copy_does_not_stand_for_the_entry() {
    let crew = crew(1, 0);
    let member = DeviceKey::from_seed(&crew.store(0).key().seed());
    for key in [member, DeviceKey::from_seed(&[77; 32])] {
        let entry = of_the_future(&key, crew.id, 1, EntryId([0; 32]));
        let mut spoiled = entry.clone();
        *spoiled.last_mut().expect("a signature") ^= 1;
        let id = entry_id(&entry).expect("an entry");
        assert_eq!(entry_id(&spoiled), Some(id));
        let done = crew.store(0).accept(vec![spoiled], Vec::new()).expect("kept aside");
        assert_eq!(done.waiting + done.refused.len(), 1, "{done:?}");
        let Ok(Answer::Have(have)) = crew.desk(0).answer(Question::Have) else { panic!("no have-list") };
        assert!(!have.0.iter().any(|log| log.extra.contains(&id)), "{have:?}");
    }
}

#[test]
fn what_waits_stands_in_the_have_list_and_is_not_given_again() {
    let crew = crew(1, 0);
    let stranger = DeviceKey::from_seed(&[77; 32]);
    let entry = of_the_future(&stranger, crew.id, 1, EntryId([0; 32]));
    let done = crew.store(0).accept(vec![entry.clone()], Vec::new()).expect("kept aside");
    assert_eq!((done.waiting, done.entries), (1, 0));
    let Ok(Answer::Have(have)) = crew.desk(0).answer(Question::Have) else { panic!("no have-list") };
    let place = Place {
        device: stranger.id(),
        epoch: Epoch([9; 8]),
        seq: 1,
        id: entry_id(&entry).expect("an entry"),
        prev: EntryId([0; 32]),
    };
    assert!(have.missing_of(&[place]).is_empty());
    let next = Place { seq: 2, id: EntryId([8; 32]), prev: place.id, ..place };
    assert_eq!(have.missing_of(&[place, next]), vec![next.id], "what follows it is still given");
}
