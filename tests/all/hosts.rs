//! Two hosts: network namespaces joined by a veth pair, the real program in each. Needs root and iproute2; a named
//! skip elsewhere, a failure in CI.

use crate::home::{Device, Ran, two_boats};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Two namespaces with addresses 10.99.N.1 and 10.99.N.2 on one link; removed when dropped.
struct Hosts {
    names: [String; 2],
    net: u8,
}

fn ip(args: &[&str]) -> bool {
    Command::new("ip").args(args).stderr(Stdio::null()).status().is_ok_and(|s| s.success())
}

impl Hosts {
    fn new(net: u8) -> Option<Self> {
        let names = [format!("ll{}a{net}", std::process::id()), format!("ll{}b{net}", std::process::id())];
        let made = ip(&["netns", "add", &names[0]]) && ip(&["netns", "add", &names[1]]);
        let hosts = Self { names, net };
        if !made {
            assert!(
                std::env::var("CI").as_deref() != Ok("true"),
                "CI must be able to make network namespaces (root, iproute2)"
            );
            eprintln!("skipped: no network namespaces here (needs root and iproute2)");
            return None;
        }
        let [a, b] = &hosts.names;
        assert!(ip(&["link", "add", "eth0", "netns", a, "type", "veth", "peer", "name", "eth0", "netns", b]));
        for (i, n) in hosts.names.iter().enumerate() {
            assert!(ip(&["-n", n, "addr", "add", &format!("{}/24", hosts.address(i)), "dev", "eth0"]));
            assert!(ip(&["-n", n, "link", "set", "lo", "up"]) && ip(&["-n", n, "link", "set", "eth0", "up"]));
        }
        Some(hosts)
    }

    fn address(&self, host: usize) -> String {
        format!("10.99.{}.{}", self.net, host + 1)
    }

    fn command(&self, host: usize, device: &Device, args: &[&str]) -> Command {
        let mut c = Command::new("ip");
        c.args(["netns", "exec", &self.names[host]]).arg(crate::home::program()).args(args);
        c.env("LEADLINE_HOME", device.home()).current_dir(device.dir.path()).stdin(Stdio::null());
        c
    }

    fn run(&self, host: usize, device: &Device, args: &[&str]) -> Ran {
        self.command(host, device, args).output().expect("starts").into()
    }

    fn start(&self, host: usize, device: &Device, args: &[&str]) -> Running {
        let c = self
            .command(host, device, args)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("starts");
        Running(c)
    }

    fn link(&self, up: bool) {
        assert!(ip(&["-n", &self.names[0], "link", "set", "eth0", if up { "up" } else { "down" }]));
    }
}

impl Drop for Hosts {
    fn drop(&mut self) {
        for n in &self.names {
            ip(&["netns", "del", n]);
        }
    }
}

struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// Waits for a state that other processes bring about; the time is a limit against hanging, not a measurement.
fn wait_for(what: &str, mut done: impl FnMut() -> bool) {
    let end = Instant::now() + Duration::from_secs(60);
    while !done() {
        assert!(Instant::now() < end, "gave up waiting until {what}");
        std::thread::sleep(Duration::from_millis(200));
    }
}

#[test]
fn two_hosts_meet_by_address() {
    let Some(hosts) = Hosts::new(1) else { return };
    let (heron, plover) = two_boats();
    let _listening = hosts.start(0, &heron, &["sync", "--listen", "0.0.0.0:4700"]);
    let to = format!("{}:4700", hosts.address(0));
    wait_for("the listener answers", || hosts.run(1, &plover, &["sync", "--with", &to, "--once"]).code == 0);
    assert_eq!(heron.digest(), plover.digest());
}

#[test]
fn two_hosts_find_each_other() {
    let Some(hosts) = Hosts::new(2) else { return };
    let (heron, plover) = two_boats();
    let _a = hosts.start(0, &heron, &["sync"]);
    let _b = hosts.start(1, &plover, &["sync"]);
    wait_for("both hold the same", || heron.digest() == plover.digest());
}

#[test]
fn a_link_that_comes_back() {
    let Some(hosts) = Hosts::new(3) else { return };
    let (heron, plover) = two_boats();
    let _listening = hosts.start(0, &heron, &["sync", "--listen", "0.0.0.0:4700"]);
    let to = format!("{}:4700", hosts.address(0));
    hosts.link(false);
    let cut = hosts.run(1, &plover, &["sync", "--with", &to, "--once"]);
    assert_eq!(cut.code, 3, "{}{}", cut.out, cut.err);
    hosts.link(true);
    wait_for("the link carries again", || {
        hosts.run(1, &plover, &["sync", "--with", &to, "--once"]).code == 0
    });
    assert_eq!(heron.digest(), plover.digest());
}
