//! Crashes, torn logs, a killed process, full disks.

use std::io::{BufRead, BufReader, Write};
use std::process::{Command, Stdio};

use super::*;
use crate::{DATABASE_FILE, Reader, ReadingOutcome};

const BATCH_READING_COUNT: i64 = 40;
const CHILD_DIR: &str = "TARPLIGHT_STORE_TEST_DIR";

fn log_of(dir: &Path) -> std::path::PathBuf {
    dir.join(format!("{DATABASE_FILE}-wal"))
}

#[test]
fn everything_committed_is_there_after_a_crash() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    for batch in 0..5 {
        writer
            .commit(&minutes(
                "a",
                batch * BATCH_READING_COUNT,
                BATCH_READING_COUNT,
            ))
            .expect("ok");
    }
    // What the disk holds while the writer still runs is what a crash would leave.
    let after = new_dir();
    for file in [dir.path().join(DATABASE_FILE), log_of(dir.path())] {
        let name = file.file_name().expect("a name");
        std::fs::copy(&file, after.path().join(name)).expect("copies");
    }
    let mut reopened = open(after.path());
    assert_eq!(all_received(&reopened), all_received(&writer));
    assert_eq!(all_received(&reopened).len(), 200);
    let report = reopened.commit(&minutes("a", 199, 2)).expect("goes on");
    assert_eq!(
        report.readings,
        [ReadingOutcome::Known, ReadingOutcome::New]
    );
}

#[test]
fn a_torn_log_loses_whole_batches_from_its_end_and_nothing_else() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    for batch in 0..6 {
        writer
            .commit(&minutes(
                "a",
                batch * BATCH_READING_COUNT,
                BATCH_READING_COUNT,
            ))
            .expect("ok");
    }
    let database = std::fs::read(dir.path().join(DATABASE_FILE)).expect("reads");
    let log = std::fs::read(log_of(dir.path())).expect("reads");
    let mut counts = Vec::new();
    for twentieth in 0..=20 {
        let torn = new_dir();
        std::fs::write(torn.path().join(DATABASE_FILE), &database).expect("writes");
        std::fs::write(log_of(torn.path()), &log[..log.len() * twentieth / 20]).expect("writes");
        let reopened = open(torn.path());
        let stored = all_received(&reopened);
        let count = i64::try_from(stored.len()).expect("small");
        assert_eq!(
            count % BATCH_READING_COUNT,
            0,
            "a batch is there whole or not at all"
        );
        assert_eq!(stored, all_received(&writer)[..stored.len()]);
        let report = reopened
            .reader()
            .and_then(|reader| reader.integrity_check())
            .expect("checks");
        assert!(report.is_sound(), "{report:?}");
        counts.push(count);
    }
    assert!(counts.is_sorted(), "{counts:?}");
    assert_eq!(
        (counts[0], counts[20]),
        (0, 6 * BATCH_READING_COUNT),
        "{counts:?}"
    );
}

/// Commits and says so, until it is killed.
#[test]
#[ignore = "the child process of a_killed_process_keeps_every_batch_that_it_reported"]
fn child_that_commits_for_ever() {
    let dir = std::env::var_os(CHILD_DIR).expect("only run as a child process");
    let mut writer = open(Path::new(&dir));
    let mut stdout = std::io::stdout();
    for batch in 0.. {
        writer
            .commit(&minutes(
                "a",
                batch * BATCH_READING_COUNT,
                BATCH_READING_COUNT,
            ))
            .expect("ok");
        writeln!(stdout, "\ncommitted {batch}")
            .and_then(|()| stdout.flush())
            .expect("reports");
    }
}

#[test]
fn a_killed_process_keeps_every_batch_that_it_reported() {
    let dir = new_dir();
    for round in 1..=5_i64 {
        let wanted = format!("committed {}", round * 7);
        let mut child = Command::new(std::env::current_exe().expect("this test's own program"))
            .args(["--exact", "tests::durability::child_that_commits_for_ever"])
            .args(["--ignored", "--nocapture"])
            .env(CHILD_DIR, dir.path())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the child starts");
        let stdout = BufReader::new(child.stdout.take().expect("piped"));
        let mut lines = stdout.lines().map(|line| line.expect("a line"));
        let reached = lines.any(|line| line == wanted);
        child.kill().expect("kills");
        let reported = lines
            .filter_map(|line| line.strip_prefix("committed ")?.parse::<i64>().ok())
            .last()
            .unwrap_or(round * 7);
        child.wait().expect("ends");
        assert!(reached, "the child ended before it reported `{wanted}`");

        let writer = open(dir.path());
        let count = i64::try_from(all_received(&writer).len()).expect("small");
        assert!(
            count >= (reported + 1) * BATCH_READING_COUNT,
            "{count} after batch {reported}"
        );
        assert_eq!(
            count % BATCH_READING_COUNT,
            0,
            "a batch is there whole or not at all"
        );
    }
}

#[test]
fn a_full_database_takes_nothing_and_goes_on_when_space_returns() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    writer.commit(&minutes("before", 0, 10)).expect("commits");
    let set_page_limit = |writer: &Writer, pages_more: i64| {
        let connection = writer.connection();
        let page_count: i64 = connection
            .pragma_query_value(None, "page_count", |row| row.get(0))
            .expect("page_count");
        connection
            .pragma_update_and_check(None, "max_page_count", page_count + pages_more, |_| Ok(()))
            .expect("max_page_count");
    };
    set_page_limit(&writer, 2);
    let mut large = minutes("new channel", 0, 5_000);
    large.acts = vec![act(1, "{}")];
    for _ in 0..3 {
        let full = writer.commit(&large).expect_err("no room");
        assert!(full.is_full() && !full.is_busy(), "{full}");
    }
    let small = minutes("before", 10, 1);
    let told = writer.commit_group(&[&small, &large]);
    assert!(
        told.iter()
            .all(|result| result.as_ref().is_err_and(|error| error.is_full()))
    );
    assert_eq!(all_received(&writer).len(), 10, "nothing half-written");

    set_page_limit(&writer, 10_000);
    let report = writer.commit(&large).expect("there is room again");
    assert!(
        report
            .readings
            .iter()
            .all(|outcome| *outcome == ReadingOutcome::New)
    );
    let reader = writer.reader().expect("reader");
    assert_eq!(reader.channels().expect("reads"), ["before", "new channel"]);
    assert!(reader.integrity_check().expect("checks").is_sound());
}

/// A small file system of its own; taken away again at the end of the test.
#[cfg(target_os = "linux")]
struct SmallDisk(tempfile::TempDir);

#[cfg(target_os = "linux")]
impl SmallDisk {
    /// `None` where this user may not mount.
    fn mount() -> Option<Self> {
        let dir = new_dir();
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", "size=2m", "tmpfs"])
            .arg(dir.path())
            .stderr(Stdio::null())
            .status()
            .is_ok_and(|status| status.success());
        mounted.then_some(Self(dir))
    }
}

#[cfg(target_os = "linux")]
impl Drop for SmallDisk {
    fn drop(&mut self) {
        let unmounted = Command::new("umount")
            .arg("--lazy")
            .arg(self.0.path())
            .status();
        assert!(
            unmounted.is_ok_and(|status| status.success()),
            "the small disk unmounts"
        );
    }
}

#[test]
#[cfg(target_os = "linux")]
fn a_full_disk_takes_nothing_and_goes_on_when_space_returns() {
    let Some(disk) = SmallDisk::mount() else {
        // The test with a limited database, above, runs everywhere.
        writeln!(
            std::io::stderr(),
            "not tried: this user may not mount a small disk"
        )
        .expect("stderr");
        return;
    };
    let data = disk.0.path().join("data");
    let mut writer = open(&data);
    let filler = disk.0.path().join("filler");
    std::fs::write(&filler, vec![0_u8; 1024 * 1024]).expect("the filler fits");
    let mut committed_count = 0_i64;
    let full = loop {
        match writer.commit(&minutes("a", committed_count, 100)) {
            Ok(_) => committed_count += 100,
            Err(error) => break error,
        }
        assert!(
            committed_count < 1_000_000,
            "a disk of 2 MB cannot hold this"
        );
    };
    assert!(full.is_full(), "{full:?}");
    assert!(committed_count > 0, "some batches fitted");
    let again = writer
        .commit(&minutes("a", committed_count, 100))
        .expect_err("still full");
    assert!(again.is_full(), "{again:?}");

    std::fs::remove_file(&filler).expect("space returns");
    writer
        .commit(&minutes("a", committed_count, 100))
        .expect("there is room again");
    committed_count += 100;
    let live_count = all_received(&writer).len();
    drop(writer);
    let reopened = open(&data);
    assert_eq!(all_received(&reopened).len(), live_count);
    assert_eq!(i64::try_from(live_count).expect("small"), committed_count);
    let report = Reader::open(&data)
        .and_then(|reader| reader.integrity_check())
        .expect("checks");
    assert!(report.is_sound(), "{report:?}");
}
