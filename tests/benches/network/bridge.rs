//! Two hosts on a bridge: how long until the second one's meeting with the first is done.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

fn ip(args: &[&str]) -> bool {
    Command::new("ip").args(args).stderr(Stdio::null()).status().is_ok_and(|s| s.success())
}

struct Spaces(Vec<String>);

impl Drop for Spaces {
    fn drop(&mut self) {
        for n in &self.0 {
            ip(&["netns", "del", n]);
        }
    }
}

fn program() -> PathBuf {
    let mut dir = std::env::current_exe().expect("a bench has a path");
    dir.pop();
    dir.pop();
    dir.join("leadline")
}

pub(crate) fn discovery(runs: usize) {
    let tag = format!("llb{}", std::process::id());
    let spaces = Spaces(["s", "a", "b"].map(|n| format!("{tag}{n}")).to_vec());
    if !spaces.0.iter().all(|n| ip(&["netns", "add", n])) {
        println!("skipped: discovery (no network namespaces here; needs root and iproute2)");
        return;
    }
    let [switch, a, b] = [&spaces.0[0], &spaces.0[1], &spaces.0[2]];
    assert!(ip(&["-n", switch, "link", "add", "br0", "type", "bridge"]));
    assert!(ip(&["-n", switch, "link", "set", "br0", "up"]));
    for (n, (host, address)) in [(a, "10.77.0.1/24"), (b, "10.77.0.2/24")].into_iter().enumerate() {
        let port = format!("p{n}");
        assert!(ip(&[
            "link", "add", &port, "netns", switch, "type", "veth", "peer", "name", "eth0", "netns", host
        ]));
        assert!(ip(&["-n", switch, "link", "set", &port, "master", "br0", "up"]));
        assert!(
            ip(&["-n", host, "link", "set", "lo", "up"]) && ip(&["-n", host, "link", "set", "eth0", "up"])
        );
        assert!(ip(&["-n", host, "addr", "add", address, "dev", "eth0"]));
    }
    let dir = tempfile::tempdir().expect("a folder");
    let home = |name: &str| dir.path().join(name);
    let text = |host: &str, home: &Path, args: &[&str]| {
        let out = command(host, home, args).output().expect("starts");
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        String::from_utf8(out.stdout).expect("UTF-8")
    };
    text(a, &home("a"), &["survey", "new", "Bench", "--datum", "zero"]);
    let invite = text(a, &home("a"), &["crew", "invite"]);
    text(b, &home("b"), &["crew", "join", invite.trim()]);
    let mut there = command(a, &home("a"), &["sync"])
        .stderr(Stdio::null())
        .stdout(Stdio::null())
        .spawn()
        .expect("starts");
    std::thread::sleep(Duration::from_secs(1));
    let (mut near, mut met) = (Vec::new(), Vec::new());
    for _ in 0..runs {
        let began = Instant::now();
        let mut child = command(b, &home("b"), &["sync", "--once"])
            .stderr(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("starts");
        let (err, out) = (child.stderr.take().expect("piped"), child.stdout.take().expect("piped"));
        let found = std::thread::spawn(move || when(err, "Near:"));
        met.push((when(out, "Met").expect("they meet") - began).as_secs_f64());
        // The first one may find the second and come to it before the second has told whom it sees.
        near.extend(found.join().expect("ends").map(|at| (at - began).as_secs_f64()));
        drop(child.wait());
    }
    drop(there.kill());
    drop(there.wait());
    println!("| from the start of the second program to | median s | worst s |");
    println!("|---|---|---|");
    for (what, mut times) in [("the first one is found", near), ("their meeting is done", met)] {
        times.sort_by(f64::total_cmp);
        if let (Some(median), Some(worst)) = (times.get(times.len() / 2), times.last()) {
            println!("| {what} ({} of {runs} runs) | {median:.3} | {worst:.3} |", times.len());
        }
    }
    println!("\n{runs} runs. Goal: found, connected and the first byte of the meeting within 2 s.");
}

fn command(host: &str, home: &Path, args: &[&str]) -> Command {
    let mut c = Command::new("ip");
    c.args(["netns", "exec", host]).arg(program()).args(args).env("LEADLINE_HOME", home).stdin(Stdio::null());
    c
}

/// When a line with `word` comes; the rest is read to the end.
fn when(pipe: impl std::io::Read, word: &str) -> Option<Instant> {
    let mut at = None;
    for line in BufReader::new(pipe).lines().map_while(Result::ok) {
        if line.contains(word) {
            at.get_or_insert_with(Instant::now);
        }
    }
    at
}
