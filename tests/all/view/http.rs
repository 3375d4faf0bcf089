//! A server in a test, and a client that sends exactly what it is told to.

use crate::home::Device;
use flate2::read::GzDecoder;
use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

/// `leadline view` in a process of its own.
pub(crate) struct Server {
    child: Child,
    /// `HOST:PORT`.
    pub(crate) at: String,
    /// The link that it shows.
    pub(crate) link: String,
}

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// What came back.
pub(crate) struct Reply {
    pub(crate) status: u16,
    pub(crate) head: String,
    pub(crate) body: Vec<u8>,
}

impl Reply {
    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        let of = |l: &&str| l.split_once(':').is_some_and(|(n, _)| n.eq_ignore_ascii_case(name));
        self.head.lines().find(of).and_then(|l| l.split_once(':')).map(|(_, v)| v.trim())
    }

    /// The body, unpacked.
    pub(crate) fn plain(&self) -> Vec<u8> {
        if self.header("content-encoding") != Some("gzip") {
            return self.body.clone();
        }
        let mut out = Vec::new();
        GzDecoder::new(&self.body[..]).read_to_end(&mut out).expect("gzip (RFC 1952)");
        out
    }

    pub(crate) fn json(&self) -> Value {
        let text = self.plain();
        serde_json::from_slice(&text).unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&text)))
    }

    /// Asserts a refusal in its one shape, and that it says each of `words`.
    pub(crate) fn refuses(&self, status: u16, words: &[&str]) {
        let v = self.json();
        assert_eq!(self.status, status, "{v}");
        for part in ["what", "why", "next"] {
            assert!(v["error"][part].is_string(), "{part} in {v}");
        }
        for w in words {
            assert!(v.to_string().contains(w), "should say {w:?}: {v}");
        }
        assert_eq!(self.header("x-content-type-options"), Some("nosniff"));
    }
}

impl Server {
    /// Starts it with `args` behind `view --json`.
    pub(crate) fn start(device: &Device, args: &[&str]) -> Self {
        let all = [&["view", "--json", "--quiet"], args].concat();
        let mut child = device
            .command(&all)
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .expect("the program starts");
        let mut lines = BufReader::new(child.stdout.take().expect("a pipe")).lines();
        let mut text = String::new();
        while serde_json::from_str::<Value>(&text).is_err() {
            text.push_str(&lines.next().expect("the link").expect("UTF-8"));
        }
        let told: Value = serde_json::from_str(&text).expect("JSON");
        let word = |k: &str| told[k].as_str().expect("a text").to_owned();
        Self { child, at: word("at"), link: word("link") }
    }

    /// Starts it and waits until the survey is computed.
    pub(crate) fn ready(device: &Device) -> Self {
        let server = Self::start(device, &[]);
        server.wait_for("");
        server
    }

    /// Waits until the chart has another version than `known`; returns it.
    pub(crate) fn wait_for(&self, known: &str) -> Value {
        let until = Instant::now() + Duration::from_secs(60);
        loop {
            let chart = self.get("/api/chart").json();
            if chart["version"].as_str().is_some_and(|v| v != known) {
                return chart;
            }
            assert!(Instant::now() < until, "no new chart: {chart}");
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    pub(crate) fn connect(&self) -> TcpStream {
        let s = TcpStream::connect(&self.at).expect("it listens");
        s.set_read_timeout(Some(Duration::from_secs(60))).expect("a time limit");
        s
    }

    /// Sends `bytes` as they are and reads until the other side is done.
    pub(crate) fn raw(&self, bytes: &[u8]) -> Reply {
        let mut s = self.connect();
        // A server that refuses early may close before all is sent.
        drop(s.write_all(bytes));
        read(&mut s)
    }

    pub(crate) fn request(&self, line: &str, headers: &[&str], body: &[u8]) -> Reply {
        let mut head = format!("{line} HTTP/1.1\r\nConnection: close\r\n");
        if !headers.iter().any(|h| h.to_ascii_lowercase().starts_with("host:")) {
            head.push_str(&format!("Host: {}\r\n", self.at));
        }
        headers.iter().for_each(|h| head.push_str(&format!("{h}\r\n")));
        if line.starts_with("POST") {
            head.push_str(&format!("Content-Length: {}\r\n", body.len()));
        }
        head.push_str("\r\n");
        self.raw(&[head.as_bytes(), body].concat())
    }

    pub(crate) fn get(&self, path: &str) -> Reply {
        self.request(&format!("GET {path}"), &["Accept-Encoding: gzip"], b"")
    }

    /// An act as the page sends it.
    pub(crate) fn post(&self, path: &str, body: &Value) -> Reply {
        self.post_bytes(path, body.to_string().as_bytes())
    }

    pub(crate) fn post_bytes(&self, path: &str, body: &[u8]) -> Reply {
        let origin = format!("Origin: http://{}", self.at);
        self.request(&format!("POST {path}"), &["X-Leadline: 1", &origin], body)
    }
}

/// Reads one answer; its connection is closed behind it.
pub(crate) fn read(s: &mut TcpStream) -> Reply {
    let mut all = Vec::new();
    // A reset behind the answer is an end like any other.
    drop(s.read_to_end(&mut all));
    let end = all.windows(4).position(|w| w == b"\r\n\r\n").unwrap_or(all.len());
    let head = String::from_utf8_lossy(&all[..end]).into_owned();
    let status = head.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap_or(0);
    Reply { status, head, body: all.get(end + 4..).unwrap_or_default().to_vec() }
}
