//! Building the programs of the demo, running them as children, and ending them all.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::fs::{self, File};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::Duration;

use anyhow::{Context, bail};
use rustix::process::{Pid, Signal, kill_process};
use tokio::process::{Child, Command};

use crate::tied;

/// The programs that the demo needs.
const PROGRAMS: [&str; 3] = ["tarplightd", "tarplight", "tarplight-sim"];
/// A child that was asked to end is not waited for longer than this.
const END_WITHIN: Duration = Duration::from_secs(5);
/// How much of a log is shown when its program ended unasked.
const LOG_LINES_SHOWN: usize = 12;

/// Where the built programs are.
#[derive(Debug)]
pub struct Programs {
    pub daemon: PathBuf,
    pub dashboard: PathBuf,
    pub simulator: PathBuf,
}

impl Programs {
    /// Builds the programs in a workspace; cargo shows its own progress.
    pub fn build(workspace: &Path, release: bool) -> anyhow::Result<Self> {
        let manifest = workspace.join("Cargo.toml");
        if !manifest.is_file() {
            bail!(
                "there is no workspace in {}: name its folder with --workspace",
                workspace.display()
            );
        }
        let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
        let mut command = std::process::Command::new(cargo);
        command.arg("build").arg("--manifest-path").arg(&manifest);
        // Of the whole workspace, as for this program itself: for some packages alone cargo would build
        // what they depend on once more, with other features.
        command.arg("--workspace");
        for program in PROGRAMS {
            command.args(["--bin", program]);
        }
        if release {
            command.arg("--release");
        }
        let mut building = command
            .arg("--message-format=json-render-diagnostics")
            .stdout(Stdio::piped())
            .spawn()
            .context("cannot start cargo, which builds the programs")?;
        let mut built = BTreeMap::new();
        if let Some(printed) = building.stdout.take() {
            for line in BufReader::new(printed).lines() {
                built.extend(executable(&line?));
            }
        }
        if !building.wait()?.success() {
            bail!("the programs cannot be built: see cargo's messages above");
        }
        let mut take = |name: &str| {
            built
                .remove(name)
                .with_context(|| format!("cargo built no program {name}"))
        };
        let [daemon, dashboard, simulator] = PROGRAMS;
        Ok(Self {
            daemon: take(daemon)?,
            dashboard: take(dashboard)?,
            simulator: take(simulator)?,
        })
    }
}

/// The program that one of cargo's messages announces.
fn executable(message: &str) -> Option<(String, PathBuf)> {
    let message: serde_json::Value = serde_json::from_str(message).ok()?;
    let path = message.get("executable")?.as_str()?;
    let name = message.get("target")?.get("name")?.as_str()?;
    Some((name.to_owned(), PathBuf::from(path)))
}

/// Children in the background, each with a log, in the order in which they were started.
#[derive(Debug)]
pub struct Children {
    logs: PathBuf,
    /// What ties them to this process, so that they end even when it is killed.
    tie: Option<PathBuf>,
    running: Vec<Running>,
}

#[derive(Debug)]
struct Running {
    name: &'static str,
    child: Child,
    is_foreground: bool,
}

impl Children {
    /// No children yet; their logs will be in `logs`; `tie` is this program's file where it ties them.
    pub fn new(logs: PathBuf, tie: Option<&Path>) -> anyhow::Result<Self> {
        fs::create_dir_all(&logs).with_context(|| format!("cannot make {}", logs.display()))?;
        Ok(Self {
            logs,
            tie: tie.map(Path::to_owned),
            running: Vec::new(),
        })
    }

    /// Starts a child. Keys typed at the terminal reach the demo alone, which then ends it.
    pub fn start<A: AsRef<OsStr>>(
        &mut self,
        name: &'static str,
        program: &Path,
        arguments: impl IntoIterator<Item = A>,
    ) -> anyhow::Result<()> {
        let path = self.log(name);
        let log =
            File::create(&path).with_context(|| format!("cannot write {}", path.display()))?;
        let child = self
            .command(program)
            .args(arguments)
            .stdin(Stdio::null())
            .stdout(log.try_clone()?)
            .stderr(log)
            .process_group(0)
            .spawn()
            .with_context(|| format!("cannot start the {name}, {}", program.display()))?;
        self.running.push(Running {
            name,
            child,
            is_foreground: false,
        });
        Ok(())
    }

    /// Starts the child that has the terminal until the person leaves it.
    pub fn start_foreground<A: AsRef<OsStr>>(
        &mut self,
        name: &'static str,
        program: &Path,
        arguments: impl IntoIterator<Item = A>,
    ) -> anyhow::Result<()> {
        let child = self
            .command(program)
            .args(arguments)
            .spawn()
            .with_context(|| format!("cannot start the {name}"))?;
        self.running.push(Running {
            name,
            child,
            is_foreground: true,
        });
        Ok(())
    }

    fn command(&self, program: &Path) -> Command {
        let mut command = match &self.tie {
            Some(tool) => {
                let [first, rest @ ..] = tied::words(tool, program);
                let mut command = Command::new(first);
                command.args(rest);
                command
            }
            None => Command::new(program),
        };
        command.kill_on_drop(true);
        command
    }

    fn log(&self, name: &str) -> PathBuf {
        self.logs.join(format!("{name}.log"))
    }

    /// True once the child in the foreground was left; an error, with the end of its log, if one in
    /// the background has ended.
    pub fn check(&mut self) -> anyhow::Result<bool> {
        let mut was_left = false;
        for running in &mut self.running {
            let Some(status) = running.child.try_wait()? else {
                continue;
            };
            if !running.is_foreground {
                let path = self.logs.join(format!("{}.log", running.name));
                let text = fs::read_to_string(&path).unwrap_or_default();
                bail!(
                    "the {} ended with {status}; the end of its log:\n{}",
                    running.name,
                    last_lines(&text)
                );
            }
            if !status.success() {
                bail!("the {} ended with {status}", running.name);
            }
            was_left = true;
        }
        Ok(was_left)
    }

    /// Ends all children, the last started first, so that each loses its server after itself.
    pub async fn end(&mut self) {
        while let Some(Running {
            name, mut child, ..
        }) = self.running.pop()
        {
            let pid = child
                .id()
                .and_then(|id| i32::try_from(id).ok())
                .and_then(Pid::from_raw);
            if let Some(pid) = pid
                && let Err(error) = kill_process(pid, Signal::TERM)
            {
                tracing::debug!(name, %error, "cannot be asked to end");
            }
            if tokio::time::timeout(END_WITHIN, child.wait())
                .await
                .is_err()
                && let Err(error) = child.kill().await
            {
                tracing::warn!(name, %error, "cannot be ended");
            }
        }
    }
}

fn last_lines(text: &str) -> String {
    let lines: Vec<&str> = text.lines().collect();
    lines[lines.len().saturating_sub(LOG_LINES_SHOWN)..].join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_messages_that_announce_a_program_name_one() {
        let announced = r#"{"reason":"compiler-artifact","target":{"name":"tarplight"},
            "executable":"/target/debug/tarplight"}"#;
        let expected = ("tarplight".to_owned(), "/target/debug/tarplight".into());
        assert_eq!(executable(announced), Some(expected));
        let library = r#"{"reason":"compiler-artifact","target":{"name":"tui"},"executable":null}"#;
        assert_eq!(executable(library), None);
        assert_eq!(executable("   Compiling"), None);
    }

    #[tokio::test]
    async fn a_child_that_ended_is_named_with_the_end_of_its_log() {
        let dir = tempfile::tempdir().expect("folder");
        let mut children = Children::new(dir.path().join("logs"), None).expect("children");
        let script = "echo no port is free; exit 3";
        children
            .start("broker", Path::new("/bin/sh"), ["-c", script])
            .expect("started");
        children.running[0].child.wait().await.expect("ended");
        let error = children.check().expect_err("it ended").to_string();
        assert!(
            error.contains("broker") && error.contains("no port is free"),
            "{error}"
        );
    }

    #[tokio::test]
    async fn no_child_is_left_after_the_end() {
        let dir = tempfile::tempdir().expect("folder");
        let mut children = Children::new(dir.path().join("logs"), None).expect("children");
        for name in ["first", "second"] {
            children
                .start(name, Path::new("/bin/sleep"), ["600"])
                .expect("started");
        }
        let ids: Vec<_> = children
            .running
            .iter()
            .filter_map(|one| one.child.id())
            .collect();
        assert_eq!(ids.len(), 2);
        assert!(!children.check().expect("both run"));
        children.end().await;
        for id in ids {
            assert!(
                !Path::new(&format!("/proc/{id}")).exists(),
                "{id} still runs"
            );
        }
    }
}
