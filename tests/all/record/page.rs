//! The page "on the water": what a recording shows of itself, asked over real sockets while it runs.

use super::live::{Live, device};
use crate::home::Device;
use crate::view::http::Server;
use serde_json::Value;
use std::time::{Duration, Instant};

/// A second of a log: eastward at 2 m/s from 7.413° E, `north` metres from 48.21° N.
fn second(day: u32, of_day: u32, s: u32, north: f64, depth: f64) -> String {
    let (h, m, sec) = (of_day / 3600, of_day / 60 % 60, of_day % 60);
    // 1' of latitude is 1853 m at 48° (GeographicLib 2.1, computed).
    let (lat, lon) = (12.6 + north / 1853.0, 24.78 + f64::from(s) * 0.0016);
    let bodies = [
        format!("GPRMC,{h:02}{m:02}{sec:02}.00,A,48{lat:07.4},N,007{lon:07.4},E,3.9,90.0,{day:02}0526,,,D"),
        format!("GPGGA,{h:02}{m:02}{sec:02}.00,48{lat:07.4},N,007{lon:07.4},E,2,09,0.9,340.0,M,47.0,M,,"),
        format!("SDDPT,{depth:.2},0.0"),
    ];
    bodies.map(|b| format!("${b}*{:02X}\r\n", b.bytes().fold(0, |a, c| a ^ c))).concat()
}

/// 200 m of water by 100 m, surveyed on 1 May by lines 20 m apart: 4 m deep in the west, 0.4 m in the east, where the
/// line at 40 m was left out.
fn surveyed() -> Device {
    let d = device();
    d.run(&["boat", "set", "Heron", "--draft", "0.30", "--sound-speed", "1450"]).says(0, &[]);
    let mut log = String::new();
    for (i, north) in [0.0, 20.0, 60.0, 80.0, 100.0].into_iter().enumerate() {
        for s in 0..100 {
            log += &second(1, 36_000 + i as u32 * 110 + s, s, north, 3.7 - 0.036 * f64::from(s));
        }
    }
    d.import(&d.write("a.nmea", log), "Heron");
    d
}

/// Asks until `is` holds.
fn until(server: &Server, path: &str, what: &str, is: impl Fn(&Value) -> bool) -> Value {
    let end = Instant::now() + Duration::from_secs(60);
    loop {
        let v = server.get(path).json();
        if is(&v) {
            return v;
        }
        assert!(Instant::now() < end, "{what}: {v}");
        std::thread::sleep(Duration::from_millis(200));
    }
}

#[test]
fn the_page_sees_the_boat_the_shoal_and_the_growing_map() {
    let d = surveyed();
    let server = Server::ready(&d);
    assert_eq!(server.get("/api/now").json(), serde_json::json!({"recording": false}));
    server.get("/api/now?draft=deep").refuses(400, &["draft"]);
    let mut live = Live::start(&d, &["-"]);
    // Along the line that was left out, four seconds of the log in one.
    for s in 0..60u32 {
        live.say(second(2, 36_000 + s, s, 40.0, 3.7 - 0.036 * f64::from(s)).as_bytes());
        std::thread::sleep(Duration::from_millis(250));
    }
    let path = "/api/now?draft=0.7&room=0.3&stage=0";
    let now = until(&server, path, "the last second", |v| v["boat"]["time_utc"] == "2026-05-02T10:00:59Z");
    let boat = &now["boat"];
    let near = |v: &Value, wanted: f64, by: f64| v.as_f64().is_some_and(|v| (v - wanted).abs() <= by);
    assert_eq!(boat["name"], "Heron", "{now}");
    assert!(near(&boat["course_deg"], 90.0, 3.0) && near(&boat["speed_m_s"], 2.0, 0.02), "{boat}");
    // The sounder's 1.576 m and 0.30 m to the surface.
    assert!(near(&boat["depth_m"], 1.576 + 0.30, 0.01) && boat["depth_below"] == "surface", "{boat}");
    assert!(boat["stale"] == false && boat["depth_stopped"] == false, "{boat}");
    assert!(near(&now["need_m"], 1.0, 1e-9) && now["under_touches"] == false, "{now}");
    // 1.0 m lies where the sounder reads 0.7 m: at second 83, 48 m on; 60 m are looked at.
    let touch = &now["ahead"]["touch"];
    assert!(near(&touch["metres"], 48.0, 8.0) && touch["mark"] == false, "{now}");
    assert!(near(&touch["seconds"], 24.0, 4.0), "{now}");

    // The leg that grows is laid over the map: where nobody had measured, a tile is another one.
    let grown = until(&server, path, "growth", |v| v["grown"]["soundings"].as_u64() > Some(40));
    let number = grown["grown"]["number"].as_u64().expect("a number");
    assert_eq!(grown["grown"]["whole"], false, "{}", grown["grown"]);
    let trail = server.get("/api/trail").json();
    let points = trail["trail"].as_array().expect("points");
    assert!(points.len() > 40 && trail["number"].as_u64() >= Some(number), "{trail}");
    assert!(points.iter().all(|p| p[2].is_string() && p[3].is_number()), "{trail}");
    let tile = |g: &str| server.get(&format!("/api/depth/all/17/68235/45447{g}")).plain();
    let (plain, over) = (tile(""), tile(&format!("?g={number}")));
    assert!(plain.len() == over.len() && plain != over, "the growth is seen in the tile");
    assert_eq!(plain, tile(""), "and only there");

    // A boat that asks for less water is not warned; one that reaches deeper is, by its own sounder.
    let light = server.get("/api/now?draft=0.3&room=0&stage=1").json();
    assert!(light["ahead"]["touch"].is_null(), "{light}");
    let deep = server.get("/api/now?draft=2.5&room=0.3").json();
    assert_eq!(deep["under_touches"], true, "{deep}");

    // Killed: what is shown grows old, and says so.
    live.kill();
    let old = until(&server, path, "stale", |v| v["boat"]["stale"] == true);
    assert!(old["ahead"]["blind"].is_string() && old["boat"]["depth_stopped"] == true, "{old}");
}

#[test]
fn near_home_the_crew_sees_no_place() {
    let d = surveyed();
    d.run(&["trim", "--near", "7.4131,48.2103", "--radius", "100"]).says(0, &[]);
    let server = Server::start(&d, &["--lan", "--at", "127.0.0.1"]);
    let key = server.link.split_once("?door=").expect("a key in the link").1.to_owned();
    let knock = server.request(&format!("GET /?door={key}"), &[], b"");
    let cookie = knock.header("set-cookie").expect("a cookie").split(';').next().expect("a part").to_owned();
    let mut live = Live::start(&d, &["-"]);
    let ask = || server.request("GET /api/now", &[&format!("Cookie: {cookie}")], b"").json();
    let mut s = 0;
    let seen = loop {
        live.say(second(2, 36_000 + s, s.min(10), 40.0, 3.0).as_bytes());
        std::thread::sleep(Duration::from_millis(250));
        let now = ask();
        s += 1;
        if now["near_home"] == true && now["ahead"].is_object() {
            break now;
        }
        assert!(s < 200, "{now}");
    };
    assert!(seen["boat"]["at"].is_null() && seen["boat"]["course_deg"].is_null(), "{seen}");
    assert!(seen["boat"]["depth_m"].is_number() && !seen.to_string().contains("48.21"), "{seen}");
    assert!(seen["ahead"]["blind"].is_string(), "{seen}");
}
