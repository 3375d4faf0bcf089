//! Finding: by beacon, by mDNS, over every kind of address, and when a device goes.

use super::lab::{LONG, Lab, wait_equal};
use crate::home::two_boats;
use std::time::{Duration, Instant};

/// As docs/protocol.md says.
const BEACON_PORT: &str = "51847";

#[test]
fn on_one_bridge() {
    let Some((_lab, h)) = Lab::with_hosts(2) else { return };
    let (heron, plover) = two_boats();
    let (a, b) = (h[0].start(&heron, &["sync"]), h[1].start(&plover, &["sync"]));
    wait_equal(&[&heron, &plover], &[&a, &b]);
}

/// No group traffic passes the bridge: mDNS is dead, the broadcast beacon is not. And without it nobody is found, so
/// it is what finds here.
#[test]
fn by_beacon_where_mdns_is_blocked() {
    let Some((lab, h)) = Lab::with_hosts(2) else { return };
    h.iter().for_each(|h| lab.drop_multicast(h));
    let (heron, plover) = two_boats();
    {
        let _deaf = [h[0].help("hold_beacon_port", BEACON_PORT), h[1].help("hold_beacon_port", BEACON_PORT)];
        let (a, b) = (h[0].start(&heron, &["sync"]), h[1].start(&plover, &["sync"]));
        a.says("Devices cannot be looked for here (beacons", LONG);
        b.says("Others can reach this device at 10.77.0.2", LONG);
        std::thread::sleep(Duration::from_secs(6));
        assert_ne!(heron.digest(), plover.digest(), "something else found them:\n{}\n{}", a.all(), b.all());
    }
    let (a, b) = (h[0].start(&heron, &["sync"]), h[1].start(&plover, &["sync"]));
    wait_equal(&[&heron, &plover], &[&a, &b]);
}

#[test]
fn by_mdns_where_beacons_are_blocked() {
    let Some((_lab, h)) = Lab::with_hosts(2) else { return };
    let _deaf = [h[0].help("hold_beacon_port", BEACON_PORT), h[1].help("hold_beacon_port", BEACON_PORT)];
    let (heron, plover) = two_boats();
    let (a, b) = (h[0].start(&heron, &["sync"]), h[1].start(&plover, &["sync"]));
    wait_equal(&[&heron, &plover], &[&a, &b]);
    assert!(a.all().contains("Devices cannot be looked for here (beacons"), "{}", a.all());
}

#[test]
fn over_unique_local_ipv6_alone() {
    let Some(mut lab) = Lab::new() else { return };
    lab.bridge("br0");
    let (heron, plover) = two_boats();
    let hosts = [lab.host(), lab.host()];
    for (h, a) in hosts.iter().zip(["fd77::1/64", "fd77::2/64"]) {
        // With the wait for duplicates that a real network has.
        lab.plug(h, "eth0", "br0", &[a]);
    }
    let (a, b) = (hosts[0].start(&heron, &["sync"]), hosts[1].start(&plover, &["sync"]));
    wait_equal(&[&heron, &plover], &[&a, &b]);
    for said in [a.all(), b.all()] {
        assert!(!said.contains("fe80"), "an address of one link is neither told nor dialled:\n{said}");
    }
}

#[test]
fn over_self_assigned_addresses() {
    let Some(mut lab) = Lab::new() else { return };
    lab.bridge("br0");
    let (heron, plover) = two_boats();
    let hosts = [lab.host(), lab.host()];
    // RFC 3927: 169.254/16, no router, no route but the link's own.
    for (h, a) in hosts.iter().zip(["169.254.13.7/16", "169.254.200.9/16"]) {
        lab.plug(h, "eth0", "br0", &[a]);
    }
    let (a, b) = (hosts[0].start(&heron, &["sync"]), hosts[1].start(&plover, &["sync"]));
    wait_equal(&[&heron, &plover], &[&a, &b]);
}

#[test]
fn two_homes_on_one_machine_without_a_network() {
    let Some(mut lab) = Lab::new() else { return };
    let (heron, plover) = two_boats();
    let host = lab.host();
    let (a, b) = (host.start(&heron, &["sync"]), host.start(&plover, &["sync"]));
    wait_equal(&[&heron, &plover], &[&a, &b]);
}

/// A device is shown by its name once it was met; it is gone within 30 s if it dies, and at once if it says goodbye.
#[test]
fn who_is_near_and_who_is_gone() {
    let Some((_lab, h)) = Lab::with_hosts(3) else { return };
    let (heron, plover) = two_boats();
    let a = h[0].start(&heron, &["sync"]);
    let mut b = h[1].start(&plover, &["sync"]);
    wait_equal(&[&heron, &plover], &[&a, &b]);
    let near = h[2].run(&heron, &["sync", "--near", "--json"]).json();
    let rows = near["near"].as_array().expect("a list").clone();
    assert!(
        rows.iter()
            .any(|r| r["name"].is_string() && r["addresses"].as_array().is_some_and(|a| !a.is_empty())),
        "{near}"
    );
    let killed = Instant::now();
    b.kill();
    a.says("is gone", Duration::from_secs(30));
    eprintln!("a dead device was gone from the list after {:.1} s", killed.elapsed().as_secs_f64());
    let mut again = h[1].start(&plover, &["sync"]);
    again.says("Met", LONG);
    let gone_before = a.all().matches("is gone").count();
    let left = Instant::now();
    again.ask_to_end();
    while a.all().matches("is gone").count() == gone_before {
        assert!(left.elapsed() < Duration::from_secs(5), "no goodbye was heard:\n{}", a.all());
        std::thread::sleep(Duration::from_millis(50));
    }
}
