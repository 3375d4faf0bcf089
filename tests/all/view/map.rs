//! What the page reads: the chart, tiles, layers, places.

use super::http::Server;
use crate::home::{Device, meet, small_log, two_boats};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};

/// A surveyed patch: a device with one boat's log.
fn one_boat() -> Device {
    let d = Device::new();
    d.found("Testmere");
    d.import(&d.write("a.nmea", small_log(1500, |s| 4.0 + f64::from(s % 300) * 0.01)), "Heron");
    d
}

/// Column and row of the tile with a place, by the formulas of OGC 17-083r4 annex D.
fn tile_of(lon: f64, lat: f64, z: u32) -> (u32, u32) {
    let n = f64::from(1 << z);
    let phi = lat.to_radians();
    let y = (1.0 - (phi.tan() + 1.0 / phi.cos()).ln() / std::f64::consts::PI) / 2.0;
    (((lon + 180.0) / 360.0 * n) as u32, (y * n) as u32)
}

#[test]
fn a_page_begins_with_the_chart() {
    let d = one_boat();
    d.run(&["stage", "add", "--at", "2026-05-01T09:00Z", "--level", "0.50"]).says(0, &[]);
    let server = Server::ready(&d);
    let chart = server.get("/api/chart").json();
    let status = d.json(&["status"]);
    assert_eq!(chart["survey"]["name"], "Testmere");
    assert_eq!(chart["grades"], status["grades"]);
    assert_eq!(chart["disputed"], status["disputed"]);
    assert_eq!(
        chart["passes"].as_array().expect("a list").len() as u64,
        status["passes"].as_u64().expect("a number")
    );
    assert_eq!(chart["boats"][0]["name"], "Heron");
    assert_eq!(chart["stage"]["level_m"], 0.5);
    assert_eq!(
        (&chart["may_write"], &chart["door"], &chart["units"]),
        (&json!(true), &json!("loopback"), &json!("m"))
    );
    assert!(chart["caution"].as_str().expect("a text").contains("not for navigation"));
    assert!(chart["summary"].as_str().expect("a text").contains("not for navigation"));
    let b: Vec<f64> = chart["bounds"].as_array().expect("four").iter().filter_map(Value::as_f64).collect();
    assert!(b.len() == 4 && b[0] < b[2] && b[1] < b[3], "{b:?}");
    let page = server.get("/");
    assert_eq!(page.status, 200);
    let policy = page.header("content-security-policy").expect("a policy");
    for rule in ["default-src 'none'", "script-src 'self'", "frame-ancestors 'none'", "connect-src 'self'"] {
        assert!(policy.contains(rule), "{policy}");
    }
    let tag = page.header("etag").expect("a tag").to_owned();
    let again = server.request("GET /", &[&format!("If-None-Match: {tag}")], b"");
    assert_eq!((again.status, again.body.len()), (304, 0));
    server.get("/nothing.js").refuses(404, &["begin at /"]);
}

#[test]
fn tiles_say_what_the_depth_command_says() {
    let d = one_boat();
    let server = Server::ready(&d);
    let chart = server.get("/api/chart").json();
    let version = chart["version"].as_str().expect("a version");
    let cells = d.json(&["depth", "--at", &format!("{},{}", chart["center"][0], chart["center"][1])]);
    let (lon, lat) = (cells["lon"].as_f64().expect("a number"), cells["lat"].as_f64().expect("a number"));
    let mut seen = 0;
    for z in [10, 14, 16, 18] {
        let (x, y) = tile_of(lon, lat, z);
        let path = format!("/api/depth/all/{z}/{x}/{y}?v={version}");
        let reply = server.get(&path);
        if reply.status == 204 {
            continue;
        }
        assert_eq!(reply.header("cache-control"), Some("private, max-age=31536000, immutable"));
        let bytes = reply.plain();
        assert_eq!((&bytes[..6], bytes.len()), (&b"LDT1\x81\0"[..], 8 + 6 * 129 * 129));
        let known = bytes[8..8 + 2 * 129 * 129].chunks(2).filter(|b| **b != [0, 0x80]).count();
        assert!(known > 0, "an empty tile is answered with 204");
        assert_eq!(server.get(&path).plain(), bytes, "from the store of answers");
        assert_eq!(server.request(&format!("GET {path}"), &[], b"").body, bytes, "unpacked for who cannot");
        let other = server.get(&format!("/api/depth/all/{z}/{x}/{y}?v=0"));
        assert_eq!(other.header("cache-control"), Some("no-store"), "another version is not kept");
        seen += 1;
    }
    assert!(seen >= 2, "{seen}");
    let (x, y) = tile_of(lon, lat, 14);
    let list = server.get(&format!("/api/soundings/all/14/{x}/{y}")).json();
    let shoalest = list[0].as_array().expect("a sounding");
    assert!(list.as_array().expect("a list").len() <= 60 && shoalest.len() == 5);
    assert!(
        (shoalest[2].as_f64().expect("a depth") - chart["depth_range_m"][0].as_f64().expect("a depth")).abs()
            < 0.3
    );
    assert_eq!(server.get("/api/depth/all/14/0/0").status, 204);
    server.get("/api/depth/all/3/8/0").refuses(404, &["no tile"]);
    server.get("/api/depth/all/21/0/0").refuses(404, &["no tile"]);
    server.get("/api/depth/nobody/14/0/0").refuses(404, &["/api/show"]);
    assert_eq!(server.get("/api/depth/all/x/0/0").status, 400);
}

#[test]
fn a_place_a_line_and_layers() {
    let d = one_boat();
    let server = Server::ready(&d);
    let passes = server.get("/api/layer/passes").json();
    let line = &passes["features"][0]["geometry"]["coordinates"];
    let at = |i: usize| (line[i][0].as_f64().expect("lon"), line[i][1].as_f64().expect("lat"));
    let (lon, lat) = at(0);
    let touch = server.get(&format!("/api/touch?lon={lon}&lat={lat}")).json();
    let told = d.json(&["depth", "--at", &format!("{lon},{lat}"), "--explain"]);
    for key in ["depth_m", "tvu95_m", "grade", "basis"] {
        assert_eq!(touch[key], told[key], "{key}");
    }
    assert_eq!(touch["measured"][0]["boat"], "Heron");
    assert!(touch["measured"][0]["terms"].as_array().map(Vec::len).unwrap_or_default() > 3);
    assert!(touch["safe_m"].as_f64().expect("safe") <= touch["depth_m"].as_f64().expect("best") + 0.5);
    let (lon2, lat2) = at(1);
    let profile = server.get(&format!("/api/profile?line={lon},{lat};{lon2},{lat2}")).json();
    let points = profile["points"].as_array().expect("points");
    assert!((2..=512).contains(&points.len()) && points[0][1].is_number(), "{profile}");
    assert_eq!(points.last().expect("points")[0], profile["length_m"]);
    for name in ["coverage", "structure", "marks"] {
        let v = server.get(&format!("/api/layer/{name}")).json();
        assert!(v["type"] == "FeatureCollection" || v["error"]["why"].is_string(), "{name}: {v}");
    }
    let plan = server.get("/api/layer/plan?speed=2&draft=0.4");
    if plan.status == 200 {
        let gpx = server.get("/api/plan.gpx?speed=2&draft=0.4");
        assert!(String::from_utf8_lossy(&gpx.body).contains("<gpx"), "GPX 1.1");
        assert!(gpx.header("content-disposition").expect("a name").contains("Testmere.gpx"));
    } else {
        plan.refuses(404, &["weak spots"]);
    }
    for (path, word) in [
        ("/api/touch?lon=200&lat=0", "200"),
        ("/api/touch?lon=1", "lat"),
        ("/api/profile?line=1,1", "line"),
        ("/api/layer/plan?speed=99", "speed"),
    ] {
        server.get(path).refuses(400, &[word]);
    }
    server.get("/api/layer/everything").refuses(404, &["coverage"]);
}

#[test]
fn who_gave_what() {
    let (heron, plover) = two_boats();
    meet(&heron, &plover);
    let server = Server::ready(&heron);
    let chart = server.get("/api/chart").json();
    let fresh: Vec<bool> =
        chart["passes"].as_array().expect("passes").iter().map(|p| p["fresh"] == json!(true)).collect();
    assert_eq!(fresh, [false, true], "Plover's came with the meeting");
    let one = server.get("/api/show?boats=Heron").json();
    let show = one["show"].as_str().expect("an id");
    assert_ne!(show, "all");
    assert_eq!(server.get("/api/show").json()["show"], "all");
    let touch = server.get("/api/layer/passes").json();
    let p = &touch["features"][0]["geometry"]["coordinates"][0];
    let measured = |show: &str| {
        let v = server.get(&format!("/api/touch?lon={}&lat={}&show={show}", p[0], p[1])).json();
        v["measured"]
            .as_array()
            .expect("a list")
            .iter()
            .map(|m| m["boat"].as_str().expect("a name").to_owned())
            .collect::<Vec<_>>()
    };
    assert_eq!(measured(show), ["Heron"]);
    assert!(measured("all").contains(&"Plover".to_owned()));
    let by_day = server.get("/api/show?from=2026-05-02&to=2026-05-02").json();
    assert_eq!(measured(by_day["show"].as_str().expect("an id")), ["Plover"]);
    let by_pass = server.get("/api/show?passes=1").json();
    assert_eq!(measured(by_pass["show"].as_str().expect("an id")), ["Heron"]);
    server.get("/api/show?boats=Nobody").refuses(400, &["Nobody"]);
    server.get("/api/show?passes=9").refuses(400, &["pass 9"]);
    let compare = server.get("/api/compare?boat=Heron&than_boat=Plover");
    if compare.status == 200 {
        let v = compare.json();
        assert!(v["totals"]["common_m2"].as_f64().is_some_and(|a| a > 0.0), "{v}");
    } else {
        compare.refuses(404, &["both sides"]);
    }
    server.get("/api/compare?boat=Heron&than_boat=Heron").refuses(400, &["same"]);
}

#[test]
fn news_comes_by_itself() {
    let d = one_boat();
    let server = Server::ready(&d);
    let mut s = server.connect();
    write!(s, "GET /api/events HTTP/1.1\r\nHost: {}\r\n\r\n", server.at).expect("sent");
    let mut lines = BufReader::new(s).lines().map(|l| l.expect("a line"));
    let mut version = || lines.by_ref().find(|l| l.starts_with("data: {\"version\"")).expect("news");
    let first = version();
    d.import(&d.write("b.nmea", crate::home::small_log_on(3, 900, |_| 6.0)), "Plover");
    assert_ne!(version(), first, "an import by another process is told");
}
