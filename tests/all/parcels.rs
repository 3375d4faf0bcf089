//! Parcels by the real program: since, area and dates, parts, locks, gifts.

use crate::home::{Device, meet, small_log, small_log_on, two_boats};
use leadline_logbook::{Limits, strip_digest, unpack_strip};
use leadline_model::Sounding;
use leadline_sync::{ParcelEvent, ParcelReader};
use serde_json::Value;
use std::path::{Path, PathBuf};

fn text(path: &Path) -> String {
    path.to_str().expect("UTF-8").to_owned()
}

/// A boat with two days of soundings on four tiles.
fn boat() -> Device {
    let d = Device::new();
    d.found("Testmere");
    d.import(&d.write("a.nmea", small_log(1500, |s| 4.0 + f64::from(s % 300) * 0.01)), "Heron");
    d.import(&d.write("b.nmea", small_log_on(3, 1500, |s| 4.5 + f64::from(s % 290) * 0.01)), "Heron");
    d
}

/// Far more than a small part holds: 80,000 depths without any order, which do not pack well.
fn heap(d: &Device) {
    let rough = |day: u32, s: u32| {
        let mut x = s.wrapping_add(day.wrapping_mul(100_003)).wrapping_mul(2_654_435_761);
        x ^= x >> 15;
        x = x.wrapping_mul(2_246_822_519);
        x ^= x >> 13;
        2.0 + f64::from(x % 4_000) * 0.01
    };
    for day in 10..14 {
        let log = small_log_on(day, 20_000, |s| rough(day, s));
        d.import(&d.write(&format!("{day}.nmea"), log), "Heron");
    }
}

pub(crate) fn holds(bytes: &[u8], what: &[u8]) -> bool {
    bytes.windows(what.len()).any(|w| w == what)
}

/// All bytes of the entries in a parcel, unpacked, one after the other, and the soundings of its strips.
pub(crate) fn unpacked(parcel: &[u8]) -> (Vec<u8>, Vec<Sounding>) {
    let limits = Limits::default();
    let mut reader = ParcelReader::new(None, limits);
    let (mut entries, mut soundings) = (Vec::new(), Vec::new());
    for event in reader.push(parcel).expect("a parcel") {
        match event {
            ParcelEvent::Entries(all) => entries.extend(all.concat()),
            ParcelEvent::Strips(all) => {
                for packed in all {
                    let digest = strip_digest(&packed, &limits).expect("a strip");
                    soundings.extend(unpack_strip(&packed, &digest, &limits).expect("a strip").1);
                }
            }
            _ => {}
        }
    }
    assert!(reader.finish().expect("a parcel").is_whole());
    (entries, soundings)
}

fn write(d: &Device, name: &str, more: &[&str]) -> Value {
    d.json(&[&["parcel", "write", name][..], more].concat())
}

/// Copies files of one device to another, and reads them there in that order.
fn carry(from: &Device, to: &Device, names: &[PathBuf]) -> Value {
    let copies: Vec<String> = names
        .iter()
        .map(|n| {
            let name = n.file_name().expect("a name");
            let bytes = std::fs::read(from.file(name.to_str().expect("UTF-8"))).expect("written");
            text(&to.write(name.to_str().expect("UTF-8"), bytes))
        })
        .collect();
    let args: Vec<&str> = ["parcel", "read"].into_iter().chain(copies.iter().map(String::as_str)).collect();
    to.json(&args)
}

#[test]
fn since_an_earlier_parcel_only_the_rest_travels_in_any_order() {
    let heron = boat();
    write(&heron, "first.parcel", &[]);
    let again = write(&heron, "none.parcel", &["--since", "first.parcel"]);
    assert_eq!(again["holds"]["strips"], 0, "{again}");
    heron.run(&["stage", "add", "--at", "2026-05-04T09:30Z", "--level", "0.20"]).says(0, &[]);
    heron.import(&heron.write("c.nmea", small_log_on(5, 700, |s| 4.2 + f64::from(s % 280) * 0.01)), "Heron");
    let rest = write(&heron, "rest.parcel", &["--since", "first.parcel"]);
    let all = write(&heron, "all.parcel", &[]);
    let n = |v: &Value, what: &str| v["holds"][what].as_u64().expect("a number");
    assert_eq!(n(&rest, "soundings"), 700, "{rest}");
    assert!(n(&rest, "strips") < n(&all, "strips") && rest["bytes"].as_u64() < all["bytes"].as_u64());
    heron.run(&["parcel", "inspect", "rest.parcel"]).says(0, &["presupposes", "entries that its maker knew"]);
    // A parcel since that parcel knows of both.
    let none = write(&heron, "none.parcel", &["--since", "rest.parcel"]);
    assert_eq!(none["holds"]["strips"], 0, "{none}");
    // The later one first: it says what it builds on, keeps what came, and the first one completes it.
    let friend = Device::new();
    friend.join(&heron);
    write(&heron, "rest.parcel", &["--since", "first.parcel"]);
    let came = carry(&heron, &friend, &["rest.parcel".into()]);
    assert!(came["lacking_logs"].as_u64() > Some(0) && came["waiting"] == 0, "{came}");
    assert_eq!(friend.json(&["status"])["soundings"], 700);
    let came = carry(&heron, &friend, &["first.parcel".into(), "rest.parcel".into()]);
    assert_eq!(came["files"][1]["lacking_logs"], 0, "{came}");
    assert_eq!(friend.digest(), heron.digest());
    heron
        .run(&["parcel", "write", "x.parcel", "--since", "nobody"])
        .says(1, &["--since nobody", "crew list"]);
}

#[test]
fn since_a_device_only_what_it_lacked_when_last_met_travels() {
    let (heron, plover) = two_boats();
    let device = plover.json(&["status"])["device"].as_str().expect("an id").to_owned();
    let args = ["--since", &device[..8]];
    heron.run(&[&["parcel", "write", "x.parcel"][..], &args].concat()).says(1, &[]);
    // Heron dials, so that it has noted the meeting when the command ends.
    meet(&plover, &heron);
    let none = write(&heron, "none.parcel", &args);
    assert_eq!(none["holds"]["strips"], 0, "{none}");
    heron.import(&heron.write("c.nmea", small_log_on(5, 700, |s| 4.2 + f64::from(s % 280) * 0.01)), "Heron");
    let rest = write(&heron, "rest.parcel", &args);
    assert_eq!(rest["holds"]["soundings"], 700, "{rest}");
    let came = carry(&heron, &plover, &["rest.parcel".into()]);
    assert_eq!(came["lacking_logs"], 0, "{came}");
    assert_eq!(plover.digest(), heron.digest());
}

#[test]
fn an_area_and_dates_choose_strips_by_tile_and_time() {
    let heron = boat();
    let all = write(&heron, "all.parcel", &[]);
    let tiles: Vec<&str> =
        all["holds"]["tiles"].as_array().expect("tiles").iter().filter_map(Value::as_str).collect();
    assert!(tiles.len() >= 3, "{tiles:?}");
    let one = write(&heron, "one.parcel", &["--area", tiles[1]]);
    assert_eq!(one["holds"]["tiles"], serde_json::json!([tiles[1]]), "{one}");
    let day = write(&heron, "day.parcel", &["--from", "2026-05-03", "--to", "2026-05-04"]);
    assert_eq!(day["holds"]["soundings"], 1500);
    assert!(day["holds"]["from"].as_str() >= Some("2026-05-03"), "{day}");
    let none = write(&heron, "none.parcel", &["--from", "2026-05-10"]);
    assert_eq!((&none["holds"]["strips"], &none["holds"]["soundings"]), (&0.into(), &0.into()));
    // Both together, read by a device that knows nobody yet.
    let both = write(&heron, "both.parcel", &["--area", tiles[1], "--to", "2026-05-02"]);
    let n = both["holds"]["soundings"].as_u64().expect("a number");
    assert!(n > 0 && n < 750, "{both}");
    let friend = Device::new();
    friend.join(&heron);
    carry(&heron, &friend, &["both.parcel".into()]);
    let status = friend.json(&["status"]);
    assert_eq!(status["soundings"].as_u64(), Some(n));
    assert_eq!(status["tiles"].as_u64().map(|t| t >= 1), Some(true));
    for (args, words) in [
        (["--from", "2026-05-04", "--to", "2026-05-03"], "does not lie before"),
        (["--area", "nowhere.geojson", "--to", "2026-05-03"], "nowhere.geojson"),
        (["--from", "yesterday", "--to", "2026-05-03"], "--from"),
    ] {
        heron.run(&[&["parcel", "write", "x.parcel"][..], &args].concat()).says(1, &[words]);
        assert!(!heron.file("x.parcel").exists());
    }
}

#[test]
fn parts_keep_to_their_size_and_stand_alone() {
    let heron = boat();
    heap(&heron);
    let friend = Device::new();
    friend.join(&heron);
    let split = write(&heron, "lake.parcel", &["--split", "70kB"]);
    let files = split["files"].as_array().expect("files");
    assert!(files.len() >= 3, "{split}");
    let mut names = Vec::new();
    for (i, f) in files.iter().enumerate() {
        let path = PathBuf::from(f["path"].as_str().expect("a path"));
        assert_eq!(path, PathBuf::from(format!("lake-{}of{}.parcel", i + 1, files.len())));
        assert!(std::fs::metadata(heron.file(path.to_str().expect("UTF-8"))).expect("there").len() <= 70_000);
        heron
            .run(&["parcel", "inspect", path.to_str().expect("UTF-8")])
            .says(0, &[&format!("part {} of {}", i + 1, files.len()), "whole: every byte"]);
        names.push(path);
    }
    // The last part alone gives what it holds.
    let last = names.len() - 1;
    carry(&heron, &friend, &names[last..]);
    let alone = friend.json(&["status"])["soundings"].clone();
    assert_eq!(alone, files[last]["holds"]["soundings"]);
    // All of them backwards, one twice.
    names.reverse();
    names.push(names[0].clone());
    carry(&heron, &friend, &names);
    assert_eq!(friend.digest(), heron.digest());
    let soundings: u64 = files.iter().filter_map(|f| f["holds"]["soundings"].as_u64()).sum();
    assert_eq!(soundings, 83_000, "no strip is in two parts");
    heron.run(&["parcel", "write", "x.parcel", "--split", "1kB"]).says(1, &["--split 1kB"]);
}

#[test]
fn a_passphrase_locks_and_a_cut_gives_what_is_whole() {
    let heron = boat();
    let words = text(&heron.write("words.txt", "three grey geese\n"));
    write(&heron, "lake.parcel", &["--lock", "passphrase", "--passphrase-file", &words]);
    let bytes = std::fs::read(heron.file("lake.parcel")).expect("written");
    // age-encryption.org/v1: the first line of the format, and one scrypt stanza.
    assert!(bytes.starts_with(b"age-encryption.org/v1\n-> scrypt "));
    assert!(!holds(&bytes, b"Testmere") && !holds(&bytes, b"LEADLINE"));
    heron.run(&["parcel", "inspect", "lake.parcel"]).says(0, &["locked", "--passphrase-file"]);
    let friend = Device::new();
    friend.join(&heron);
    friend.write("lake.parcel", &bytes);
    friend.run(&["parcel", "read", "lake.parcel"]).says(1, &["locked with a passphrase"]);
    friend.write("wrong.txt", "three gray geese\n");
    friend
        .run(&["parcel", "read", "lake.parcel", "--passphrase-file", "wrong.txt"])
        .says(1, &["lake.parcel", "the passphrase does not open it"]);
    friend.write("words.txt", "three grey geese\n");
    // All but the last sealed chunk, and a byte altered half-way.
    let big = {
        heap(&heron);
        write(&heron, "big.parcel", &["--lock", "passphrase", "--passphrase-file", &words]);
        std::fs::read(heron.file("big.parcel")).expect("written")
    };
    assert!(big.len() > 140_000, "more than two sealed chunks of 64 KiB");
    friend.write("cut.parcel", &big[..big.len() - 10_000]);
    let cut = friend.run(&["parcel", "read", "cut.parcel", "--passphrase-file", "words.txt"]);
    cut.says(1, &["cut or damaged", "new entries"]);
    let some = friend.json(&["status"])["strips"].as_u64().expect("a number");
    let mut altered = big.clone();
    altered[100_000] ^= 1;
    friend.write("altered.parcel", &altered);
    friend
        .run(&["parcel", "read", "altered.parcel", "--passphrase-file", "words.txt"])
        .says(1, &["cut or damaged"]);
    friend.write("big.parcel", &big);
    friend.run(&["parcel", "read", "big.parcel", "--passphrase-file", "words.txt"]).says(0, &[]);
    assert_eq!(friend.digest(), heron.digest());
    let all = friend.json(&["status"])["strips"].as_u64().expect("a number");
    assert!(0 < some && some < all, "{some} of {all}");
}

#[test]
fn the_crews_lock_opens_for_the_crew_alone() {
    let (heron, plover) = two_boats();
    write(&heron, "lake.parcel", &["--lock", "crew"]);
    let bytes = std::fs::read(heron.file("lake.parcel")).expect("written");
    assert!(bytes.starts_with(b"age-encryption.org/v1\n-> X25519 ") && !holds(&bytes, b"Testmere"));
    let stranger = Device::new();
    stranger.found("Elsewhere");
    stranger.write("lake.parcel", &bytes);
    stranger.run(&["parcel", "inspect", "lake.parcel"]).says(0, &["locked", "does not belong"]);
    stranger.run(&["parcel", "read", "lake.parcel"]).says(1, &["locked for a crew"]);
    plover.write("lake.parcel", &bytes);
    plover.run(&["parcel", "inspect", "lake.parcel"]).says(0, &["Testmere", "encrypted", "whole"]);
    plover.run(&["parcel", "read", "lake.parcel"]).says(0, &["new strips"]);
    heron.run(&["parcel", "write", "x.parcel", "--gift", "--lock", "crew"]).says(1, &["--lock passphrase"]);
}

#[test]
fn a_hostile_age_header_is_refused_before_it_is_obeyed() {
    let d = boat();
    // scrypt with a work factor of 2^40, as a file may claim (base64 of 16 and 32 zero bytes).
    let stanza = format!("-> scrypt {} 40\n{}\n--- {}\n", "A".repeat(22), "A".repeat(43), "A".repeat(43));
    d.write("heavy.parcel", format!("age-encryption.org/v1\n{stanza}{}", "x".repeat(100)));
    d.write("words.txt", "a\n");
    d.run(&["parcel", "read", "heavy.parcel", "--passphrase-file", "words.txt"])
        .says(1, &["work factor of 2^40"]);
    d.write("endless.parcel", format!("age-encryption.org/v1\n{}", "-> x y\n".repeat(400_000)));
    d.run(&["parcel", "inspect", "endless.parcel"]).says(1, &["endless.parcel", "damaged or cut"]);
}

#[test]
fn a_gift_is_read_as_a_guest_and_its_giver_is_heeded() {
    let heron = boat();
    let invite = heron.json(&["crew", "invite"])["invite"].as_str().expect("an invite").to_owned();
    write(&heron, "crew.parcel", &[]);
    write(&heron, "gift.parcel", &["--gift"]);
    write(&heron, "quiet.parcel", &["--gift", "--pass-on", "no"]);
    let gift = std::fs::read(heron.file("gift.parcel")).expect("written");
    let (entries, soundings) = unpacked(&gift);
    assert_eq!(soundings.len(), 3000);
    // Neither the survey's secret nor the invite's one-time key is in it, in no spelling.
    let secrets: Vec<PathBuf> = std::fs::read_dir(heron.home().join("keys"))
        .expect("keys")
        .filter_map(|e| Some(e.ok()?.path()))
        .filter(|p| p.extension().is_none_or(|x| x != "tmp"))
        .collect();
    assert!(secrets.len() >= 2, "{secrets:?}");
    for path in secrets {
        let hex = std::fs::read_to_string(&path).expect("text");
        let hex = hex.trim();
        let raw: Vec<u8> =
            (0..hex.len()).step_by(2).map(|i| u8::from_str_radix(&hex[i..i + 2], 16).expect("hex")).collect();
        for bytes in [&gift, &entries] {
            assert!(!holds(bytes, &raw) && !holds(bytes, hex.as_bytes()), "{}", path.display());
        }
    }
    assert!(!holds(&gift, &invite.as_bytes()[invite.len() - 40..]));

    let wren = Device::new();
    wren.found("Elsewhere");
    for name in ["crew.parcel", "gift.parcel", "quiet.parcel"] {
        wren.write(name, std::fs::read(heron.file(name)).expect("written"));
    }
    wren.run(&["parcel", "read", "crew.parcel"]).says(1, &["Testmere", "meant for its crew", "--gift"]);
    assert_eq!(wren.json(&["survey", "list"])["surveys"].as_array().map(Vec::len), Some(1));
    wren.run(&["parcel", "read", "gift.parcel"]).says(0, &["as a gift"]);
    wren.run(&["survey", "list"]).says(0, &["Testmere", "read only"]);
    // The map is there, and who measured it.
    let of = ["--survey", "Testmere"];
    let cells = |d: &Device, of: &[&str]| {
        let ran = d.run(&[&["export", "cells", "--as", "csv"][..], of].concat());
        ran.says(0, &[]);
        ran.out
    };
    assert_eq!(cells(&wren, &of), cells(&heron, &[]));
    wren.run(&[&["passes"][..], &of].concat()).says(0, &["Heron"]);
    // Writing is refused, whatever it is.
    let log = text(&wren.write("own.nmea", small_log(60, |_| 3.0)));
    for args in [
        vec!["import", &log, "--boat", "Wren"],
        vec!["stage", "add", "--at", "now", "--level", "1"],
        vec!["boat", "set", "Heron", "--draft", "1"],
    ] {
        wren.run(&[&args[..], &of].concat()).says(1, &["came as a gift", "writes nothing"]);
    }
    wren.run(&[&["sync", "--once"][..], &of].concat()).says(1, &["came as a gift"]);
    wren.run(&[&["crew", "invite"][..], &of].concat()).says(1, &[]);
    // A gift may travel on, until its giver asks otherwise.
    let on = text(&wren.file("on.parcel"));
    wren.run(&[&["parcel", "write", &on, "--gift"][..], &of].concat()).says(0, &[]);
    let tern = Device::new();
    tern.write("on.parcel", std::fs::read(&on).expect("written"));
    tern.run(&["parcel", "read", "on.parcel"]).says(0, &["as a gift"]);
    assert_eq!(cells(&tern, &[]), cells(&heron, &[]));
    wren.run(&["parcel", "inspect", "quiet.parcel"]).says(0, &["A gift", "not to be passed on"]);
    wren.run(&["parcel", "read", "quiet.parcel"]).says(0, &["not to pass it on"]);
    wren.run(&[&["parcel", "write", &on][..], &of].concat())
        .says(1, &["not to pass it on", "ask who gave it"]);
    // Who joins the crew later is no guest any more.
    let invite = heron.json(&["crew", "invite"])["invite"].as_str().expect("an invite").to_owned();
    wren.run(&["crew", "join", &invite]).says(0, &[]);
    wren.run(&["survey", "list"]).says(0, &["Testmere"]);
    wren.run(&[&["import", &log, "--boat", "Wren"][..], &of].concat()).says(0, &[]);
}

#[test]
fn a_gift_with_nothing_genuine_leaves_no_survey_behind() {
    let heron = boat();
    write(&heron, "gift.parcel", &["--gift"]);
    let mut bytes = std::fs::read(heron.file("gift.parcel")).expect("written");
    let end = bytes.len().min(2_000);
    // Behind header and terms everything is noise.
    bytes[600..end].iter_mut().for_each(|b| *b ^= 0x5a);
    let wren = Device::new();
    wren.write("bad.parcel", &bytes[..end]);
    wren.run(&["parcel", "read", "bad.parcel"]).says(1, &[]);
    assert_eq!(wren.json(&["survey", "list"])["surveys"], serde_json::json!([]));
}
