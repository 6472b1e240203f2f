//! Runs the lab's command in a folder of its own.

#![allow(dead_code, reason = "each test file uses its own part of it")]

use std::fs;
use std::path::PathBuf;
use std::process::Output;

use assert_cmd::Command;
use serde_json::Value;
use tempfile::TempDir;

/// A temporary folder with the files of one test.
pub struct Lab {
    folder: TempDir,
}

impl Lab {
    pub fn new() -> Self {
        Self {
            folder: tempfile::tempdir().expect("a temporary folder"),
        }
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn write(&self, name: &str, text: &str) {
        fs::write(self.path(name), text).expect("a temporary folder can be written");
    }

    pub fn read(&self, name: &str) -> String {
        fs::read_to_string(self.path(name)).expect("the command wrote it")
    }

    /// Runs the command in the folder.
    pub fn run(&self, arguments: &[&str]) -> Ran {
        let mut command = Command::cargo_bin("tarplight-lab").expect("the command is built");
        let output = command
            .current_dir(self.folder.path())
            .args(arguments)
            .output()
            .expect("the command runs");
        Ran { output }
    }
}

/// A finished run.
pub struct Ran {
    output: Output,
}

impl Ran {
    pub fn code(&self) -> Option<i32> {
        self.output.status.code()
    }

    pub fn stdout(&self) -> String {
        String::from_utf8(self.output.stdout.clone()).expect("text is UTF-8")
    }

    pub fn stderr(&self) -> String {
        String::from_utf8(self.output.stderr.clone()).expect("text is UTF-8")
    }

    /// Standard output as JSON, of a run that succeeded.
    pub fn json(&self) -> Value {
        assert_eq!(self.code(), Some(0), "{}", self.stderr());
        serde_json::from_str(&self.stdout()).expect("one JSON object")
    }

    /// Asserts the exit code and that standard error has every one of these.
    pub fn fails_with(&self, code: i32, expected: &[&str]) {
        let said = self.stderr();
        assert_eq!(self.code(), Some(code), "{said}");
        for part in expected {
            assert!(said.contains(part), "no {part:?} in\n{said}");
        }
    }

    /// Asserts success and that standard output has every one of these.
    pub fn shows(&self, expected: &[&str]) {
        let text = self.stdout();
        assert_eq!(self.code(), Some(0), "{}", self.stderr());
        for part in expected {
            assert!(text.contains(part), "no {part:?} in\n{text}");
        }
        assert!(!text.contains('\u{1b}'), "colour when piped");
    }
}
