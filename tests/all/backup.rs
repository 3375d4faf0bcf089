//! Backups and what becomes of them, by the real program, real files and real meetings.

mod goldens;
mod guide;

use crate::home::{Device, meet, small_log, small_log_on, two_boats};
use serde_json::Value;
use std::path::{Path, PathBuf};

fn text(path: &Path) -> String {
    path.to_str().expect("UTF-8").to_owned()
}

/// A device whose home is not there yet, beside the one that is lost.
fn spare() -> Device {
    Device::new()
}

/// Each day another bed, so that no two are copies of one.
fn log(day: u32) -> String {
    small_log_on(day, 700, |s| 4.0 + f64::from(s * day % (270 + day)) * 0.01)
}

fn backup(d: &Device, target: &Path, more: &[&str]) -> Value {
    d.json(&[&["backup", &text(target)][..], more].concat())
}

fn restore(d: &Device, target: &Path, more: &[&str]) -> Value {
    d.json(&[&["restore", &text(target)][..], more].concat())
}

/// A new folder for backups.
fn folder(d: &Device, name: &str) -> PathBuf {
    let dir = d.file(name);
    std::fs::create_dir_all(&dir).expect("made");
    dir
}

fn files(dir: &Path) -> Vec<PathBuf> {
    let mut all: Vec<PathBuf> =
        std::fs::read_dir(dir).expect("lists").map(|e| e.expect("an entry").path()).collect();
    all.sort();
    all
}

fn device(d: &Device) -> String {
    d.json(&["status"])["device"].as_str().expect("an id").to_owned()
}

/// Nothing of `d` is forked, waits or is quarantined, and its store is whole.
fn is_clean(d: &Device) {
    let status = d.json(&["status"]);
    assert_eq!((&status["quarantined"], &status["waiting"]), (&0.into(), &0.into()), "{status}");
    let crew = d.json(&["crew", "list"]);
    let members = crew["members"].as_array().expect("a list");
    assert!(members.iter().all(|m| m["forks"] == 0), "{crew}");
    d.run(&["verify"]).says(0, &["Everything is whole"]);
}

#[test]
fn a_new_device_has_all_of_it_and_joins_in_the_place_of_the_lost_one() {
    let (heron, plover) = two_boats();
    meet(&heron, &plover);
    heron.run(&["mark", "add", "waypoint", "7.4131,48.2101", "--name", "my own spot"]).says(0, &[]);
    let file = plover.file("lake.backup");
    let made = backup(&heron, &file, &[]);
    assert_eq!(made["verified"], true, "{made}");
    let was = heron.digest();
    // Written after the backup, and met by Plover, before Heron's device drowns.
    heron.import(&heron.write("c.nmea", log(5)), "Heron");
    meet(&heron, &plover);
    let later = heron.digest();
    assert_ne!(was, later);

    let new = spare();
    let done = restore(&new, &file, &[]);
    assert_eq!(
        (&done["same_device"], &done["from_device"]),
        (&false.into(), &device(&heron).into()),
        "{done}"
    );
    let survey = &done["surveys"][0];
    assert_eq!(
        (&survey["as_it_was"], &survey["lacking"], &survey["marks_new"]),
        (&true.into(), &0.into(), &1.into())
    );
    assert_eq!(new.digest(), was);
    assert_ne!(device(&new), device(&heron));
    new.run(&["mark", "list"]).says(0, &["my own spot"]);
    new.run(&["import", &text(&new.write("d.nmea", log(6))), "--boat", "Heron"]).says(1, &["join that crew"]);
    // Reading it again changes nothing.
    let again = restore(&new, &file, &[]);
    assert_eq!(
        (&again["surveys"][0]["entries_new"], &again["surveys"][0]["marks_new"]),
        (&0.into(), &0.into())
    );

    new.join_as("keeper", &plover);
    new.import(&new.file("d.nmea"), "Heron");
    meet(&plover, &new);
    assert_ne!(new.digest(), later);
    let lost = device(&heron);
    plover.run(&["crew", "dismiss", &lost[..8], "--why", "drowned"]).says(0, &[]);
    // The one that knows both secrets dials.
    meet(&new, &plover);
    assert_eq!(new.json(&["status"])["soundings"], 1500 + 900 + 700 + 700);
    is_clean(&new);
    is_clean(&plover);
}

#[test]
fn on_the_same_device_what_was_written_since_comes_back_without_a_fork() {
    let (heron, plover) = two_boats();
    meet(&heron, &plover);
    let file = heron.file("lake.backup");
    backup(&heron, &file, &[]);
    heron.import(&heron.write("c.nmea", log(5)), "Heron");
    meet(&heron, &plover);
    let all = heron.digest();
    // The store is lost, the keys are not.
    std::fs::remove_dir_all(heron.home().join("surveys")).expect("removed");
    let me = device_of_keys(&heron);
    let done = restore(&heron, &file, &[]);
    assert_eq!((&done["same_device"], &done["device"]), (&true.into(), &me.into()), "{done}");
    assert_eq!(done["surveys"][0]["as_it_was"], true, "{done}");
    // It writes before it has met anybody: numbers that the lost store has used for other content.
    heron.import(&heron.write("e.nmea", log(7)), "Heron");
    heron.run(&["stage", "add", "--at", "2026-05-07T09:00Z", "--level", "0.2"]).says(0, &[]);
    meet(&heron, &plover);
    assert_ne!(heron.digest(), all);
    assert_eq!(heron.json(&["status"])["soundings"], 1500 + 900 + 700 + 700);
    is_clean(&heron);
    is_clean(&plover);
    // Restored once more over what is there: a union, nothing is lost.
    let before = heron.digest();
    let done = restore(&heron, &file, &[]);
    assert_eq!(
        (&done["surveys"][0]["lacking"], &done["surveys"][0]["as_it_was"]),
        (&0.into(), &false.into())
    );
    assert_eq!(heron.digest(), before);
    is_clean(&heron);
}

fn device_of_keys(d: &Device) -> String {
    use leadline_logbook::DeviceKey;
    let hex = std::fs::read_to_string(d.home().join("keys").join("device.key")).expect("there");
    let seed: leadline_model::Digest = hex.trim().parse().expect("hex");
    DeviceKey::from_seed(&seed.0).id().to_string()
}

#[test]
fn with_the_key_a_new_device_is_the_old_one_and_meets_at_once() {
    let (heron, plover) = two_boats();
    meet(&heron, &plover);
    let words = plover.write("words.txt", "three grey geese\n");
    let file = plover.file("lake.backup");
    heron.run(&["backup", &text(&file), "--with-key"]).says(2, &["--passphrase-file"]);
    backup(&heron, &file, &["--with-key", "--passphrase-file", &text(&words)]);
    let (key, secret) = secrets(&heron);
    for hidden in [key.as_bytes(), secret.as_bytes(), b"Testmere"] {
        assert!(!super::parcels::holds(&std::fs::read(&file).expect("there"), hidden));
    }
    let shown =
        plover.run(&["backup", "inspect", &text(&file), "--passphrase-file", &text(&words), "--json"]);
    assert!(!shown.out.contains(&key) && !shown.out.contains(&secret) && !shown.err.contains(&key));
    plover.run(&["backup", "inspect", &text(&file)]).says(1, &["locked", "--passphrase-file"]);
    let wrong = plover.write("wrong.txt", "three grey ducks\n");
    let new = spare();
    new.run(&["restore", &text(&file), "--passphrase-file", &text(&wrong)]).says(1, &["passphrase"]);
    assert!(!new.home().join("surveys").exists(), "a wrong passphrase leaves nothing behind");
    // Somebody looked at what the program does first: an identity that nothing was written under.
    new.run(&["survey", "list"]).says(0, &[]);
    let done = restore(&new, &file, &["--passphrase-file", &text(&words)]);
    assert_eq!((&done["same_device"], &done["surveys"][0]["guest"]), (&true.into(), &false.into()), "{done}");
    assert_eq!((device(&new), new.digest()), (device(&heron), heron.digest()));
    new.import(&new.write("c.nmea", log(5)), "Heron");
    meet(&plover, &new);
    is_clean(&new);
    is_clean(&plover);
    #[cfg(unix)]
    for path in [file, new.home().join("keys").join("device.key")] {
        use std::os::unix::fs::PermissionsExt;
        assert_eq!(std::fs::metadata(&path).expect("there").permissions().mode() & 0o777, 0o600);
    }
    // A home that is somebody already stays so.
    let other = Device::new();
    other.found("Elsewhere");
    let me = device(&other);
    let done = restore(&other, &plover.file("lake.backup"), &["--passphrase-file", &text(&words)]);
    assert_eq!((&done["key_not_taken"], &done["device"]), (&true.into(), &me.into()), "{done}");
}

fn secrets(d: &Device) -> (String, String) {
    let dir = d.home().join("keys");
    let read = |ending: &str| {
        let path =
            files(&dir).into_iter().find(|p| p.extension().is_some_and(|e| e == ending)).expect("there");
        std::fs::read_to_string(path).expect("there").trim().to_owned()
    };
    (read("key"), read("secret"))
}

#[test]
fn a_folder_gets_only_what_is_new_and_gives_all_of_it_back() {
    let heron = Device::new();
    heron.found("Testmere");
    heron.import(&heron.write("a.nmea", small_log(1500, |s| 4.0 + f64::from(s % 300) * 0.01)), "Heron");
    let dir = folder(&heron, "stick");
    let full = backup(&heron, &dir, &[]);
    assert_eq!((&full["head"]["number"], &full["head"]["serial"]), (&1.into(), &1.into()), "{full}");
    let none = backup(&heron, &dir, &[]);
    assert_eq!((&none["written"], files(&dir).len()), (&false.into(), 1), "{none}");
    heron.run(&["mark", "add", "waypoint", "7.4131,48.2101", "--name", "my own spot"]).says(0, &[]);
    let marks = backup(&heron, &dir, &[]);
    let of = |v: &Value, what: &str| v["head"]["surveys"][0][what].as_u64().expect("a number");
    assert_eq!((of(&marks, "entries"), of(&marks, "strips"), of(&marks, "marks")), (0, 0, 1), "{marks}");
    heron.import(&heron.write("b.nmea", log(3)), "Heron");
    let more = backup(&heron, &dir, &[]);
    assert_eq!((of(&more, "soundings"), &more["head"]["number"]), (700, &3.into()), "{more}");
    assert!(more["bytes"].as_u64() < full["bytes"].as_u64(), "{more} against {full}");
    let seen = heron.json(&["backup", "inspect", &text(&dir)]);
    assert_eq!((&seen["whole"], seen["newest"].as_array().map(Vec::len)), (&true.into(), Some(3)), "{seen}");
    heron
        .run(&["backup", "inspect", &text(&dir)])
        .says(0, &["Testmere", "1500 soundings", "700 soundings", "is whole"]);
    let new = spare();
    let done = restore(&new, &dir, &[]);
    assert_eq!(done["surveys"][0]["as_it_was"], true, "{done}");
    assert_eq!((new.digest(), new.json(&["status"])["soundings"].clone()), (heron.digest(), 2200.into()));
    // One of them, named, is that evening's state.
    let evening = spare();
    restore(&evening, &files(&dir)[1], &[]);
    assert_eq!(evening.json(&["status"])["soundings"], 1500);
}

#[test]
fn a_broken_chain_is_named_refused_and_begun_anew() {
    let heron = Device::new();
    heron.found("Testmere");
    let dir = folder(&heron, "stick");
    for day in 1..4 {
        heron.import(&heron.write(&format!("{day}.nmea"), log(day)), "Heron");
        backup(&heron, &dir, &[]);
    }
    let all = files(&dir);
    let second = std::fs::read(&all[1]).expect("there");
    // Missing.
    std::fs::remove_file(&all[1]).expect("removed");
    heron.run(&["backup", "inspect", &text(&dir)]).says(1, &["number 2", "missing"]);
    let new = spare();
    new.run(&["restore", &text(&dir)]).says(1, &["number 2", "Nothing was restored", "--damaged"]);
    assert!(!new.home().join("surveys").exists());
    // Each byte of the frame counts: here one in the middle.
    let mut flipped = second.clone();
    let middle = flipped.len() / 2;
    flipped[middle] ^= 1;
    std::fs::write(&all[1], &flipped).expect("written");
    heron.run(&["backup", "inspect", &text(&dir)]).says(1, &["Wrong"]);
    new.run(&["restore", &text(&dir)]).says(1, &["Nothing was restored"]);
    // Cut short.
    std::fs::write(&all[1], &second[..second.len() - 50]).expect("written");
    new.run(&["restore", &text(&dir)]).says(1, &["cut off"]);
    let ran = new.run(&["restore", &text(&dir), "--damaged", "--json"]);
    assert_eq!(ran.code, 1, "{}", ran.out);
    assert_eq!(new.json(&["status"])["soundings"], 2100, "what is whole came, and it was all but the seal");
    // The next evening says so, and is full.
    let next = heron.run(&["backup", &text(&dir)]);
    next.says(0, &["full backup was begun", "cut off"]);
    let seen = heron.json(&["backup", "inspect", &text(&dir)]);
    assert_eq!((&seen["whole"], seen["newest"].as_array().map(Vec::len)), (&true.into(), Some(1)), "{seen}");
    let third = spare();
    assert_eq!(restore(&third, &dir, &[])["surveys"][0]["as_it_was"], true);
}

#[test]
fn keeping_n_never_removes_what_they_need() {
    let heron = Device::new();
    heron.found("Testmere");
    let dir = folder(&heron, "stick");
    let other = Device::new();
    other.found("Elsewhere");
    let stranger = dir.join("notes.backup");
    std::fs::write(&stranger, "not a backup").expect("written");
    backup(&other, &dir, &[]);
    for day in 1..9 {
        heron.import(&heron.write(&format!("{day}.nmea"), log(day)), "Heron");
        backup(&heron, &dir, &["--keep", "3"]);
        // Each state that is kept can be restored alone.
        let seen = heron.json(&["backup", "inspect", &text(&dir)]);
        let own: Vec<&Value> = seen["files"]
            .as_array()
            .expect("files")
            .iter()
            .filter(|f| f["head"]["surveys"][0]["name"] == "Testmere")
            .collect();
        assert!(own.len() >= 3.min(day as usize) && own.len() <= 5, "{} files on day {day}", own.len());
        let new = spare();
        assert_eq!(restore(&new, &dir, &[])["surveys"][0]["as_it_was"], true);
        assert_eq!(new.digest(), heron.digest());
    }
    // Others' files are nobody's to remove.
    assert!(stranger.exists());
    assert_eq!(files(&dir).len(), 2 + 5, "{:?}", files(&dir));
    heron.run(&["backup", &text(&dir), "--keep", "0"]).says(1, &["at least 1"]);
}

#[test]
fn what_is_held_back_and_what_does_not_count_come_back_as_they_were() {
    let (heron, plover) = two_boats();
    meet(&heron, &plover);
    let lost = device(&plover);
    heron.run(&["crew", "dismiss", &lost[..8], "--why", "lost", "--keep-secret"]).says(0, &[]);
    // Written beyond the cut, and carried to Heron: kept, not counting.
    plover.import(&plover.write("c.nmea", log(5)), "Plover");
    let parcel = heron.file("late.parcel");
    plover.run(&["parcel", "write", &text(&parcel)]).says(0, &[]);
    heron.run(&["parcel", "read", &text(&parcel)]).says(0, &[]);
    heron.run(&["trim", "--near", "7.4131,48.2101", "--radius", "200"]).says(0, &["holds them back"]);
    let file = heron.file("lake.backup");
    backup(&heron, &file, &[]);
    let words = heron.write("words.txt", "three grey geese\n");
    let keyed = heron.file("keyed.backup");
    backup(&heron, &keyed, &["--with-key", "--passphrase-file", &text(&words)]);
    let masked = |d: &Device| d.json(&["crew", "list"])["masked"].as_u64();
    assert!(masked(&heron) > Some(0));
    for (target, more) in [(&file, vec![]), (&keyed, vec!["--passphrase-file".to_owned(), text(&words)])] {
        let new = spare();
        let more: Vec<&str> = more.iter().map(String::as_str).collect();
        let done = restore(&new, target, &more);
        assert_eq!(
            (&done["surveys"][0]["as_it_was"], &done["surveys"][0]["lacking"]),
            (&true.into(), &0.into()),
            "{done}"
        );
        assert_eq!((new.digest(), masked(&new)), (heron.digest(), masked(&heron)));
        // Held back here too, also when the places are set anew under another identity.
        let list = new.json(&["trim"]);
        assert_eq!(list["trims"].as_array().map(Vec::len), Some(1), "{list}");
        let again = new.json(&["trim", "--near", "7.4131,48.2101", "--radius", "200"]);
        assert!(again["held_back_strips"].as_u64() > Some(0), "{again}");
    }
}

#[test]
fn only_logs_that_are_proven_to_be_held_elsewhere_go() {
    let heron = Device::new();
    heron.found("Testmere");
    heron.run(&["prune"]).says(0, &["No raw logs"]);
    heron.import(&heron.write("a.nmea", log(1)), "Heron");
    let file = heron.file("lake.backup");
    backup(&heron, &file, &[]);
    heron.import(&heron.write("b.nmea", log(2)), "Heron");
    let undated =
        log(3).lines().filter(|l| !l.contains("RMC")).map(|l| format!("{l}\r\n")).collect::<String>();
    heron
        .run(&["import", &text(&heron.write("c.nmea", undated)), "--boat", "Heron", "--date", "2026-05-03"])
        .says(0, &[]);
    let raw = heron.home().join("originals");
    assert_eq!(files(&raw).len(), 3);
    let none = heron.json(&["prune"]);
    assert_eq!(none["can_go"], 0, "{none}");
    heron.run(&["prune", "--yes"]).says(2, &["--backup"]);
    let listed = heron.json(&["prune", "--backup", &text(&file)]);
    assert_eq!(
        (&listed["can_go"], &listed["removed"], files(&raw).len()),
        (&1.into(), &false.into(), 3),
        "{listed}"
    );
    heron
        .run(&["prune", "--backup", &text(&file)])
        .says(0, &["can go", "not in the backup", "without a date"]);
    // A backup that is damaged proves nothing.
    let mut torn = std::fs::read(&file).expect("there");
    torn.truncate(torn.len() - 20);
    let torn = heron.write("torn.backup", torn);
    heron.run(&["prune", "--backup", &text(&torn), "--yes"]).says(1, &["cut off"]);
    assert_eq!(files(&raw).len(), 3);
    let before = heron.digest();
    heron.run(&["prune", "--backup", &text(&file), "--yes"]).says(0, &["1 of 3 raw logs removed"]);
    assert_eq!((files(&raw).len(), heron.digest()), (2, before));
    // A raw log that rotted is not taken for the one it was.
    backup(&heron, &file, &[]);
    let b = files(&raw);
    for path in &b {
        let mut bytes = std::fs::read(path).expect("there");
        let middle = bytes.len() / 2;
        bytes[middle] ^= 1;
        std::fs::write(path, bytes).expect("written");
    }
    let rotten = heron.run(&["prune", "--backup", &text(&file), "--yes"]);
    rotten.says(4, &["what its name says: it is damaged", "0 of 2 raw logs removed"]);
    assert_eq!(files(&raw).len(), 2);
}

#[test]
fn where_a_backup_cannot_be_it_says_so_and_changes_nothing() {
    let heron = Device::new();
    heron.run(&["backup", "x.backup"]).says(1, &["no survey"]);
    heron.found("Testmere");
    heron.run(&["backup"]).says(2, &[]);
    heron.run(&["backup", "not-there"]).says(1, &["no such folder", ".backup"]);
    heron.run(&["backup", "gone/x.backup"]).says(1, &["cannot write"]);
    heron.run(&["backup", &text(&heron.home())]).says(1, &["inside the folder"]);
    let precious = heron.write("notes.backup", "my notes");
    heron.run(&["backup", &text(&precious)]).says(1, &["not a backup"]);
    assert_eq!(std::fs::read(&precious).expect("there"), b"my notes");
    // A backup of before is replaced whole.
    let file = heron.file("lake.backup");
    backup(&heron, &file, &[]);
    let first = std::fs::read(&file).expect("there");
    heron.import(&heron.write("a.nmea", log(1)), "Heron");
    backup(&heron, &file, &[]);
    assert_ne!(std::fs::read(&file).expect("there"), first);
    let left: Vec<_> = files(heron.dir.path()).into_iter().filter(|p| text(p).ends_with(".tmp")).collect();
    assert!(left.is_empty(), "{left:?}");
    for (name, bytes) in
        [("empty.backup", &b""[..]), ("other.backup", b"GIF89a and more of it than ten bytes")]
    {
        let path = heron.write(name, bytes);
        for command in [&["restore", &text(&path)][..], &["backup", "inspect", &text(&path)]] {
            heron.run(command).says(1, &["not a backup"]);
        }
    }
    let parcel = heron.file("lake.parcel");
    heron.run(&["parcel", "write", &text(&parcel)]).says(0, &[]);
    heron.run(&["restore", &text(&parcel)]).says(1, &["not a backup"]);
}
