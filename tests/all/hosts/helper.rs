//! What some tests run inside a namespace: this test program again, with one of these as its only test.

use std::io::{Read, Write};
use std::net::{Ipv4Addr, Ipv6Addr, UdpSocket};

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
    // One socket without reuse is enough to keep others out of its kind of address.
    let v4 = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, port)).expect("free");
    let v6 = UdpSocket::bind((Ipv6Addr::UNSPECIFIED, port));
    ready();
    std::thread::sleep(std::time::Duration::from_secs(600));
    drop((v4, v6));
}

/// Writes every frame that passes through this namespace to a file.
#[test]
#[ignore = "run by other tests inside a namespace"]
fn capture() {
    let Some(path) = argument() else { return };
    const ALL: i32 = 0x0003; // ETH_P_ALL, packet(7)
    let protocol = socket2::Protocol::from(i32::from((ALL as u16).to_be()));
    let mut socket =
        socket2::Socket::new(socket2::Domain::PACKET, socket2::Type::RAW, Some(protocol)).expect("root");
    let mut file = std::fs::File::create(path).expect("created");
    ready();
    let mut frame = vec![0; 1 << 16];
    while let Ok(n) = socket.read(&mut frame) {
        file.write_all(&frame[..n]).expect("written");
    }
}
