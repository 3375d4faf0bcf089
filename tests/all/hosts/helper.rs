//! What some tests run inside a namespace: this test program again, with one of these as its only test.

use socket2::{Domain, Protocol, Socket, Type};
use std::io::{Read, Write};
use std::net::{Ipv4Addr, Ipv6Addr};

/// Names the argument of a helper.
pub(crate) const ARGUMENT: &str = "LEADLINE_TEST_HELPER";

fn argument() -> Option<String> {
    std::env::var(ARGUMENT).ok()
}

fn ready() {
    println!("helper ready");
}

/// Holds the beacons' port for itself alone, as a program that shares with nobody.
#[test]
#[ignore = "run by other tests inside a namespace"]
fn hold_beacon_port() {
    let Some(port) = argument().and_then(|a| a.parse::<u16>().ok()) else { return };
    // One socket of each kind, without reuse, is enough to keep others out.
    let hold = |domain, at: std::net::SocketAddr| {
        let socket = Socket::new(domain, Type::DGRAM, None).expect("made");
        if at.is_ipv6() {
            socket.set_only_v6(true).expect("set");
        }
        socket.bind(&at.into()).expect("free");
        socket
    };
    let held = [
        hold(Domain::IPV4, (Ipv4Addr::UNSPECIFIED, port).into()),
        hold(Domain::IPV6, (Ipv6Addr::UNSPECIFIED, port).into()),
    ];
    ready();
    std::thread::sleep(std::time::Duration::from_secs(600));
    drop(held);
}

/// Writes every frame that passes through this namespace to a file.
#[test]
#[ignore = "run by other tests inside a namespace"]
fn capture() {
    let Some(path) = argument() else { return };
    const ALL: i32 = 0x0003; // ETH_P_ALL, packet(7)
    let protocol = Protocol::from(i32::from((ALL as u16).to_be()));
    let mut socket = Socket::new(Domain::PACKET, Type::RAW, Some(protocol)).expect("root");
    let mut file = std::fs::File::create(path).expect("created");
    ready();
    let mut frame = vec![0; 1 << 16];
    while let Ok(n) = socket.read(&mut frame) {
        file.write_all(&frame[..n]).expect("written");
    }
}

/// Asks the map page as a browser here would: `HOST:PORT METHOD PATH`.
#[test]
#[ignore = "run by other tests inside a namespace"]
fn ask() {
    let Some(argument) = argument() else { return };
    let (at, line) = argument.split_once(' ').expect("an address and a request");
    let mut s = std::net::TcpStream::connect(at).expect("it listens");
    let head = format!(
        "{line} HTTP/1.1\r\nHost: {at}\r\nX-Leadline: 1\r\nConnection: close\r\nContent-Length: 2\r\n\r\n{{}}"
    );
    s.write_all(head.as_bytes()).expect("sent");
    let mut all = String::new();
    s.read_to_string(&mut all).expect("an answer");
    ready();
    let (head, body) = all.split_once("\r\n\r\n").expect("a head and a body");
    println!("answer {} {body}", head.split(' ').nth(1).expect("a status"));
}
