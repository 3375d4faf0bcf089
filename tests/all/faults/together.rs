//! Several commands at once on one home, a clock that was set back, a folder that may not be read.

use super::check::Holdings;
use super::layer::Layered;
use crate::home::{Device, Ran, meet, small_log_on, two_boats};
use std::process::Child;

/// Ten years, seconds.
const TEN_YEARS: i64 = 3652 * 86_400;

/// With noise, so that one day is no copy of another, metres.
fn depth(day: u32, s: u32) -> f64 {
    4.0 + f64::from(s % 300) * 0.01 + f64::from((s * 7_919 + day * 104_729) % 61) * 0.001
}

fn words(args: &[&str]) -> Vec<String> {
    args.iter().map(|a| (*a).to_owned()).collect()
}

/// All of them wait for one another; nothing is lost and nothing is there twice.
#[test]
fn several_commands_at_once_lose_nothing() {
    let heron = Device::new();
    heron.found("Testmere");
    for day in 1..=4 {
        heron.write(&format!("{day}.nmea"), small_log_on(day, 700, |s| depth(day, s)));
    }
    let imports = (1..=4).map(|day| words(&["import", &format!("{day}.nmea"), "--boat", "Heron"]));
    let twice = std::iter::once(words(&["import", "1.nmea", "--boat", "Heron"]));
    let stages =
        (1..=4).map(|d| words(&["stage", "add", "--at", &format!("2026-05-0{d}T08:00Z"), "--level", "0.2"]));
    let readers = ["verify", "status", "passes"].map(|c| words(&[c]));
    let all: Vec<_> = imports.chain(twice).chain(stages).chain(readers).collect();
    let layered = Layered::on(heron.dir.path());
    let running: Vec<Child> = all.iter().map(|args| layered.command(args).spawn().expect("starts")).collect();
    for (child, args) in running.into_iter().zip(&all) {
        let ran: Ran = child.wait_with_output().expect("ends").into();
        assert_eq!(ran.code, 0, "{args:?}: {}{}", ran.out, ran.err);
    }
    let status = heron.json(&["status"]);
    // 700 s are two windows of ten minutes.
    assert_eq!((&status["legs"], &status["soundings"]), (&8.into(), &2800.into()), "{status}");
    heron.run(&["verify"]).says(0, &["Everything is whole"]);
    let stages = heron.run(&["stage", "show"]);
    stages.says(0, &["2026-05-01", "2026-05-02", "2026-05-03", "2026-05-04"]);
}

/// What is written while the clock is wrong counts, here and for the crew, and so does what is written afterwards.
#[test]
fn a_clock_set_back_ten_years_loses_nothing() {
    let (heron, plover) = two_boats();
    meet(&heron, &plover);
    let back = Layered { clock: -TEN_YEARS, ..Layered::on(heron.dir.path()) };
    heron.write("late.nmea", small_log_on(5, 700, |s| 4.0 + f64::from(s % 300) * 0.01));
    for args in [
        words(&["import", "late.nmea", "--boat", "Heron"]),
        words(&["stage", "add", "--at", "2026-05-05T08:00Z", "--level", "0.25"]),
        words(&["boat", "set", "Heron", "--draft", "0.4"]),
        words(&["verify"]),
    ] {
        back.run(&args).expect("ends").says(0, &[]);
    }
    heron.run(&["boat", "set", "Heron", "--draft", "0.45"]).says(0, &[]);
    meet(&heron, &plover);
    for device in [&heron, &plover] {
        device.run(&["stage", "show"]).says(0, &["2026-05-05"]);
        device.run(&["boat", "list"]).says(0, &["0.45"]);
        device.run(&["verify"]).says(0, &["Everything is whole"]);
    }
    let held = |d: &Device| Holdings::of(d.dir.path()).expect("whole").truth;
    assert_eq!(held(&heron), held(&plover));
}

/// Another user of the machine may not read the keys, and is told so. Only root can become another user.
#[test]
fn a_folder_of_another_user_is_refused() {
    let heron = Device::new();
    heron.found("Testmere");
    let before = Holdings::of(heron.dir.path()).expect("whole");
    let mut c = std::process::Command::new("setpriv");
    c.args(["--reuid=65534", "--regid=65534", "--clear-groups"]).arg(crate::home::program());
    c.arg("status").env_clear().env("LEADLINE_HOME", heron.home()).current_dir("/");
    open_to_all(heron.dir.path());
    open_to_all(&heron.home());
    match c.output() {
        // Only who is root can become another user.
        Ok(out) if !String::from_utf8_lossy(&out.stderr).starts_with("setpriv:") => {
            Ran::from(out).says(4, &["Permission denied", "home/keys"]);
        }
        other => println!("skip: cannot become another user here: {other:?}"),
    }
    assert_eq!(Holdings::of(heron.dir.path()).expect("whole"), before);
}

fn open_to_all(dir: &std::path::Path) {
    use std::os::unix::fs::PermissionsExt;
    std::fs::set_permissions(dir, std::fs::Permissions::from_mode(0o755)).expect("set");
}
