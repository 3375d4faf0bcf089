//! Who is let in, and what is refused, over raw sockets.

use super::http::{Server, read};
use crate::home::{Device, small_log};
use serde_json::json;
use std::io::{Read, Write};
use std::time::{Duration, Instant};

fn one_boat() -> Device {
    let d = Device::new();
    d.found("Testmere");
    d.import(&d.write("a.nmea", small_log(600, |_| 4.0)), "Heron");
    d
}

/// The program on the loopback address, but as it is served to a network.
fn for_others(d: &Device) -> (Server, String) {
    let server = Server::start(d, &["--lan", "--at", "127.0.0.1"]);
    let key = server.link.split_once("?door=").expect("a key in the link").1.to_owned();
    (server, key)
}

#[test]
fn another_name_or_another_site_is_refused() {
    let d = one_boat();
    let server = Server::ready(&d);
    let port = server.at.split_once(':').expect("a port").1.to_owned();
    for host in ["evil.example", "evil.example:80", "127.0.0.1", "localhost", "127.0.0.1:1", "[::1]:80"] {
        server.request("GET /api/chart", &[&format!("Host: {host}")], b"").refuses(421, &["link"]);
        server.request("GET /", &[&format!("Host: {host}")], b"").refuses(421, &["link"]);
    }
    let two = format!("Host: {}", server.at);
    server.request("GET /", &[&two, "Host: evil.example"], b"").refuses(421, &[]);
    server.raw(b"GET / HTTP/1.0\r\n\r\n").refuses(421, &[]);
    assert_eq!(server.request("GET /", &[&format!("Host: localhost:{port}")], b"").status, 200);
    let act = json!({"level_m": 1.0}).to_string();
    for origin in [
        "http://evil.example",
        "null",
        &format!("https://{}", server.at),
        &format!("http://localhost:{port}"),
    ] {
        let origin = format!("Origin: {origin}");
        server
            .request("POST /api/stage", &["X-Leadline: 1", &origin], act.as_bytes())
            .refuses(403, &["another site"]);
        server.request("GET /api/chart", &[&origin], b"").refuses(403, &["another site"]);
    }
    // Without the header, as a form of another site would send it.
    server
        .request("POST /api/stage", &["Content-Type: text/plain"], act.as_bytes())
        .refuses(403, &["X-Leadline"]);
    server.request("POST /api/stage", &["X-Leadline: 0"], act.as_bytes()).refuses(403, &["X-Leadline"]);
    assert_eq!(d.json(&["stage", "show"])["stages"], json!([]), "nothing was written");
    server.request("PUT /api/stage", &["X-Leadline: 1"], b"").refuses(405, &[]);
    server.request("OPTIONS /api/stage", &["X-Leadline: 1"], b"").refuses(405, &[]);
    let allowed = server.request("GET /api/chart", &[], b"");
    assert_eq!(allowed.header("access-control-allow-origin"), None);
}

#[test]
fn bodies_and_addresses_are_bounded() {
    let d = one_boat();
    let server = Server::ready(&d);
    let big = vec![b' '; (256 << 10) + 1];
    server.post_bytes("/api/stage", &big).refuses(413, &["256 KiB"]);
    let head = |path: &str, length: &str| {
        format!(
            "POST {path} HTTP/1.1\r\nHost: {}\r\nX-Leadline: 1\r\n{length}\r\nConnection: close\r\n\r\n",
            server.at
        )
    };
    // What is announced too large is refused before it is sent.
    server
        .raw(head("/api/import?name=a&boat=b", "Content-Length: 99999999999").as_bytes())
        .refuses(413, &["65536 KiB"]);
    // What is not announced is counted.
    let mut s = server.connect();
    s.write_all(head("/api/stage", "Transfer-Encoding: chunked").as_bytes()).expect("sent");
    for _ in 0..40 {
        if s.write_all(format!("2000\r\n{}\r\n", " ".repeat(0x2000)).as_bytes()).is_err() {
            break;
        }
    }
    read(&mut s).refuses(413, &["256 KiB"]);
    let long = format!("/api/touch?lon={}", "1".repeat(9_000));
    server.get(&long).refuses(414, &[]);
    let garbage = server.raw(b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03");
    assert!(garbage.status == 0 || garbage.status == 400, "{}", garbage.status);
    assert_eq!(server.get("/api/chart").status, 200, "it goes on");
}

#[test]
fn whoever_only_holds_a_place_is_cut_off() {
    let d = one_boat();
    let server = Server::ready(&d);
    let begun = Instant::now();
    let mut silent = server.connect();
    let mut dripping = server.connect();
    dripping.write_all(b"GET / HTTP/1.1\r\n").expect("sent");
    let mut half = server.connect();
    let head = format!(
        "POST /api/stage HTTP/1.1\r\nHost: {}\r\nX-Leadline: 1\r\nContent-Length: 10\r\n\r\n{{",
        server.at
    );
    half.write_all(head.as_bytes()).expect("sent");
    let mut byte = [0u8; 1];
    loop {
        // A byte a second, for ever.
        if dripping.write_all(b"x").is_err() {
            break;
        }
        dripping.set_read_timeout(Some(Duration::from_secs(1))).expect("a limit");
        match dripping.read(&mut byte) {
            Ok(_) => break,
            Err(e) if matches!(e.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut) => {}
            Err(_) => break,
        }
        assert!(begun.elapsed() < Duration::from_secs(50), "a dripping request is never cut off");
    }
    drop(silent.read(&mut byte));
    read(&mut half).refuses(408, &["in time"]);
    assert!(begun.elapsed() < Duration::from_secs(50));
    assert_eq!(server.get("/api/chart").status, 200);
}

#[test]
fn one_address_cannot_take_all_places() {
    let d = one_boat();
    let server = Server::ready(&d);
    let held: Vec<_> = (0..40).map(|_| server.connect()).collect();
    std::thread::sleep(Duration::from_millis(300));
    let mut open = 0;
    for s in &held {
        s.set_read_timeout(Some(Duration::from_millis(20))).expect("a limit");
        let mut s = s;
        let is_open = matches!(s.read(&mut [0u8; 1]), Err(e) if matches!(e.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut));
        open += usize::from(is_open);
    }
    assert!((10..=24).contains(&open), "{open} of 40 held");
    drop(held);
    std::thread::sleep(Duration::from_millis(300));
    assert_eq!(server.get("/api/chart").status, 200, "places come back");
}

#[test]
fn a_network_needs_the_link_and_only_reads() {
    let d = one_boat();
    let (server, key) = for_others(&d);
    for path in ["/", "/api/chart", "/page.css", "/api/events", "/api/parcel"] {
        server.get(path).refuses(401, &["--lan"]);
    }
    server.get("/?door=00000000000000000000000000000000").refuses(401, &["link"]);
    server.get("/?door=").refuses(401, &["link"]);
    server.get(&format!("/api/chart?door={key}")).refuses(401, &[]);
    let let_in = server.get(&format!("/?door={key}"));
    assert_eq!((let_in.status, let_in.header("location")), (303, Some("/")));
    let cookie = let_in.header("set-cookie").expect("a cookie").to_owned();
    for word in ["HttpOnly", "SameSite=Strict", "Path=/"] {
        assert!(cookie.contains(word), "{cookie}");
    }
    let own = cookie.split(';').next().expect("a value").to_owned();
    assert!(!own.contains(&key), "the browser's key is its own");
    let cookie = format!("Cookie: {own}");
    let get = |path: &str| server.request(&format!("GET {path}"), &[&cookie], b"");
    let chart = get("/api/chart").json();
    assert_eq!(
        (&chart["door"], &chart["may_write"], &chart["encrypted"]),
        (&json!("lan"), &json!(false), &json!(false))
    );
    let write =
        |path: &str| server.request(&format!("POST {path}"), &["X-Leadline: 1", &cookie], b"{\"level_m\":1}");
    for path in [
        "/api/stage",
        "/api/leave-out",
        "/api/take-back",
        "/api/mark",
        "/api/import?boat=x",
        "/api/level",
        "/api/meet",
        "/api/invite",
        "/api/parcel",
        "/api/backup",
        "/api/backup/restore",
    ] {
        write(path).refuses(403, &["read"]);
    }
    get("/api/parcel").refuses(403, &["read"]);
    // A mark that was not shared is nobody else's.
    d.run(&["mark", "add", "hazard", "7.41310,48.21730", "--name", "mine"]).says(0, &[]);
    assert_eq!(get("/api/layer/marks").json()["features"], json!([]));
    assert_eq!(get("/api/touch?lon=7.41310&lat=48.21730").json()["near_mark"], json!(null));
    // Per browser, and revocable while it runs.
    let other = server.get(&format!("/?door={key}"));
    let other = format!(
        "Cookie: {}",
        other.header("set-cookie").expect("a cookie").split(';').next().expect("a value")
    );
    let doors = d.json(&["view", "--doors"])["doors"].as_array().expect("a list").len();
    assert_eq!(doors, 2);
    d.run(&["view", "--revoke", "1"]).says(0, &["Shut out 1"]);
    std::thread::sleep(Duration::from_millis(1_200));
    get("/api/chart").refuses(401, &[]);
    assert_eq!(server.request("GET /api/chart", &[&other], b"").status, 200, "the other one stays");
    d.run(&["view", "--revoke", "9"]).says(1, &["--doors"]);
    d.run(&["view", "--revoke", "all"]).says(0, &["Shut out 1"]);
    let kept = std::fs::read_to_string(d.home().join("keys").join("doors.json")).expect("the list");
    assert!(!kept.contains(&key) && !kept.contains(own.split('=').nth(1).expect("a key")), "no key is kept");
}

#[test]
fn a_taken_port_is_said() {
    let d = one_boat();
    let server = Server::ready(&d);
    let port = server.at.split_once(':').expect("a port").1;
    d.run(&["view", "--port", port]).says(3, &["--port"]);
    Device::new().run(&["view"]).says(1, &["survey new"]);
}
