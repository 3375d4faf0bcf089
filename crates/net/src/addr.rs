//! Addresses as people type them.

use libp2p::Multiaddr;
use libp2p::multiaddr::Protocol;
use std::net::{IpAddr, SocketAddr, ToSocketAddrs};

/// Why a text is not an address that can be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum AddrError {
    /// Neither form.
    #[error(
        "`{0}` is not an address: write HOST:PORT, as in 192.168.4.17:4700, or a multiaddr, as in /ip4/192.168.4.17/tcp/4700"
    )]
    Form(String),
    /// A name without an address.
    #[error("no address is known for `{0}`: write the number, as in 192.168.4.17:4700")]
    Unknown(String),
    /// IPv6 addresses of one link carry no interface in a multiaddr and cannot be dialled.
    #[error(
        "`{0}` is an IPv6 address of one link only (fe80::…), which cannot be used: write the IPv4 address"
    )]
    LinkLocal(String),
}

/// Reads `HOST:PORT` or a TCP multiaddr. Looks up a host name, which may block.
pub fn parse_addr(text: &str) -> Result<Multiaddr, AddrError> {
    let form = || AddrError::Form(text.to_owned());
    let addr = if text.starts_with('/') {
        text.parse::<Multiaddr>().map_err(|_| form())?
    } else {
        multiaddr_of(look_up(text)?)
    };
    if is_link_local_v6(&addr) {
        return Err(AddrError::LinkLocal(text.to_owned()));
    }
    if is_tcp(&addr) { Ok(addr) } else { Err(form()) }
}

fn look_up(text: &str) -> Result<SocketAddr, AddrError> {
    if let Ok(addr) = text.parse() {
        return Ok(addr);
    }
    let (host, port) = text.rsplit_once(':').ok_or_else(|| AddrError::Form(text.to_owned()))?;
    if port.parse::<u16>().is_err() || host.is_empty() || host.contains(':') {
        return Err(AddrError::Form(text.to_owned()));
    }
    let mut found: Vec<_> =
        text.to_socket_addrs().map_err(|_| AddrError::Unknown(text.to_owned()))?.collect();
    // IPv4 first: it is what a boat's network has.
    found.sort_by_key(SocketAddr::is_ipv6);
    found.first().copied().ok_or_else(|| AddrError::Unknown(text.to_owned()))
}

fn multiaddr_of(addr: SocketAddr) -> Multiaddr {
    let ip = match addr.ip() {
        IpAddr::V4(ip) => Protocol::Ip4(ip),
        IpAddr::V6(ip) => Protocol::Ip6(ip),
    };
    Multiaddr::empty().with(ip).with(Protocol::Tcp(addr.port()))
}

/// Whether this is a TCP address by number, at most with a peer id behind it.
pub(crate) fn is_tcp(addr: &Multiaddr) -> bool {
    let plain: Vec<_> = addr.iter().filter(|p| !matches!(p, Protocol::P2p(_))).collect();
    matches!(plain.as_slice(), [Protocol::Ip4(_) | Protocol::Ip6(_), Protocol::Tcp(_)])
}

/// Number and port of a TCP address.
pub(crate) fn ip_and_port(addr: &Multiaddr) -> Option<(IpAddr, u16)> {
    let mut parts = addr.iter();
    let ip = match parts.next()? {
        Protocol::Ip4(ip) => IpAddr::V4(ip),
        Protocol::Ip6(ip) => IpAddr::V6(ip),
        _ => return None,
    };
    if let Protocol::Tcp(port) = parts.next()? { Some((ip, port)) } else { None }
}

pub(crate) fn is_link_local_v6(addr: &Multiaddr) -> bool {
    addr.iter().any(|p| matches!(p, Protocol::Ip6(ip) if ip.is_unicast_link_local()))
}

/// Without the peer id that may stand at its end.
pub(crate) fn without_peer(addr: &Multiaddr) -> Multiaddr {
    addr.iter().filter(|p| !matches!(p, Protocol::P2p(_))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_forms_and_refusals() {
        let ok = |s: &str| parse_addr(s).expect("an address").to_string();
        assert_eq!(ok("192.168.4.17:4700"), "/ip4/192.168.4.17/tcp/4700");
        assert_eq!(ok("/ip4/10.0.0.1/tcp/1"), "/ip4/10.0.0.1/tcp/1");
        assert_eq!(ok("[fd77::1]:4700"), "/ip6/fd77::1/tcp/4700");
        assert_eq!(ok("localhost:80"), "/ip4/127.0.0.1/tcp/80");
        for bad in
            ["", "192.168.4.17", "192.168.4.17:x", ":4700", "/ip4/1.2.3.4/udp/5", "/nonsense", "fd77::1:80"]
        {
            assert_eq!(parse_addr(bad), Err(AddrError::Form(bad.into())), "{bad}");
        }
        let link = "[fe80::1]:4700";
        assert_eq!(parse_addr(link), Err(AddrError::LinkLocal(link.into())));
    }
}
