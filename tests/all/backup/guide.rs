//! "When something goes wrong" in the guide, typed as it stands there, and held against what it says to expect.

use crate::home::{Device, Ran, meet, small_log_on};
use serde_json::Value;

/// The commands under one heading, in their order.
struct Guide(std::vec::IntoIter<String>);

impl Guide {
    fn under(heading: &str) -> Self {
        let guide = include_str!("../../../docs/guide.md");
        let from = guide.find(&format!("\n{heading}\n")).unwrap_or_else(|| panic!("no {heading}"));
        let rest = &guide[from + heading.len() + 2..];
        let end = ["\n## ", "\n### "].iter().filter_map(|h| rest.find(h)).min().unwrap_or(rest.len());
        let lines = rest[..end].lines().filter_map(|l| l.strip_prefix("leadline ")).map(str::to_owned);
        Self(lines.collect::<Vec<_>>().into_iter())
    }

    /// The next command, which should begin so; `{stick}` and the like stand for what a test has.
    fn next(&mut self, begins: &str, with: &[(&str, &str)]) -> Vec<String> {
        let line =
            self.0.next().unwrap_or_else(|| panic!("the guide has no more commands; expected {begins}"));
        assert!(line.starts_with(begins), "the guide says {line:?}, not {begins:?}");
        words(&line).into_iter().map(|w| with.iter().fold(w, |w, (from, to)| w.replace(from, to))).collect()
    }

    fn run(&mut self, d: &Device, begins: &str, with: &[(&str, &str)]) -> Ran {
        let args = self.next(begins, with);
        d.run(&args.iter().map(String::as_str).collect::<Vec<_>>())
    }

    /// `leadline sync`, which two devices do.
    fn meet(&mut self, one: &Device, other: &Device) {
        self.next("sync", &[]);
        meet(one, other);
    }

    fn end(mut self) {
        assert_eq!(self.0.next(), None, "every command of the guide is run");
    }
}

/// A line as a shell takes it apart, without what stands behind `#`.
fn words(line: &str) -> Vec<String> {
    let (mut out, mut word, mut quoted) = (Vec::new(), String::new(), false);
    for c in line.chars() {
        match c {
            '"' => quoted = !quoted,
            '#' if !quoted => break,
            ' ' if !quoted => out.extend(Some(std::mem::take(&mut word)).filter(|w| !w.is_empty())),
            c => word.push(c),
        }
    }
    out.extend(Some(word).filter(|w| !w.is_empty()));
    out
}

const HEADING: &str = "## When something goes wrong";
const STICK: &str = "/media/stick";

/// A laptop and a phone of one crew that have met, and a stick.
fn crew() -> (Device, Device, String) {
    let (laptop, phone) = (Device::new(), Device::new());
    laptop.run(&["survey", "new", "Testmere", "--device", "laptop"]).says(0, &[]);
    let invite = laptop.json(&["crew", "invite", "--role", "keeper"]);
    phone.run(&["crew", "join", invite["invite"].as_str().expect("text"), "--device", "phone"]).says(0, &[]);
    import(&laptop, 1);
    import(&phone, 2);
    meet(&laptop, &phone);
    let stick = laptop.file("stick");
    std::fs::create_dir_all(stick.join("leadline")).expect("made");
    (laptop, phone, stick.to_str().expect("UTF-8").to_owned())
}

fn import(d: &Device, day: u32) {
    d.import(&d.write(&format!("{day}.nmea"), super::log(day)), "Heron");
}

fn invite(d: &Device) -> String {
    d.json(&["crew", "invite", "--role", "keeper"])["invite"].as_str().expect("text").to_owned()
}

fn backed_up(d: &Device, stick: &str) {
    let mut g = Guide::under(HEADING);
    d.write("words.txt", "three grey geese\n");
    let with = [(STICK, stick)];
    g.run(d, "backup /media/stick/leadline --keep 7", &with).says(0, &["read back", "not locked"]);
    g.run(d, "backup inspect", &with).says(0, &["Testmere", "is whole"]);
    g.run(d, "backup /media/stick/mine.backup --with-key", &with).says(0, &["read back", "key is in it"]);
    g.end();
}

fn soundings(d: &Device) -> Value {
    d.json(&["status"])["soundings"].clone()
}

#[test]
fn a_device_is_lost() {
    let (laptop, phone, stick) = crew();
    backed_up(&phone, &stick);
    import(&phone, 3);
    meet(&laptop, &phone);
    let other = Device::new();
    other.run(&["crew", "join", &invite(&laptop), "--device", "tablet"]).says(0, &[]);
    let mut g = Guide::under("### A device is lost");
    g.run(&laptop, "crew dismiss phone", &[]).says(0, &[]);
    g.meet(&other, &laptop);
    let new = Device::new();
    g.run(&new, "restore", &[(STICK, &stick)]).says(0, &["in the place of phone", "crew invite"]);
    assert_eq!(soundings(&new), 1400);
    g.run(&new, "crew join", &[("INVITE", &invite(&laptop))]).says(0, &[]);
    g.meet(&laptop, &new);
    g.end();
    assert_eq!(soundings(&new), 2100);
    super::is_clean(&new);
    super::is_clean(&laptop);
}

#[test]
fn the_disk_is_dead() {
    let (laptop, phone, stick) = crew();
    backed_up(&phone, &stick);
    import(&phone, 3);
    meet(&laptop, &phone);
    let mut g = Guide::under("### The card or the disk is dead");
    std::fs::remove_dir_all(phone.home()).expect("removed");
    g.run(&phone, "restore", &[(STICK, &stick)]).says(0, &["This device is phone, as before"]);
    g.run(&phone, "verify", &[]).says(0, &["Everything is whole"]);
    import(&phone, 4);
    g.meet(&laptop, &phone);
    g.end();
    assert_eq!(soundings(&phone), 2800);
    super::is_clean(&phone);
    super::is_clean(&laptop);
}

#[test]
fn the_laptop_was_stolen() {
    let (laptop, phone, _) = crew();
    let tablet = Device::new();
    tablet.run(&["crew", "join", &invite(&phone), "--device", "tablet"]).says(0, &[]);
    meet(&phone, &tablet);
    let mut g = Guide::under("### The laptop was stolen");
    g.run(&phone, "crew dismiss laptop", &[]).says(0, &[]);
    g.run(&phone, "crew rotate", &[]).says(0, &[]);
    g.meet(&tablet, &phone);
    g.run(&tablet, "crew list", &[]).says(0, &["laptop", "stolen"]);
    g.end();
    let listener = crate::home::Listener::start(&tablet);
    laptop.run(&["sync", "--with", &listener.address, "--once"]).says(3, &[]);
}

#[test]
fn the_wrong_file_was_imported() {
    let (laptop, _, _) = crew();
    laptop.import(&laptop.write("x.nmea", small_log_on(5, 700, |_| 3.0)), "Herno");
    let mut g = Guide::under("### The wrong file was imported");
    g.run(&laptop, "boat rename", &[]).says(0, &[]);
    laptop.run(&["passes"]).says(0, &["Heron"]);
    assert!(!laptop.run(&["passes"]).out.contains("Herno"));
    let before = laptop.json(&["quality"]);
    g.run(&laptop, "leave-out --boat", &[]).says(0, &[]);
    assert_ne!(laptop.json(&["quality"]), before);
    g.run(&laptop, "leave-out --list", &[]).says(0, &["the simulator was on"]);
    g.run(&laptop, "take-back", &[]).says(0, &[]);
    g.end();
    assert_eq!(laptop.json(&["quality"])["boats"], before["boats"]);
}

#[test]
fn two_copies_of_one_folder() {
    let (laptop, phone, _) = crew();
    let second = Device::new();
    copy(&laptop.home(), &second.home());
    // Both go on under the same numbers.
    import(&laptop, 3);
    import(&second, 4);
    meet(&laptop, &phone);
    meet(&second, &phone);
    meet(&laptop, &phone);
    assert_eq!(soundings(&phone), 2800, "both sides' entries are kept");
    laptop.run(&["crew", "list"]).says(0, &["forked"]);
    let mut g = Guide::under("### Two copies of one folder");
    g.run(&second, "backup second.backup", &[]).says(0, &[]);
    g.run(&second, "--home new-folder restore", &[]).says(0, &["identity of its own"]);
    g.run(&second, "--home new-folder crew join", &[("INVITE", &invite(&laptop))]).says(0, &[]);
    g.next("--home new-folder sync", &[]);
    let new = Device { dir: tempfile::tempdir().expect("a temporary folder") };
    std::fs::rename(second.file("new-folder"), new.home()).expect("moved");
    meet(&laptop, &new);
    g.end();
    import(&new, 6);
    import(&laptop, 7);
    meet(&laptop, &new);
    assert_eq!(soundings(&new), 4200);
    new.run(&["verify"]).says(0, &["Everything is whole"]);
}

#[test]
fn room_on_the_disk() {
    let (laptop, _, stick) = crew();
    backed_up(&laptop, &stick);
    let mut g = Guide::under("### Room on the disk");
    g.run(&laptop, "prune", &[(STICK, &stick)]).says(0, &["can go"]);
    g.run(&laptop, "prune", &[(STICK, &stick)]).says(0, &["1 of 1 raw logs removed"]);
    g.end();
}

fn copy(from: &std::path::Path, to: &std::path::Path) {
    std::fs::create_dir_all(to).expect("made");
    for entry in std::fs::read_dir(from).expect("lists") {
        let path = entry.expect("an entry").path();
        let there = to.join(path.file_name().expect("a name"));
        if path.is_dir() {
            copy(&path, &there);
        } else {
            std::fs::copy(&path, &there).expect("copied");
        }
    }
}
