//! Tests that the documents point to are there.

use super::{none, root, tree};

/// Documents that name tests as `crate_or_module::name`.
const DOCUMENTS: [&str; 2] = ["docs/threats.md", "docs/reliability.md"];

#[test]
fn tests_that_documents_name_exist() {
    let sources: String = tree::files(&root())
        .iter()
        .filter(|f| f.ends_with(".rs"))
        .map(|f| std::fs::read_to_string(root().join(f)).unwrap_or_default())
        .collect();
    let mut named = 0;
    let mut missing = Vec::new();
    for document in DOCUMENTS {
        let text = std::fs::read_to_string(root().join(document)).unwrap_or_default();
        for name in names(&text) {
            named += 1;
            let last = name.rsplit("::").next().unwrap_or_default();
            let there = [format!("fn {last}("), format!("mod {last};"), format!("mod {last} {{")];
            if !there.iter().any(|t| sources.contains(t)) {
                missing.push(format!("{document} names {name}, which is not there"));
            }
        }
    }
    assert!(named > 30, "only {named} tests are named");
    none(missing);
}

/// Paths of Rust items between backticks: `a::b`, nothing else in it.
fn names(text: &str) -> Vec<&str> {
    let plain =
        |s: &str| s.contains("::") && s.chars().all(|c| c.is_ascii_alphanumeric() || c == '_' || c == ':');
    text.split('`').skip(1).step_by(2).filter(|s| plain(s) && !s.ends_with(':')).collect()
}

#[test]
fn names_are_found_in_text() {
    assert_eq!(names("see `a::b_c` and `cargo x` or `d`, `e::f`"), ["a::b_c", "e::f"]);
}
