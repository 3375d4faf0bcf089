//! Where secrets lie, and where they may not show.

use crate::home::{Device, small_log};
use crate::view::http::Server;
use std::path::{Path, PathBuf};

fn files(dir: &Path, out: &mut Vec<PathBuf>) {
    for e in std::fs::read_dir(dir).expect("a folder") {
        let path = e.expect("an entry").path();
        if path.is_dir() { files(&path, out) } else { out.push(path) }
    }
}

fn holds(all: &[u8], part: &[u8]) -> bool {
    all.windows(part.len()).any(|w| w == part)
}

/// The secrets under `keys/`, as text and as bytes.
fn secrets(d: &Device) -> Vec<Vec<u8>> {
    let mut all = Vec::new();
    let mut paths = Vec::new();
    files(&d.home().join("keys"), &mut paths);
    for path in paths {
        let bytes = std::fs::read(&path).expect("readable");
        for hex in String::from_utf8_lossy(&bytes).split_whitespace().filter(|w| w.len() == 64) {
            let raw = (0..32).map(|i| u8::from_str_radix(&hex[2 * i..2 * i + 2], 16));
            if let Ok(raw) = raw.collect::<Result<Vec<u8>, _>>() {
                all.push(raw);
            }
            all.push(hex.as_bytes().to_vec());
        }
    }
    assert!(all.len() >= 4, "the device's key and the survey's secret, as text and as bytes");
    all
}

#[cfg(unix)]
#[test]
fn only_the_owner_can_read_the_keys() {
    use std::os::unix::fs::PermissionsExt;
    let d = Device::new();
    d.found("Testmere");
    let mode = |p: &Path| std::fs::metadata(p).expect("there").permissions().mode() & 0o777;
    assert_eq!(mode(&d.home().join("keys")), 0o700);
    let mut paths = Vec::new();
    files(&d.home().join("keys"), &mut paths);
    assert!(!paths.is_empty());
    for p in &paths {
        assert_eq!(mode(p), 0o600, "{}", p.display());
    }
    // A copy from another disk, which lets others read: taken from them at the next command.
    let loose = |p: &Path, mode| {
        std::fs::set_permissions(p, std::fs::Permissions::from_mode(mode)).expect("its owner")
    };
    paths.iter().for_each(|p| loose(p, 0o644));
    loose(&d.home().join("keys"), 0o755);
    d.run(&["sync", "--with", "127.0.0.1:1", "--once"]).says(3, &[]);
    assert_eq!(mode(&d.home().join("keys")), 0o700);
    for p in &paths {
        assert_eq!(mode(p), 0o600, "{}", p.display());
    }
}

#[test]
fn secrets_show_in_no_file_page_or_message() {
    let d = Device::new();
    d.found("Testmere");
    d.import(&d.write("a.nmea", small_log(300, |_| 4.0)), "Heron");
    let friend = Device::new();
    friend.join(&d);
    let secrets = secrets(&d);
    let mut said = Vec::new();
    for args in [
        vec!["status", "--json"],
        vec!["crew", "list", "--json"],
        vec!["verify", "--json"],
        vec!["history", "--json"],
        vec!["parcel", "write", "all.parcel"],
        vec!["parcel", "inspect", "all.parcel", "--json"],
        vec!["chart", "-o", "map.html"],
        vec!["chart", "-o", "map.pdf"],
        vec!["export", "soundings", "--as", "csv", "-o", "s.csv"],
        vec!["export", "cells", "--as", "gpkg", "-o", "c.gpkg"],
        vec!["crew", "rotate"],
        // And what goes wrong.
        vec!["parcel", "read", "a.nmea"],
        vec!["crew", "join", "leadline:abc"],
        vec!["sync", "--with", "127.0.0.1:1", "--once"],
    ] {
        let ran = d
            .command(&args)
            .env("RUST_LOG", "trace")
            .env("RUST_BACKTRACE", "full")
            .output()
            .expect("it starts");
        said.push((args.join(" "), [ran.stdout, ran.stderr].concat()));
    }
    let server = Server::ready_and_heard(&d);
    for path in ["/", "/api/chart", "/api/decisions", "/api/meet", "/api/parcel", "/api/pocket"] {
        said.push((path.to_owned(), server.get(path).plain()));
    }
    said.push(("the page's server".to_owned(), server.said().into_bytes()));
    drop(server);
    let mut paths = Vec::new();
    files(d.dir.path(), &mut paths);
    let keys = d.home().join("keys");
    paths.retain(|p| !p.starts_with(&keys));
    assert!(paths.iter().any(|p| p.ends_with("all.parcel")) && paths.len() > 8, "{paths:?}");
    for path in paths {
        said.push((path.display().to_string(), std::fs::read(&path).expect("readable")));
    }
    for (what, bytes) in said {
        for secret in &secrets {
            assert!(!holds(&bytes, secret), "a secret shows in {what}");
        }
    }
}
