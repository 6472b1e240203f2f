//! Cargo's edges are the architecture: they are compared with the table below, both ways.

use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

use harness::workspace_root;

/// Package → workspace packages it may use, dev-dependencies left out.
const EDGES: [(&str, &[&str]); 13] = [
    ("units", &[]),
    ("chart", &[]),
    ("calibration", &["units"]),
    ("lab", &["calibration", "chart", "daemon-api", "units"]),
    ("daemon-core", &["calibration", "units"]),
    ("daemon-api", &[]),
    ("daemon-store", &[]),
    ("daemon-sources", &["units"]),
    ("daemon-http", &["daemon-api"]),
    (
        "daemon",
        &[
            "calibration",
            "chart",
            "daemon-api",
            "daemon-core",
            "daemon-http",
            "daemon-sources",
            "daemon-store",
            "units",
        ],
    ),
    ("tui", &["daemon-api", "units"]),
    ("simulated-sensors", &[]),
    ("integration-tests", &["calibration", "daemon-api"]),
];

/// Packages that a bare machine with a Rust toolchain and a C compiler cannot build, or that tie the
/// tool to a library of the machine.
const NOT_LINKED: [&str; 9] = [
    "libudev-sys",
    "libudev",
    "openssl-sys",
    "openssl",
    "native-tls",
    "cmake",
    "protoc-bin-vendored",
    "prost-build",
    "aws-lc-sys",
];

fn cargo(arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO"))
        .args(arguments)
        .current_dir(workspace_root())
        .output()
        .expect("cargo runs");
    assert!(
        output.status.success(),
        "cargo {arguments:?}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).expect("cargo prints UTF-8")
}

#[test]
fn the_manifests_have_exactly_the_edges_of_the_table() {
    let text = cargo(&["metadata", "--no-deps", "--locked", "--format-version", "1"]);
    let metadata: serde_json::Value = serde_json::from_str(&text).expect("metadata is JSON");
    let packages = metadata["packages"].as_array().expect("packages");
    let name = |value: &serde_json::Value| value["name"].as_str().unwrap_or_default().to_owned();
    let members: BTreeSet<String> = packages.iter().map(name).collect();
    let found: BTreeMap<String, BTreeSet<String>> = packages
        .iter()
        .map(|package| {
            let dependencies = package["dependencies"]
                .as_array()
                .cloned()
                .unwrap_or_default();
            let edges = dependencies
                .iter()
                .filter(|dependency| dependency["kind"] != "dev")
                .map(name)
                .filter(|dependency| members.contains(dependency))
                .collect();
            (name(package), edges)
        })
        .collect();
    let stated: BTreeMap<String, BTreeSet<String>> = EDGES
        .iter()
        .map(|(package, edges)| {
            (
                (*package).to_owned(),
                edges.iter().map(|edge| (*edge).to_owned()).collect(),
            )
        })
        .collect();
    assert_eq!(found, stated, "the left is what the manifests say");
}

#[test]
fn nothing_is_linked_that_a_bare_machine_lacks() {
    let tree = cargo(&[
        "tree",
        "--workspace",
        "--locked",
        "--prefix",
        "none",
        "-e",
        "normal,build",
    ]);
    let linked: BTreeSet<&str> = tree
        .lines()
        .filter_map(|line| line.split_whitespace().next())
        .collect();
    assert!(
        linked.contains("rusqlite"),
        "the tree is not the workspace's"
    );
    let found: Vec<_> = NOT_LINKED
        .iter()
        .filter(|name| linked.contains(**name))
        .collect();
    assert!(found.is_empty(), "linked: {found:?}");
}
