//! Joining on the spot: by invite and by a code read aloud.

use super::lab::{LONG, Lab, wait_equal, wait_for};
use crate::home::{Device, small_log, two_boats};

fn founder() -> Device {
    let heron = Device::new();
    heron.found("Testmere");
    heron.import(&heron.write("a.nmea", small_log(900, |s| 4.0 + f64::from(s % 300) * 0.01)), "Heron");
    heron
}

#[test]
fn by_invite_then_sync() {
    let Some((_lab, h)) = Lab::with_hosts(2) else { return };
    let (heron, plover) = (founder(), Device::new());
    plover.join(&heron);
    let a = h[0].start(&heron, &["sync"]);
    h[1].run(&plover, &["sync", "--once"]).says(0, &["Met"]);
    wait_equal(&[&heron, &plover], &[&a]);
}

/// The words that a screen shows.
pub(crate) fn words(said: &str) -> String {
    let at = said.find("Check words: ").unwrap_or_else(|| panic!("no check words:\n{said}"));
    said[at..].split_whitespace().skip(2).take(2).collect::<Vec<_>>().join(" ")
}

#[test]
fn by_a_code_read_aloud() {
    let Some((_lab, h)) = Lab::with_hosts(2) else { return };
    let (heron, plover) = (founder(), Device::new());
    let mut inviting = h[0].start(&heron, &["crew", "invite", "--code"]);
    let line = inviting.says("leadline crew join ", LONG);
    let code = line.split_whitespace().nth(4).expect("a code").to_owned();
    // A slip of the tongue: refused, and the code still stands.
    let wrong = format!("{}{}", &code[..code.len() - 1], if code.ends_with('1') { '2' } else { '1' });
    let slip = h[1].run(&plover, &["crew", "join", &wrong]);
    slip.says(3, &["the code is not the one of that door"]);
    inviting.says("Wrong codes left before this one is void: 2", LONG);
    let joined = h[1].run(&plover, &["crew", "join", &code]);
    joined.says(0, &["Met", "Testmere"]);
    assert_eq!(inviting.code(LONG), 0, "{}", inviting.all());
    assert_eq!(words(&joined.err), words(&inviting.all()));
    assert_eq!(heron.digest(), plover.digest());
    // Used: nobody else comes in with it.
    h[1].run(&Device::new(), &["crew", "join", &code]).says(3, &["no door with the number"]);
}

#[test]
fn by_a_code_at_a_typed_address() {
    let Some((lab, h)) = Lab::with_hosts(2) else { return };
    h.iter().for_each(|h| lab.drop_multicast(h));
    let _deaf = h[1].help("hold_beacon_port", "51847");
    let (heron, plover) = (founder(), Device::new());
    let mut inviting = h[0].start(&heron, &["crew", "invite", "--code", "--listen", "10.77.0.1:4700"]);
    let line = inviting.says("leadline crew join ", LONG);
    let code = line.split_whitespace().nth(4).expect("a code").to_owned();
    h[1].run(&plover, &["crew", "join", &code, "--at", "10.77.0.1:4700"]).says(0, &["Met"]);
    assert_eq!(inviting.code(LONG), 0, "{}", inviting.all());
    assert_eq!(heron.digest(), plover.digest());
}

#[test]
fn two_hosts_meet_by_address() {
    let Some((_lab, h)) = Lab::with_hosts(2) else { return };
    let (heron, plover) = two_boats();
    let _listening = h[0].start(&heron, &["sync", "--listen", "0.0.0.0:4700"]);
    let to = "10.77.0.1:4700";
    wait_for("the listener answers", || h[1].run(&plover, &["sync", "--with", to, "--once"]).code == 0);
    assert_eq!(heron.digest(), plover.digest());
}
