//! The power is cut at every moment of every command: states that the disk may be left in are opened again.

use super::check::Tried;
use super::disk::{Disk, Honesty};
use super::homes::Homes;
use super::layer::scratch;
use super::table::rows;
use super::{half_of_all, on_all_cores, only};
use crate::sim::Dice;

/// One cut: of which command, before which change, and the chance that decides what survives.
struct Cut {
    command: usize,
    at: usize,
    seed: u64,
}

impl Cut {
    fn name(&self, tried: &[Tried]) -> String {
        format!("{} cut@{}:{}", tried[self.command].row.name, self.at, self.seed)
    }
}

/// Cuts evenly over the commands and their changes.
fn draw(tried: &[Tried], count: usize) -> Vec<Cut> {
    let mut dice = Dice::new(13);
    let total: usize = tried.iter().map(|t| 60 / t.row.share).sum();
    let mut cuts = Vec::new();
    for (command, t) in tried.iter().enumerate() {
        let n = (count * (60 / t.row.share)).div_ceil(total);
        let moments = t.journal.len() + 1;
        cuts.extend((0..n).map(|i| Cut { command, at: i * moments / n, seed: dice.next() % 1_000_000 }));
    }
    cuts
}

/// The cut that `LEADLINE_FAULT_ONLY` names, if it is one.
fn named(name: &str, tried: &[Tried]) -> Option<Cut> {
    let (row, rest) = name.rsplit_once(" cut@")?;
    let (at, seed) = rest.split_once(':')?;
    let command = tried.iter().position(|t| t.row.name == row)?;
    Some(Cut { command, at: at.parse().ok()?, seed: seed.parse().ok()? })
}

fn cut(homes: &Homes, tried: &Tried, cut: &Cut, honesty: Honesty) -> Result<(), String> {
    let mut disk = Disk::holding(homes.start(tried.row.start), honesty);
    let (done, _) = tried.journal.split_at(cut.at);
    done.iter().for_each(|op| disk.step(op));
    let acknowledged = done.iter().any(|op| op.kind == 'A');
    let _turn = tried.turn();
    let dir = scratch();
    let device = dir.path().join("device");
    disk.cut(&device, &mut Dice::new(cut.seed));
    tried.judge(&device, acknowledged)
}

fn all(homes: &Homes) -> Vec<Tried> {
    rows(homes).into_iter().map(|row| Tried::new(homes, row)).collect()
}

#[test]
fn what_a_power_cut_leaves_is_whole() {
    let homes = Homes::new();
    let tried = all(&homes);
    let cuts = match only() {
        Some(name) => named(&name, &tried).into_iter().collect(),
        None => draw(&tried, half_of_all()),
    };
    let bad = on_all_cores(&cuts, |c| {
        let tried_one = &tried[c.command];
        cut(&homes, tried_one, c, Honesty::Honest).map_err(|why| format!("{}: {why}", c.name(&tried)))
    });
    println!(
        "{} power cuts tried on {} commands, {} survived",
        cuts.len(),
        tried.len(),
        cuts.len() - bad.len()
    );
    assert!(bad.is_empty(), "{} not survived:\n{}", bad.len(), bad.join("\n"));
}

/// The checks are worth nothing if they pass whatever the disk does.
#[test]
fn a_disk_that_lies_about_syncs_is_found_out() {
    let homes = Homes::new();
    let import = rows(&homes).into_iter().find(|r| r.name.starts_with("import b.nmea")).expect("a row");
    let tried = Tried::new(&homes, import);
    let tries = |honesty| {
        let last = tried.journal.len();
        let cuts: Vec<Cut> = (0..40).map(|seed| Cut { command: 0, at: last, seed }).collect();
        on_all_cores(&cuts, |c| cut(&homes, &tried, c, honesty))
    };
    let lost = tries(Honesty::Liar);
    assert!(lost.iter().any(|why| why.contains("acknowledged and not there")), "{lost:?}");
    assert_eq!(tries(Honesty::Honest), Vec::<String>::new());
}
