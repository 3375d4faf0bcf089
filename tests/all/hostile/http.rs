//! Requests that no browser sends, over raw sockets to the real program.

use super::mutate::mutate;
use crate::home::{Device, small_log};
use crate::sim::Dice;
use crate::view::http::Server;
use std::io::{Read, Write};
use std::net::{Shutdown, TcpStream};
use std::time::Duration;

/// A request, in the parts that are spoiled one at a time.
#[derive(Clone)]
struct Asked {
    path: &'static str,
    query: Vec<u8>,
    body: Option<Vec<u8>>,
}

impl Asked {
    /// As it goes over the wire. Of a spoiled query, what may not stand there is escaped, so that it is read.
    fn bytes(&self, at: &str) -> Vec<u8> {
        let plain = |b: u8| b.is_ascii_alphanumeric() || b"-._~:;,/=&+%".contains(&b);
        let one = |b: &u8| if plain(*b) { char::from(*b).to_string() } else { format!("%{b:02X}") };
        let query: String = self.query.iter().map(one).collect();
        let mark = if query.is_empty() { "" } else { "?" };
        let target = format!("{}{mark}{query}", self.path);
        match &self.body {
            None => format!(
                "GET {target} HTTP/1.1\r\nHost: {at}\r\nAccept-Encoding: gzip\r\nConnection: close\r\n\r\n"
            )
            .into_bytes(),
            Some(body) => {
                let head = format!(
                    "POST {target} HTTP/1.1\r\nHost: {at}\r\nOrigin: http://{at}\r\nX-Leadline: 1\r\nConnection: close\r\nContent-Length: {}\r\n\r\n",
                    body.len()
                );
                [head.as_bytes(), body].concat()
            }
        }
    }
}

/// Good requests: reads of every kind, and acts.
fn requests() -> Vec<Asked> {
    let get = |path, query: &str| Asked { path, query: query.into(), body: None };
    let post = |path, query: &str, body: &str| Asked { path, query: query.into(), body: Some(body.into()) };
    vec![
        get("/", ""),
        get("/api/chart", ""),
        get("/api/touch", "lon=7.41&lat=48.21"),
        get("/api/profile", "at=7.41,48.21;7.42,48.21&stage=0"),
        get("/api/level", ""),
        get("/api/layer/contours", "stage=0.2&draft=0.5"),
        get("/api/depth/0/14/8530/5700", "stage=0.2"),
        get("/api/soundings/0/14/8530/5700", ""),
        get("/api/show", "boats=Heron&from=2026-05-01&to=2026-05-02"),
        get("/api/compare", "a=Heron&b=Heron"),
        get("/api/plan.gpx", "spacing=10&speed=2&draft=0.5&stage=0"),
        get("/api/decisions", ""),
        post("/api/stage", "", r#"{"level_m": 1.0, "at": "2026-05-01T10:00:00Z"}"#),
        post("/api/mark", "", r#"{"kind": "rock", "at": [7.41, 48.21], "name": "x", "depth_m": 1.0}"#),
        post("/api/leave-out", "", r#"{"pass": "a", "why": "b"}"#),
        post("/api/backup", "", r#"{"passphrase": null, "with_key": false}"#),
        post("/api/backup/restore", "", "no backup"),
        post("/api/import", "name=a.nmea&boat=Heron", &small_log(3, |_| 2.0)),
    ]
}

/// One request spoiled: all its bytes, or its query or body alone, so that it comes past the first door. True if it is
/// still a whole request.
fn spoiled(seeds: &[Asked], at: &str, dice: &mut Dice) -> (Vec<u8>, bool) {
    let mut asked = seeds[dice.below(seeds.len())].clone();
    let other = &seeds[dice.below(seeds.len())];
    let times = 1 + dice.below(3);
    match (dice.below(3), &mut asked.body) {
        (0, _) => {
            let (mut all, other) = (asked.bytes(at), other.bytes(at));
            (0..times).for_each(|_| mutate(&mut all, &other, dice));
            return (all, false);
        }
        (1, Some(body)) => {
            let other = other.body.as_ref().unwrap_or(&other.query);
            (0..times).for_each(|_| mutate(body, other, dice));
        }
        _ => (0..times).for_each(|_| mutate(&mut asked.query, &other.query, dice)),
    }
    (asked.bytes(at), true)
}

/// Sends and waits for an answer or the end, not for long. The status, 0 for none.
fn ask(at: &str, bytes: &[u8], is_whole: bool) -> u16 {
    let Ok(mut s) = TcpStream::connect(at) else { return 0 };
    s.set_read_timeout(Some(Duration::from_secs(20))).expect("a time limit");
    drop(s.write_all(bytes));
    if !is_whole {
        // Whoever announced more than it sends has no more to say.
        drop(s.shutdown(Shutdown::Write));
    }
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
    let seeds = requests();
    let mut seen = std::collections::BTreeMap::<u16, u32>::new();
    let rounds = super::mutations().min(200_000) / 4;
    for seed in 0..rounds {
        let mut dice = Dice::new(seed);
        let (mutant, is_whole) = spoiled(&seeds, &server.at, &mut dice);
        let status = ask(&server.at, &mutant, is_whole);
        assert!(status > 0 || !is_whole, "no answer to {}", String::from_utf8_lossy(&mutant));
        *seen.entry(status).or_default() += 1;
    }
    assert_eq!(server.get("/api/chart").status, 200, "the page still answers");
    let said = server.said();
    assert!(!said.contains("panicked"), "{said}");
    println!("{rounds} requests: {seen:?}");
    // Answered, refused, and not understood: all three were reached. No failure of the program's own.
    let answered = seen.get(&200).copied().unwrap_or_default();
    assert!(u64::from(answered) > rounds / 20 && seen.keys().any(|s| (400..500).contains(s)), "{seen:?}");
    assert!(!seen.contains_key(&500), "{seen:?}");
    d.run(&["verify"]).says(0, &["whole"]);
}
