//! The house rules: what may depend on what, what the pure crates may not touch, and how files look.

mod edges;
mod licences;
mod named_tests;
mod rust_text;
mod sources;
mod tree;

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The repository's top.
fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("tests/ lies in the repository").to_owned()
}

/// What cargo knows of the workspace and of every resolved package.
fn metadata() -> Value {
    let out = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--locked"])
        .current_dir(root())
        .output()
        .expect("cargo runs");
    assert!(out.status.success(), "cargo metadata: {}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).expect("cargo writes JSON")
}

/// Fails with one finding a line.
#[track_caller]
fn none(findings: Vec<String>) {
    assert!(findings.is_empty(), "{} findings:\n{}", findings.len(), findings.join("\n"));
}
