//! How many datagrams the system dropped because nobody took them in time: a loss that no program sees otherwise.

use std::net::SocketAddr;

/// Of the socket bound to `at`, since it was bound; nothing where the system does not tell.
#[cfg(target_os = "linux")]
pub(super) fn of(at: SocketAddr) -> Option<u64> {
    let table = if at.is_ipv4() { "/proc/net/udp" } else { "/proc/net/udp6" };
    find(&std::fs::read_to_string(table).ok()?, at.port())
}

#[cfg(not(target_os = "linux"))]
pub(super) fn of(_at: SocketAddr) -> Option<u64> {
    None
}

/// The sum over all sockets of a port: the last field of their lines. Source: the kernel's documentation of
/// `/proc/net/udp` (`sl local_address rem_address … drops`).
#[cfg(any(target_os = "linux", test))]
fn find(table: &str, port: u16) -> Option<u64> {
    let port = format!(":{port:04X}");
    let of_line = |line: &str| {
        let mut fields = line.split_whitespace();
        fields.nth(1)?.ends_with(&port).then_some(())?;
        fields.last()?.parse::<u64>().ok()
    };
    let found: Vec<u64> = table.lines().skip(1).filter_map(of_line).collect();
    (!found.is_empty()).then(|| found.iter().sum())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_kernels_table() {
        let table = "\
   sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode ref pointer drops
  457: 0100007F:277E 00000000:0000 07 00000000:00000000 00:00000000 00000000     0        0 35 2 0000000000000000 17
  458: 00000000:277F 00000000:0000 07 00000000:00000000 00:00000000 00000000     0        0 36 2 0000000000000000 4
";
        assert_eq!((find(table, 10_110), find(table, 10_111), find(table, 1)), (Some(17), Some(4), None));
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_socket_that_nobody_reads_drops() {
        let socket = socket2::Socket::new(socket2::Domain::IPV4, socket2::Type::DGRAM, None).expect("made");
        socket.set_recv_buffer_size(4_096).expect("set");
        let here: SocketAddr = ([127, 0, 0, 1], 0).into();
        socket.bind(&here.into()).expect("bound");
        let at = socket.local_addr().ok().and_then(|a| a.as_socket()).expect("an address");
        assert_eq!(of(at), Some(0));
        let sender = std::net::UdpSocket::bind(here).expect("bound");
        (0..200).for_each(|_| drop(sender.send_to(&[0; 500], at)));
        assert!(of(at) > Some(0));
    }
}
