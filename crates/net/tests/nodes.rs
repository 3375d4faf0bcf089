//! Two nodes in one process over 127.0.0.1, with desks in memory.

use leadline_model::{Digest, EntryId, StripDigest, SurveyId, Text};
use leadline_net::{Event, NetError, NetFailure, Node, Plan, Settings, Who, parse_addr, run};
use leadline_sync::{
    Admission, Answer, Binding, Config, Desk, DeskError, DeviceKey, Failure, Have, Holdings, Question,
    RefusalCode, Stored, Summary,
};
use libp2p::Multiaddr;
use std::collections::BTreeMap;
use std::sync::{Arc, Condvar, Mutex};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc::{Receiver, channel};

/// The least of a store: strips only, and a list of those it wants. Entries are what `leadline-sync` tests.
struct Shelf {
    key: DeviceKey,
    strips: Mutex<BTreeMap<StripDigest, Vec<u8>>>,
    wanted: Mutex<Vec<StripDigest>>,
    admission: Admission,
    /// Each answer takes this long.
    slow: Duration,
    /// While it is shut, nobody is told whether it is admitted.
    shut: Mutex<bool>,
    opened: Condvar,
}

impl Shelf {
    fn new(seed: u8) -> Self {
        Self {
            key: DeviceKey::from_seed(&[seed; 32]),
            strips: Mutex::default(),
            wanted: Mutex::default(),
            admission: Admission::Member,
            slow: Duration::ZERO,
            shut: Mutex::default(),
            opened: Condvar::new(),
        }
    }

    /// Two shelves that lack each other's strips: `count` of `size` bytes each.
    fn pair(count: u32, size: usize) -> (Self, Self) {
        let (a, b) = (Self::new(1), Self::new(2));
        for (shelf, other, n) in [(&a, &b, 0u32), (&b, &a, 1)] {
            for i in 0..count {
                let mut digest = [0; 32];
                digest[..4].copy_from_slice(&(2 * i + n).to_be_bytes());
                let content: Vec<u8> = (0..size).map(|k| (k as u32).wrapping_mul(i + 77) as u8).collect();
                shelf.strips.lock().expect("not poisoned").insert(StripDigest(digest), content);
                other.wanted.lock().expect("not poisoned").push(StripDigest(digest));
            }
        }
        (a, b)
    }

    fn holdings(&self) -> Holdings {
        let missing = self.wanted.lock().expect("not poisoned").len() as u32;
        Holdings { digest: Digest([7; 32]), missing_strips: missing, entries: 0 }
    }

    fn count(&self) -> usize {
        self.strips.lock().expect("not poisoned").len()
    }
}

impl Desk for Shelf {
    fn open(&self, binding: Binding) -> Result<(Config, Holdings), DeskError> {
        let name = Text::new("a shelf").map_err(DeskError::new)?;
        Ok((Config::new(SurveyId([5; 16]), &self.key, name, binding), self.holdings()))
    }

    fn answer(&self, question: Question) -> Result<Answer, DeskError> {
        std::thread::sleep(self.slow);
        Ok(match question {
            Question::Admit { .. } | Question::Introduce { .. } => {
                let shut = self.shut.lock().expect("not poisoned");
                drop(self.opened.wait_while(shut, |s| *s).expect("not poisoned"));
                Answer::Admitted(self.admission)
            }
            Question::Credentials => Answer::Items(Vec::new()),
            Question::Have => Answer::Have(Have::default()),
            Question::Missing(_) => Answer::Missing(Vec::<EntryId>::new()),
            Question::Strips { keys, max_bytes } => {
                let strips = self.strips.lock().expect("not poisoned");
                let mut left = max_bytes as isize;
                let mut items = Vec::new();
                for key in keys {
                    let (from, to) = key.range();
                    let strip = strips.range(from..=to).next().map(|(_, s)| s.clone());
                    left -= strip.as_ref().map_or(0, Vec::len) as isize;
                    if left < 0 && !items.is_empty() {
                        break;
                    }
                    items.push(strip);
                }
                Answer::Items(items)
            }
            Question::Store { strips, .. } => {
                let stored = Stored { strips: strips.len() as u32, ..Stored::default() };
                let mut held = self.strips.lock().expect("not poisoned");
                self.wanted.lock().expect("not poisoned").retain(|w| strips.iter().all(|(d, _)| d != w));
                held.extend(strips);
                Answer::Stored(stored)
            }
            Question::WantedStrips { after, max, .. } => {
                let wanted = self.wanted.lock().expect("not poisoned");
                Answer::Wanted(
                    wanted.iter().filter(|d| after.is_none_or(|a| **d > a)).take(max).copied().collect(),
                )
            }
            Question::Holdings => Answer::Holdings(self.holdings()),
            other => return Err(DeskError::new(format!("unexpected {other:?}"))),
        })
    }
}

fn node(desk: &Arc<Shelf>, secret: u8, listen: bool) -> (Node, Receiver<Event>) {
    let (events, came) = channel(64);
    let listen = listen.then(|| parse_addr("127.0.0.1:0").expect("an address")).into_iter().collect();
    let settings =
        Settings { secret: [secret; 32], listen, find: false, again: None, shy: false, who: Who::default() };
    (Node::start(settings, desk.clone(), events).expect("starts"), came)
}

/// The next event `pick` takes. The time is a limit against hanging, not a measurement.
async fn next<T>(events: &mut Receiver<Event>, mut pick: impl FnMut(Event) -> Option<T>) -> T {
    let found = async {
        loop {
            if let Some(t) = pick(events.recv().await.expect("the node runs")) {
                return t;
            }
        }
    };
    tokio::time::timeout(Duration::from_secs(60), found).await.expect("it comes in time")
}

async fn listening(events: &mut Receiver<Event>) -> Multiaddr {
    next(events, |e| if let Event::Listening(a) = e { Some(a) } else { None }).await
}

async fn ended(events: &mut Receiver<Event>) -> Result<Summary, NetFailure> {
    next(events, |e| match e {
        Event::Met { summary, .. } => Some(Ok(summary)),
        Event::Failed { why, .. } => Some(Err(why)),
        _ => None,
    })
    .await
}

#[tokio::test(flavor = "multi_thread")]
async fn forty_megabytes_both_ways_at_once() {
    let (a, b) = Shelf::pair(100, 400_000);
    let (a, b) = (Arc::new(a), Arc::new(b));
    let (_node_a, mut events_a) = node(&a, 3, true);
    let (node_b, mut events_b) = node(&b, 3, false);
    node_b.dial(listening(&mut events_a).await).await;
    let (sa, sb) = (ended(&mut events_a).await.expect("met"), ended(&mut events_b).await.expect("met"));
    assert_eq!((sa.strips_new, sb.strips_new), (100, 100));
    assert!(sa.bytes_received > 40_000_000 && sb.bytes_received > 40_000_000);
    assert_eq!(*a.strips.lock().expect("not poisoned"), *b.strips.lock().expect("not poisoned"));
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_to_do_is_a_short_meeting() {
    let (a, b) = (Arc::new(Shelf::new(1)), Arc::new(Shelf::new(2)));
    let (_node_a, mut events_a) = node(&a, 3, true);
    let (node_b, mut events_b) = node(&b, 3, false);
    node_b.dial(listening(&mut events_a).await).await;
    let (sa, sb) = (ended(&mut events_a).await.expect("met"), ended(&mut events_b).await.expect("met"));
    assert!(sa.was_equal && sb.was_equal);
    assert!(sa.bytes_sent + sa.bytes_received <= 600, "{sa:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn another_secret_finishes_no_handshake() {
    let (a, b) = (Arc::new(Shelf::new(1)), Arc::new(Shelf::new(2)));
    let (_node_a, mut events_a) = node(&a, 3, true);
    let (node_b, mut events_b) = node(&b, 4, false);
    node_b.dial(listening(&mut events_a).await).await;
    let failure = ended(&mut events_b).await.expect_err("refused");
    assert_eq!(failure, NetFailure::OtherSecret);
    assert!(failure.to_string().contains("not in this survey's crew"));
    assert!(events_a.try_recv().is_err(), "the listener has begun nothing");
}

#[tokio::test(flavor = "multi_thread")]
async fn who_is_not_admitted_is_told_so() {
    let a = Arc::new(Shelf { admission: Admission::Stranger, ..Shelf::new(1) });
    let b = Arc::new(Shelf::new(2));
    let (_node_a, mut events_a) = node(&a, 3, true);
    let (node_b, mut events_b) = node(&b, 3, false);
    node_b.dial(listening(&mut events_a).await).await;
    let refused = |f: Failure| Err(NetFailure::Meeting(f));
    assert_eq!(ended(&mut events_b).await, refused(Failure::RefusedByPeer(RefusalCode::Stranger)));
    assert_eq!(ended(&mut events_a).await, refused(Failure::RefusedPeer(RefusalCode::Stranger)));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_node_that_goes_away_is_noticed_and_the_next_meeting_goes_on() {
    let (a, b) = Shelf::pair(60, 300_000);
    let (a, b) = (Arc::new(Shelf { slow: Duration::from_millis(20), ..a }), Arc::new(b));
    let (node_a, mut events_a) = node(&a, 3, true);
    let (node_b, mut events_b) = node(&b, 3, false);
    node_b.dial(listening(&mut events_a).await).await;
    next(&mut events_b, |e| match e {
        Event::Progress(_, s) if s.strips_received > 5 => Some(()),
        Event::Met { .. } => panic!("faster than the first report of progress"),
        _ => None,
    })
    .await;
    drop(node_a);
    assert_eq!(ended(&mut events_b).await, Err(NetFailure::Meeting(Failure::LinkLost)));
    let kept = b.count() - 60;
    assert!((1..60).contains(&kept), "{kept}");
    let (_again, mut events_again) = node(&a, 3, true);
    node_b.dial(listening(&mut events_again).await).await;
    let s = ended(&mut events_b).await.expect("met");
    assert_eq!((b.count(), a.count()), (120, 120));
    assert_eq!(s.strips_received as usize, 60 - kept, "what was kept did not come again");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_link_that_dies_without_a_word_is_noticed() {
    let (a, b) = Shelf::pair(60, 300_000);
    let (a, b) = (Arc::new(a), Arc::new(b));
    let (_node_a, mut events_a) = node(&a, 3, true);
    let (node_b, mut events_b) = node(&b, 3, false);
    // A relay that stops carrying after 3 MB, and closes nothing.
    let to = listening(&mut events_a).await;
    let relay = TcpListener::bind("127.0.0.1:0").await.expect("binds");
    let port = relay.local_addr().expect("bound").port();
    tokio::spawn(async move {
        let (mut near, _) = relay.accept().await.expect("accepts");
        let target = to.to_string().replace("/ip4/", "").replace("/tcp/", ":");
        let mut far = TcpStream::connect(target).await.expect("connects");
        let (mut one, mut two) = (vec![0; 65_536], vec![0; 65_536]);
        let mut carried = 0;
        while carried < 3_000_000 {
            tokio::select! {
                n = near.read(&mut one) => { let n = n.expect("reads"); carried += n; far.write_all(&one[..n]).await.expect("writes") }
                n = far.read(&mut two) => { let n = n.expect("reads"); carried += n; near.write_all(&two[..n]).await.expect("writes") }
            }
        }
        std::future::pending::<()>().await;
    });
    node_b.dial(parse_addr(&format!("127.0.0.1:{port}")).expect("an address")).await;
    for events in [&mut events_a, &mut events_b] {
        match ended(events).await {
            Err(NetFailure::Meeting(Failure::Silent | Failure::LinkLost)) => {}
            other => panic!("{other:?}"),
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn garbage_and_silence_do_not_hurt_and_a_slow_peer_is_waited_for() {
    let (a, b) = Shelf::pair(20, 100_000);
    let (a, b) = (Arc::new(a), Arc::new(Shelf { slow: Duration::from_millis(150), ..b }));
    let (_node_a, mut events_a) = node(&a, 3, true);
    let addr = listening(&mut events_a).await;
    let target = addr.to_string().replace("/ip4/", "").replace("/tcp/", ":");
    let mut held = Vec::new();
    for n in 0..30u8 {
        let mut stream = TcpStream::connect(&target).await.expect("connects");
        let bytes: &[u8] = match n % 3 {
            0 => b"GET / HTTP/1.1\r\n\r\n",
            1 => &[0xff; 300],
            _ => b"",
        };
        stream.write_all(bytes).await.expect("writes");
        held.push(stream);
    }
    let (node_b, mut events_b) = node(&b, 3, false);
    node_b.dial(addr).await;
    assert_eq!(ended(&mut events_b).await.expect("met").strips_new, 20);
    assert_eq!(ended(&mut events_a).await.expect("met").strips_new, 20);
}

#[tokio::test(flavor = "multi_thread")]
async fn both_dial_at_once_and_meet_once() {
    for _ in 0..5 {
        let (a, b) = Shelf::pair(30, 50_000);
        let (a, b) = (Arc::new(a), Arc::new(b));
        let (node_a, mut events_a) = node(&a, 3, true);
        let (node_b, mut events_b) = node(&b, 3, true);
        let (to_a, to_b) = (listening(&mut events_a).await, listening(&mut events_b).await);
        tokio::join!(node_a.dial(to_b), node_b.dial(to_a));
        ended(&mut events_a).await.expect("a meets");
        ended(&mut events_b).await.expect("b meets");
        assert_eq!((a.count(), b.count()), (60, 60));
    }
}

/// Sixteen meetings at once (design, limits). The seventeenth is turned away before anything is read of it, and comes
/// in when there is room again.
#[tokio::test(flavor = "multi_thread")]
async fn the_seventeenth_meeting_waits_outside() {
    let hub = Arc::new(Shelf { shut: Mutex::new(true), ..Shelf::new(99) });
    let (_node, mut events) = node(&hub, 3, true);
    let at = listening(&mut events).await;
    let mut guests = Vec::new();
    for seed in 1..=16 {
        let (guest, came) = node(&Arc::new(Shelf::new(seed)), 3, false);
        guest.dial(at.clone()).await;
        next(&mut events, |e| matches!(e, Event::Began(_)).then_some(())).await;
        guests.push((guest, came));
    }
    let (late, mut late_events) = node(&Arc::new(Shelf::new(17)), 3, false);
    late.dial(at.clone()).await;
    match ended(&mut events).await {
        Err(NetFailure::Closed(why)) => assert!(why.contains("too many"), "{why}"),
        other => panic!("{other:?}"),
    }
    ended(&mut late_events).await.expect_err("it is turned away");
    *hub.shut.lock().expect("not poisoned") = false;
    hub.opened.notify_all();
    for (_, came) in &mut guests {
        ended(came).await.expect("the sixteen go on");
    }
    late.dial(at).await;
    ended(&mut late_events).await.expect("now there is room");
}

#[test]
fn run_once_meets_or_says_why_not() {
    let (a, b) = Shelf::pair(5, 1000);
    let (a, b) = (Arc::new(a), Arc::new(b));
    let plan = |listen: &[&str], with: &[&str]| Plan {
        secrets: Arc::new(|| vec![[3; 32]]),
        who: Who::default(),
        listen: listen.iter().map(|s| parse_addr(s).expect("an address")).collect(),
        with: with.iter().map(|s| parse_addr(s).expect("an address")).collect(),
        find: false,
        once: true,
        patience: Some(Duration::from_secs(60)),
    };
    let (tell, port) = std::sync::mpsc::channel();
    let listener = {
        let (a, plan) = (a.clone(), plan(&["127.0.0.1:0"], &[]));
        std::thread::spawn(move || {
            run(plan, a, |e| {
                if let Event::Listening(addr) = e {
                    tell.send(addr.to_string()).expect("the test waits");
                }
            })
        })
    };
    let addr = port.recv().expect("it listens");
    let met = run(plan(&[], &[&addr]), b.clone(), |_| {}).expect("met");
    assert_eq!((met.len(), met[0].strips_new), (1, 5));
    assert_eq!(listener.join().expect("ends").expect("met").len(), 1);
    assert_eq!((a.count(), b.count()), (10, 10));
    // Now nobody listens there.
    match run(plan(&[], &[&addr]), b.clone(), |_| {}) {
        Err(NetError::Failed(NetFailure::Unreachable(a))) => assert_eq!(a.to_string(), addr),
        other => panic!("{other:?}"),
    }
    let taken = std::net::TcpListener::bind("127.0.0.1:0").expect("binds");
    let port = taken.local_addr().expect("bound").port();
    let refusal = run(plan(&[&format!("127.0.0.1:{port}")], &[]), b.clone(), |_| {}).expect_err("taken");
    assert!(refusal.to_string().contains("choose another port"), "{refusal}");
    let nobody = Plan { patience: Some(Duration::from_millis(300)), ..plan(&["127.0.0.1:0"], &[]) };
    assert!(matches!(run(nobody, b, |_| {}), Err(NetError::NobodyFound)));
}
