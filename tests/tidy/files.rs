//! The shape of files: an opening sentence, bounded length and width, nothing unfinished, purity.

use std::path::{Path, PathBuf};

use harness::workspace_root;

/// No source file is longer than this; half of it is the aim.
const LINE_COUNT_MAX: usize = 700;
const LINE_WIDTH_MAX: usize = 120;

/// Folders whose code does no I/O and reads no clock, and what would show that it does.
const PURE: [&str; 4] = [
    "calibration/src",
    "calibration/chart/src",
    "calibration/units/src",
    "daemon/core/src",
];
const IMPURE: [&str; 8] = [
    "std::fs",
    "std::env",
    "std::net",
    "std::thread",
    "SystemTime",
    "Instant::now",
    "Utc::now",
    "tokio",
];

fn sources() -> Vec<(PathBuf, String)> {
    let root = workspace_root();
    let mut found = Vec::new();
    for top in ["calibration", "daemon", "tui", "simulated-sensors", "tests"] {
        collect(&root.join(top), &mut found);
    }
    found
        .into_iter()
        .map(|path| {
            let text = std::fs::read_to_string(&path).expect("a source file is readable UTF-8");
            (
                path.strip_prefix(&root).expect("below the root").to_owned(),
                text,
            )
        })
        .collect()
}

fn collect(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder)
        .expect("a folder is readable")
        .flatten()
    {
        let path = entry.path();
        if path.is_dir() {
            if path.file_name().is_some_and(|name| name != "target") {
                collect(&path, found);
            }
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
}

fn complain(complaints: &[String]) {
    assert!(complaints.is_empty(), "{}", complaints.join("\n"));
}

#[test]
fn every_file_opens_with_a_sentence() {
    let files = sources();
    assert!(
        files.len() > 50,
        "only {} source files were found",
        files.len()
    );
    let silent = files.iter().filter(|(_, text)| !text.starts_with("//! "));
    complain(
        &silent
            .map(|(path, _)| format!("{}: no opening sentence", path.display()))
            .collect::<Vec<_>>(),
    );
}

#[test]
fn files_and_lines_keep_their_bounds() {
    let mut complaints = Vec::new();
    for (path, text) in sources() {
        let count = text.lines().count();
        if count > LINE_COUNT_MAX {
            complaints.push(format!("{}: {count} lines", path.display()));
        }
        for (index, line) in text.lines().enumerate() {
            // A string that must stand as one line may be longer; code and comments may not.
            if line.chars().count() > LINE_WIDTH_MAX && !line.contains('"') {
                complaints.push(format!("{}:{}: too wide", path.display(), index + 1));
            }
        }
    }
    complain(&complaints);
}

#[test]
fn nothing_is_left_unfinished() {
    // Put together here so that this file does not find itself.
    let marks = [
        ["to", "do!("].concat(),
        ["unimplemented", "!("].concat(),
        ["TO", "DO"].concat(),
        ["FIX", "ME"].concat(),
        ["dbg", "!("].concat(),
    ];
    let mut complaints = Vec::new();
    for (path, text) in sources() {
        for (index, line) in text.lines().enumerate() {
            if let Some(mark) = marks.iter().find(|mark| line.contains(mark.as_str())) {
                complaints.push(format!("{}:{}: {mark}", path.display(), index + 1));
            }
        }
    }
    complain(&complaints);
}

#[test]
fn pure_packages_touch_no_file_clock_thread_or_socket() {
    let mut complaints = Vec::new();
    for (path, text) in sources() {
        if PURE.iter().any(|folder| path.starts_with(folder)) {
            for (index, line) in text.lines().enumerate() {
                let is_comment = line.trim_start().starts_with("//");
                if let Some(word) = IMPURE
                    .iter()
                    .find(|word| !is_comment && line.contains(**word))
                {
                    complaints.push(format!("{}:{}: {word}", path.display(), index + 1));
                }
            }
        }
    }
    complain(&complaints);
}

#[test]
fn the_dashboards_state_knows_nothing_of_drawing() {
    let drawing: Vec<_> = sources()
        .into_iter()
        .filter(|(path, _)| {
            path.starts_with("tui/src/state") || path == Path::new("tui/src/state.rs")
        })
        .filter(|(_, text)| {
            text.lines()
                .any(|line| line.contains("ratatui") && !line.trim_start().starts_with("//"))
        })
        .map(|(path, _)| format!("{} imports the view", path.display()))
        .collect();
    complain(&drawing);
}
