//! Media that are really full and really read-only: a file system of a few megabytes in memory. Needs root, or user
//! namespaces; a named skip elsewhere, a failure in CI.

use super::homes::log;
use crate::home::{Device, program};
use std::process::Command;

/// What happens to a device whose home is such a file system. Each step says its name and exit code, then its words.
const STORY: &str = r#"
set -u
mount -t tmpfs -o size=4m none home
step() { name=$1; shift; echo "== $name"; timeout 60 "$LEADLINE" "$@" 2>&1; echo "-- $name $?"; }
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

/// The story told, or `None` where no file system can be mounted.
fn told(device: &Device) -> Option<String> {
    let mut c = Command::new("unshare");
    c.args(["--user", "--map-root-user", "--mount", "bash", "-c", STORY]).current_dir(device.dir.path());
    c.env("LEADLINE", program()).env("LEADLINE_HOME", device.home());
    let told = c.output().ok().map(|o| String::from_utf8_lossy(&o.stdout).into_owned());
    let told = told.filter(|t| t.contains("-- found 0"));
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

#[test]
fn a_card_that_is_full_or_read_only_loses_nothing() {
    let d = Device::new();
    for (name, day) in [("a.nmea", 1), ("b.nmea", 2), ("c.nmea", 3)] {
        d.write(name, log(day, 700));
    }
    std::fs::create_dir(d.home()).expect("made");
    let Some(told) = told(&d) else { return };
    let refused = |name: &str, words: &str| {
        let (code, said) = step(&told, name);
        assert!(code == 4 && said.contains(words) && !said.contains("panicked"), "{name}: {code} {said}");
    };
    let done = |name: &str| {
        let (code, said) = step(&told, name);
        assert_eq!(code, 0, "{name}: {said}");
    };
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
