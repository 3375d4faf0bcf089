//! A link of a given rate and delay, in user space: kernels of build machines lack the modules for it.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::mpsc::{Receiver, channel};
use std::thread::{sleep, spawn};
use std::time::{Duration, Instant};

/// Bytes that leave at once; one frame of the link would be smaller, and the clock too coarse for it.
const PIECE: usize = 8 << 10;
/// Time that the bytes waiting before the link may take: a router's buffer.
const BUFFER: Duration = Duration::from_millis(40);

#[derive(Clone, Copy)]
pub(crate) struct Link {
    /// Bytes a second, in each direction.
    pub(crate) rate: f64,
    pub(crate) one_way: Duration,
}

impl Link {
    /// Puts itself before a multiaddr of IPv4; the port to dial.
    pub(crate) fn before(self, target: &str) -> u16 {
        let target = target.replace("/ip4/", "").replace("/tcp/", ":");
        let listener = TcpListener::bind("127.0.0.1:0").expect("binds");
        let port = listener.local_addr().expect("bound").port();
        spawn(move || {
            for near in listener.incoming().map_while(Result::ok) {
                let far = TcpStream::connect(&target).expect("connects");
                for s in [&near, &far] {
                    s.set_nodelay(true).expect("set");
                }
                let (near2, far2) = (near.try_clone().expect("cloned"), far.try_clone().expect("cloned"));
                self.carry(near, far);
                self.carry(far2, near2);
            }
        });
        port
    }

    fn carry(self, mut from: TcpStream, to: TcpStream) {
        let (push, pieces) = channel();
        spawn(move || deliver(to, &pieces));
        spawn(move || {
            let mut piece = vec![0; PIECE];
            let mut free = Instant::now();
            while let Ok(n @ 1..) = from.read(&mut piece) {
                let now = Instant::now();
                free = free.max(now) + Duration::from_secs_f64(n as f64 / self.rate);
                if push.send((free + self.one_way, piece[..n].to_vec())).is_err() {
                    return;
                }
                // A full buffer pushes back.
                sleep(free.saturating_duration_since(now + BUFFER));
            }
        });
    }
}

fn deliver(mut to: TcpStream, pieces: &Receiver<(Instant, Vec<u8>)>) {
    for (at, piece) in pieces {
        sleep(at.saturating_duration_since(Instant::now()));
        if to.write_all(&piece).is_err() {
            return;
        }
    }
    drop(to.shutdown(std::net::Shutdown::Write));
}
