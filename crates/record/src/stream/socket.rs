//! Datagrams, a server that is called, and clients that call.

use super::lines::Lines;
use super::{BackOff, Brought, Outlet, drops, pump};
use socket2::{Domain, Protocol, Socket, TcpKeepalive, Type};
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream, UdpSocket};
use tokio::sync::Semaphore;

/// Room for datagrams that come while the disk is busy, bytes.
const DATAGRAM_ROOM: usize = 4 << 20;
/// Longest datagram.
const MAX_DATAGRAM: usize = 65_536;
/// Bytes of datagrams handed on at once.
const BATCH: usize = 32 << 10;
/// How often it is asked whether the system dropped any.
const LOOK: Duration = Duration::from_secs(1);
/// Clients at a time.
const MAX_CLIENTS: usize = 8;
const CONNECT: Duration = Duration::from_secs(10);

pub(super) async fn udp(address: SocketAddr, out: &Outlet) {
    let socket = match bind_udp(address) {
        Ok(socket) => socket,
        Err(e) => return out.fail(cannot_listen(&e)).await,
    };
    let at = socket.local_addr().unwrap_or(address);
    if !out.give(Brought::Up(format!("listening at {at}"))).await {
        return;
    }
    let mut datagram = vec![0; MAX_DATAGRAM];
    let mut back_off = BackOff::new();
    let mut look = tokio::time::interval(LOOK);
    let mut lost = 0;
    loop {
        let came = tokio::select! {
            came = socket.recv(&mut datagram) => came,
            _ = look.tick() => {
                let all = drops::of(at).unwrap_or(lost);
                if all > lost && !out.give(Brought::Dropped(all - lost)).await {
                    return;
                }
                lost = all;
                continue;
            }
        };
        match came {
            Ok(n) => {
                let mut batch = Vec::with_capacity(n + 1);
                add(&mut batch, &datagram[..n]);
                while batch.len() < BATCH
                    && let Ok(n) = socket.try_recv(&mut datagram)
                {
                    add(&mut batch, &datagram[..n]);
                }
                if !out.give(Brought::Lines(batch)).await {
                    return;
                }
            }
            Err(e) => {
                if !back_off.wait(e.to_string(), out).await {
                    return;
                }
            }
        }
    }
}

/// A datagram is whole lines, though the last may lack its end.
fn add(batch: &mut Vec<u8>, datagram: &[u8]) {
    let mut lines = Lines::default();
    batch.extend(lines.push(datagram).unwrap_or_default());
    batch.extend(lines.rest().unwrap_or_default());
}

fn bind_udp(address: SocketAddr) -> std::io::Result<UdpSocket> {
    let socket = Socket::new(Domain::for_address(address), Type::DGRAM, Some(Protocol::UDP))?;
    // The system may grant less; then less is what there is.
    drop(socket.set_recv_buffer_size(DATAGRAM_ROOM));
    socket.set_nonblocking(true)?;
    socket.bind(&address.into())?;
    UdpSocket::from_std(socket.into())
}

fn cannot_listen(e: &std::io::Error) -> String {
    format!(
        "cannot listen there: {e}; another program may have the port, or the address is not this device's"
    )
}

pub(super) async fn client(address: &str, out: &Outlet) {
    let mut back_off = BackOff::new();
    loop {
        let why = match tokio::time::timeout(CONNECT, TcpStream::connect(address)).await {
            Ok(Ok(stream)) => {
                keep_alive(&stream);
                if !out.give(Brought::Up("connected".to_owned())).await {
                    return;
                }
                match pump(stream, out).await {
                    Ok(n) => {
                        if n > 0 {
                            back_off.worked();
                        }
                        "the other side closed the connection".to_owned()
                    }
                    Err(e) => {
                        back_off.worked();
                        e.to_string()
                    }
                }
            }
            Ok(Err(e)) => e.to_string(),
            Err(_) => "it does not answer".to_owned(),
        };
        if !back_off.wait(why, out).await {
            return;
        }
    }
}

/// A link that died silently is noticed within about twenty seconds.
fn keep_alive(stream: &TcpStream) {
    let probe = TcpKeepalive::new().with_time(Duration::from_secs(10)).with_interval(Duration::from_secs(5));
    drop(socket2::SockRef::from(stream).set_tcp_keepalive(&probe));
}

pub(super) async fn server(address: SocketAddr, out: &Outlet) {
    let listener = match TcpListener::bind(address).await {
        Ok(listener) => listener,
        Err(e) => return out.fail(cannot_listen(&e)).await,
    };
    let at = listener.local_addr().unwrap_or(address);
    if !out.give(Brought::Up(format!("listening at {at}"))).await {
        return;
    }
    let places = Arc::new(Semaphore::new(MAX_CLIENTS));
    loop {
        // Whoever calls beyond the last place waits in the system's queue.
        let Ok(place) = Arc::clone(&places).acquire_owned().await else { return };
        let Ok((stream, peer)) = listener.accept().await else {
            tokio::time::sleep(Duration::from_millis(100)).await;
            continue;
        };
        keep_alive(&stream);
        if !out.give(Brought::Up(format!("{peer} has called"))).await {
            return;
        }
        let out = out.clone();
        drop(tokio::spawn(async move {
            drop(pump(stream, &out).await);
            drop(place);
        }));
    }
}
