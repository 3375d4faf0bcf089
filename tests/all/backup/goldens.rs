//! What earlier programs wrote is read for ever; what later ones wrote is kept and passed on, or refused untouched.
//! Each folder of `tests/goldens` was made by `tests/goldens/make` with the program of its time.

use crate::home::Device;
use leadline_logbook::{Entry, Envelope, Signs, encode};
use leadline_model::{EntryId, Epoch, Nonce, Text, UtcMillis};
use leadline_survey::{Home, ParcelRequest, Store, found_survey, read_parcel, read_parcels, write_parcels};
use serde_json::Value;
use std::io::Read;
use std::path::{Path, PathBuf};

fn goldens() -> Vec<PathBuf> {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("goldens");
    let mut all: Vec<PathBuf> = std::fs::read_dir(dir)
        .expect("lists")
        .map(|e| e.expect("an entry").path())
        .filter(|p| p.is_dir())
        .collect();
    all.sort();
    assert!(!all.is_empty());
    all
}

fn read(path: PathBuf) -> Vec<u8> {
    std::fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

fn status(golden: &Path) -> Value {
    serde_json::from_slice(&read(golden.join("status.json"))).expect("JSON")
}

/// Puts a golden's store into an empty home; its path there.
fn put_store(d: &Device, golden: &Path) -> PathBuf {
    let id = String::from_utf8(read(golden.join("survey"))).expect("UTF-8");
    let mut store = Vec::new();
    flate2::read::GzDecoder::new(&read(golden.join("store.sqlite.gz"))[..])
        .read_to_end(&mut store)
        .expect("gzip");
    let dir = d.home().join("surveys");
    std::fs::create_dir_all(&dir).expect("made");
    let path = dir.join(format!("{}.sqlite", id.trim()));
    std::fs::write(&path, store).expect("written");
    path
}

/// The same soundings in the same state, by the same entries.
fn says_the_same(d: &Device, was: &Value) {
    let now = d.json(&["status"]);
    for what in ["digest", "entries", "strips", "legs", "passes", "soundings"] {
        assert_eq!(now[what], was[what], "{what}");
    }
    assert_eq!(now["survey"], was["survey"]);
}

#[test]
fn stores_open_and_are_whole() {
    for golden in goldens() {
        let d = Device::new();
        put_store(&d, &golden);
        d.run(&["verify"]).says(0, &["Everything is whole"]);
        says_the_same(&d, &status(&golden));
        d.run(&["mark", "list"]).says(0, &["old piles", "my own spot"]);
        d.run(&["depth", "--at", "7.41310,48.21000"]).says(0, &["m"]);
    }
}

#[test]
fn parcels_and_backups_are_read_to_the_known_digest() {
    for golden in goldens() {
        let was = status(&golden);
        let d = Device::new();
        let text = |name: &str| golden.join(name).to_str().expect("UTF-8").to_owned();
        d.run(&["backup", "inspect", &text("lake.backup")]).says(0, &["Testmere", "is whole"]);
        d.run(&["restore", &text("lake.backup")]).says(0, &["exactly as it was"]);
        says_the_same(&d, &was);
        d.run(&["mark", "list"]).says(0, &["old piles", "my own spot"]);
        // The parcel says nothing that is not there already.
        let read = d.json(&["parcel", "read", &text("lake.parcel")]);
        assert_eq!(
            (&read["whole"], &read["entries_new"], &read["strips_new"]),
            (&true.into(), &0.into(), &0.into())
        );
        // And alone gives all of it: into an empty store, as for a device that has joined.
        let alone = Device::new();
        let home = Home::open(Some(&alone.home())).expect("opens");
        let id = String::from_utf8(std::fs::read(golden.join("survey")).expect("there")).expect("UTF-8");
        let mut store = home.store(&id.trim().parse().expect("an id")).expect("opens");
        assert!(read_parcel(&mut store, &golden.join("lake.parcel")).expect("reads").end.is_whole());
        drop(store);
        says_the_same(&alone, &was);
    }
}

#[test]
fn a_store_of_a_later_format_is_refused_untouched() {
    let d = Device::new();
    let path = put_store(&d, &goldens()[0]);
    let db = rusqlite::Connection::open(&path).expect("opens");
    db.pragma_update(None, "user_version", 999).expect("set");
    db.close().expect("closes");
    let before = read(path.clone());
    for command in [&["status"][..], &["verify"], &["stage", "add", "--at", "now", "--level", "1"]] {
        d.run(command).says(4, &["format 999", "newer program"]);
    }
    assert!(read(path) == before, "not one byte was changed");
}

/// An entry as a later program might write it: a body of a version that nobody knows yet.
fn of_the_future(store: &Store) -> (EntryId, Vec<u8>) {
    let key = store.key();
    let place = (key.id(), Epoch([9; 8]), 1);
    let envelope =
        Envelope::new(store.survey(), place, EntryId([0; 32]), Nonce([7; 16]), UtcMillis(1_777_629_600_000));
    let mut bytes = encode(&envelope, 1024).expect("short");
    bytes.extend_from_slice(b"\xc8what this means is for later programs to say");
    let signature = key.sign(Signs::Entry, &[&bytes]);
    bytes.extend_from_slice(&signature);
    (leadline_logbook::entry_id(&bytes).expect("long enough"), bytes)
}

#[test]
fn what_a_later_program_says_is_kept_relayed_and_backed_up() {
    let (one, two) = (Device::new(), Device::new());
    let home = Home::open(Some(&one.home())).expect("opens");
    let text = |s: &str| Text::new(s).expect("short");
    let now = UtcMillis(1_777_629_600_000);
    let id = found_survey(&home, &text("Testmere"), &text("zero"), now).expect("founded");
    let mut store = home.store(&id).expect("opens");
    let (entry, bytes) = of_the_future(&store);
    let accepted = store.accept(vec![bytes.clone()], Vec::new()).expect("taken");
    assert_eq!((accepted.entries, accepted.refused.len()), (1, 0), "{accepted:?}");
    assert!(Entry::open(&bytes, &id, |_| true, store.limits()).expect("genuine").ops().is_empty());
    // By a parcel to somebody else.
    let parcel = one.file("gift.parcel");
    let request = ParcelRequest { gift: true, ..ParcelRequest::default() };
    write_parcels(&home, &store, &parcel, &request, now).expect("written");
    let theirs = Home::open(Some(&two.home())).expect("opens");
    read_parcels(&theirs, None, &[parcel], None).expect("read");
    let there = theirs.store(&id).expect("opens");
    assert_eq!(there.entry(&entry).expect("reads").as_ref(), Some(&bytes), "byte for byte");
    drop((store, there));
    // And by a backup.
    one.run(&["backup", "lake.backup"]).says(0, &[]);
    let new = Device::new();
    new.run(&["restore", one.file("lake.backup").to_str().expect("UTF-8")]).says(0, &["exactly as it was"]);
    let restored = Home::open(Some(&new.home())).expect("opens").store(&id).expect("opens");
    assert_eq!(restored.entry(&entry).expect("reads"), Some(bytes));
    drop(restored);
    for d in [&one, &two, &new] {
        d.run(&["verify"]).says(0, &["Everything is whole"]);
    }
}
