//! The files of the repository, and what may lie at its top.

use super::{none, root};
use std::path::Path;

/// Everything the top may hold.
const TOP: [&str; 18] = [
    ".ci",
    ".config",
    ".git",
    ".gitignore",
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE-APACHE",
    "LICENSE-MIT",
    "README.md",
    "cli",
    "clippy.toml",
    "crates",
    "demo-data",
    "deny.toml",
    "docs",
    "rustfmt.toml",
    "tests",
];
/// Made by the build or by the demo that README begins with, never committed.
const NOT_OURS: [&str; 6] = [".git", "target", ".venv", "__pycache__", "node_modules", "leadline-demo"];
/// What every telling of the caution says.
const CAUTION_PARTS: [&str; 4] = [
    "not for navigation",
    "for planning and fishing",
    "official charts",
    "eye of the person steering come first",
];
const COMMANDS: [&str; 2] = ["cargo run --release -- demo", "tests/run"];

#[test]
fn top_holds_only_what_belongs_there() {
    let names = names(&root());
    none(top(&names));
}

#[test]
fn readme_says_the_job_and_two_commands_first() {
    let text = std::fs::read_to_string(root().join("README.md")).unwrap_or_default();
    none(readme(&text));
}

#[test]
fn locked_packages_come_from_the_public_registry() {
    let text = std::fs::read_to_string(root().join("Cargo.lock")).expect("Cargo.lock is committed");
    none(lock(&text));
}

/// All files of the repository, relative, sorted.
pub(super) fn files(root: &Path) -> Vec<String> {
    let mut out = Vec::new();
    walk(root, "", &mut out);
    out
}

/// All Rust files.
pub(super) fn rust_files(root: &Path) -> Vec<String> {
    files(root).into_iter().filter(|f| f.ends_with(".rs")).collect()
}

fn walk(folder: &Path, prefix: &str, out: &mut Vec<String>) {
    for name in names(folder) {
        let path = folder.join(&name);
        if NOT_OURS.contains(&name.as_str()) {
            continue;
        }
        if path.is_dir() {
            walk(&path, &format!("{prefix}{name}/"), out);
        } else {
            out.push(format!("{prefix}{name}"));
        }
    }
}

fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).expect("a folder of the repository");
    let mut names: Vec<String> = entries.filter_map(|e| e.ok()?.file_name().into_string().ok()).collect();
    names.sort();
    names
}

fn top(names: &[String]) -> Vec<String> {
    names
        .iter()
        .filter(|n| !TOP.contains(&n.as_str()) && !NOT_OURS.contains(&n.as_str()))
        .map(|n| format!("{n} does not belong at the top"))
        .collect()
}

/// The first block after the title is the job; the two commands come next, before anything else with a title.
fn readme(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut blocks = text.split("\n\n").map(str::trim).filter(|b| !b.is_empty() && !b.starts_with("# "));
    let first = blocks.next().unwrap_or_default();
    if first.len() < 200 || first.starts_with(['#', '`', '|', '-', '!', '[']) {
        found.push("README.md does not open with a paragraph that says the job".to_owned());
    }
    let next: String = blocks.take_while(|b| !b.starts_with("## ") || b.contains("    ")).take(4).collect();
    for command in COMMANDS.iter().filter(|c| !next.contains(*c)) {
        found.push(format!("README.md: `{command}` does not follow the first paragraph"));
    }
    let words = text.replace(['>', '*'], " ").split_whitespace().collect::<Vec<_>>().join(" ").to_lowercase();
    for part in CAUTION_PARTS.iter().filter(|part| !words.contains(*part)) {
        found.push(format!("README.md: the caution lacks \"{part}\""));
    }
    found
}

fn lock(text: &str) -> Vec<String> {
    let public = "source = \"registry+https://github.com/rust-lang/crates.io-index\"";
    text.lines()
        .filter(|l| l.starts_with("source = ") && *l != public)
        .map(|l| format!("Cargo.lock: {l}"))
        .collect()
}

#[test]
fn every_kind_of_disorder_is_found() {
    let names = ["Cargo.toml", "target", "notes.txt", "src"].map(str::to_owned);
    assert_eq!(top(&names).len(), 2);
    assert_eq!(
        lock("source = \"git+https://example.org/x\"\nsource = \"registry+https://example.org\"").len(),
        2
    );

    let job = "A job in one paragraph. ".repeat(12);
    let good = format!(
        "# Name\n\n{job}\n\n```\ncargo run --release -- demo\ntests/run\n```\n\n> {}\n",
        leadline_model::CAUTION
    );
    assert_eq!(readme(&good), Vec::<String>::new());
    assert_eq!(readme(&good.replace("tests/run", "make")).len(), 1);
    assert_eq!(readme(&good.replace("navigation", "fun")).len(), 1, "{good}");
    assert_eq!(readme(&good.replace(&job, "Short.")).len(), 1);
    assert_eq!(readme("").len(), 7);
}
