//! Damage: bytes of a store changed by a failing disk, files cut or lost, folders copied by half. What is wrong is
//! found and named, `verify --repair` saves what is whole, and the crew brings back the rest.

use super::check::Holdings;
use super::homes::copy;
use super::layer::scratch;
use super::on_all_cores;
use crate::home::{Device, meet, small_log_on, two_boats};
use crate::sim::Dice;
use leadline_survey::Home;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

/// How many random damages are tried.
const TRIES: u64 = 200;

/// The store of a device with one survey.
fn store_of(device: &Path) -> PathBuf {
    let dir = std::fs::read_dir(device.join("home/surveys")).expect("a folder");
    let stores = dir.map(|e| e.expect("readable").path());
    let is_store =
        |p: &PathBuf| p.to_string_lossy().ends_with(".sqlite") && !p.to_string_lossy().contains("damaged");
    stores.into_iter().find(is_store).expect("a store")
}

/// Two boats of one crew that hold the same, and a parcel of everything.
fn crew() -> (Device, Device) {
    let (heron, plover) = two_boats();
    meet(&heron, &plover);
    let shore = (0..40).map(|n| format!("[7.4{n:02},48.2{n:02}]")).collect::<Vec<_>>().join(",");
    heron.write(
        "lake.geojson",
        format!("{{\"type\":\"Polygon\",\"coordinates\":[[{shore},[7.400,48.200]]]}}"),
    );
    heron.run(&["survey", "shore", "lake.geojson"]).says(0, &[]);
    heron.run(&["mark", "add", "hazard", "7.4131,48.2101", "--name", "wreck"]).says(0, &[]);
    for n in 0..40 {
        let at = format!("2026-05-01T{:02}:{:02}Z", n / 4, n % 4 * 15);
        heron.run(&["stage", "add", "--at", &at, "--level", "0.2"]).says(0, &[]);
    }
    meet(&heron, &plover);
    plover.run(&["parcel", "write", "all.parcel"]).says(0, &[]);
    (heron, plover)
}

/// Changes a file as failing disks do: single bits, bytes, a sector of zeros or noise, a lost end.
fn spoil(path: &Path, dice: &mut Dice) -> String {
    let mut bytes = std::fs::read(path).expect("a store");
    let what = match dice.below(6) {
        0 => {
            let at = dice.below(bytes.len());
            bytes[at] ^= 1 << dice.below(8);
            format!("one bit at {at}")
        }
        1 => {
            let n = 1 + dice.below(20);
            for _ in 0..n {
                let at = dice.below(bytes.len());
                bytes[at] = dice.below(256) as u8;
            }
            format!("{n} bytes")
        }
        2 | 3 => {
            let (sector, noise) = (dice.below(bytes.len() / 512), dice.chance(50));
            bytes[sector * 512..][..512].fill_with(|| if noise { dice.below(256) as u8 } else { 0 });
            format!("sector {sector}, noise {noise}")
        }
        4 => {
            let (page, pages) = (dice.below(bytes.len() / 16_384), 1 + dice.below(3));
            let end = ((page + pages) * 16_384).min(bytes.len());
            bytes[page * 16_384..end].fill(0);
            format!("{pages} pages from {page} on")
        }
        _ => {
            let length = 512 + dice.below(bytes.len() - 512);
            bytes.truncate(length);
            format!("cut at {length}")
        }
    };
    std::fs::write(path, bytes).expect("written");
    what
}

/// What a device holds, without a check: ids of entries and strips.
fn truth(device: &Path) -> BTreeSet<String> {
    Holdings::of(device).map(|h| h.truth).unwrap_or_else(|why| panic!("{why}"))
}

fn private_marks(device: &Device) -> serde_json::Value {
    device.json(&["mark", "list"])["marks"].take()
}

fn one_damage(
    (whole, parcel): (&Path, &Path),
    (all, marks): (&BTreeSet<String>, &serde_json::Value),
    seed: u64,
    saved: &AtomicUsize,
) -> Result<(), String> {
    let dir = scratch();
    let device = Device { dir };
    copy(whole, &device.dir.path().join("home"));
    let what = spoil(&store_of(device.dir.path()), &mut Dice::new(seed));
    let fails = |why: String| format!("seed {seed} ({what}): {why}");
    let verify = device.run(&["verify", "--json"]);
    if !matches!(verify.code, 0 | 4) || verify.err.contains("panicked") {
        return Err(fails(format!("verify, exit code {}: {}", verify.code, verify.err)));
    }
    let repair = device.run(&["verify", "--repair", "--json"]);
    if repair.code != 0 || repair.err.contains("panicked") {
        return Err(fails(format!("repair, exit code {}: {}{}", repair.code, repair.out, repair.err)));
    }
    let said: serde_json::Value = serde_json::from_str(&repair.out).map_err(|e| fails(e.to_string()))?;
    // No signature covers a private mark: it may be changed or lost, but never without a word.
    if private_marks(&device) != *marks && verify.code == 0 {
        return Err(fails("a private mark is another, and verify found nothing".to_owned()));
    }
    let left = Holdings::of(device.dir.path()).map_err(fails)?.truth;
    saved.fetch_add(all.intersection(&left).count(), Ordering::Relaxed);
    // What is missing was named, as far as anything in the store still named it.
    let text = said["repaired"].to_string();
    let missing: Vec<_> = all.difference(&left).collect();
    if verify.code == 0 && !missing.is_empty() {
        return Err(fails(format!("{} lost and verify found nothing", missing.len())));
    }
    let unnamed = missing.iter().filter(|id| !text.contains(id.as_str())).count();
    if unnamed > 0 && what.starts_with("one bit") {
        return Err(fails(format!("{unnamed} of {} lost are not named", missing.len())));
    }
    let read = device.run(&["parcel", "read", parcel.to_str().expect("UTF-8")]);
    if read.code != 0 {
        return Err(fails(format!("parcel, exit code {}: {}", read.code, read.err)));
    }
    let healed = Holdings::of(device.dir.path()).map_err(fails)?.truth;
    match all.difference(&healed).count() {
        0 => Ok(()),
        n => Err(fails(format!("{n} of {} did not come back with the parcel", missing.len()))),
    }
}

#[test]
fn what_is_damaged_is_found_saved_and_healed() {
    let (heron, plover) = crew();
    let all = truth(heron.dir.path());
    let parcel = plover.file("all.parcel");
    let seeds: Vec<u64> = match super::only().and_then(|o| o.strip_prefix("damage ")?.parse().ok()) {
        Some(seed) => vec![seed],
        None => (0..TRIES).collect(),
    };
    let saved = AtomicUsize::new(0);
    let (home, marks) = (heron.home(), private_marks(&heron));
    let bad = on_all_cores(&seeds, |seed| one_damage((&home, &parcel), (&all, &marks), *seed, &saved));
    let percent = 100.0 * saved.into_inner() as f64 / (all.len() * seeds.len()) as f64;
    println!(
        "{} damages of a store of {} entries and strips: {percent:.1} % of them saved, {} not healed",
        seeds.len(),
        all.len(),
        bad.len()
    );
    assert!(bad.is_empty(), "{} not healed:\n{}", bad.len(), bad.join("\n"));
    // Most of the damages hit a page or two of some twenty.
    assert!(percent > 70.0, "{percent}");
}

/// A meeting asks for exactly what is lacking, and both hold the same again; what only this device had, too.
#[test]
fn a_meeting_heals_and_what_is_private_stays() {
    let (heron, plover) = crew();
    let (digest, store) = (heron.digest(), store_of(heron.dir.path()));
    flip(&store, strip_in(&store));
    heron.run(&["verify"]).says(4, &["strip", "leadline verify --repair"]);
    heron.run(&["backup", "torn.backup"]).says(4, &["written and read back", "1 entries or strips"]);
    let said = heron.run(&["verify", "--repair"]);
    said.says(0, &["Saved", "1 strips were damaged", "damaged-1.sqlite", "1 private marks"]);
    assert_ne!(heron.digest(), digest, "a strip is lacking");
    let met = meet(&plover, &heron);
    assert_eq!(heron.digest(), digest, "{met}");
    heron.run(&["verify"]).says(0, &["Everything is whole"]);
    assert_eq!(heron.json(&["mark", "list"])["marks"].as_array().expect("marks").len(), 1);
    // Nothing more is to be repaired, and the damaged file is still there.
    heron.run(&["verify", "--repair"]).says(0, &["Everything is whole"]);
    assert!(store.with_extension("damaged-1.sqlite").is_file());
}

/// A hazard that the disk has moved is named, whatever moved it.
#[test]
fn a_changed_private_mark_is_found() {
    let (heron, _plover) = crew();
    let store = store_of(heron.dir.path());
    let db = rusqlite::Connection::open(&store).expect("opens");
    db.execute("UPDATE private_mark SET y = y + 4096", []).expect("written");
    drop(db);
    heron.run(&["verify"]).says(4, &["private mark", "mark list"]);
    heron.run(&["verify", "--repair"]).says(0, &["1 private marks", "look at each", "Everything is whole"]);
    heron.run(&["verify"]).says(0, &["Everything is whole"]);
}

/// A repair keeps back what lies near home, before and after: it is in no table that a signature covers.
#[test]
fn what_is_kept_back_stays_so_through_damage_and_repair() {
    let heron = Device::new();
    heron.found("Testmere");
    heron.import(&heron.write("a.nmea", small_log_on(1, 700, |s| 4.0 + f64::from(s % 300) * 0.01)), "Heron");
    let trimmed = heron.json(&["trim", "--near", "7.4135,48.21", "--radius", "300"]);
    let held = || {
        let home = Home::open(Some(&heron.home())).expect("opens");
        let id = home.pick(None).expect("one");
        home.store(&id).expect("opens").held_back().expect("read")
    };
    let before = held();
    assert!(!before.is_empty(), "{trimmed}");
    let store = store_of(heron.dir.path());
    let db = rusqlite::Connection::open(&store).expect("opens");
    db.execute("DELETE FROM held_back", []).expect("written");
    drop(db);
    heron.run(&["verify"]).says(4, &["near home", "not kept back"]);
    heron.run(&["verify", "--repair"]).says(0, &["Everything is whole"]);
    assert_eq!(held(), before);
}

/// A byte of the content of some packed strip in a store's file.
fn strip_in(store: &Path) -> usize {
    let db = rusqlite::Connection::open(store).expect("opens");
    let strip: Vec<u8> =
        db.query_row("SELECT bytes FROM strip ORDER BY n LIMIT 1", [], |r| r.get(0)).expect("a strip");
    drop(db);
    // Its beginning stands in one piece; the rest may stand in other pages.
    let (file, begins) = (std::fs::read(store).expect("a store"), &strip[..100]);
    file.windows(100).position(|w| w == begins).expect("it stands in the file") + 60
}

/// Changes one byte.
fn flip(store: &Path, at: usize) {
    let mut bytes = std::fs::read(store).expect("a store");
    bytes[at] ^= 0x55;
    std::fs::write(store, bytes).expect("written");
}

/// What only this device had comes back from its log.
#[test]
fn a_damaged_strip_comes_back_with_its_log() {
    let heron = Device::new();
    heron.found("Testmere");
    let log = heron.write("a.nmea", small_log_on(1, 1500, |s| 4.0 + f64::from(s % 300) * 0.01));
    heron.import(&log, "Heron");
    let (digest, store) = (heron.digest(), store_of(heron.dir.path()));
    flip(&store, strip_in(&store));
    heron.run(&["verify", "--repair"]).says(0, &["1 strips were damaged", "imported again"]);
    assert_ne!(heron.digest(), digest);
    heron.import(&log, "Heron");
    assert_eq!(heron.digest(), digest);
}

/// One damaged survey keeps no other from being used.
#[test]
fn a_damaged_survey_stands_alone() {
    let heron = Device::new();
    heron.found("Testmere");
    let store = store_of(heron.dir.path());
    heron.found("Othermere");
    let mut bytes = std::fs::read(&store).expect("a store");
    bytes[..100].fill(0xff);
    std::fs::write(&store, bytes).expect("written");
    heron.run(&["survey", "list"]).says(0, &["Othermere", "damaged", "leadline verify --repair"]);
    heron.run(&["status"]).says(0, &["Othermere"]);
    let id = store.file_stem().expect("an id").to_string_lossy().into_owned();
    heron.run(&["--survey", &id, "status"]).says(4, &["leadline verify --repair"]);
    heron.run(&["--survey", &id, "verify", "--repair"]).says(0, &["Everything is whole"]);
    heron.run(&["--survey", "Testmere", "status"]).says(0, &["Testmere"]);
}

/// A store of a newer program is refused and not touched, by a repair neither.
#[test]
fn a_newer_store_is_left_alone() {
    let heron = Device::new();
    heron.found("Testmere");
    let store = store_of(heron.dir.path());
    let mut bytes = std::fs::read(&store).expect("a store");
    // "Database File Format", section 1.3: the user version, big-endian, at offset 60.
    bytes[60..64].copy_from_slice(&99u32.to_be_bytes());
    std::fs::write(&store, &bytes).expect("written");
    for command in [&["status"][..], &["verify"], &["verify", "--repair"], &["mark", "list"]] {
        heron.run(command).says(4, &["format 99", "newer program"]);
        assert_eq!(std::fs::read(&store).expect("a store"), bytes, "{command:?}");
    }
}

/// A log that belongs to another store, and one that is missing.
#[test]
fn a_strange_or_missing_log_is_found_and_healed() {
    let (heron, plover) = crew();
    let all = truth(heron.dir.path());
    let store = store_of(heron.dir.path());
    let other = Device::new();
    other.found("Elsewhere");
    let (db, wal) = (store_of(other.dir.path()), |p: &Path| p.with_extension("sqlite-wal"));
    let open = rusqlite::Connection::open(&db).expect("opens");
    // While it is open, its log stays; pages of three tables are in it.
    open.execute_batch("UPDATE meta SET value = value; UPDATE entry SET seq = seq; UPDATE log SET n = n")
        .expect("written");
    std::fs::copy(wal(&db), wal(&store)).expect("copied");
    drop(open);
    let verify = heron.run(&["verify"]);
    assert_eq!(verify.code, 4, "{}{}", verify.out, verify.err);
    let repair = heron.run(&["verify", "--repair"]);
    assert_eq!(repair.code, 0, "{}{}", repair.out, repair.err);
    meet(&plover, &heron);
    assert!(all.is_subset(&truth(heron.dir.path())));

    // The log of the last writes is lost with them; the crew has them, and what is written next takes no number twice.
    let before = scratch();
    copy(&plover.home(), &before.path().join("home"));
    plover.run(&["stage", "add", "--at", "2026-05-09T08:00Z", "--level", "0.5"]).says(0, &[]);
    meet(&heron, &plover);
    std::fs::remove_dir_all(plover.home()).expect("removed");
    copy(&before.path().join("home"), &plover.home());
    plover.run(&["stage", "add", "--at", "2026-05-10T08:00Z", "--level", "0.6"]).says(0, &[]);
    meet(&heron, &plover);
    plover.run(&["stage", "add", "--at", "2026-05-11T08:00Z", "--level", "0.7"]).says(0, &[]);
    meet(&heron, &plover);
    let stages = heron.run(&["stage", "show"]);
    stages.says(0, &["2026-05-09", "2026-05-10", "2026-05-11"]);
}

/// A folder of which only a part was copied.
#[test]
fn a_half_copied_folder_says_what_is_missing() {
    let (heron, _plover) = crew();
    let all = truth(heron.dir.path());
    let part = Device::new();
    copy(&heron.home(), &part.home());
    // Without the keys it is another device, which holds all the same.
    std::fs::remove_dir_all(part.home().join("keys")).expect("removed");
    part.run(&["verify"]).says(0, &["Everything is whole"]);
    assert_eq!(truth(part.dir.path()), all);
    part.run(&["crew", "invite"]).says(1, &["keeper"]);
    // Half of the store.
    let store = store_of(part.dir.path());
    let half = std::fs::metadata(&store).expect("known").len() / 2;
    std::fs::OpenOptions::new().write(true).open(&store).expect("opens").set_len(half).expect("cut");
    part.run(&["verify"]).says(4, &["leadline verify --repair"]);
    part.run(&["verify", "--repair"]).says(0, &["Saved"]);
    let left = truth(part.dir.path());
    assert!(!left.is_empty() && left.is_subset(&all));
    drop(Home::open(Some(&part.home())).expect("opens"));
}
