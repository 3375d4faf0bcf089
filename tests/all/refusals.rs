//! Wrong input: a clear message, the exit code as designed, nothing lost, nothing half.

use crate::home::{Device, Listener, small_log, small_log_on};

fn device() -> Device {
    let d = Device::new();
    d.found("Testmere");
    d
}

/// Imports bytes that hold no sounding: exit 1, the words, and the store unchanged.
fn refuses(bytes: &[u8], words: &[&str]) {
    let d = device();
    let before = d.digest();
    d.write("in.log", bytes);
    d.run(&["import", "in.log", "--boat", "Heron"]).says(1, words);
    assert_eq!(d.digest(), before);
    d.run(&["verify"]).says(0, &["whole"]);
}

#[test]
fn files_without_soundings_say_what_they_lack() {
    refuses(b"", &["empty"]);
    refuses(&[0x89, b'P', b'N', b'G', 13, 10, 26, 10, 0, 0, 0, 13, 0, 1, 2, 3], &["in.log"]);
    let random: Vec<u8> = (0..5000u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
    refuses(&random, &["in.log"]);
    let log = small_log(60, |_| 3.0);
    let only = |keep: &[&str]| -> String {
        log.lines().filter(|l| keep.iter().any(|k| l.contains(k))).map(|l| format!("{l}\r\n")).collect()
    };
    refuses(only(&["RMC", "GGA"]).as_bytes(), &["depth"]);
    refuses(only(&["DPT"]).as_bytes(), &["position"]);
    refuses(only(&["GGA", "DPT"]).as_bytes(), &["date"]);
    refuses(
        b"lon,lat,depth,time\n48.21,157.41,3.0,2026-05-01T10:00:00Z\n48.21,157.42,3.1,2026-05-01T10:00:01Z\n",
        &["exchanged"],
    );
}

#[test]
fn an_empty_home_says_what_comes_first() {
    let d = Device::new();
    d.write("a.nmea", small_log(60, |_| 3.0));
    d.run(&["import", "a.nmea", "--boat", "Heron"]).says(1, &["survey new"]);
    d.run(&["status"]).says(1, &["survey new"]);
    d.run(&["import", "a.nmea"]).says(2, &["--boat"]);
}

#[test]
fn a_missing_or_locked_file_is_named() {
    let d = device();
    d.run(&["import", "nothing.nmea", "--boat", "Heron"]).says(1, &["nothing.nmea", "check"]);
    d.run(&["stage", "add", "--at", "yesterday", "--level", "1"]).says(1, &["yesterday"]);
    d.run(&["stage", "add", "--at", "2026-05-01T10:00:00", "--level", "1"]).says(1, &["offset"]);
    d.run(&["depth", "--at", "48.2,157.4"]).says(1, &["latitude"]);
    d.run(&["crew", "join", "leadline:abc"]).says(1, &["invite"]);
}

#[test]
fn parcels_cut_or_of_another_survey() {
    let d = device();
    d.import(&d.write("a.nmea", small_log(900, |s| 3.0 + f64::from(s % 90) * 0.02)), "Heron");
    d.run(&["parcel", "write", "all.parcel"]).says(0, &[]);
    let bytes = std::fs::read(d.file("all.parcel")).expect("written");
    let other = device();
    other.write("all.parcel", &bytes);
    let before = other.digest();
    other.run(&["parcel", "read", "all.parcel"]).says(1, &["Testmere", "crew"]);
    assert_eq!(other.digest(), before);
    let friend = Device::new();
    friend.join(&d);
    // Half a parcel gives what is whole in it, and says that it is cut.
    friend.write("half.parcel", &bytes[..bytes.len() / 2]);
    let half = friend.run(&["parcel", "read", "half.parcel"]);
    assert!(half.err.contains("cut") || half.out.contains("cut"), "{}{}", half.out, half.err);
    friend.run(&["verify"]).says(0, &[]);
    friend.write("all.parcel", &bytes);
    friend.run(&["parcel", "read", "all.parcel"]).says(0, &[]);
    friend.run(&["parcel", "read", "all.parcel"]).says(0, &[]);
    assert_eq!(friend.json(&["status"])["soundings"], d.json(&["status"])["soundings"]);
    friend.write("picture.parcel", b"\x89PNG not a parcel");
    friend.run(&["parcel", "inspect", "picture.parcel"]).says(1, &["picture.parcel"]);
}

#[test]
fn a_stranger_learns_nothing() {
    let (heron, stranger) = (device(), device());
    let listener = Listener::start(&heron);
    let ran = stranger.run(&["sync", "--with", &listener.address, "--once"]);
    assert_eq!(ran.code, 3, "{}{}", ran.out, ran.err);
    assert_eq!(stranger.json(&["status"])["entries"], 1);
}

#[test]
fn kill_during_import_leaves_all_or_nothing() {
    let d = device();
    let before = d.digest();
    let log = d.write("big.nmea", small_log(20_000, |s| 3.0 + f64::from(s % 900) * 0.01));
    for wait_ms in [5, 20, 40, 60, 80, 100, 150, 200, 300] {
        let mut child = d
            .command(&["import", log.to_str().expect("UTF-8"), "--boat", "Heron"])
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .expect("starts");
        std::thread::sleep(std::time::Duration::from_millis(wait_ms));
        drop(child.kill());
        let finished = child.wait().expect("ended").success();
        d.run(&["verify"]).says(0, &["whole"]);
        let now = d.json(&["status"]);
        let whole = now["legs"].as_u64() == Some(34);
        assert!(whole || now["digest"] == before, "after {wait_ms} ms: {now}");
        assert!(!finished || whole, "finished but not there: {now}");
    }
    d.import(&log, "Heron");
    assert_eq!(d.json(&["status"])["legs"], 34);
    let litter: Vec<_> = std::fs::read_dir(d.home().join("originals")).expect("there").collect();
    assert!(!litter.is_empty());
}

#[test]
fn kill_during_a_meeting_then_again() {
    let (heron, plover) = (device(), Device::new());
    plover.join(&heron);
    heron.import(&heron.write("big.nmea", small_log(30_000, |s| 3.0 + f64::from(s % 900) * 0.01)), "Heron");
    for wait_ms in [10, 30, 60, 100, 200] {
        let listener = Listener::start(&heron);
        let mut child = plover
            .command(&["sync", "--with", &listener.address, "--once"])
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .expect("starts");
        std::thread::sleep(std::time::Duration::from_millis(wait_ms));
        drop(child.kill());
        drop(child.wait());
        plover.run(&["verify"]).says(0, &["whole"]);
    }
    let listener = Listener::start(&heron);
    plover.json(&["sync", "--with", &listener.address, "--once"]);
    assert_eq!(plover.digest(), heron.digest());
}

#[test]
fn several_processes_write_at_once() {
    let d = device();
    let logs: Vec<_> = (1..=6)
        .map(|day| {
            d.write(&format!("{day}.nmea"), small_log_on(day, 700, |s| 3.0 + f64::from(s % 50) * 0.01))
        })
        .collect();
    let children: Vec<_> = logs
        .iter()
        .map(|l| {
            d.command(&["import", l.to_str().expect("UTF-8"), "--boat", "Heron", "-q"])
                .stdout(std::process::Stdio::null())
                .spawn()
                .expect("starts")
        })
        .collect();
    for mut c in children {
        assert!(c.wait().expect("ended").success());
    }
    assert_eq!(d.json(&["status"])["legs"], 12);
    d.run(&["verify"]).says(0, &["whole"]);
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_and_a_read_only_home() {
    use std::process::Command;
    let root = Command::new("id").arg("-u").output().map(|o| o.stdout == b"0\n").unwrap_or(false);
    let d = device();
    d.write("a.nmea", small_log(50_000, |s| 3.0 + f64::from(s.wrapping_mul(7919) % 900) * 0.01));
    if !root {
        use std::os::unix::fs::PermissionsExt;
        std::fs::set_permissions(d.home().join("surveys"), std::fs::Permissions::from_mode(0o500))
            .expect("chmod");
        d.run(&["stage", "add", "--at", "now", "--level", "1"]).says(4, &[]);
        std::fs::set_permissions(d.home().join("surveys"), std::fs::Permissions::from_mode(0o700))
            .expect("chmod");
        return;
    }
    // Root: a small file system of its own, filled up, then made read-only.
    let mount = d.file("small");
    std::fs::create_dir(&mount).expect("made");
    let run = |args: &[&str]| Command::new(args[0]).args(&args[1..]).status().is_ok_and(|s| s.success());
    let at = mount.to_str().expect("UTF-8");
    assert!(run(&["mount", "-t", "tmpfs", "-o", "size=900k", "tmpfs", at]), "root can mount a tmpfs");
    let home = mount.join("home");
    let in_small = |args: &[&str]| -> crate::home::Ran {
        d.command(args).env("LEADLINE_HOME", &home).output().expect("starts").into()
    };
    in_small(&["survey", "new", "Small"]).says(0, &[]);
    let before = in_small(&["status", "--json"]).json();
    let full = in_small(&["import", "a.nmea", "--boat", "Heron"]);
    let after = in_small(&["status", "--json"]);
    let remounted = run(&["mount", "-o", "remount,ro", at]);
    let read_only = in_small(&["stage", "add", "--at", "now", "--level", "1"]);
    let unmounted = run(&["umount", at]);
    full.says(4, &["space"]);
    assert_eq!(after.json()["digest"], before["digest"]);
    assert!(remounted && unmounted);
    assert_eq!(read_only.code, 4, "{}", read_only.err);
}

/// `leadline … | head -1`: whoever read has gone; that is no failure.
#[test]
fn a_reader_that_leaves_is_no_failure() {
    let d = device();
    d.import(&d.write("a.nmea", small_log(20_000, |s| 3.0 + f64::from(s % 900) * 0.01)), "Heron");
    let rows: String = (0..20_000).map(|_| "10.0,10.0\n").collect();
    d.write("spots.csv", format!("lon,lat\n{rows}"));
    for args in [&["export", "cells", "--as", "csv"][..], &["depth", "--points", "spots.csv"]] {
        let mut child = d
            .command(args)
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .expect("starts");
        drop(child.stdout.take());
        let ran: crate::home::Ran = child.wait_with_output().expect("ended").into();
        assert_eq!((ran.code, ran.err.as_str()), (0, ""), "{args:?}");
    }
}
