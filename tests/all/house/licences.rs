//! Every resolved package has a licence that deny.toml allows, and every exception there has its reason.

use super::{metadata, none, root};
use serde_json::{Value, json};

/// The licence part of deny.toml, and its entries without a reason.
#[derive(Debug, Default)]
struct Policy {
    allow: Vec<String>,
    /// Package and licence.
    exceptions: Vec<(String, String)>,
    without_reason: Vec<String>,
}

#[test]
fn resolved_packages_have_allowed_licences() {
    let text = std::fs::read_to_string(root().join("deny.toml")).expect("deny.toml is there");
    let policy = policy(&text);
    assert!(policy.allow.len() > 3, "deny.toml was not understood");
    let mut found = policy.without_reason.clone();
    found.extend(findings(&metadata(), &policy));
    none(found);
}

fn findings(metadata: &Value, policy: &Policy) -> Vec<String> {
    let packages = metadata["packages"].as_array().expect("a list of packages");
    packages
        .iter()
        .filter_map(|p| {
            let (name, licence) = (p["name"].as_str().unwrap_or("?"), p["license"].as_str().unwrap_or(""));
            let known = |l: &str| {
                policy.allow.iter().any(|a| a == l)
                    || policy.exceptions.iter().any(|(package, e)| package == name && e == l)
            };
            (!satisfied(licence, &known)).then(|| format!("{name}: licence {licence:?} is not in deny.toml"))
        })
        .collect()
}

/// Whether the SPDX expression can be met with known licences. The old `MIT/Apache-2.0` counts as OR.
fn satisfied(expression: &str, known: &dyn Fn(&str) -> bool) -> bool {
    let spaced = expression.replace('/', " OR ").replace('(', " ( ").replace(')', " ) ");
    let mut words = spaced.split_whitespace().peekable();
    let met = any(&mut words, known);
    met && words.next().is_none()
}

type Words<'a> = std::iter::Peekable<std::str::SplitWhitespace<'a>>;

fn any(words: &mut Words<'_>, known: &dyn Fn(&str) -> bool) -> bool {
    let mut met = all(words, known);
    while words.next_if_eq(&"OR").is_some() {
        met |= all(words, known);
    }
    met
}

fn all(words: &mut Words<'_>, known: &dyn Fn(&str) -> bool) -> bool {
    let mut met = one(words, known);
    while words.next_if_eq(&"AND").is_some() {
        met &= one(words, known);
    }
    met
}

fn one(words: &mut Words<'_>, known: &dyn Fn(&str) -> bool) -> bool {
    match words.next() {
        Some("(") => {
            let met = any(words, known);
            words.next() == Some(")") && met
        }
        Some(licence) if words.next_if_eq(&"WITH").is_some() => {
            words.next().is_some_and(|exception| known(&format!("{licence} WITH {exception}")))
        }
        Some(licence) => known(licence),
        None => false,
    }
}

/// Reads the few forms that deny.toml uses; this is not a TOML reader.
fn policy(text: &str) -> Policy {
    let mut policy = Policy::default();
    let (mut section, mut list, mut before) = ("", "", "");
    for line in text.lines().map(str::trim) {
        if line.starts_with('[') && !line.starts_with("[\"") {
            section = line;
            list = "";
            if line == "[[licenses.exceptions]]" && !before.starts_with('#') {
                policy
                    .without_reason
                    .push("deny.toml: a licence exception has no reason above it".to_owned());
            }
        }
        if let Some((key, value)) = line.split_once('=').filter(|_| list.is_empty()) {
            match (section, key.trim()) {
                ("[[licenses.exceptions]]", "crate") => {
                    policy.exceptions.push((unquoted(value), String::new()))
                }
                ("[[licenses.exceptions]]", "allow") => {
                    if let Some(last) = policy.exceptions.last_mut() {
                        last.1 = unquoted(value);
                    }
                }
                _ => {}
            }
            if value.trim() == "[" {
                list = key.trim();
            }
        } else if line == "]" {
            list = "";
        } else if (section, list) == ("[licenses]", "allow") && line.starts_with('"') {
            policy.allow.push(unquoted(line));
        }
        if line.starts_with("{ ") && !line.contains("reason = \"") {
            policy.without_reason.push(format!("deny.toml: no reason in {line}"));
        }
        before = line;
    }
    policy
}

fn unquoted(text: &str) -> String {
    text.chars().filter(|c| !matches!(c, '"' | '[' | ']' | ',')).collect::<String>().trim().to_owned()
}

#[test]
fn expressions_are_met_or_not() {
    let known = |l: &str| matches!(l, "MIT" | "Apache-2.0" | "ISC" | "Apache-2.0 WITH LLVM-exception");
    for good in [
        "MIT",
        "MIT/GPL-3.0",
        "LGPL-2.1-or-later OR MIT",
        "ISC AND (GPL-2.0 OR MIT)",
        "Apache-2.0 WITH LLVM-exception OR X",
        "(MIT OR X) AND ISC",
    ] {
        assert!(satisfied(good, &known), "{good}");
    }
    for bad in [
        "",
        "GPL-3.0",
        "AGPL-3.0-or-later",
        "MIT AND LGPL-3.0",
        "ISC AND (GPL-2.0 OR X)",
        "MIT WITH X",
        "MIT MIT",
    ] {
        assert!(!satisfied(bad, &known), "{bad}");
    }
}

#[test]
fn forbidden_licence_and_missing_reasons_are_found() {
    let text = "[advisories]\nignore = [\n{ id = \"R-1\" },\n]\n[licenses]\nallow = [\n\"MIT\",\n]\n\n\
        [[licenses.exceptions]]\ncrate = \"odd\"\nallow = [\"MPL-2.0\"]\n";
    let policy = policy(text);
    assert_eq!(policy.without_reason.len(), 2, "{policy:?}");
    let packages = json!({"packages": [
        {"name": "fine", "license": "MIT"},
        {"name": "odd", "license": "MPL-2.0"},
        {"name": "other", "license": "MPL-2.0"},
        {"name": "bare", "license": null},
        {"name": "viral", "license": "AGPL-3.0-or-later"},
    ]});
    let found = findings(&packages, &policy);
    assert_eq!(found.len(), 3, "{found:?}");
}
