//! A stranger on the same Wi-Fi: sees beacons, connects, and learns nothing.

use super::lab::{LONG, Lab, wait_equal};
use crate::home::{Device, small_log, two_boats};

#[test]
fn sees_beacons_and_connects_and_gets_no_survey_byte() {
    let Some((lab, h)) = Lab::with_hosts(3) else { return };
    let (heron, plover) = two_boats();
    let status = heron.json(&["status"]);
    let (id, device) =
        (status["survey"]["id"].as_str().expect("an id"), status["device"].as_str().expect("an id"));
    let stranger = Device::new();
    stranger.found("Elsewhere");
    stranger.import(&stranger.write("c.nmea", small_log(60, |_| 2.0)), "Coot");
    let before = stranger.json(&["status"]);
    let file = heron.file("frames");
    let mut capture = lab.watch("capture", file.to_str().expect("UTF-8"));

    let lurking = h[2].start(&stranger, &["sync"]);
    let a = h[0].start(&heron, &["sync", "--listen", "0.0.0.0:4700"]);
    a.says("Others can reach this device", LONG);
    // The crew meets; the stranger knocks at the same door.
    h[1].run(&plover, &["sync", "--with", "10.77.0.1:4700", "--once"]).says(0, &["Met"]);
    let knock = h[2].run(&stranger, &["sync", "--with", "10.77.0.1:4700", "--once"]);
    knock.says(3, &["not in this survey's crew"]);
    drop(a);
    // And with beacons: the crew finds itself, the stranger finds nobody.
    let (a, b) = (h[0].start(&heron, &["sync"]), h[1].start(&plover, &["sync"]));
    a.says("Met", LONG);
    let near = h[2].run(&stranger, &["sync", "--near", "--json"]).json();
    assert_eq!(near["near"].as_array().map(Vec::len), Some(0), "{near}");
    wait_equal(&[&heron, &plover], &[&a, &b]);
    assert!(!lurking.all().contains("Near:") && !lurking.all().contains("Met "), "{}", lurking.all());
    assert_eq!(stranger.json(&["status"])["entries"], before["entries"]);
    capture.kill();

    let frames = std::fs::read(&file).expect("captured");
    assert!(frames.len() > 10_000 && holds(&frames, b"LdLn"), "the capture saw the beacons and the meeting");
    let secret_files: Vec<_> = std::fs::read_dir(heron.home().join("keys"))
        .expect("a folder")
        .filter_map(|e| std::fs::read_to_string(e.ok()?.path()).ok())
        .collect();
    assert!(secret_files.len() >= 2);
    let keys = secret_files.iter().map(|s| s.trim().to_owned());
    for hex in [id.to_owned(), device.to_owned()].into_iter().chain(keys) {
        assert!(!holds(&frames, hex.as_bytes()), "as text");
        let bytes: Vec<u8> = (0..hex.len() / 2)
            .map(|i| u8::from_str_radix(&hex[2 * i..2 * i + 2], 16).expect("hex"))
            .collect();
        assert!(!holds(&frames, &bytes), "as bytes");
    }
    for word in ["Testmere", "Heron", "Plover"] {
        assert!(!holds(&frames, word.as_bytes()), "{word}");
    }
}

fn holds(all: &[u8], part: &[u8]) -> bool {
    all.windows(part.len()).any(|w| w == part)
}
