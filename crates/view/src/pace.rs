//! Connections: so many at once, and none that only holds its place.
//!
//! Between requests a connection must send its next request whole within [`QUIET`]; while an answer is written some
//! of it must get through within [`STALL`]. While a request is being answered nothing is asked of it.

use axum::extract::connect_info::Connected;
use axum::serve::{IncomingStream, Listener};
use std::collections::BTreeMap;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::pin::Pin;
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{Instant, Sleep, sleep_until};

/// Connections at once.
const MOST: usize = 96;
/// Connections of one address at once: a browser opens six, and two pages may be open.
const MOST_OF_ONE: usize = 24;
/// Longest wait for a whole request's head.
const QUIET: Duration = Duration::from_secs(20);
/// Longest wait until some of an answer is taken.
const STALL: Duration = Duration::from_secs(20);

/// What a request may know of its connection.
#[derive(Clone, Debug)]
pub(crate) struct Wire {
    /// The address that was dialled.
    pub(crate) local: SocketAddr,
    turn: Arc<Mutex<Turn>>,
}

/// Whose turn it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Turn {
    /// The browser's, since then.
    Theirs(Instant),
    /// Ours.
    Ours,
}

impl Wire {
    /// A request has come whole, but for its body.
    pub(crate) fn answering(&self) {
        self.set(Turn::Ours);
    }

    /// The answer is under way.
    pub(crate) fn answered(&self) {
        self.set(Turn::Theirs(Instant::now()));
    }

    fn set(&self, turn: Turn) {
        *self.turn.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = turn;
    }

    fn get(&self) -> Turn {
        *self.turn.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

impl Connected<IncomingStream<'_, Paced>> for Wire {
    fn connect_info(stream: IncomingStream<'_, Paced>) -> Self {
        stream.io().wire.clone()
    }
}

/// A listener that bounds and paces its connections.
pub(crate) struct Paced {
    listener: TcpListener,
    places: Arc<Semaphore>,
    of_one: Arc<Mutex<BTreeMap<IpAddr, usize>>>,
}

impl Paced {
    pub(crate) fn new(listener: TcpListener) -> Self {
        Self { listener, places: Arc::new(Semaphore::new(MOST)), of_one: Arc::default() }
    }

    fn place(&self, ip: IpAddr) -> Option<Place> {
        let permit = Arc::clone(&self.places).try_acquire_owned().ok()?;
        let mut of_one = self.of_one.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let n = of_one.entry(ip).or_default();
        if *n >= MOST_OF_ONE {
            return None;
        }
        *n += 1;
        Some(Place { ip, of_one: Arc::clone(&self.of_one), _permit: permit })
    }
}

impl Listener for Paced {
    type Io = Connection;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Connection, SocketAddr) {
        loop {
            match self.listener.accept().await {
                Ok((stream, peer)) => {
                    // Whoever comes when all places are taken is closed at once; a browser tries again.
                    let Some(place) = self.place(peer.ip()) else { continue };
                    let Ok(local) = stream.local_addr() else { continue };
                    drop(stream.set_nodelay(true));
                    let turn = Arc::new(Mutex::new(Turn::Theirs(Instant::now())));
                    let wire = Wire { local, turn };
                    return (Connection { stream, wire, alarm: None, stalled: None, _place: place }, peer);
                }
                // Out of descriptors, or a connection that went away while it was accepted.
                Err(_) => tokio::time::sleep(Duration::from_millis(100)).await,
            }
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

/// One place among the connections.
struct Place {
    ip: IpAddr,
    of_one: Arc<Mutex<BTreeMap<IpAddr, usize>>>,
    _permit: OwnedSemaphorePermit,
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut of_one = self.of_one.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if let Some(n) = of_one.get_mut(&self.ip) {
            *n -= 1;
            if *n == 0 {
                of_one.remove(&self.ip);
            }
        }
    }
}

/// A connection with its clocks.
pub(crate) struct Connection {
    stream: TcpStream,
    wire: Wire,
    alarm: Option<Pin<Box<Sleep>>>,
    stalled: Option<Pin<Box<Sleep>>>,
    _place: Place,
}

impl Connection {
    /// Whether the browser has let its turn pass.
    fn is_late(&mut self, cx: &mut Context<'_>) -> bool {
        // Looked at again from time to time: whose turn it is changes without a sound.
        let due = match self.wire.get() {
            Turn::Theirs(since) => since + QUIET,
            Turn::Ours => Instant::now() + QUIET,
        };
        let alarm = self.alarm.get_or_insert_with(|| Box::pin(sleep_until(due)));
        alarm.as_mut().reset(due);
        match alarm.as_mut().poll(cx) {
            Poll::Pending => false,
            Poll::Ready(()) => true,
        }
    }

    fn wrote(&mut self) {
        self.stalled = None;
        if self.wire.get() != Turn::Ours {
            self.wire.answered();
        }
    }

    fn waits(&mut self, cx: &mut Context<'_>) -> Poll<io::Error> {
        let stalled = self.stalled.get_or_insert_with(|| Box::pin(tokio::time::sleep(STALL)));
        stalled.as_mut().poll(cx).map(|()| late())
    }
}

fn late() -> io::Error {
    io::Error::new(io::ErrorKind::TimedOut, "the other side is too slow")
}

impl AsyncRead for Connection {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let me = &mut *self;
        match Pin::new(&mut me.stream).poll_read(cx, buf) {
            // Bytes that drip in do not move the clock: the whole head must come in time.
            Poll::Ready(r) => {
                if me.is_late(cx) && me.wire.get() != Turn::Ours {
                    return Poll::Ready(Err(late()));
                }
                Poll::Ready(r)
            }
            Poll::Pending if me.is_late(cx) => Poll::Ready(Err(late())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl AsyncWrite for Connection {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let me = &mut *self;
        match Pin::new(&mut me.stream).poll_write(cx, buf) {
            Poll::Ready(r) => {
                me.wrote();
                Poll::Ready(r)
            }
            Poll::Pending => me.waits(cx).map(Err),
        }
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let me = &mut *self;
        match Pin::new(&mut me.stream).poll_write_vectored(cx, bufs) {
            Poll::Ready(r) => {
                me.wrote();
                Poll::Ready(r)
            }
            Poll::Pending => me.waits(cx).map(Err),
        }
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}
