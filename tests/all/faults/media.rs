//! Media that are really full and really read-only: a file system of a few megabytes in memory. Needs root, or user
//! namespaces; a named skip elsewhere, a failure in CI.

use super::homes::log;
use crate::home::{Device, Listener, program, small_log_on};
use std::process::Command;

/// What happens to a device whose home is such a file system.
const STORY: &str = r#"
mount -t tmpfs -o size=4m none home
step found survey new Testmere --device heron
step first import a.nmea --boat Heron --draft 0.35
step digest status --json
cat /dev/zero > home/filler 2>/dev/null
step full_import import b.nmea --boat Heron
step full_stage stage add --at 2026-05-04T08:00Z --level 0.35
step full_mark mark add landing 7.4131,48.2101 --name ramp
step full_verify verify
step full_read status --json
rm home/filler
step again_import import b.nmea --boat Heron
step again_stage stage add --at 2026-05-04T08:00Z --level 0.35
step again_verify verify
step again_read status --json
mount -o remount,ro home
step ro_import import c.nmea --boat Heron
step ro_stage stage add --at 2026-05-05T08:00Z --level 0.4
step ro_read status --json
step ro_verify verify
step ro_backup backup out.backup
mount -o remount,rw home
step rw_import import c.nmea --boat Heron
step rw_verify verify
step rw_inspect backup inspect out.backup
"#;

/// A crew with more to give than a small disk should take: room for less than all of it above the part that is left free.
const CROWDED: &str = r#"
mount -t tmpfs -o size=64m none home
step join crew join "$INVITE" --device plover
free() { stat -f -c '%a %S' home | { read -r blocks size; echo $((blocks * size)); }; }
head -c $(($(free) - 3500000)) /dev/zero > home/filler
step crowded sync --with "$ADDRESS" --once
echo "== free"; free; echo "-- free 0"
step crowded_read status --json
step own_import import p.nmea --boat Plover
step own_verify verify
rm home/filler
step met sync --with "$ADDRESS" --once
step met_verify verify
step met_read status --json
"#;

/// Says each step's name and exit code, then its words.
const STEP: &str = r#"
set -u
step() { name=$1; shift; echo "== $name"; timeout 60 "$LEADLINE" "$@" 2>&1; echo "-- $name $?"; }
"#;

/// The story told, or `None` where no file system can be mounted.
fn told(device: &Device, story: &str, with: &[(&str, &str)]) -> Option<String> {
    std::fs::create_dir(device.home()).expect("made");
    let mut c = Command::new("unshare");
    c.args(["--user", "--map-root-user", "--mount", "bash", "-c", &format!("{STEP}{story}")]);
    c.current_dir(device.dir.path()).envs(with.iter().copied());
    c.env("LEADLINE", program()).env("LEADLINE_HOME", device.home());
    let told = c.output().ok().map(|o| String::from_utf8_lossy(&o.stdout).into_owned());
    let told = told.filter(|t| t.contains(" 0\n"));
    if told.is_none() {
        assert!(std::env::var("CI").as_deref() != Ok("true"), "CI must be able to mount a file system");
        eprintln!("skipped: no file system can be mounted here (needs user namespaces)");
    }
    told
}

/// Exit code and words of a step.
fn step(told: &str, name: &str) -> (i32, String) {
    let (_, after) = told.split_once(&format!("== {name}\n")).unwrap_or_else(|| panic!("no {name}: {told}"));
    let (words, end) = after.split_once(&format!("-- {name} ")).expect("it ends");
    (end.lines().next().and_then(|n| n.parse().ok()).expect("a code"), words.to_owned())
}

fn soundings(told: &str, name: &str) -> (u64, String) {
    let (code, words) = step(told, name);
    assert_eq!(code, 0, "{name}: {words}");
    let json: serde_json::Value =
        serde_json::from_str(&words).unwrap_or_else(|e| panic!("{name}: {e}: {words}"));
    (json["soundings"].as_u64().expect("a number"), json["digest"].as_str().expect("a digest").to_owned())
}

fn refused(told: &str, name: &str, words: &str) {
    let (code, said) = step(told, name);
    assert!(code == 4 && said.contains(words) && !said.contains("panicked"), "{name}: {code} {said}");
}

fn done(told: &str, name: &str) {
    let (code, said) = step(told, name);
    assert_eq!(code, 0, "{name}: {said}");
}

#[test]
fn a_card_that_is_full_or_read_only_loses_nothing() {
    let d = Device::new();
    for (name, day) in [("a.nmea", 1), ("b.nmea", 2), ("c.nmea", 3)] {
        d.write(name, log(day, 700));
    }
    let Some(told) = told(&d, STORY, &[]) else { return };
    let refused = |name: &str, words: &str| refused(&told, name, words);
    let done = |name: &str| done(&told, name);
    done("first");
    let first = soundings(&told, "digest");
    for name in ["full_import", "full_stage", "full_mark"] {
        refused(name, "disk is full");
    }
    done("full_verify");
    assert_eq!(soundings(&told, "full_read"), first, "what was there is there, and can be read");
    for name in ["again_import", "again_stage", "again_verify"] {
        done(name);
    }
    let second = soundings(&told, "again_read");
    assert_eq!(second.0, 2 * first.0);
    for name in ["ro_import", "ro_stage"] {
        refused(name, "only");
    }
    assert_eq!(soundings(&told, "ro_read"), second);
    for name in ["ro_verify", "ro_backup", "rw_import", "rw_verify", "rw_inspect"] {
        done(name);
    }
}

/// Whoever belongs to the crew can make up entries without end. The evening can be recorded all the same.
#[test]
fn what_others_bring_leaves_room_for_what_one_measures() {
    let (heron, plover) = (Device::new(), Device::new());
    heron.found("Testmere");
    let invite = heron.json(&["crew", "invite"])["invite"].as_str().expect("an invite").to_owned();
    // Depths that cannot be packed well.
    let rough = |s: u32| 4.0 + f64::from(s.wrapping_mul(2_654_435_761) >> 22) * 0.01;
    heron.import(&heron.write("h.nmea", small_log_on(1, 20_000, rough)), "Heron");
    plover.write("p.nmea", log(2, 700));
    let listener = Listener::start(&heron);
    let with = [("INVITE", invite.as_str()), ("ADDRESS", listener.address.as_str())];
    let Some(told) = told(&plover, CROWDED, &with) else { return };
    drop(listener);
    done(&told, "join");
    refused(&told, "crowded", "make room, then meet again");
    let left: u64 = step(&told, "free").1.trim().parse().expect("bytes");
    println!("{left} bytes of 3,500,000 left free");
    assert!(left > 2_000_000, "{left}: less than the part that is left free and one lot above it");
    let (crowded, _) = soundings(&told, "crowded_read");
    for name in ["own_import", "own_verify", "met", "met_verify"] {
        done(&told, name);
    }
    let (met, digest) = soundings(&told, "met_read");
    let held = heron.json(&["status"]);
    assert!(crowded < 20_000 && met > 20_000, "{crowded} {met}");
    assert_eq!((Some(met), Some(digest.as_str())), (held["soundings"].as_u64(), held["digest"].as_str()));
}
