//! What hostile files, peers and browsers cost in memory: the highest resident memory of the real program, as the
//! kernel counts it, beside the same command or server at rest. Linux only; elsewhere there is nothing to ask.

use crate::home::{Device, Listener, small_log};
use crate::view::http::Server;
use flate2::{Compression, write::GzEncoder};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::Stdio;
use std::time::Duration;

/// More than the same at rest, bytes.
const ROOM: u64 = 64 << 20;

fn status(pid: u32, field: &str) -> Option<u64> {
    let text = std::fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    let line = text.lines().find_map(|l| l.strip_prefix(field))?;
    Some(line.split_whitespace().next()?.parse::<u64>().ok()? << 10)
}

/// Runs a command to its end: its highest resident memory, and its exit code.
fn peak(d: &Device, args: &[&str]) -> Option<(u64, i32)> {
    let mut child =
        d.command(args).stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("the program starts");
    let mut high = None;
    loop {
        high = status(child.id(), "VmHWM:").or(high);
        if let Some(code) = child.try_wait().expect("its own child") {
            return Some((high?, code.code().unwrap_or(-1)));
        }
        std::thread::sleep(Duration::from_millis(2));
    }
}

fn gz(bytes: &[u8]) -> Vec<u8> {
    let mut out = GzEncoder::new(Vec::new(), Compression::fast());
    out.write_all(bytes).expect("in memory");
    out.finish().expect("in memory")
}

/// `n` bytes of one piece, over and over.
fn filled(n: usize, piece: &[u8]) -> Vec<u8> {
    piece.iter().copied().cycle().take(n).collect()
}

/// Files out of all measure, none of them a log.
fn files() -> Vec<(&'static str, Vec<u8>)> {
    const SIZE: usize = 96 << 20;
    let deep = |open: &[u8]| filled(SIZE / 4, open);
    vec![
        ("one endless line.nmea", filled(SIZE, b"x")),
        ("garbage.nmea", filled(SIZE, b"$GPGGA,\x00\xff,,*00\r\n")),
        ("kinds.nmea", (0..4_000_000u32).flat_map(|n| format!("$XX{n:08X}*00\r\n").into_bytes()).collect()),
        ("deep.json", deep(b"[")),
        ("deep.geojson", [b"{\"type\":\"FeatureCollection\",\"features\":".to_vec(), deep(b"[{\"a\":")].concat()),
        ("deep.gpx", [b"<?xml version=\"1.0\"?><gpx>".to_vec(), deep(b"<trk>")].concat()),
        (
            "entities.gpx",
            b"<?xml version=\"1.0\"?><!DOCTYPE g [<!ENTITY a \"aaaaaaaaaa\"><!ENTITY b \"&a;&a;&a;&a;&a;&a;&a;&a;\">\
              <!ENTITY c \"&b;&b;&b;&b;&b;&b;&b;&b;\"><!ENTITY d \"&c;&c;&c;&c;&c;&c;&c;&c;\">]><gpx><name>&d;</name></gpx>"
                .to_vec(),
        ),
        ("columns.csv", filled(SIZE, b"lon,lat,depth,")),
        ("quotes.csv", [b"lon,lat,depth,time\n\"".to_vec(), filled(SIZE, b"a,")].concat()),
        ("bomb.nmea.gz", gz(&filled(SIZE * 3, b" "))),
        ("bus.txt", filled(SIZE, b"(1777593600.000000) can0 09F8FFFF#FF\n")),
    ]
}

#[test]
fn files_out_of_all_measure() {
    let d = Device::new();
    d.found("Testmere");
    d.write("small.nmea", small_log(3, |_| 2.0));
    let Some((rest, 0)) = peak(&d, &["import", "small.nmea", "--boat", "Heron"]) else {
        println!("skipped: the kernel does not tell a process's memory");
        return;
    };
    let before = d.digest();
    let mut worst = 0;
    for (name, bytes) in files() {
        d.write(name, &bytes);
        drop(bytes);
        let (high, code) = peak(&d, &["import", name, "--boat", "Heron"]).expect("Linux");
        std::fs::remove_file(d.file(name)).expect("there");
        println!(
            "{name}: {} KiB above the {} KiB of a small log",
            high.saturating_sub(rest) >> 10,
            rest >> 10
        );
        assert_eq!(code, 1, "{name} is refused");
        assert!(high < rest + ROOM, "{name}: {high} bytes beside {rest}");
        worst = worst.max(high.saturating_sub(rest));
    }
    println!("worst: {} KiB", worst >> 10);
    assert_eq!(d.digest(), before);
}

/// Stops the flood when told to, and at the latest after some seconds.
fn flood(at: &str, connections: usize, bytes: &[u8]) {
    let mut open = Vec::new();
    for _ in 0..connections {
        let Ok(mut s) = TcpStream::connect(at) else { continue };
        s.set_write_timeout(Some(Duration::from_millis(200))).expect("a time limit");
        s.set_read_timeout(Some(Duration::from_millis(50))).expect("a time limit");
        drop(s.write_all(bytes));
        open.push(s);
    }
    // Held open together, as a flood holds them.
    std::thread::sleep(Duration::from_millis(500));
    for s in &mut open {
        drop(s.read(&mut [0; 4096]));
    }
}

/// Highest resident memory of a process so far, bytes.
pub(super) fn high(pid: u32) -> Option<u64> {
    status(pid, "VmHWM:")
}

/// Highest resident memory above `rest`, which was measured before the flood.
pub(super) fn grown(pid: u32, rest: u64, what: &str) {
    let high = high(pid).expect("it runs");
    println!("{what}: {} KiB above {} KiB at rest", high.saturating_sub(rest) >> 10, rest >> 10);
    assert!(high < rest + ROOM, "{what}: {high} bytes beside {rest}");
}

#[test]
fn a_flood_at_the_door_of_the_page() {
    let d = Device::new();
    d.found("Testmere");
    d.import(&d.write("a.nmea", small_log(300, |_| 4.0)), "Heron");
    let server = Server::start(&d, &["--lan", "--at", "127.0.0.1"]);
    let key = server.link.split_once("?door=").expect("a key").1.to_owned();
    let let_in = server.request(&format!("GET /?door={key}"), &[], b"");
    let cookie = let_in.header("set-cookie").and_then(|c| c.split(';').next()).expect("a cookie").to_owned();
    let chart = || server.request("GET /api/chart", &[&format!("Cookie: {cookie}")], b"");
    // It has computed the map, and answered: that is rest.
    let until = std::time::Instant::now() + Duration::from_secs(60);
    while !chart().json()["version"].is_string() {
        assert!(std::time::Instant::now() < until, "no chart");
        std::thread::sleep(Duration::from_millis(50));
    }
    let Some(rest) = high(server.pid()) else {
        println!("skipped: the kernel does not tell a process's memory");
        return;
    };
    let host = format!("Host: {}\r\n", server.at);
    let long_head =
        [b"GET / HTTP/1.1\r\n".to_vec(), host.clone().into_bytes(), filled(1 << 20, b"X-A: aaaaaaaa\r\n")]
            .concat();
    flood(&server.at, 300, b"GET / HTTP/1.1\r\nHo");
    flood(&server.at, 200, &long_head);
    let big = format!(
        "POST /api/import?name=a&boat=b HTTP/1.1\r\n{host}Content-Length: 67108864\r\nX-Leadline: 1\r\n\r\n"
    );
    flood(&server.at, 100, &[big.into_bytes(), filled(1 << 20, b"x")].concat());
    let chunks =
        format!("POST /api/stage HTTP/1.1\r\n{host}Transfer-Encoding: chunked\r\nX-Leadline: 1\r\n\r\n");
    flood(&server.at, 100, &[chunks.into_bytes(), filled(1 << 20, b"4\r\nabcd\r\n")].concat());
    grown(server.pid(), rest, "browsers that were not let in");
    assert_eq!(chart().status, 200, "it still answers who was let in");
}

#[test]
fn a_flood_at_the_port_of_the_crew() {
    let d = Device::new();
    d.found("Testmere");
    d.import(&d.write("a.nmea", small_log(300, |_| 4.0)), "Heron");
    let friend = Device::new();
    friend.join(&d);
    let listener = Listener::start(&d);
    // It has met once: that is rest.
    friend.run(&["sync", "--with", &listener.address, "--once"]).says(0, &[]);
    let Some(rest) = high(listener.pid()) else {
        println!("skipped: the kernel does not tell a process's memory");
        return;
    };
    let noise: Vec<u8> = (0..1u32 << 20).map(|i| (i.wrapping_mul(2_654_435_761) >> 11) as u8).collect();
    let select = b"\x13/multistream/1.0.0\n";
    flood(&listener.address, 300, b"");
    flood(&listener.address, 200, &noise);
    flood(&listener.address, 200, &[&select[..], &filled(1 << 20, b"\x07/noise\n")].concat());
    flood(&listener.address, 200, &[&select[..], b"\x07/noise\n", &noise].concat());
    flood(&listener.address, 100, &[&select[..], &[0xff; 1 << 20]].concat());
    grown(listener.pid(), rest, "strangers at the port");
    // And the crew still meets.
    friend.import(&friend.write("b.nmea", small_log(60, |_| 3.0)), "Plover");
    let mut last = friend.run(&["sync", "--with", &listener.address, "--once"]);
    for _ in 0..20 {
        if last.code == 0 {
            break;
        }
        std::thread::sleep(Duration::from_millis(500));
        last = friend.run(&["sync", "--with", &listener.address, "--once"]);
    }
    last.says(0, &[]);
    assert_eq!(d.digest(), friend.digest());
}
