//! A door on this machine: real sockets, the real exchange.

use leadline_net::door::{Code, Door, DoorEnd, DoorError, DoorEvent, GUESSES, Load, host, visit};
use leadline_net::{Multiaddr, parse_addr};
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Arc, Mutex};
use std::thread::{JoinHandle, spawn};
use std::time::Duration;

type Hosted = (JoinHandle<(Result<DoorEnd, DoorError>, Vec<DoorEvent>, Vec<u8>)>, Receiver<Multiaddr>);

/// A host that gives `give` and takes up to 1,000 bytes.
fn hosting(code: &Code, find: bool, lasts: Duration, give: Vec<u8>, agree: bool) -> Hosted {
    let listen = vec![parse_addr("127.0.0.1:0").expect("an address")];
    let door = Door { code: code.clone(), listen, find, lasts };
    let (tell, told) = channel();
    let thread = spawn(move || {
        let (mut from, mut into, mut events) = (&give[..], Vec::new(), Vec::new());
        let load = Load::give(&mut from, give.len() as u64).and_take(&mut into, 1000);
        let end = host(&door, load, |e| {
            if let DoorEvent::Open(a) = &e {
                drop(tell.send(a.clone()));
            }
            let go_on = agree || !matches!(e, DoorEvent::Words(_));
            events.push(e);
            go_on
        });
        (end, events, into)
    });
    (thread, told)
}

const LONG: Duration = Duration::from_secs(60);

fn words_of(events: &[DoorEvent]) -> Vec<[&'static str; 2]> {
    events.iter().filter_map(|e| if let DoorEvent::Words(w) = e { Some(*w) } else { None }).collect()
}

/// Visits and takes up to `most`.
fn come(
    code: &Code,
    at: Option<Multiaddr>,
    most: u64,
) -> (Result<DoorEnd, DoorError>, Vec<DoorEvent>, Vec<u8>) {
    let (mut into, mut events) = (Vec::new(), Vec::new());
    let mut thanks = &b"thanks"[..];
    let load = Load::give(&mut thanks, 6).and_take(&mut into, most);
    let end = visit(code, at, load, |e| {
        events.push(e);
        true
    });
    (end, events, into)
}

#[test]
fn found_by_its_number_and_both_see_the_same_words() {
    let code = Code::random().expect("a code");
    let load: Vec<u8> = (0..3_000_000u32).map(|i| (i * 7) as u8).collect();
    let (hosting, _open) = hosting(&code, true, LONG, load.clone(), true);
    let (end, events, came) = come(&code, None, 1 << 30);
    let end = end.expect("through");
    let (hosted, host_events, thanks) = hosting.join().expect("ends");
    let hosted = hosted.expect("through");
    assert_eq!((came == load, thanks), (true, b"thanks".to_vec()));
    assert_eq!((end.given, end.taken, hosted.given, hosted.taken), (6, 3_000_000, 3_000_000, 6));
    assert_eq!(end.words, hosted.words);
    assert_eq!(words_of(&events), words_of(&host_events));
    assert_eq!(words_of(&events), vec![end.words]);
}

#[test]
fn wrong_codes_are_counted_and_end_the_door() {
    let code: Code = "42-183-7556".parse().expect("a code");
    let (hosting, open) = hosting(&code, false, LONG, b"a secret of the survey".to_vec(), true);
    let at = open.recv().expect("opens");
    for guess in ["42-183-7557", "42-000-0000", "42-999-9999"] {
        let (end, events, came) = come(&guess.parse().expect("a code"), Some(at.clone()), 1000);
        assert_eq!((end, came.len()), (Err(DoorError::WrongCode), 0), "{guess}");
        assert!(words_of(&events).is_empty());
    }
    let (end, events, _) = hosting.join().expect("ends");
    assert_eq!(end, Err(DoorError::Spent));
    let left: Vec<u32> = events
        .iter()
        .filter_map(|e| if let DoorEvent::WrongGuess(n) = e { Some(*n) } else { None })
        .collect();
    assert_eq!(left, (0..GUESSES).rev().collect::<Vec<_>>());
    assert!(matches!(come(&code, Some(at), 1000).0, Err(DoorError::Unreachable(_))), "it is closed");
}

#[test]
fn expired_too_large_and_broken_off() {
    let code: Code = "42-183-7556".parse().expect("a code");
    let (expiring, _open) = hosting(&code, false, Duration::from_millis(300), vec![], true);
    assert_eq!(expiring.join().expect("ends").0, Err(DoorError::Expired));

    let (large, open) = hosting(&code, false, LONG, vec![1; 2000], true);
    let (end, _, came) = come(&code, Some(open.recv().expect("opens")), 1999);
    assert_eq!((end, came.len()), (Err(DoorError::TooLarge { got: 2000, most: 1999 }), 0));
    assert!(large.join().expect("ends").0.is_err());

    let (refusing, open) = hosting(&code, false, LONG, vec![1; 2000], false);
    let (end, _, came) = come(&code, Some(open.recv().expect("opens")), 2000);
    assert_eq!((end, came.len()), (Err(DoorError::Refused("there")), 0));
    assert_eq!(refusing.join().expect("ends").0, Err(DoorError::Refused("here")));
}

/// Passes bytes on and keeps them.
fn relay(to: &Multiaddr) -> (Multiaddr, Arc<Mutex<Vec<u8>>>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("binds");
    let port = listener.local_addr().expect("bound").port();
    let target = to.to_string().replace("/ip4/", "").replace("/tcp/", ":");
    let seen = Arc::new(Mutex::new(Vec::new()));
    let kept = seen.clone();
    spawn(move || {
        let (near, _) = listener.accept().expect("accepts");
        let far = TcpStream::connect(target).expect("connects");
        for (mut from, mut to) in
            [(near.try_clone().expect("cloned"), far.try_clone().expect("cloned")), (far, near)]
        {
            let kept = kept.clone();
            spawn(move || {
                let mut bytes = [0; 4096];
                while let Ok(n @ 1..) = from.read(&mut bytes) {
                    kept.lock().expect("whole").extend(&bytes[..n]);
                    if to.write_all(&bytes[..n]).is_err() {
                        break;
                    }
                }
                drop(to.shutdown(std::net::Shutdown::Write));
            });
        }
    });
    (parse_addr(&format!("127.0.0.1:{port}")).expect("an address"), seen)
}

#[test]
fn a_listener_on_the_wire_sees_neither_the_load_nor_the_code() {
    let code = Code::random().expect("a code");
    let load = b"leadline:the secret of the survey".repeat(3);
    let (hosting, open) = hosting(&code, false, LONG, load.clone(), true);
    let (at, seen) = relay(&open.recv().expect("opens"));
    let (end, _, came) = come(&code, Some(at), 1000);
    end.expect("through");
    assert_eq!(came, load);
    drop(hosting.join());
    let seen = seen.lock().expect("whole");
    assert!(seen.len() > load.len());
    for hidden in [&load[..12], code.to_string().as_bytes(), b"thanks"] {
        assert!(!seen.windows(hidden.len()).any(|w| w == hidden));
    }
}

mod stranger {
    //! Somebody who speaks the protocol, and does not know the code.

    use super::*;
    use futures::{AsyncReadExt, AsyncWriteExt, StreamExt};
    use libp2p::core::Transport;
    use libp2p::core::upgrade::Version;
    use libp2p::swarm::SwarmEvent;
    use libp2p::{StreamProtocol, SwarmBuilder, noise, tcp, yamux};
    use spake2::{Ed25519Group, Identity, Password, Spake2};

    /// All bytes the host sends on the stream to a visitor with the wrong code.
    #[tokio::test(flavor = "multi_thread")]
    async fn gets_the_exchange_and_a_refusal_and_no_byte_more() {
        let code: Code = "42-183-7556".parse().expect("a code");
        let (hosting, open) = hosting(&code, false, LONG, b"leadline:secret".repeat(9), true);
        let at = open.recv().expect("opens");
        for _ in 0..GUESSES {
            let bytes = all_that_comes(at.clone()).await;
            // Length, kind, message; length, kind, reason.
            assert_eq!(bytes.len(), 4 + 1 + 33 + 4 + 1 + 1, "{bytes:02x?}");
            assert_eq!((&bytes[..5], bytes[5]), (&[34, 0, 0, 0, 1][..], 0x42));
            assert_eq!(bytes[38..], [2, 0, 0, 0, 7, 1]);
        }
        assert_eq!(hosting.join().expect("ends").0, Err(DoorError::Spent));
    }

    async fn all_that_comes(at: Multiaddr) -> Vec<u8> {
        let mut swarm = SwarmBuilder::with_new_identity()
            .with_tokio()
            .with_other_transport(|key| {
                let noise = noise::Config::new(key)?.with_prologue(leadline_sync::door_prologue().to_vec());
                Ok(tcp::tokio::Transport::new(tcp::Config::default())
                    .upgrade(Version::V1Lazy)
                    .authenticate(noise)
                    .multiplex(yamux::Config::default()))
            })
            .expect("a transport")
            .with_behaviour(|_| libp2p_stream::Behaviour::new())
            .expect("a behaviour")
            .build();
        let me = *swarm.local_peer_id();
        let mut control = swarm.behaviour().new_control();
        swarm.dial(at).expect("dials");
        let host = loop {
            if let SwarmEvent::ConnectionEstablished { peer_id, .. } = swarm.select_next_some().await {
                break peer_id;
            }
        };
        tokio::spawn(async move {
            loop {
                swarm.select_next_some().await;
            }
        });
        let protocol = StreamProtocol::new("/leadline/door/1");
        let mut stream = control.open_stream(host, protocol).await.expect("opens");
        let (a, b) = (Identity::new(&me.to_bytes()), Identity::new(&host.to_bytes()));
        let (exchange, message) = Spake2::<Ed25519Group>::start_a(&Password::new(b"42-183-0000"), &a, &b);
        stream.write_all(&[&[34, 0, 0, 0, 1][..], &message].concat()).await.expect("written");
        let mut first = vec![0; 38];
        stream.read_exact(&mut first).await.expect("the host's message");
        exchange.finish(&first[5..]).expect("a key, and the wrong one");
        stream.write_all(&[&[33, 0, 0, 0, 2][..], &[9; 32]].concat()).await.expect("written");
        let mut rest = Vec::new();
        let _ = stream.read_to_end(&mut rest).await;
        [first, rest].concat()
    }
}
