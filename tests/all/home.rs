//! A device in a test: an empty home and the real program run against it.

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use tempfile::TempDir;

/// The program, built by cargo beside the tests.
pub(crate) fn program() -> PathBuf {
    let mut dir = std::env::current_exe().expect("a test has a path");
    dir.pop();
    if dir.ends_with("deps") {
        dir.pop();
    }
    let path = dir.join("leadline");
    assert!(
        path.exists(),
        "{} is not built: run `cargo build -p leadline` first (tests/run does)",
        path.display()
    );
    path
}

/// One device.
pub(crate) struct Device {
    pub(crate) dir: TempDir,
}

/// What a command did.
pub(crate) struct Ran {
    pub(crate) code: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl Ran {
    /// The JSON object on stdout.
    pub(crate) fn json(&self) -> Value {
        assert_eq!(self.code, 0, "stdout: {}\nstderr: {}", self.out, self.err);
        serde_json::from_str(&self.out).unwrap_or_else(|e| panic!("no JSON ({e}): {}", self.out))
    }

    /// Asserts the exit code and that stdout or stderr says each of `words`.
    pub(crate) fn says(&self, code: i32, words: &[&str]) -> &Self {
        assert_eq!(self.code, code, "stdout: {}\nstderr: {}", self.out, self.err);
        for w in words {
            let all = format!("{}{}", self.out, self.err);
            assert!(all.contains(w), "should say {w:?}:\n{all}");
        }
        assert!(!self.err.contains("panicked"), "{}", self.err);
        self
    }
}

impl From<Output> for Ran {
    fn from(o: Output) -> Self {
        Self {
            code: o.status.code().unwrap_or(-1),
            out: String::from_utf8_lossy(&o.stdout).into_owned(),
            err: String::from_utf8_lossy(&o.stderr).into_owned(),
        }
    }
}

impl Device {
    pub(crate) fn new() -> Self {
        Self { dir: tempfile::tempdir().expect("a temporary folder") }
    }

    pub(crate) fn home(&self) -> PathBuf {
        self.dir.path().join("home")
    }

    /// A file of this device outside its home.
    pub(crate) fn file(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub(crate) fn write(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.file(name);
        std::fs::write(&path, bytes).expect("written");
        path
    }

    pub(crate) fn command(&self, args: &[&str]) -> Command {
        let mut c = Command::new(program());
        c.args(args)
            .env_clear()
            .env("LEADLINE_HOME", self.home())
            .env("PATH", std::env::var("PATH").unwrap_or_default());
        c.current_dir(self.dir.path()).stdin(std::process::Stdio::null());
        c
    }

    pub(crate) fn run(&self, args: &[&str]) -> Ran {
        self.command(args).output().expect("the program starts").into()
    }

    /// Runs with `--json` and returns the object.
    pub(crate) fn json(&self, args: &[&str]) -> Value {
        self.run(&[args, &["--json"]].concat()).json()
    }

    pub(crate) fn digest(&self) -> String {
        self.json(&["status"])["digest"].as_str().expect("a digest").to_owned()
    }

    /// Begins a survey and returns its id.
    pub(crate) fn found(&self, name: &str) -> String {
        self.json(&["survey", "new", name, "--datum", "zero of the test gauge"])["id"]
            .as_str()
            .expect("an id")
            .to_owned()
    }

    pub(crate) fn import(&self, path: &Path, boat: &str) -> Value {
        self.json(&["import", path.to_str().expect("UTF-8"), "--boat", boat])
    }

    /// Joins the crew of `other` by an invite's text.
    pub(crate) fn join(&self, other: &Self) {
        self.join_as("contributor", other);
    }

    /// The same with a role.
    pub(crate) fn join_as(&self, role: &str, other: &Self) {
        let invite =
            other.json(&["crew", "invite", "--role", role])["invite"].as_str().expect("an invite").to_owned();
        self.run(&["crew", "join", &invite]).says(0, &[]);
    }
}

/// Two boats of one crew with a log each, not met yet: one track, measured on two days.
pub(crate) fn two_boats() -> (Device, Device) {
    let (heron, plover) = (Device::new(), Device::new());
    heron.found("Testmere");
    plover.join_as("keeper", &heron);
    heron.import(&heron.write("a.nmea", small_log(1500, |s| 4.0 + f64::from(s % 300) * 0.01)), "Heron");
    let later = small_log_on(2, 900, |s| 4.1 + f64::from(s % 250) * 0.01);
    plover.import(&plover.write("b.nmea", later), "Plover");
    (heron, plover)
}

/// One meeting, which `dialling` begins; afterwards both hold the same. What the program said of it.
pub(crate) fn meet(listening: &Device, dialling: &Device) -> Value {
    let listener = Listener::start(listening);
    let said = dialling.json(&["sync", "--with", &listener.address, "--once"]);
    drop(listener);
    assert_eq!(listening.digest(), dialling.digest());
    said
}

/// A running `sync --listen` and the address it says.
pub(crate) struct Listener {
    child: std::process::Child,
    pub(crate) address: String,
}

impl Listener {
    pub(crate) fn start(device: &Device) -> Self {
        use std::io::{BufRead, BufReader};
        let mut child = device
            .command(&["sync", "--listen", "127.0.0.1:0"])
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .expect("the program starts");
        let mut lines = BufReader::new(child.stderr.take().expect("piped")).lines();
        let address = loop {
            let line = lines.next().expect("an address before the end").expect("UTF-8");
            if let Some(a) = line.split_whitespace().find(|w| w.starts_with("127.0.0.1:")) {
                break a.trim_end_matches(['.', ',']).to_owned();
            }
        };
        // Keep reading, so that a full pipe never stops the program.
        std::thread::spawn(move || lines.for_each(drop));
        Self { child, address }
    }

    pub(crate) fn pid(&self) -> u32 {
        self.child.id()
    }

    pub(crate) fn kill(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        self.kill();
    }
}

/// Plain RMC + GGA + DPT lines of a boat on a straight line, one sounding a second, from `start` (HHMMSS) on.
pub(crate) fn small_log(seconds: u32, depth: impl Fn(u32) -> f64) -> String {
    small_log_on(1, seconds, depth)
}

/// The same on another day of May 2026.
pub(crate) fn small_log_on(day: u32, seconds: u32, depth: impl Fn(u32) -> f64) -> String {
    let mut out = String::new();
    for s in 0..seconds {
        let (h, m, sec) = (10 + s / 3600, s / 60 % 60, s % 60);
        let lon = 24.78 + f64::from(s) * 0.0016;
        let lat = 12.6 + f64::from(s % 7) * 0.0001;
        for body in [
            format!(
                "GPRMC,{h:02}{m:02}{sec:02}.00,A,48{lat:07.4},N,007{lon:07.4},E,3.9,90.0,{day:02}0526,,,D"
            ),
            format!("GPGGA,{h:02}{m:02}{sec:02}.00,48{lat:07.4},N,007{lon:07.4},E,2,09,0.9,340.0,M,47.0,M,,"),
            format!("SDDPT,{:.2},0.0", depth(s)),
        ] {
            let sum = body.bytes().fold(0, |a, b| a ^ b);
            out.push_str(&format!("${body}*{sum:02X}\r\n"));
        }
    }
    out
}
