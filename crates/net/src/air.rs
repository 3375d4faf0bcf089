//! The sockets of beacons: one ear for each kind of address, and a mouth at every address this device listens on.

use crate::beacon::{GROUP_V4, GROUP_V6, MAX_BYTES, PORT};
use socket2::{Domain, Protocol, Socket, Type};
use std::collections::BTreeMap;
use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, UdpSocket as Mouth};
use tokio::net::UdpSocket;

/// Sends and hears beacons.
#[derive(Debug)]
pub(crate) struct Air {
    ear_v4: Option<UdpSocket>,
    ear_v6: Option<UdpSocket>,
    /// `None`: not to be had yet; an IPv6 address is checked for duplicates before it can be used.
    mouths: BTreeMap<IpAddr, Option<Mouth>>,
}

impl Air {
    /// Takes the beacons' port, together with other programs on this machine. One kind of address is enough.
    pub(crate) fn open() -> io::Result<Self> {
        let (v4, v6) = (ear(IpAddr::from(Ipv4Addr::UNSPECIFIED)), ear(IpAddr::from(Ipv6Addr::UNSPECIFIED)));
        if let (Err(e), Err(_)) = (&v4, &v6) {
            return Err(io::Error::new(e.kind(), format!("UDP port {PORT}: {e}")));
        }
        let air = Self { ear_v4: v4.ok(), ear_v6: v6.ok(), mouths: BTreeMap::new() };
        if let Some(e) = &air.ear_v4 {
            // The system's choice of interface; those that are listened on follow.
            let _ = e.join_multicast_v4(GROUP_V4, Ipv4Addr::UNSPECIFIED);
        }
        for (_, index) in interfaces_v6() {
            air.join_v6(index);
        }
        Ok(air)
    }

    /// Speaks from this address too, and hears what comes to its interface. Addresses of one link only are left out:
    /// nobody could dial them.
    pub(crate) fn add(&mut self, ip: IpAddr) {
        if matches!(ip, IpAddr::V6(v6) if v6.is_unicast_link_local()) || self.mouths.contains_key(&ip) {
            return;
        }
        self.mouths.insert(ip, None);
        self.open_mouths();
    }

    /// Tries those that could not be had before. A device that cannot speak at one address still hears there, and is
    /// found at its others.
    fn open_mouths(&mut self) {
        let closed: Vec<_> = self.mouths.iter().filter(|(_, m)| m.is_none()).map(|(ip, _)| *ip).collect();
        for ip in closed {
            let mut index = 0;
            match ip {
                IpAddr::V4(v4) => {
                    if let Some(e) = &self.ear_v4 {
                        // Fails if its interface is in the group already.
                        let _ = e.join_multicast_v4(GROUP_V4, v4);
                    }
                }
                IpAddr::V6(v6) => {
                    index = interfaces_v6().into_iter().find(|(a, _)| *a == v6).map_or(0, |(_, i)| i);
                    self.join_v6(index);
                }
            }
            self.mouths.insert(ip, mouth(ip, index).ok());
        }
    }

    fn join_v6(&self, index: u32) {
        if let Some(e) = &self.ear_v6 {
            let _ = e.join_multicast_v6(&GROUP_V6, index);
        }
    }

    /// The address is gone.
    pub(crate) fn remove(&mut self, ip: &IpAddr) {
        self.mouths.remove(ip);
    }

    /// Sends what `make` gives for each address. What cannot be sent now is not waited for: the next one may.
    pub(crate) fn say(&mut self, make: impl Fn(IpAddr) -> Option<Vec<u8>>) {
        self.open_mouths();
        for (ip, mouth) in &self.mouths {
            let (Some(mouth), Some(bytes)) = (mouth, make(*ip)) else { continue };
            for to in ways(*ip) {
                let _ = mouth.send_to(&bytes, SocketAddr::new(to, PORT));
            }
        }
    }

    /// The next datagram: its bytes, cut off behind the longest beacon's, and where it came from.
    pub(crate) async fn hear(&self) -> (Vec<u8>, SocketAddr) {
        tokio::select! {
            came = listen(self.ear_v4.as_ref()) => came,
            came = listen(self.ear_v6.as_ref()) => came,
        }
    }
}

/// Where to send from an address. The limited broadcast goes out on the interface of the socket's own address; some
/// access points drop multicast, others broadcast.
fn ways(from: IpAddr) -> Vec<IpAddr> {
    match from {
        IpAddr::V4(ip) if ip.is_loopback() => vec![Ipv4Addr::new(127, 255, 255, 255).into()],
        IpAddr::V4(_) => vec![Ipv4Addr::BROADCAST.into(), GROUP_V4.into()],
        IpAddr::V6(ip) if ip.is_loopback() => Vec::new(),
        IpAddr::V6(_) => vec![GROUP_V6.into()],
    }
}

async fn listen(ear: Option<&UdpSocket>) -> (Vec<u8>, SocketAddr) {
    let Some(ear) = ear else { return std::future::pending().await };
    let mut bytes = [0; MAX_BYTES + 1];
    loop {
        match ear.recv_from(&mut bytes).await {
            Ok((len, from)) => return (bytes[..len].to_vec(), from),
            // An error of an earlier datagram, or of a link that is down: never a busy loop.
            Err(_) => tokio::time::sleep(std::time::Duration::from_millis(100)).await,
        }
    }
}

fn ear(at: IpAddr) -> io::Result<UdpSocket> {
    let socket =
        Socket::new(Domain::for_address(SocketAddr::new(at, PORT)), Type::DGRAM, Some(Protocol::UDP))?;
    socket.set_reuse_address(true)?;
    // Two programs on one machine both hear: broadcast and multicast go to every socket of the port.
    #[cfg(unix)]
    socket.set_reuse_port(true)?;
    if at.is_ipv6() {
        socket.set_only_v6(true)?;
    }
    socket.set_nonblocking(true)?;
    socket.bind(&SocketAddr::new(at, PORT).into())?;
    UdpSocket::from_std(socket.into())
}

/// Never waits, and is not the runtime's: that one would refuse to send until it has looked at the socket once.
fn mouth(ip: IpAddr, index: u32) -> io::Result<Mouth> {
    let socket = Socket::new(Domain::for_address(SocketAddr::new(ip, 0)), Type::DGRAM, Some(Protocol::UDP))?;
    socket.set_nonblocking(true)?;
    match ip {
        IpAddr::V4(v4) => {
            socket.set_broadcast(true)?;
            socket.set_multicast_if_v4(&v4)?;
            socket.set_multicast_ttl_v4(1)?;
            socket.set_multicast_loop_v4(true)?;
        }
        IpAddr::V6(_) => {
            socket.set_multicast_if_v6(index)?;
            socket.set_multicast_hops_v6(1)?;
            socket.set_multicast_loop_v6(true)?;
        }
    }
    socket.bind(&SocketAddr::new(ip, 0).into())?;
    Ok(socket.into())
}

/// Each IPv6 address with the number of its interface, where the system tells them in a file; elsewhere the system
/// chooses.
fn interfaces_v6() -> Vec<(Ipv6Addr, u32)> {
    let text = std::fs::read_to_string("/proc/net/if_inet6").unwrap_or_default();
    let line = |l: &str| {
        let mut words = l.split_whitespace();
        let ip = u128::from_str_radix(words.next()?, 16).ok()?;
        Some((Ipv6Addr::from(ip), u32::from_str_radix(words.next()?, 16).ok()?))
    };
    text.lines().filter_map(line).collect()
}
