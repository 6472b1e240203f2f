//! The demo as a process: whatever ends it, it leaves no program behind.

use std::collections::BTreeSet;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use harness::{binary, wait_until};

/// One running process; the time at which it started tells it from a later one of the same number.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Process {
    id: u32,
    name: String,
    started_at: String,
}

/// The process of that number and its parent's, as the system tells of it; none where it has ended.
fn process(id: u32) -> Option<(Process, u32)> {
    let text = std::fs::read_to_string(format!("/proc/{id}/stat")).ok()?;
    // The name stands in parentheses and may hold any character, so fields count from behind it.
    let (head, tail) = text.rsplit_once(") ")?;
    let name = head.split_once('(')?.1.to_owned();
    let fields: Vec<&str> = tail.split(' ').collect();
    let parent = fields.get(1)?.parse().ok()?;
    let started_at = (*fields.get(19)?).to_owned();
    let has_ended = fields.first() == Some(&"Z");
    let process = Process {
        id,
        name,
        started_at,
    };
    (!has_ended).then_some((process, parent))
}

fn children_of(parent: u32) -> BTreeSet<Process> {
    let folders = std::fs::read_dir("/proc").expect("the system lists its processes");
    let ids = folders.filter_map(|one| one.ok()?.file_name().to_str()?.parse().ok());
    ids.filter_map(process)
        .filter(|(_, of)| *of == parent)
        .map(|(process, _)| process)
        .collect()
}

fn start_demo(folder: &Path) -> Child {
    let log = std::fs::File::create(folder.join("demo.log")).expect("a log");
    Command::new(binary("tarplight-sim"))
        .args(["demo", "--no-dashboard", "--workspace"])
        .arg(harness::workspace_root())
        .arg("--dir")
        .arg(folder.join("night"))
        .stdout(Stdio::null())
        .stderr(log)
        .spawn()
        .expect("the demo starts")
}

#[test]
fn a_killed_demo_leaves_no_program_behind() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut demo = start_demo(folder.path());
    // It asks cargo first, which may wait for another build.
    let started = wait_until("the demo's programs run", Duration::from_secs(300), || {
        let ended = demo.try_wait().map_err(|error| error.to_string())?;
        let log = || std::fs::read_to_string(folder.path().join("demo.log")).unwrap_or_default();
        assert!(ended.is_none(), "the demo ended: {}", log());
        let children = children_of(demo.id());
        let count = |name: &str| children.iter().filter(|one| one.name == name).count();
        if count("tarplight-sim") == 2 && count("tarplightd") == 1 {
            Ok(children)
        } else {
            Err(format!("{children:?}"))
        }
    });
    demo.kill().expect("it can be killed");
    demo.wait().expect("it is gone");
    wait_until(
        "every program of the demo has ended",
        Duration::from_secs(30),
        || {
            let left: Vec<&Process> = started
                .iter()
                .filter(|one| process(one.id).is_some_and(|(now, _)| now == **one))
                .collect();
            if left.is_empty() {
                Ok(())
            } else {
                Err(format!("{left:?}"))
            }
        },
    );
}
