//! The map page over a real socket: how long a tile takes at growing sizes, and what the page needs to begin.
//!
//! `cargo bench --bench view` (add `-- 3000000` for the largest size).
#![allow(clippy::print_stdout, reason = "a bench prints its table")]

mod common;

use common::{NOW, peak_rss_mb, request, sizes, text};
use leadline_chart::{Between, Units};
use leadline_model::SurveyId;
use leadline_survey::{Home, ImportRequest, add_stages, found_survey, import_bytes};
use leadline_view::{NoMeetings, Settings, serve};
use serde_json::Value;
use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::sync::{Arc, mpsc};
use std::time::Instant;

/// Places whose tile is asked for at each zoom, each tile once.
const PER_ZOOM: usize = 120;

fn main() {
    let dir = tempfile::tempdir().expect("a folder");
    first_map(&dir.path().join("demo"));
    println!(
        "\n| soundings | ready after s | tiles asked | p50 ms | p99 ms | worst ms | kept p99 ms | peak RSS MB |\n|---|---|---|---|---|---|---|---|"
    );
    for n in sizes() {
        let home_dir = dir.path().join(format!("home-{n}"));
        let home = Home::open(Some(&home_dir)).expect("a home");
        let id = found_survey(&home, &text("Bench"), &text("datum"), NOW).expect("founded");
        let log = leadline_demo_data::synthetic_bytes(7, n as usize);
        let mut store = home.store(&id).expect("a store");
        import_bytes(&home, &mut store, "log", &log, &request()).expect("imported");
        drop((log, store));
        tiles(n, &home_dir, id);
    }
}

/// What a page asks for first, on the demo's water.
fn first_map(dir: &Path) {
    let home = Home::open(Some(dir)).expect("a home");
    let id =
        found_survey(&home, &text(leadline_demo_data::WATER_NAME), &text("datum"), NOW).expect("founded");
    let mut store = home.store(&id).expect("a store");
    for log in leadline_demo_data::logs(leadline_demo_data::SEED) {
        let request = ImportRequest { boat: text(log.boat), temp_centi: Some(log.temp_centi), ..request() };
        import_bytes(&home, &mut store, log.file_name, &log.bytes, &request).expect("imported");
    }
    add_stages(&mut store, leadline_demo_data::stage_readings(), NOW).expect("stated");
    drop(store);
    let begun = Instant::now();
    let at = serving(dir.to_owned(), id);
    let mut client = Client::new(at);
    let page = String::from_utf8(client.get("/").plain()).expect("UTF-8");
    for link in links(&page) {
        assert_eq!(client.get(&format!("/{link}")).status, 200, "{link}");
    }
    let assets = client.bytes;
    let chart = client.ready();
    let (zoom, all) = view(&chart);
    for (x, y) in &all {
        let v = chart["version"].as_str().expect("a version");
        client.get(&format!("/api/depth/all/{zoom}/{x}/{y}?v={v}"));
        client.get(&format!("/api/soundings/all/{zoom}/{x}/{y}?v={v}"));
    }
    let bytes = client.bytes;
    println!("| first map of the demo | |\n|---|---|");
    println!("| from the start of the program to all of it, s | {:.2} |", begun.elapsed().as_secs_f64());
    println!("| bytes sent | {bytes} |\n| of these the page's own files | {assets} |");
    println!("| tiles of the view (zoom {zoom}) | {} |", all.len());
}

/// Addresses of the page's own files.
fn links(page: &str) -> Vec<&str> {
    let of = |attribute: &'static str| page.split(attribute).skip(1).filter_map(|s| s.split('"').next());
    of(" src=\"").chain(of(" href=\"")).filter(|l| l.contains('.') && !l.contains(':')).collect()
}

/// The tiles that show all of a chart in 1280 x 800 pixels.
fn view(chart: &Value) -> (u8, Vec<(u32, u32)>) {
    let b: Vec<f64> = chart["bounds"].as_array().expect("bounds").iter().filter_map(Value::as_f64).collect();
    let fits = |z: &u8| {
        let (a, c) = (place(b[0], b[3], *z), place(b[2], b[1], *z));
        (c.0 - a.0) * 256.0 <= 1280.0 && (c.1 - a.1) * 256.0 <= 800.0
    };
    let zoom = (0..=18).rev().find(fits).expect("some zoom");
    let mid = place((b[0] + b[2]) / 2.0, (b[1] + b[3]) / 2.0, zoom);
    let range = |m: f64, px: f64| (m - px / 512.0).floor() as u32..=(m + px / 512.0).floor() as u32;
    (zoom, range(mid.0, 1280.0).flat_map(|x| range(mid.1, 800.0).map(move |y| (x, y))).collect())
}

/// Column and row of a place, with fractions (OGC 17-083r4 annex D).
fn place(lon: f64, lat: f64, zoom: u8) -> (f64, f64) {
    let n = f64::from(1u32 << zoom);
    let phi = lat.to_radians();
    ((lon + 180.0) / 360.0 * n, (1.0 - phi.tan().asinh() / std::f64::consts::PI) / 2.0 * n)
}

fn tiles(n: u64, home: &Path, id: SurveyId) {
    let begun = Instant::now();
    let mut client = Client::new(serving(home.to_owned(), id));
    let chart = client.ready();
    let ready = begun.elapsed().as_secs_f64();
    let v = chart["version"].as_str().expect("a version").to_owned();
    let b: Vec<f64> = chart["bounds"].as_array().expect("bounds").iter().filter_map(Value::as_f64).collect();
    let mut dice = Dice(n);
    let (mut cold, mut kept, mut asked) = (Vec::new(), Vec::new(), BTreeSet::new());
    for zoom in 8..=20u8 {
        // Places of the survey's box; those without water are answered by 204 and do not count.
        for _ in 0..PER_ZOOM {
            let (lon, lat) = (b[0] + (b[2] - b[0]) * dice.share(), b[1] + (b[3] - b[1]) * dice.share());
            let (x, y) = place(lon, lat, zoom);
            let path = format!("/api/depth/all/{zoom}/{}/{}?v={v}", x as u32, y as u32);
            if !asked.insert(path.clone()) {
                continue;
            }
            let first = client.timed(&path);
            if first.0 == 200 {
                cold.push(first.1);
                kept.push(client.timed(&path).1);
            }
        }
    }
    cold.sort_by(f64::total_cmp);
    kept.sort_by(f64::total_cmp);
    let at = |list: &[f64], share: f64| list[((list.len() - 1) as f64 * share).round() as usize] * 1000.0;
    println!(
        "| {n} | {ready:.1} | {} | {:.1} | {:.1} | {:.1} | {:.1} | {:.0} |",
        cold.len(),
        at(&cold, 0.5),
        at(&cold, 0.99),
        at(&cold, 1.0),
        at(&kept, 0.99),
        peak_rss_mb()
    );
}

/// The page in this process, on a port of its own.
fn serving(home: PathBuf, survey: SurveyId) -> SocketAddr {
    let (tell, told) = mpsc::channel();
    std::thread::spawn(move || {
        let settings = Settings {
            home,
            survey,
            units: Units::Metres,
            between: Between::default(),
            port: 0,
            lan: None,
            meetings: Arc::new(NoMeetings("a bench".to_owned())),
        };
        serve(settings, |s| tell.send(s.at).expect("heard"), std::future::pending()).expect("served");
    });
    told.recv().expect("it listens")
}

/// One connection that stays open, as a browser's does.
struct Client {
    stream: BufReader<TcpStream>,
    at: SocketAddr,
    bytes: usize,
}

struct Reply {
    status: u16,
    packed: bool,
    body: Vec<u8>,
}

impl Reply {
    fn plain(&self) -> Vec<u8> {
        if !self.packed {
            return self.body.clone();
        }
        let mut out = Vec::new();
        flate2::read::GzDecoder::new(&self.body[..]).read_to_end(&mut out).expect("gzip");
        out
    }
}

impl Client {
    fn new(at: SocketAddr) -> Self {
        let stream = TcpStream::connect(at).expect("it listens");
        stream.set_nodelay(true).expect("set");
        Self { stream: BufReader::new(stream), at, bytes: 0 }
    }

    fn get(&mut self, path: &str) -> Reply {
        let ask = format!("GET {path} HTTP/1.1\r\nHost: {}\r\nAccept-Encoding: gzip\r\n\r\n", self.at);
        self.stream.get_mut().write_all(ask.as_bytes()).expect("sent");
        let (mut status, mut length, mut packed) = (0, 0, false);
        loop {
            let mut line = String::new();
            self.bytes += self.stream.read_line(&mut line).expect("a line");
            let line = line.trim_end().to_ascii_lowercase();
            if line.is_empty() {
                break;
            }
            if let Some(rest) = line.strip_prefix("http/1.1 ") {
                status = rest[..3].parse().expect("a status");
            } else if let Some(n) = line.strip_prefix("content-length: ") {
                length = n.parse().expect("a length");
            }
            packed |= line == "content-encoding: gzip";
        }
        let mut body = vec![0; length];
        self.stream.read_exact(&mut body).expect("the body");
        self.bytes += length;
        Reply { status, packed, body }
    }

    fn timed(&mut self, path: &str) -> (u16, f64) {
        let t = Instant::now();
        let status = self.get(path).status;
        (status, t.elapsed().as_secs_f64())
    }

    /// The chart, once it is computed.
    fn ready(&mut self) -> Value {
        loop {
            let chart: Value = serde_json::from_slice(&self.get("/api/chart").plain()).expect("JSON");
            if chart["version"].is_string() {
                return chart;
            }
            std::thread::sleep(std::time::Duration::from_millis(10));
        }
    }
}

/// Numbers that are the same in every run (xorshift64*).
struct Dice(u64);

impl Dice {
    fn share(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 11) as f64 / (1u64 << 53) as f64
    }
}
