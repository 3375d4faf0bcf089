//! Commands killed at every change they make, cut short in a write, and given errors by their disk.

use super::check::{Tried, sober};
use super::homes::{Homes, copy};
use super::layer::{Layered, scratch};
use super::table::rows;
use super::{half_of_all, on_all_cores, only};
use crate::sim::Dice;
use std::collections::BTreeMap;
use std::sync::Mutex;

/// I/O error, disk full, read-only, permission denied, as Linux numbers them (errno(3)).
const ERRORS: [(i32, &str); 4] = [(5, "I/O error"), (28, "disk full"), (30, "read-only"), (13, "permission")];
/// The order in which they are drawn.
const SEED: u64 = 8;

/// All faults of one command, as the layer takes them, with the kind in words.
fn faults(tried: &Tried, dice: &mut Dice) -> Vec<(String, String)> {
    let changes: Vec<_> = tried.journal.iter().filter(|op| op.is_change()).collect();
    let mut all = vec![(format!("after@{}", changes.len()), "killed".to_owned())];
    for (n, op) in (1..).zip(&changes) {
        all.push((format!("kill@{n}"), "killed".to_owned()));
        if op.data.len() > 1 {
            let sector = 512 * dice.below(op.data.len().div_ceil(512));
            let byte = 1 + dice.below(op.data.len() - 1);
            all.push((format!("torn@{n}:{sector}"), "killed in a write".to_owned()));
            all.push((format!("torn@{n}:{byte}"), "killed in a write".to_owned()));
        }
        for (number, name) in ERRORS {
            all.push((format!("fail@{n}:{number}"), format!("{name}, once")));
            all.push((format!("fails@{n}:{number}"), format!("{name}, from then on")));
        }
    }
    let reads = tried.journal.iter().rfind(|op| op.kind == 'E').map_or(0, |op| op.offset);
    all.extend((1..=reads).map(|n| (format!("read@{n}:5"), "I/O error in a read".to_owned())));
    for i in (1..all.len()).rev() {
        all.swap(i, dice.below(i + 1));
    }
    all
}

/// One fault of one command.
struct Case<'a> {
    tried: &'a Tried,
    fault: String,
    kind: String,
}

impl Case<'_> {
    fn name(&self) -> String {
        format!("{} {}", self.tried.row.name, self.fault)
    }
}

/// Takes turns: one fault of each command, then the next.
fn draw<'a>(tried: &'a [Tried], count: usize, dice: &mut Dice) -> Vec<Case<'a>> {
    let mut left: Vec<_> = tried.iter().map(|t| (t, faults(t, dice))).collect();
    let mut cases = Vec::new();
    for turn in 0.. {
        if left.iter().all(|(_, f)| f.is_empty()) || cases.len() >= count {
            break;
        }
        for (tried, faults) in left.iter_mut().filter(|(t, _)| turn % t.row.share == 0) {
            cases.extend(faults.pop().map(|(fault, kind)| Case { tried, fault, kind }));
        }
    }
    cases.truncate(count);
    cases
}

fn strike(homes: &Homes, case: &Case<'_>) -> Result<i32, String> {
    let _turn = case.tried.turn();
    let dir = scratch();
    let device = dir.path().join("device");
    copy(homes.start(case.tried.row.start), &device);
    let layered = Layered { fault: Some(case.fault.clone()), ..Layered::on(&device) };
    let ran = layered.run(&case.tried.row.args).ok_or("hangs")?;
    sober(&ran)?;
    let was_killed = ran.code == -1;
    if !was_killed && !matches!(ran.code, 0 | 1 | 3 | 4) {
        return Err(format!("exit code {}: {}", ran.code, ran.err));
    }
    let acknowledged = if was_killed { !ran.out.is_empty() } else { ran.code == 0 };
    case.tried
        .judge(&device, acknowledged)
        .map_err(|why| format!("{why}; it had said: {}", ran.err.trim()))?;
    Ok(ran.code)
}

#[test]
fn a_command_that_is_struck_down_can_be_repeated() {
    let homes = Homes::new();
    let tried: Vec<Tried> = rows(&homes).into_iter().map(|row| Tried::new(&homes, row)).collect();
    let mut dice = Dice::new(SEED);
    let mut cases = draw(&tried, if only().is_some() { usize::MAX } else { half_of_all() }, &mut dice);
    if let Some(names) = only() {
        cases.retain(|c| names.split(';').any(|n| n == c.name()));
    }
    let counts: Mutex<BTreeMap<(String, i32), u64>> = Mutex::default();
    let bad = on_all_cores(&cases, |case| {
        let code = strike(&homes, case).map_err(|why| format!("{}: {why}", case.name()))?;
        *counts.lock().expect("no panic").entry((case.kind.clone(), code)).or_default() += 1;
        Ok(())
    });
    for ((kind, code), n) in counts.into_inner().expect("no panic") {
        let end = if code == -1 { "killed".to_owned() } else { format!("exit code {code}") };
        println!("{n:6}  {kind}: {end}");
    }
    println!(
        "{} faults tried on {} commands, {} survived",
        cases.len(),
        tried.len(),
        cases.len() - bad.len()
    );
    assert!(bad.is_empty(), "{} not survived:\n{}", bad.len(), bad.join("\n"));
}
