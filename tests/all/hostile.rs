//! Hostile input: mutations of good files and frames through every door that bytes come in by, sizes out of all measure
//! with the memory they cost, requests that no browser sends, and where secrets may not show.
//!
//! `LEADLINE_MUTATIONS=1000000` makes it that many for each target; `LEADLINE_CORPUS=FOLDER` writes the good ones there,
//! for cargo-fuzz to begin with.

mod http;
mod memory;
mod mutate;
mod secrets;
mod seeds;
#[path = "../fuzz/targets.rs"]
mod targets;
mod traitor;

use crate::sim::Dice;
use mutate::mutate;
use std::path::{Path, PathBuf};

fn mutations() -> u64 {
    std::env::var("LEADLINE_MUTATIONS").ok().and_then(|n| n.parse().ok()).unwrap_or(4_000)
}

/// Runs one target over its seeds and their mutants; a panic is told with what caused it.
fn fuzz(name: &str, mutations: u64) {
    let (_, target) = targets::ALL.into_iter().find(|(n, _)| *n == name).expect("a target");
    let seeds = seeds::of(name);
    assert!(!seeds.is_empty() && seeds.iter().any(|s| !s.is_empty()), "{name} has nothing to begin with");
    if let Some(dir) = std::env::var_os("LEADLINE_CORPUS") {
        seeds::write(&PathBuf::from(dir).join(name), &seeds);
    }
    seeds.iter().for_each(|s| target(s));
    for seed in 0..mutations {
        let mut dice = Dice::new(seed);
        let mut mutant = seeds[dice.below(seeds.len())].clone();
        let other = &seeds[dice.below(seeds.len())];
        (0..1 + dice.below(5)).for_each(|_| mutate(&mut mutant, other, &mut dice));
        let done = std::panic::catch_unwind(|| target(&mutant));
        assert!(done.is_ok(), "{name}, seed {seed}, {} bytes: {:02x?}", mutant.len(), head(&mutant));
    }
    println!("{name}: {} seeds, {mutations} mutants, 0 panics", seeds.len());
}

fn head(bytes: &[u8]) -> &[u8] {
    &bytes[..bytes.len().min(400)]
}

#[test]
fn logs() {
    fuzz("logs", mutations());
}

#[test]
fn levels() {
    fuzz("levels", mutations());
}

#[test]
fn codec() {
    fuzz("codec", 4 * mutations());
}

#[test]
fn entries() {
    fuzz("entries", mutations());
}

#[test]
fn strips() {
    fuzz("strips", mutations());
}

#[test]
fn parcels() {
    fuzz("parcels", mutations());
}

#[test]
fn frames() {
    fuzz("frames", mutations());
}

#[test]
fn have_lists() {
    fuzz("have_lists", 4 * mutations());
}

/// What a fuzzer once found stays mended. Files in `tests/fuzz/found`, named TARGET-WHAT.
#[test]
fn what_was_found_is_mended() {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/found");
    let mut n = 0;
    for file in std::fs::read_dir(dir).expect("a folder") {
        let path = file.expect("readable").path();
        let name = path.file_name().and_then(|n| n.to_str()).expect("a name").to_owned();
        let is_of = |t: &&(&str, targets::Target)| name.starts_with(&format!("{}-", t.0));
        let (_, target) = targets::ALL.iter().find(is_of).unwrap_or_else(|| panic!("{name}: no such target"));
        target(&std::fs::read(&path).expect("a file"));
        n += 1;
    }
    assert!(n > 0, "nothing is kept");
}

/// Every target is run here, and has its file for cargo-fuzz.
#[test]
fn no_target_is_left_out() {
    let top = Path::new(env!("CARGO_MANIFEST_DIR"));
    let here = include_str!("hostile.rs");
    let manifest = std::fs::read_to_string(top.join("fuzz/Cargo.toml")).expect("there");
    for (name, _) in targets::ALL {
        assert!(here.contains(&format!("fuzz(\"{name}\"")), "{name} is not run");
        assert!(manifest.contains(&format!("name = \"{name}\"")), "{name} is not in tests/fuzz/Cargo.toml");
        let file = std::fs::read_to_string(top.join(format!("fuzz/fuzz_targets/{name}.rs"))).expect("there");
        assert!(file.contains(&format!("targets::{name}(data)")), "{name}");
    }
}
