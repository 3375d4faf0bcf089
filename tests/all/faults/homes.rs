//! The devices that commands are tried on, made once by the real program and copied for each try.

use crate::home::{Device, Listener, meet, small_log_on};
use std::path::{Path, PathBuf};

/// Where a try begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub(super) enum Start {
    /// A device without a home.
    Empty,
    /// A keeper with a survey, a crew of two, soundings of both, private marks, something left out.
    Crew,
    /// The same, levelled.
    Levelled,
}

/// The devices.
pub(super) struct Homes {
    empty: Device,
    pub(super) heron: Device,
    levelled: Device,
    /// The other one of the crew; it has more than Heron.
    plover: Device,
    /// Plover, waiting for meetings.
    pub(super) waiting: Listener,
    /// An invite to another crew's survey.
    pub(super) invite: String,
    /// Id of a private mark of Heron.
    pub(super) mark: String,
}

/// The bed along the track of the small logs, metres below the datum, with noise of ±3 cm for each day: without it one
/// day would be taken for a copy of another.
fn bed(day: u32, s: u32) -> f64 {
    4.0 + f64::from(s % 300) * 0.01 + f64::from((s * 7_919 + day * 104_729) % 61) * 0.001 - 0.03
}

pub(super) fn log(day: u32, seconds: u32) -> String {
    small_log_on(day, seconds, |s| bed(day, s))
}

impl Homes {
    pub(super) fn new() -> Self {
        let (heron, plover) = (Device::new(), Device::new());
        heron.run(&["survey", "new", "Testmere", "--device", "heron"]).says(0, &[]);
        let invite = heron.json(&["crew", "invite", "--role", "keeper"])["invite"].clone();
        let invite = invite.as_str().expect("an invite");
        plover.run(&["crew", "join", invite, "--device", "plover"]).says(0, &[]);
        heron.import(&heron.write("a.nmea", log(1, 400)), "Heron");
        plover.import(&plover.write("p.nmea", log(2, 400)), "Plover");
        heron.run(&["stage", "add", "--at", "2026-05-01T09:30Z", "--level", "0.2"]).says(0, &[]);
        meet(&heron, &plover);
        backups_of_yesterday(&heron);
        let mark = private_mark(&heron);
        heron.run(&["leave-out", "--cell", "7.413,48.21", "--why", "weed"]).says(0, &[]);
        doors(&heron);
        inputs(&heron);
        plover.import(&plover.write("q.nmea", log(3, 900)), "Plover");
        plover.run(&["stage", "add", "--at", "2026-05-03T09:30Z", "--level", "0.3"]).says(0, &[]);
        plover.run(&["parcel", "write", "more.parcel"]).says(0, &[]);
        copy_file(&plover.file("more.parcel"), &heron.file("more.parcel"));
        let invite = other_crew(&heron);
        let empty = Device::new();
        backups(&heron, &plover, &empty);
        let levelled = Device::new();
        copy(heron.dir.path(), levelled.dir.path());
        levelled.run(&["level", "--apply"]).says(0, &[]);
        let waiting = Listener::start(&plover);
        Self { empty, heron, levelled, plover, waiting, invite, mark }
    }

    /// The folder that a try begins with.
    pub(super) fn start(&self, start: Start) -> &Path {
        match start {
            Start::Empty => self.empty.dir.path(),
            Start::Crew => self.heron.dir.path(),
            Start::Levelled => self.levelled.dir.path(),
        }
    }

    /// Where Plover waits.
    pub(super) fn address(&self) -> String {
        assert!(self.plover.home().is_dir());
        self.waiting.address.clone()
    }
}

fn private_mark(heron: &Device) -> String {
    heron.run(&["mark", "add", "hazard", "7.4131,48.2101", "--name", "wreck", "--depth", "0.8"]).says(0, &[]);
    let marks = heron.json(&["mark", "list"]);
    let id = &marks["marks"][0]["id"];
    id.as_str().unwrap_or_else(|| panic!("an id: {marks}")).to_owned()
}

/// A browser that was let in.
fn doors(heron: &Device) {
    let home = leadline_survey::Home::open(Some(&heron.home())).expect("opens");
    let name = leadline_model::Text::new("a phone").expect("short");
    let now = leadline_model::UtcMillis(1_800_000_000_000);
    home.open_door(name, leadline_model::Digest([7; 32]), now).expect("kept");
}

/// Two backups that do not hold what comes after them: a file, and the first one of a folder.
fn backups_of_yesterday(heron: &Device) {
    heron.write("words.txt", "cold hands at dawn\n");
    std::fs::create_dir(heron.file("stick")).expect("made");
    for target in ["lake.backup", "stick"] {
        heron.run(&["backup", target]).says(0, &[]);
    }
}

/// What is restored, over what is there and on a device without a home.
fn backups(heron: &Device, plover: &Device, empty: &Device) {
    let key = ["backup", "key.backup", "--with-key", "--passphrase-file", "words.txt"];
    heron.run(&key).says(0, &[]);
    heron.run(&["backup", "all.backup"]).says(0, &[]);
    plover.run(&["backup", "plover.backup"]).says(0, &[]);
    copy_file(&plover.file("plover.backup"), &heron.file("plover.backup"));
    std::fs::rename(heron.file("key.backup"), empty.file("key.backup")).expect("moved");
    for name in ["all.backup", "words.txt"] {
        copy_file(&heron.file(name), &empty.file(name));
    }
}

/// What commands read.
fn inputs(heron: &Device) {
    heron.write("b.nmea", log(4, 700));
    std::fs::create_dir(heron.file("card")).expect("made");
    heron.write("card/c.nmea", log(5, 300));
    heron.write("card/d.nmea", log(6, 300));
    heron.write("live.nmea", log(7, 700));
    let ring = "[[7.40,48.20],[7.43,48.20],[7.43,48.22],[7.40,48.22],[7.40,48.20]]";
    heron.write("lake.geojson", format!("{{\"type\":\"Polygon\",\"coordinates\":[{ring}]}}"));
    heron.write("centre.csv", "lon,lat\n7.40,48.21\n7.42,48.21\n");
    heron.write(
        "readings.csv",
        "gauge,time,level_m\nlanding,2026-05-01T08:00:00Z,0.35\nlanding,2026-05-02T08:00:00Z,0.36\n",
    );
}

/// Another crew on the same water: a gift of its survey, and an invite.
fn other_crew(heron: &Device) -> String {
    let coot = Device::new();
    coot.found("Testmere north");
    coot.import(&coot.write("n.nmea", log(8, 400)), "Coot");
    coot.run(&["parcel", "write", "gift.parcel", "--gift"]).says(0, &[]);
    copy_file(&coot.file("gift.parcel"), &heron.file("gift.parcel"));
    let invite = coot.json(&["crew", "invite"]);
    invite["invite"].as_str().expect("an invite").to_owned()
}

fn copy_file(from: &Path, to: &Path) {
    std::fs::copy(from, to).expect("copied");
}

/// Copies what is in a folder, with modes.
pub(super) fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("made");
    for entry in std::fs::read_dir(from).expect("a folder") {
        let entry = entry.expect("readable");
        let target: PathBuf = to.join(entry.file_name());
        if entry.file_type().expect("known").is_dir() {
            copy(&entry.path(), &target);
        } else {
            copy_file(&entry.path(), &target);
        }
    }
    let mode = std::fs::metadata(from).expect("known").permissions();
    std::fs::set_permissions(to, mode).expect("set");
}
