//! Namespaces, bridges, cables; the program running in a host.

use crate::home::{Device, Ran};
use std::io::{BufRead, BufReader, Read};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

static LABS: AtomicU32 = AtomicU32::new(0);

/// Hosts and the bridges between them, in a namespace of their own; removed when dropped.
pub(crate) struct Lab {
    tag: String,
    hosts: u32,
}

fn ip(args: &[&str]) -> bool {
    Command::new("ip").args(args).stderr(Stdio::null()).status().is_ok_and(|s| s.success())
}

#[track_caller]
fn must(args: &[&str]) {
    assert!(ip(args), "ip {}", args.join(" "));
}

/// One host, by its namespace.
#[derive(Clone, Debug)]
pub(crate) struct Host(String, u32);

impl Lab {
    /// `None` where namespaces cannot be had.
    pub(crate) fn new() -> Option<Self> {
        let n = LABS.fetch_add(1, Ordering::Relaxed);
        let lab = Self { tag: format!("ll{}x{n}", std::process::id()), hosts: 0 };
        if !ip(&["netns", "add", &lab.switch()]) {
            assert!(
                std::env::var("CI").as_deref() != Ok("true"),
                "CI must be able to make network namespaces (root, iproute2)"
            );
            eprintln!("skipped: no network namespaces here (needs root and iproute2)");
            return None;
        }
        must(&["-n", &lab.switch(), "link", "set", "lo", "up"]);
        Some(lab)
    }

    /// A lab with one bridge and `n` hosts on it: 10.77.0.1, 10.77.0.2, …
    pub(crate) fn with_hosts(n: u32) -> Option<(Self, Vec<Host>)> {
        let mut lab = Self::new()?;
        lab.bridge("br0");
        let hosts = (1..=n)
            .map(|i| {
                let host = lab.host();
                lab.plug(&host, "eth0", "br0", &[&format!("10.77.0.{i}/24")]);
                host
            })
            .collect();
        Some((lab, hosts))
    }

    fn switch(&self) -> String {
        format!("{}s", self.tag)
    }

    pub(crate) fn bridge(&self, name: &str) {
        must(&["-n", &self.switch(), "link", "add", name, "type", "bridge", "mcast_snooping", "0"]);
        must(&["-n", &self.switch(), "link", "set", name, "up"]);
    }

    pub(crate) fn host(&mut self) -> Host {
        self.hosts += 1;
        let host = Host(format!("{}h{}", self.tag, self.hosts), self.hosts);
        must(&["netns", "add", &host.0]);
        must(&["-n", &host.0, "link", "set", "lo", "up"]);
        host
    }

    /// A cable from the host's new interface to the bridge, with addresses.
    pub(crate) fn plug(&self, host: &Host, interface: &str, bridge: &str, addresses: &[&str]) {
        let port = self.port(host, interface);
        must(&[
            "link",
            "add",
            &port,
            "netns",
            &self.switch(),
            "type",
            "veth",
            "peer",
            "name",
            interface,
            "netns",
            &host.0,
        ]);
        must(&["-n", &self.switch(), "link", "set", &port, "master", bridge, "up"]);
        must(&["-n", &host.0, "link", "set", interface, "up"]);
        for a in addresses {
            host.ip(&["addr", "add", a, "dev", interface]);
        }
    }

    fn port(&self, host: &Host, interface: &str) -> String {
        format!("p{}{interface}", host.1)
    }

    /// Pulls the cable, or puts it back in: the host's own interface stays up.
    pub(crate) fn cable(&self, host: &Host, in_place: bool) {
        let port = self.port(host, "eth0");
        must(&["-n", &self.switch(), "link", "set", &port, if in_place { "up" } else { "down" }]);
    }

    /// The bridge drops what goes to groups, as some access points do.
    pub(crate) fn drop_multicast(&self, host: &Host) {
        let port = self.port(host, "eth0");
        must(&["-n", &self.switch(), "link", "set", &port, "type", "bridge_slave", "mcast_flood", "off"]);
    }

    /// One of this file's helpers, in the bridges' namespace.
    pub(crate) fn watch(&self, helper: &str, argument: &str) -> Running {
        helper_in(&self.switch(), helper, argument)
    }
}

impl Drop for Lab {
    fn drop(&mut self) {
        for n in (1..=self.hosts).map(|i| format!("{}h{i}", self.tag)).chain([self.switch()]) {
            ip(&["netns", "del", &n]);
        }
    }
}

impl Host {
    pub(crate) fn ip(&self, args: &[&str]) {
        must(&[&["-n", &self.0], args].concat());
    }

    fn command(&self, device: &Device, args: &[&str]) -> Command {
        let mut c = Command::new("ip");
        c.args(["netns", "exec", &self.0]).arg(crate::home::program()).args(args);
        c.env("LEADLINE_HOME", device.home()).current_dir(device.dir.path()).stdin(Stdio::null());
        c
    }

    pub(crate) fn run(&self, device: &Device, args: &[&str]) -> Ran {
        self.command(device, args).output().expect("starts").into()
    }

    pub(crate) fn start(&self, device: &Device, args: &[&str]) -> Running {
        Running::start(self.command(device, args))
    }

    /// A helper in this host; waits until it is ready.
    pub(crate) fn help(&self, helper: &str, argument: &str) -> Running {
        helper_in(&self.0, helper, argument)
    }
}

fn helper_in(namespace: &str, helper: &str, argument: &str) -> Running {
    let mut c = Command::new("ip");
    c.args(["netns", "exec", namespace]).arg(std::env::current_exe().expect("a test has a path"));
    c.args(["--exact", &format!("hosts::helper::{helper}"), "--ignored", "--nocapture"]);
    c.env(super::helper::ARGUMENT, argument).stdin(Stdio::null());
    let running = Running::start(c);
    running.says("helper ready", Duration::from_secs(60));
    running
}

/// A program that runs, and all it has said so far, with the time.
pub(crate) struct Running {
    child: Child,
    lines: Arc<Mutex<Vec<(Instant, String)>>>,
}

impl Running {
    fn start(mut command: Command) -> Self {
        let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("starts");
        let lines = Arc::new(Mutex::new(Vec::new()));
        let out: Box<dyn Read + Send> = Box::new(child.stdout.take().expect("piped"));
        let err: Box<dyn Read + Send> = Box::new(child.stderr.take().expect("piped"));
        for pipe in [out, err] {
            let kept = lines.clone();
            std::thread::spawn(move || {
                for line in BufReader::new(pipe).lines().map_while(Result::ok) {
                    kept.lock().expect("whole").push((Instant::now(), line));
                }
            });
        }
        Self { child, lines }
    }

    /// All it has said, one line each.
    pub(crate) fn all(&self) -> String {
        self.lines.lock().expect("whole").iter().map(|(_, l)| format!("{l}\n")).collect()
    }

    /// Each line with the time it came.
    pub(crate) fn timed(&self) -> Vec<(Instant, String)> {
        self.lines.lock().expect("whole").clone()
    }

    /// Waits for a line that holds `words`; the line.
    #[track_caller]
    pub(crate) fn says(&self, words: &str, within: Duration) -> String {
        let end = Instant::now() + within;
        loop {
            let found = self.timed().into_iter().find(|(_, l)| l.contains(words));
            if let Some((_, line)) = found {
                return line;
            }
            assert!(Instant::now() < end, "did not say {words:?} within {within:?}:\n{}", self.all());
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Ends it without a word.
    pub(crate) fn kill(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }

    /// Asks it to end, as a system does, and waits.
    pub(crate) fn ask_to_end(&mut self) {
        drop(Command::new("kill").arg(self.child.id().to_string()).status());
        drop(self.child.wait());
    }

    /// Waits for its own end.
    #[track_caller]
    pub(crate) fn code(&mut self, within: Duration) -> i32 {
        let end = Instant::now() + within;
        loop {
            if let Some(status) = self.child.try_wait().expect("a child") {
                // Its last lines may still be on their way.
                std::thread::sleep(Duration::from_millis(100));
                return status.code().unwrap_or(-1);
            }
            assert!(Instant::now() < end, "still runs after {within:?}:\n{}", self.all());
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        self.kill();
    }
}

/// For what other processes bring about: against hanging, not a measurement.
pub(crate) const LONG: Duration = Duration::from_secs(90);

/// Waits until `done`.
#[track_caller]
pub(crate) fn wait_for(what: &str, mut done: impl FnMut() -> bool) {
    let end = Instant::now() + LONG;
    while !done() {
        assert!(Instant::now() < end, "gave up waiting until {what}");
        std::thread::sleep(Duration::from_millis(250));
    }
}

/// Waits until all hold the same; what they said is told if not.
#[track_caller]
pub(crate) fn wait_equal(devices: &[&Device], running: &[&Running]) {
    let end = Instant::now() + LONG;
    loop {
        let digests: Vec<_> = devices.iter().map(|d| d.digest()).collect();
        if digests.windows(2).all(|w| w[0] == w[1]) {
            return;
        }
        let said: Vec<_> = running.iter().map(|r| r.all()).collect();
        assert!(
            Instant::now() < end,
            "they do not come to hold the same; they said:\n{}",
            said.join("----\n")
        );
        std::thread::sleep(Duration::from_millis(250));
    }
}

/// Prints what all have said, each line with the seconds since `began`.
pub(crate) fn tell_log(began: Instant, said: &[(&str, &Running)]) {
    let lines = said.iter().flat_map(|(who, r)| r.timed().into_iter().map(move |(at, line)| (at, who, line)));
    let mut lines: Vec<_> = lines.collect();
    lines.sort();
    for (at, who, line) in lines {
        eprintln!("{:7.2}  {who}  {line}", at.duration_since(began).as_secs_f64());
    }
}
