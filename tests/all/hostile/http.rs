//! Requests that no browser sends, over raw sockets to the real program.

use super::mutate::{Dice, mutate};
use crate::home::{Device, small_log};
use crate::view::http::Server;
use std::io::{Read, Write};
use std::net::{Shutdown, TcpStream};
use std::time::Duration;

/// Good requests: reads of every kind, and acts.
fn requests(at: &str) -> Vec<Vec<u8>> {
    let get = |path: &str| {
        format!("GET {path} HTTP/1.1\r\nHost: {at}\r\nAccept-Encoding: gzip\r\nConnection: close\r\n\r\n")
            .into_bytes()
    };
    let post = |path: &str, body: &str| {
        format!(
            "POST {path} HTTP/1.1\r\nHost: {at}\r\nOrigin: http://{at}\r\nX-Leadline: 1\r\nConnection: close\r\nContent-Length: {}\r\n\r\n{body}",
            body.len()
        )
        .into_bytes()
    };
    vec![
        get("/"),
        get("/api/chart"),
        get("/api/touch?lon=7.41&lat=48.21"),
        get("/api/profile?at=7.41,48.21;7.42,48.21&stage=0"),
        get("/api/level"),
        get("/api/layer/contours?stage=0.2&draft=0.5"),
        get("/api/depth/0/14/8530/5700"),
        get("/api/soundings/0/14/8530/5700"),
        get("/api/show?boats=Heron&from=2026-05-01&to=2026-05-02"),
        get("/api/compare?a=Heron&b=Heron"),
        get("/api/plan.gpx?spacing=10&speed=2&draft=0.5&stage=0"),
        get("/api/decisions"),
        post("/api/stage", r#"{"level_m": 1.0, "at": "2026-05-01T10:00:00Z"}"#),
        post("/api/mark", r#"{"kind": "rock", "at": [7.41, 48.21], "name": "x", "depth_m": 1.0}"#),
        post("/api/leave-out", r#"{"pass": "a", "why": "b"}"#),
        post("/api/import?name=a.nmea&boat=Heron", &small_log(3, |_| 2.0)),
    ]
}

/// Sends and waits for an answer or the end, not for long. The status, 0 for none.
fn ask(at: &str, bytes: &[u8]) -> u16 {
    let Ok(mut s) = TcpStream::connect(at) else { return 0 };
    s.set_read_timeout(Some(Duration::from_secs(20))).expect("a time limit");
    drop(s.write_all(bytes));
    // Whoever announced more than it sends has no more to say.
    drop(s.shutdown(Shutdown::Write));
    let mut head = [0; 64];
    let n = s.read(&mut head).unwrap_or(0);
    let text = String::from_utf8_lossy(&head[..n]).into_owned();
    text.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap_or(0)
}

#[test]
fn mutated_requests_are_answered_or_refused_and_the_page_goes_on() {
    let d = Device::new();
    d.found("Testmere");
    d.import(&d.write("a.nmea", small_log(300, |_| 4.0)), "Heron");
    let server = Server::ready_and_heard(&d);
    let seeds = requests(&server.at);
    let mut seen = std::collections::BTreeMap::<u16, u32>::new();
    let rounds = super::mutations().min(200_000) / 4;
    for seed in 0..rounds {
        let mut dice = Dice::new(seed);
        let mut mutant = seeds[dice.below(seeds.len())].clone();
        let other = &seeds[dice.below(seeds.len())];
        (0..1 + dice.below(3)).for_each(|_| mutate(&mut mutant, other, &mut dice));
        *seen.entry(ask(&server.at, &mutant)).or_default() += 1;
    }
    assert_eq!(server.get("/api/chart").status, 200, "the page still answers");
    let said = server.said();
    assert!(!said.contains("panicked"), "{said}");
    println!("{rounds} requests: {seen:?}");
    // Answered, refused, and not understood: all three were reached. No failure of the program's own.
    assert!(seen.contains_key(&200) && seen.keys().any(|s| (400..500).contains(s)), "{seen:?}");
    assert!(!seen.contains_key(&500), "{seen:?}");
    d.run(&["verify"]).says(0, &["whole"]);
}
