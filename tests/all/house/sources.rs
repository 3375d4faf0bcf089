//! What source files may hold.

use super::edges::PURE;
use super::rust_text::{before_tests, code_only, has_word, used_paths};
use super::tree::{files, rust_files};
use super::{none, root};

/// Longest file, tests not counted.
const MAX_LINES: usize = 700;

/// Word in code → the folders that may use it.
const KEPT_WORDS: &[(&str, &[&str])] = &[
    ("automerge", &["crates/logbook/"]),
    ("bincode", &["crates/logbook/"]),
    ("libp2p", &["crates/net/", "tests/"]),
    ("libp2p_stream", &["crates/net/"]),
];

const PRINTING: [&str; 4] = ["println!", "eprintln!", "print!", "eprint!"];

/// Paths no pure crate uses.
const IMPURE_PATHS: [&str; 12] = [
    "std::fs",
    "std::thread",
    "std::net",
    "std::env",
    "std::process",
    "std::time::SystemTime",
    "std::time::Instant",
    "std::io::stdin",
    "std::io::stdout",
    "std::io::stderr",
    "std::os",
    "std::hash::RandomState",
];
const IMPURE_WORDS: [&str; 6] = ["SystemTime", "Instant", "getrandom", "rand", "thread_rng", "RandomState"];

/// Methods of floats whose last digit depends on the machine's library: `libm` has them all.
const FLOAT_METHODS: [&str; 24] = [
    "sin", "cos", "tan", "asin", "acos", "atan", "atan2", "sin_cos", "sinh", "cosh", "tanh", "asinh",
    "acosh", "atanh", "exp", "exp2", "exp_m1", "ln", "ln_1p", "log", "log2", "log10", "powf", "powi",
];
const MORE_FLOAT_METHODS: [&str; 2] = ["cbrt", "hypot"];

#[test]
fn only_their_keepers_name_the_kept_libraries() {
    none(each_source(kept_words));
}

#[test]
fn only_cli_prints() {
    none(each_source(printing));
}

#[test]
fn pure_crates_touch_nothing_outside() {
    none(each_source(|path, text| if is_pure(path) { impurities(path, text) } else { Vec::new() }));
}

#[test]
fn no_file_is_too_long_or_unfinished() {
    none(each_source(|path, text| {
        let mut found = too_long(path, text);
        found.extend(unfinished(path, text));
        found
    }));
}

#[test]
fn every_crate_says_what_it_is() {
    let is_root = |path: &str| path.ends_with("/src/lib.rs") || path.ends_with("/src/main.rs");
    none(each_source(|path, text| if is_root(path) { crate_docs(path, text) } else { Vec::new() }));
}

#[test]
fn no_file_names_a_machines_folders() {
    let root = root();
    let found: Vec<String> = files(&root)
        .into_iter()
        .filter_map(|path| Some((String::from_utf8(std::fs::read(root.join(&path)).ok()?).ok()?, path)))
        .flat_map(|(text, path)| machine_paths(&path, &text))
        .collect();
    none(found);
}

fn each_source(check: impl Fn(&str, &str) -> Vec<String>) -> Vec<String> {
    let root = root();
    let all = rust_files(&root);
    assert!(all.len() > 20, "the sources were not found");
    all.iter()
        .flat_map(|path| {
            let text = std::fs::read_to_string(root.join(path)).expect("a source file is text");
            check(path, &text)
        })
        .collect()
}

fn is_pure(path: &str) -> bool {
    PURE.iter().any(|name| {
        let folder = name.trim_start_matches("leadline-");
        path.starts_with(&format!("crates/{folder}/src/"))
    })
}

/// A module of nothing but tests, kept in a file of its own.
fn is_test_file(path: &str) -> bool {
    path.ends_with("/tests.rs") || path.contains("/tests/") || path.starts_with("tests/")
}

fn kept_words(path: &str, text: &str) -> Vec<String> {
    let code = code_only(text);
    KEPT_WORDS
        .iter()
        .filter(|(word, folders)| {
            has_word(&code, word) && !folders.iter().any(|folder| path.starts_with(folder))
        })
        .map(|(word, _)| format!("{path}: must not name {word}"))
        .collect()
}

fn printing(path: &str, text: &str) -> Vec<String> {
    let code = code_only(text);
    let allowed = path.starts_with("cli/")
        || is_test_file(path)
        || ["/benches/", "/examples/"].iter().any(|part| path.contains(part));
    let mut words: Vec<&str> = if allowed { Vec::new() } else { PRINTING.to_vec() };
    words.push("dbg!");
    words
        .into_iter()
        .filter(|w| {
            let part = |c: char| c.is_alphanumeric() || c == '_';
            code.match_indices(w).any(|(at, _)| !code[..at].chars().next_back().is_some_and(part))
        })
        .map(|w| format!("{path}: {w} outside cli"))
        .collect()
}

fn impurities(path: &str, text: &str) -> Vec<String> {
    if is_test_file(path) {
        return Vec::new();
    }
    let code = code_only(text);
    let code = before_tests(&code);
    let mut found = Vec::new();
    let used = used_paths(code);
    for banned in IMPURE_PATHS {
        let inside = |p: &String| p == banned || p.starts_with(&format!("{banned}::"));
        if used.iter().any(inside) || has_word(code, banned) {
            found.push(format!("{path}: {banned} in a pure crate"));
        }
    }
    for word in IMPURE_WORDS.iter().filter(|w| has_word(code, w)) {
        found.push(format!("{path}: {word} in a pure crate"));
    }
    for method in FLOAT_METHODS.iter().chain(&MORE_FLOAT_METHODS) {
        let called = [".", "f64::", "f32::"].iter().any(|before| {
            let call = format!("{before}{method}");
            code.match_indices(&call).any(|(at, _)| {
                let after = code[at + call.len()..].chars().next();
                after == Some('(')
                    || (*before != "." && !after.is_some_and(|c| c.is_alphanumeric() || c == '_'))
            })
        });
        if called {
            found.push(format!("{path}: {method} of the machine's library; use libm::{method}"));
        }
    }
    found
}

fn too_long(path: &str, text: &str) -> Vec<String> {
    let code = code_only(text);
    let lines = before_tests(&code).lines().count();
    if lines > MAX_LINES { vec![format!("{path}: {lines} lines before its tests")] } else { Vec::new() }
}

fn unfinished(path: &str, text: &str) -> Vec<String> {
    let code = code_only(text);
    // A helper is what other tests run as a program of its own: it is no test.
    let helper = path.ends_with("/helper.rs");
    ["todo!", "unimplemented!", "#[ignore"]
        .iter()
        .filter(|w| code.contains(*w) && !(helper && **w == "#[ignore"))
        .map(|w| format!("{path}: {w}"))
        .collect()
}

fn crate_docs(path: &str, text: &str) -> Vec<String> {
    let docs: String = text.lines().take_while(|l| l.starts_with("//!")).map(|l| &l[3..]).collect();
    if docs.len() < 40 { vec![format!("{path}: no crate documentation")] } else { Vec::new() }
}

fn machine_paths(path: &str, text: &str) -> Vec<String> {
    // Put together here, so that this file does not hold them.
    let folders = ["work", "root", "tmp", "home", "Users"].map(|f| format!("/{f}/"));
    text.lines()
        .enumerate()
        .filter(|(_, line)| {
            folders.iter().any(|folder| {
                line.match_indices(folder.as_str()).any(|(at, _)| {
                    // Beginning of a path, not the middle of an address or of a relative path.
                    !line[..at]
                        .chars()
                        .next_back()
                        .is_some_and(|c| c.is_alphanumeric() || ".-_}~)*/".contains(c))
                })
            })
        })
        .map(|(n, line)| format!("{path}:{}: a machine's folder in {:?}", n + 1, line.trim()))
        .collect()
}

#[test]
fn every_kind_of_wrong_source_is_found() {
    assert_eq!(kept_words("crates/sync/src/a.rs", "use automerge::Automerge;").len(), 1);
    assert_eq!(kept_words("cli/src/a.rs", "let x = bincode::serialize(&y);").len(), 1);
    assert_eq!(kept_words("crates/survey/src/a.rs", "use libp2p::PeerId;").len(), 1);
    assert!(kept_words("crates/logbook/src/a.rs", "use automerge::Automerge;").is_empty());
    assert!(kept_words("cli/src/a.rs", "// automerge is not named\nlet s = \"libp2p\";").is_empty());

    assert_eq!(printing("crates/net/src/a.rs", "fn f() { println!(\"x\"); }").len(), 1);
    assert_eq!(printing("cli/src/a.rs", "fn f() { dbg!(1); println!(\"x\"); }").len(), 1);
    assert!(printing("crates/net/src/a.rs", "/// println!(\"x\")\nfn f() {}").is_empty());

    assert_eq!(unfinished("a.rs", "fn f() { todo!() }\n#[ignore]\nfn g() { unimplemented!() }").len(), 3);
    assert_eq!(too_long("a.rs", &"x\n".repeat(701)).len(), 1);
    let long_tests = format!("{}#[cfg(test)]\nmod tests {{\n{}}}\n", "x\n".repeat(600), "y\n".repeat(600));
    assert!(too_long("a.rs", &long_tests).is_empty());
    assert_eq!(crate_docs("a.rs", "//! Not written yet.\n").len(), 1);
    assert_eq!(crate_docs("a.rs", "fn f() {}\n").len(), 1);

    for folder in ["tmp", "work", "root"] {
        assert_eq!(machine_paths("a.md", &format!("see /{folder}/x")).len(), 1);
        assert!(
            machine_paths("a.md", &format!("https://example.org/{folder}/x, crates/{folder}/y")).is_empty()
        );
    }
}

#[test]
fn every_kind_of_impurity_is_found() {
    for bad in [
        "use std::fs;",
        "use std::{io, fs::File};",
        "fn f() { std::thread::spawn(g); }",
        "use std::time::{Duration, Instant};",
        "fn f() -> std::time::SystemTime { todo() }",
        "let home = std::env::var(NAME);",
        "use std::io::stdout;",
        "let mut b = [0; 8]; getrandom::fill(&mut b);",
        "let x = y.sin();",
        "let x = f64::exp(y);",
        "let x = ys.map(f64::ln);",
        "let x = a.atan2(b) + c.powi(2);",
    ] {
        assert!(!impurities("crates/reduce/src/a.rs", bad).is_empty(), "{bad}");
    }
    for good in [
        "use std::io::Write; let x = libm::sin(y).sqrt();",
        "let x = y.floor().mul_add(a, b).abs();",
        "let x = self.log.len(); self.logs(); f.explain();",
        "// std::fs is not used here",
        "fn f() {}\n#[cfg(test)]\nmod tests {\n use std::fs;\n}",
    ] {
        assert!(impurities("crates/reduce/src/a.rs", good).is_empty(), "{good}");
    }
}
