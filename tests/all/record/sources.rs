//! Each kind of source.

use super::live::{Live, device, same_as_file};
use crate::home::small_log;
use std::io::Write;
use std::net::{TcpListener, TcpStream, UdpSocket};
use std::time::Duration;

fn log() -> String {
    small_log(1500, |s| 5.0 + f64::from(s % 100) * 0.01)
}

#[test]
fn datagrams() {
    let d = device();
    let mut live = Live::start(&d, &["udp:127.0.0.1:0"]);
    let to = live.address();
    let socket = UdpSocket::bind("127.0.0.1:0").expect("bound");
    let log = log();
    // As gateways do: one sentence a datagram, or several; the last may lack its end.
    let lines: Vec<&str> = log.lines().collect();
    for (i, few) in lines.chunks(3).enumerate() {
        let text = few.join("\r\n");
        socket.send_to(text.as_bytes(), &to).expect("sent");
        if i % 50 == 0 {
            std::thread::sleep(Duration::from_millis(2));
        }
    }
    let leg = live.event("leg");
    assert_eq!((leg["from"].as_str(), leg["soundings"].as_u64()), (Some("2026-05-01T10:00:00Z"), Some(600)));
    live.soundings(1_490);
    let ended = live.end();
    assert_eq!((ended["soundings"].as_u64(), ended["legs"].as_u64()), (Some(1500), Some(3)), "{ended}");
    same_as_file(&d, log.as_bytes());
    assert_eq!(
        super::live::journals(&d),
        Vec::<std::path::PathBuf>::new(),
        "the raw log is among the originals"
    );
}

#[test]
fn standard_input_and_replay_end_by_themselves() {
    let log = log();
    let d = device();
    let mut live = Live::start(&d, &["-"]);
    live.say(log.as_bytes());
    assert_eq!(live.wait()["legs"], 3);
    same_as_file(&d, log.as_bytes());
    // 1,499 s of log, a thousand times as fast.
    let d = device();
    let path = d.write("log.nmea", &log);
    let begun = std::time::Instant::now();
    let live = Live::start(&d, &[&format!("replay:{}@1000", path.display())]);
    assert_eq!(live.wait()["legs"], 3);
    let took = begun.elapsed();
    assert!(took >= Duration::from_millis(1_499), "{took:?}");
    same_as_file(&d, log.as_bytes());
}

#[test]
fn a_server_that_dies_and_comes_back() {
    let log = log();
    let d = device();
    let server = TcpListener::bind("127.0.0.1:0").expect("bound");
    let address = server.local_addr().expect("bound");
    let mut live = Live::start(&d, &[&format!("tcp:{address}")]);
    // In the middle of a sentence it goes.
    let cut = log.len() / 2 - log.len() / 2 % 3 + 1;
    let (mut client, _) = server.accept().expect("called");
    client.write_all(&log.as_bytes()[..cut]).expect("taken");
    live.bytes(cut as u64 - 100);
    drop((client, server));
    live.event("lost");
    let server = TcpListener::bind(address).expect("bound again");
    let (mut client, _) = server.accept().expect("called again");
    // A server that was away sends whole sentences from then on.
    let rest = cut + log[cut..].find('\n').expect("a line") + 1;
    client.write_all(&log.as_bytes()[rest..]).expect("taken");
    live.bytes(log.len() as u64 - 200);
    let ended = live.end();
    assert_eq!(ended["legs"], 3);
    let torn: u64 = ["bad-checksum", "torn-line"].iter().filter_map(|p| ended["problems"][*p].as_u64()).sum();
    assert_eq!(torn, 1, "{ended}");
    let same = [&log[..cut], "\n", &log[rest..]].concat();
    same_as_file(&d, same.as_bytes());
}

#[test]
fn clients_that_call() {
    let log = log();
    let d = device();
    let mut live = Live::start(&d, &["listen:127.0.0.1:0"]);
    let address = live.address();
    let mut client = TcpStream::connect(&address).expect("taken");
    client.write_all(log.as_bytes()).expect("taken");
    drop(client);
    live.bytes(log.len() as u64);
    // Another one may call after it.
    drop(TcpStream::connect(&address).expect("taken"));
    assert_eq!(live.end()["legs"], 3);
    same_as_file(&d, log.as_bytes());
}

#[test]
fn a_file_that_grows_and_is_begun_anew() {
    let log = log();
    let d = device();
    let path = d.write("growing.nmea", "what stood there before\n");
    let mut live = Live::start(&d, &[&format!("file:{}", path.display())]);
    live.event("up");
    let mut file = std::fs::OpenOptions::new().append(true).open(&path).expect("opened");
    let (a, b) = log.split_at(log.len() / 2);
    file.write_all(a.as_bytes()).expect("written");
    live.bytes(a.len() as u64 - 100);
    file.write_all(b.as_bytes()).expect("written");
    live.bytes(log.len() as u64);
    // Cut to nothing: what comes then is read from the start.
    std::fs::write(&path, "$SDDPT,5.3,0.4,*79\r\n").expect("written");
    live.event("lost");
    live.bytes(log.len() as u64 + 20);
    let ended = live.end();
    assert_eq!((ended["legs"].as_u64(), ended["soundings"].as_u64()), (Some(3), Some(1500 + 1)), "{ended}");
}

/// Two sources: the rule is the order of arrival, whole line by whole line.
#[test]
fn depth_from_one_and_position_from_another() {
    let log = log();
    let d = device();
    let receiver = TcpListener::bind("127.0.0.1:0").expect("bound");
    let sounder = TcpListener::bind("127.0.0.1:0").expect("bound");
    let [a, b] = [&receiver, &sounder].map(|l| format!("tcp:{}", l.local_addr().expect("bound")));
    let mut live = Live::start(&d, &[&a, &b]);
    let (mut fixes, _) = receiver.accept().expect("called");
    let (mut depths, _) = sounder.accept().expect("called");
    for s in [&fixes, &depths] {
        s.set_nodelay(true).expect("set");
    }
    let lines: Vec<&str> = log.split_inclusive('\n').take(3 * 200).collect();
    for three in lines.chunks(3) {
        fixes.write_all(three[..2].concat().as_bytes()).expect("taken");
        std::thread::sleep(Duration::from_millis(8));
        depths.write_all(three[2].as_bytes()).expect("taken");
        std::thread::sleep(Duration::from_millis(8));
    }
    live.bytes(lines.concat().len() as u64);
    let ended = live.end();
    assert_eq!(ended["soundings"], 200, "{ended}");
    // The journal says when and from which source each line came, and gives the same legs again.
    let originals: Vec<_> = std::fs::read_dir(d.home().join("originals")).expect("there").collect();
    assert_eq!(originals.len(), 1);
    let packed = std::fs::read(originals[0].as_ref().expect("listed").path()).expect("read");
    let journal = zstd::decode_all(packed.as_slice()).expect("unpacked");
    let text = String::from_utf8(journal.clone()).expect("text");
    assert!(text.starts_with("# leadline recording 1\n"), "{text}");
    let stamps: Vec<_> = text.lines().filter(|l| l.starts_with("#20")).collect();
    assert!(stamps.iter().any(|l| l.ends_with("Z 1")) && stamps.iter().any(|l| l.ends_with("Z 2")));
    same_as_file(&d, &journal);
}

/// The other end of a pseudo-terminal stands for the instrument.
#[cfg(target_os = "linux")]
#[test]
fn a_serial_port() {
    use std::os::fd::AsRawFd;
    let log = log();
    let d = device();
    let (instrument, port) = serial2::SerialPort::pair().expect("a pair");
    let name = std::fs::read_link(format!("/proc/self/fd/{}", port.as_raw_fd())).expect("a name");
    let mut live = Live::start(&d, &[&format!("serial:{}@38400", name.display())]);
    live.event("up");
    // A terminal takes little at a time; this waits for the reader.
    instrument.write_all(log.as_bytes()).expect("taken");
    live.bytes(log.len() as u64);
    // Unplugged.
    drop((instrument, port));
    live.event("lost");
    assert_eq!(live.end()["legs"], 3);
    same_as_file(&d, log.as_bytes());
}

#[test]
fn what_cannot_be_opened_is_refused() {
    let d = device();
    d.run(&["record", "--from", "replay:none.nmea", "--boat", "Heron"])
        .says(3, &["nothing was recorded", "none.nmea", "leadline check"]);
    d.run(&["record", "--from", "usb:1", "--boat", "Heron"]).says(2, &["is no source", "serial:DEVICE@BAUD"]);
    let held = UdpSocket::bind("127.0.0.1:0").expect("bound");
    let address = format!("udp:{}", held.local_addr().expect("bound"));
    d.run(&["record", "--from", &address, "--boat", "Heron"]).says(3, &["cannot listen there"]);
    let none = crate::home::Device::new();
    none.run(&["record", "--from", "-", "--boat", "Heron"]).says(1, &["leadline survey new"]);
}

#[test]
fn check_says_what_a_source_says() {
    let d = device();
    let mut log = log().lines().take(300).map(|l| format!("{l}\r\n")).collect::<String>();
    log.push_str("$SDDPT,5.3,0.4,*79\r\n");
    let path = d.write("log.nmea", &log);
    let path = path.to_str().expect("UTF-8");
    d.run(&["check", path]).says(
        0,
        &[
            "talkers: GP, SD",
            "SDDPT",
            "a second",
            "depth by DPT",
            "0.40 m under water",
            "all that a map needs",
        ],
    );
    let live = d.json(&["check", &format!("replay:{path}@max"), "--seconds", "30"]);
    let source = &live["sources"][0];
    assert_eq!(source["talkers"], serde_json::json!(["GP", "SD"]));
    assert_eq!((source["depths"].as_u64(), source["fixes"].as_u64()), (Some(101), Some(200)));
    let only: String = log.lines().filter(|l| l.contains("DPT")).map(|l| format!("{l}\r\n")).collect();
    let only = d.write("only.nmea", only);
    d.run(&["check", only.to_str().expect("UTF-8")]).says(0, &["no position", "second source"]);
    d.run(&["check", "tcp:127.0.0.1:1", "--seconds", "1"]).says(3, &["nothing came"]);
    d.run(&["check", "no-such-file"]).says(1, &["is no source", "no file has that name"]);
}

#[test]
fn a_bar_check_says_the_draft() {
    let d = device();
    // By hand: slope (3.66 - 1.62) / 2.00 = 1.02; draft 3.00 - 2.64 / 1.02 = 0.41.
    let args = ["boat", "bar-check", "Heron", "--plate", "2.00=1.62", "--plate", "4.00=3.66"];
    d.run(&args).says(0, &["draft 0.41 m", "2.0 % too deep", "boat set Heron --draft 0.41"]);
    let found = d.json(&[&args[..], &["--sound-speed", "1500"]].concat());
    let speed = found["true_sound_speed_m_s"].as_f64().expect("a speed");
    assert!((speed - 1500.0 / 1.02).abs() < 0.1, "{found}");
    d.run(&["boat", "bar-check", "Heron", "--plate", "2.00=3.60", "--plate", "4.00=1.60"])
        .says(1, &["no speed of sound"]);
}
