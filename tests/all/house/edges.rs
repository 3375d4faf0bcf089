//! No dependency outside the picture of the house.

use super::{metadata, none};
use serde_json::{Value, json};

/// Package → the workspace's packages it may depend on, of whatever kind. A new row or edge is a decision:
/// change the picture in the design and docs/decisions first.
const EDGES: &[(&str, &[&str])] = &[
    ("leadline-model", &[]),
    ("leadline-ingest", &["model"]),
    ("leadline-logbook", &["model"]),
    ("leadline-reduce", &["model"]),
    ("leadline-chart", &["model"]),
    ("leadline-sync", &["logbook", "model"]),
    ("leadline-survey", &["sync", "logbook", "ingest", "reduce", "model"]),
    ("leadline-net", &["survey", "sync", "model"]),
    ("leadline-record", &["survey", "ingest", "model"]),
    ("leadline-view", &["survey", "chart", "model"]),
    ("leadline-demo-data", &["model"]),
    ("leadline", &["record", "net", "view", "survey", "chart", "demo-data", "model"]),
    (
        "leadline-tests",
        &[
            "record",
            "net",
            "view",
            "survey",
            "sync",
            "chart",
            "reduce",
            "logbook",
            "ingest",
            "demo-data",
            "model",
        ],
    ),
];

/// Library → the only packages whose manifests name it.
const KEEPERS: &[(&str, &[&str])] = &[
    ("automerge", &["leadline-logbook"]),
    ("bincode", &["leadline-logbook"]),
    ("libp2p", &["leadline-net", "leadline-tests"]),
    ("libp2p-stream", &["leadline-net"]),
    ("rusqlite", &["leadline-survey", "leadline-tests"]),
    ("clap", &["leadline"]),
    ("indicatif", &["leadline"]),
];

/// Packages without files, sockets, clock, threads, printing.
pub(super) const PURE: [&str; 6] = [
    "leadline-model",
    "leadline-ingest",
    "leadline-logbook",
    "leadline-reduce",
    "leadline-chart",
    "leadline-sync",
];

/// What no pure package depends on, but for its tests.
const IMPURE_LIBRARIES: [&str; 8] =
    ["tokio", "futures", "socket2", "directories", "getrandom", "rand", "rayon", "tempfile"];

#[test]
fn workspace_has_no_edge_outside_the_picture() {
    none(findings(&metadata()));
}

fn findings(metadata: &Value) -> Vec<String> {
    let packages = metadata["packages"].as_array().expect("a list of packages");
    let members: Vec<&Value> = packages.iter().filter(|p| p["source"].is_null()).collect();
    assert!(!members.is_empty(), "the workspace has packages");
    members.into_iter().flat_map(package_findings).collect()
}

fn package_findings(package: &Value) -> Vec<String> {
    let name = text(&package["name"]);
    let Some((_, allowed)) = EDGES.iter().find(|(row, _)| *row == name) else {
        return vec![format!("{name} is not in the picture")];
    };
    let dependencies = package["dependencies"].as_array().expect("a list of dependencies");
    dependencies
        .iter()
        .filter_map(|d| {
            let (to, kind) = (text(&d["name"]), text(&d["kind"]));
            if let Some(short) = to.strip_prefix("leadline-") {
                return (!allowed.contains(&short)).then(|| format!("{name} must not depend on {to}"));
            }
            let kept = KEEPERS.iter().find(|(library, _)| *library == to);
            if kept.is_some_and(|(_, keepers)| !keepers.contains(&name)) {
                return Some(format!("{name} must not name {to}"));
            }
            let impure = kind != "dev" && PURE.contains(&name) && IMPURE_LIBRARIES.contains(&to);
            impure.then(|| format!("{name} is pure and must not depend on {to}"))
        })
        .collect()
}

fn text(value: &Value) -> &str {
    value.as_str().unwrap_or("normal")
}

#[test]
fn every_kind_of_wrong_edge_is_found() {
    let with = |name: &str, to: &str, kind: Value| {
        let package = json!({"name": name, "source": null, "dependencies": [{"name": to, "kind": kind}]});
        findings(&json!({"packages": [package]}))
    };
    let normal = Value::Null;
    assert_eq!(with("leadline-ingest", "leadline-model", normal.clone()), Vec::<String>::new());
    for (name, to) in [
        ("leadline-ingest", "leadline-reduce"),
        ("leadline-model", "leadline-ingest"),
        ("leadline-sync", "leadline-survey"),
        ("leadline-view", "leadline-net"),
        ("leadline-survey", "automerge"),
        ("leadline-sync", "bincode"),
        ("leadline", "libp2p"),
        ("leadline-chart", "rand"),
        ("leadline-sync", "tokio"),
        ("leadline-common", "serde"),
    ] {
        assert_eq!(with(name, to, normal.clone()).len(), 1, "{name} -> {to}");
    }
    assert_eq!(
        with("leadline-ingest", "leadline-chart", json!("dev")).len(),
        1,
        "siblings not even in tests"
    );
    assert!(with("leadline-chart", "tempfile", json!("dev")).is_empty());
}
