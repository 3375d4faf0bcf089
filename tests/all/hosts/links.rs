//! Links that break, return, move and come late; a host that relays between two networks.

use super::lab::{LONG, Lab, tell_log, wait_equal};
use crate::home::{Device, meet, small_log_on, two_boats};
use std::time::{Duration, Instant};

/// One more short log, on a day of its own.
fn measure(device: &Device, boat: &str, day: u32) {
    let log = small_log_on(day, 120, |s| 3.0 + f64::from(s % 60) * 0.01);
    device.import(&device.write(&format!("day{day}.nmea"), log), boat);
}

/// The cable is out for longer than any time-out; both stay on, and what was measured meanwhile goes over by itself.
#[test]
fn a_cut_link_that_returns() {
    let Some((lab, h)) = Lab::with_hosts(2) else { return };
    let (heron, plover) = two_boats();
    let began = Instant::now();
    let (a, b) = (h[0].start(&heron, &["sync"]), h[1].start(&plover, &["sync"]));
    wait_equal(&[&heron, &plover], &[&a, &b]);
    a.says("Staying in step", LONG);
    let cut = Instant::now();
    lab.cable(&h[0], false);
    // The system would tell of a dead link after minutes; the heartbeat does within ten seconds (and a tick).
    for side in [&a, &b] {
        side.says("A meeting failed", Duration::from_secs(12));
    }
    eprintln!("silence was noticed after {:.1} s", cut.elapsed().as_secs_f64());
    measure(&heron, "Heron", 3);
    measure(&plover, "Plover", 4);
    std::thread::sleep(Duration::from_secs(4));
    assert_ne!(heron.digest(), plover.digest(), "the cable is out");
    lab.cable(&h[0], true);
    let back = Instant::now();
    wait_equal(&[&heron, &plover], &[&a, &b]);
    eprintln!("equal again {:.1} s after the link came back", back.elapsed().as_secs_f64());
    tell_log(began, &[("Heron", &a), ("Plover", &b)]);
}

/// The access point hands out another address; the old one is dead without a word.
#[test]
fn an_address_that_changes() {
    let Some((_lab, h)) = Lab::with_hosts(2) else { return };
    let (heron, plover) = two_boats();
    let (a, b) = (h[0].start(&heron, &["sync"]), h[1].start(&plover, &["sync"]));
    wait_equal(&[&heron, &plover], &[&a, &b]);
    h[0].ip(&["addr", "del", "10.77.0.1/24", "dev", "eth0"]);
    h[0].ip(&["addr", "add", "10.77.0.21/24", "dev", "eth0"]);
    let changed = Instant::now();
    a.says("Others can reach this device at 10.77.0.21", LONG);
    measure(&heron, "Heron", 3);
    wait_equal(&[&heron, &plover], &[&a, &b]);
    let took = changed.elapsed();
    eprintln!("met at the new address {:.1} s after the change", took.as_secs_f64());
    assert!(took < Duration::from_secs(40), "{took:?}:\n{}", b.all());
}

/// The network comes up after the program: a phone's hotspot that is switched on later.
#[test]
fn an_interface_that_appears_later() {
    let Some(mut lab) = Lab::new() else { return };
    lab.bridge("br0");
    let (heron, plover) = two_boats();
    let hosts = [lab.host(), lab.host()];
    lab.plug(&hosts[0], "eth0", "br0", &["10.77.0.1/24"]);
    let (a, b) = (hosts[0].start(&heron, &["sync"]), hosts[1].start(&plover, &["sync"]));
    b.says("Looking for the crew", LONG);
    std::thread::sleep(Duration::from_secs(2));
    lab.plug(&hosts[1], "wlan0", "br0", &["10.77.0.2/24"]);
    wait_equal(&[&heron, &plover], &[&a, &b]);
}

/// Two networks that know nothing of each other, and one host with a foot in both: what one device measured reaches
/// the other through the third.
#[test]
fn a_host_with_two_networks_relays() {
    let Some(mut lab) = Lab::new() else { return };
    lab.bridge("br0");
    lab.bridge("br1");
    let (heron, plover) = two_boats();
    let phone = Device::new();
    phone.join(&heron);
    // All have been admitted at home, and know each other; then each measures on its own.
    meet(&heron, &phone);
    meet(&heron, &plover);
    measure(&heron, "Heron", 5);
    measure(&plover, "Plover", 6);
    let hosts = [lab.host(), lab.host(), lab.host()];
    lab.plug(&hosts[0], "eth0", "br0", &["10.77.0.1/24"]);
    lab.plug(&hosts[1], "eth0", "br1", &["10.78.0.1/24"]);
    lab.plug(&hosts[2], "wlan0", "br0", &["10.77.0.3/24"]);
    lab.plug(&hosts[2], "usb0", "br1", &["10.78.0.3/24"]);
    let running = [
        hosts[0].start(&heron, &["sync"]),
        hosts[1].start(&plover, &["sync"]),
        hosts[2].start(&phone, &["sync"]),
    ];
    wait_equal(&[&heron, &plover, &phone], &running.each_ref());
    let said = running[0].all();
    assert!(!said.contains("10.78.0.1"), "they have no way to each other:\n{said}");
}
