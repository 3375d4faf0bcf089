//! A recording in a test: the program runs, and what it says is read as it comes.

use crate::home::Device;
use serde_json::Value;
use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

/// A busy machine may take long.
const PATIENCE: Duration = Duration::from_secs(60);

pub(super) struct Live {
    child: Child,
    events: Receiver<Value>,
    pub(super) heard: Vec<Value>,
    pub(super) stdin: Option<ChildStdin>,
}

impl Live {
    pub(super) fn start(device: &Device, sources: &[&str]) -> Self {
        Self::run(device.command(&args(sources)))
    }

    /// As [`Self::start`], with no file allowed to grow beyond `kib` KiB: writing more is an error.
    pub(super) fn start_limited(device: &Device, sources: &[&str], kib: u32) -> Self {
        let program = device.command(&args(sources));
        let mut limited = Command::new("bash");
        limited.env_clear().envs(program.get_envs().filter_map(|(k, v)| Some((k, v?))));
        limited.current_dir(device.dir.path());
        limited.args(["-c", &format!("trap '' XFSZ; ulimit -S -f {kib}; exec \"$0\" \"$@\"")]);
        limited.arg(program.get_program()).args(program.get_args());
        Self::run(limited)
    }

    pub(super) fn pid(&self) -> u32 {
        self.child.id()
    }

    fn run(mut command: Command) -> Self {
        let mut child = command
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the program starts");
        let out = BufReader::new(child.stdout.take().expect("piped"));
        let (to, events) = channel();
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                let event = serde_json::from_str(&line).unwrap_or_else(|e| panic!("no JSON ({e}): {line}"));
                if to.send(event).is_err() {
                    break;
                }
            }
        });
        let stdin = child.stdin.take();
        Self { child, events, heard: Vec::new(), stdin }
    }

    /// Waits for the event that `is` knows.
    pub(super) fn until(&mut self, what: &str, is: impl Fn(&Value) -> bool) -> Value {
        let end = Instant::now() + PATIENCE;
        loop {
            let left = end.saturating_duration_since(Instant::now());
            let Ok(event) = self.events.recv_timeout(left) else {
                panic!(
                    "{what} did not come; heard: {:#?}",
                    self.heard.iter().rev().take(5).collect::<Vec<_>>()
                )
            };
            self.heard.push(event.clone());
            if is(&event) {
                return event;
            }
        }
    }

    pub(super) fn event(&mut self, name: &str) -> Value {
        self.until(name, |e| e["event"] == name)
    }

    /// The address at which it listens.
    pub(super) fn address(&mut self) -> String {
        let up = self.until("an address", |e| {
            e["event"] == "up" && e["words"].as_str().is_some_and(|w| w.starts_with("listening at "))
        });
        up["words"].as_str().expect("words").trim_start_matches("listening at ").to_owned()
    }

    pub(super) fn soundings(&mut self, least: u64) -> Value {
        self.until("soundings", |e| {
            e["event"] == "status" && e["soundings"].as_u64().is_some_and(|n| n >= least)
        })
    }

    pub(super) fn bytes(&mut self, least: u64) {
        self.until("bytes", |e| e["event"] == "status" && e["bytes"].as_u64().is_some_and(|n| n >= least));
    }

    pub(super) fn warning(&mut self, code: &str) -> Value {
        self.until(code, |e| e["event"] == "warning" && e["code"] == code)
    }

    pub(super) fn say(&mut self, text: &[u8]) {
        self.stdin.as_mut().expect("open").write_all(text).expect("taken");
    }

    /// Ends it as Ctrl-C does; what it says at the end.
    pub(super) fn end(self) -> Value {
        let pid = self.child.id().to_string();
        let sent = Command::new("kill").args(["-INT", &pid]).status();
        assert!(sent.is_ok_and(|s| s.success()), "the signal was sent");
        self.wait()
    }

    /// Waits until it ends by itself.
    pub(super) fn wait(mut self) -> Value {
        drop(self.stdin.take());
        let ended = self.event("ended");
        assert!(self.child.wait().expect("ended").success());
        ended
    }

    /// A pulled plug, as far as a process can tell.
    pub(super) fn kill(mut self) {
        self.child.kill().expect("killed");
        self.child.wait().expect("ended");
    }
}

fn args<'a>(sources: &[&'a str]) -> Vec<&'a str> {
    let from = sources.iter().flat_map(|s| ["--from", s]);
    ["record", "--boat", "Heron", "--json"].into_iter().chain(from).collect()
}

impl Drop for Live {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// A device with a survey.
pub(super) fn device() -> Device {
    let d = Device::new();
    d.found("Testmere");
    d
}

/// Asserts that the log, imported as a file, has nothing new, and that there are as many legs as it has.
pub(super) fn same_as_file(d: &Device, log: &[u8]) {
    let before = d.json(&["status"]);
    let path = d.write("same.nmea", log);
    let done = d.import(&path, "Heron");
    let file = &done["files"][0];
    assert_eq!(file["legs"], file["known"], "{file}");
    assert_eq!(file["legs"], before["legs"], "{file}\n{before}");
    assert_eq!(file["soundings"], before["soundings"]);
    assert_eq!(d.json(&["status"]), before);
}

/// The journals in a device's folder.
pub(super) fn journals(d: &Device) -> Vec<std::path::PathBuf> {
    let list = std::fs::read_dir(d.home().join("recordings")).expect("there");
    let paths = list.map(|e| e.expect("listed").path());
    paths.filter(|p| p.extension().is_some_and(|e| e == "log")).collect()
}
