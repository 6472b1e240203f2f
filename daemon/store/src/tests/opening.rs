//! Who may open a data directory, and what each refusal says.

use rusqlite::Connection;

use super::*;
use crate::{DATABASE_FILE, Reader, StoreError};

const SIMULATED: OpenOptions = OpenOptions {
    simulated_clock: true,
};

#[test]
fn a_missing_data_directory_is_made_and_the_writer_is_durable() {
    let dir = new_dir();
    let writer = open(&dir.path().join("plant/data"));
    let pragmas = writer.pragmas().expect("reads");
    assert_eq!(pragmas.journal_mode, "wal");
    assert_eq!(pragmas.synchronous, 2);
    assert!(pragmas.foreign_keys);
}

#[test]
fn a_second_writer_is_refused_until_the_first_is_gone() {
    let dir = new_dir();
    let first = open(dir.path());
    let refused = Writer::open(dir.path(), OpenOptions::default()).expect_err("locked");
    assert!(matches!(refused, StoreError::Locked { .. }), "{refused}");
    assert!(refused.to_string().contains("stop it first"), "{refused}");
    Reader::open(dir.path()).expect("readers need no lock");
    drop(first);
    open(dir.path());
}

#[test]
fn a_simulated_directory_and_a_real_one_are_never_mixed_up() {
    let simulated = new_dir();
    drop(Writer::open(simulated.path(), SIMULATED).expect("opens"));
    let refused = Writer::open(simulated.path(), OpenOptions::default()).expect_err("marked");
    assert!(
        matches!(refused, StoreError::MadeOnSimulatedClock { .. }),
        "{refused}"
    );
    assert!(
        refused.to_string().contains("name another data directory"),
        "{refused}"
    );
    let again = Writer::open(simulated.path(), SIMULATED).expect("a restart continues it");
    assert!(
        again
            .reader()
            .and_then(|reader| reader.is_simulated_clock())
            .expect("reads")
    );

    let real = new_dir();
    drop(open(real.path()));
    let refused = Writer::open(real.path(), SIMULATED).expect_err("records of a real plant");
    assert!(
        matches!(refused, StoreError::MadeOnWallClock { .. }),
        "{refused}"
    );
    let again = open(real.path());
    assert!(
        !again
            .reader()
            .and_then(|reader| reader.is_simulated_clock())
            .expect("reads")
    );
}

#[test]
fn a_newer_schema_is_refused_by_writer_and_reader_and_left_untouched() {
    let dir = new_dir();
    drop(open(dir.path()));
    let path = dir.path().join(DATABASE_FILE);
    let raw = Connection::open(&path).expect("opens");
    raw.pragma_update(None, "user_version", 999).expect("sets");
    drop(raw);
    let before = std::fs::read(&path).expect("reads");
    for refused in [
        Writer::open(dir.path(), OpenOptions::default())
            .map(drop)
            .expect_err("newer"),
        Reader::open(dir.path()).map(drop).expect_err("newer"),
    ] {
        assert!(
            matches!(refused, StoreError::NewerSchema { found: 999, .. }),
            "{refused}"
        );
        assert!(refused.to_string().contains("newer tarplight"), "{refused}");
    }
    assert_eq!(std::fs::read(&path).expect("reads"), before);
}

#[test]
fn an_older_schema_is_sent_to_the_daemon_by_a_reader() {
    let dir = new_dir();
    drop(open(dir.path()));
    let raw = Connection::open(dir.path().join(DATABASE_FILE)).expect("opens");
    raw.pragma_update(None, "user_version", 0).expect("sets");
    let refused = Reader::open(dir.path()).expect_err("older");
    assert!(
        matches!(refused, StoreError::OlderSchema { found: 0, .. }),
        "{refused}"
    );
}

#[test]
fn files_that_are_not_ours_are_refused() {
    let dir = new_dir();
    let path = dir.path().join(DATABASE_FILE);
    std::fs::write(&path, b"this is a text that somebody put here".repeat(40)).expect("writes");
    let refused = Writer::open(dir.path(), OpenOptions::default()).expect_err("a text");
    assert!(matches!(refused, StoreError::NotOurs { .. }), "{refused}");
    let refused = Reader::open(dir.path()).expect_err("a text");
    assert!(matches!(refused, StoreError::NotOurs { .. }), "{refused}");
    std::fs::remove_file(&path).expect("removes");
    let raw = Connection::open(&path).expect("opens");
    raw.execute_batch("CREATE TABLE parts (x)")
        .expect("creates");
    drop(raw);
    let refused = Writer::open(dir.path(), OpenOptions::default()).expect_err("a stranger's");
    assert!(matches!(refused, StoreError::NotOurs { .. }), "{refused}");
}

#[test]
fn a_reader_of_an_empty_directory_says_what_is_missing() {
    let dir = new_dir();
    let refused = Reader::open(dir.path()).expect_err("nothing there");
    assert!(matches!(refused, StoreError::Missing { .. }), "{refused}");
    assert_eq!(
        std::fs::read_dir(dir.path()).expect("lists").count(),
        0,
        "it makes nothing"
    );
}

#[test]
fn a_directory_that_cannot_be_made_is_named() {
    let dir = new_dir();
    let file = dir.path().join("file");
    std::fs::write(&file, "x").expect("writes");
    let refused =
        Writer::open(&file.join("data"), OpenOptions::default()).expect_err("a file is in the way");
    assert!(matches!(refused, StoreError::File { .. }), "{refused}");
    assert!(refused.to_string().contains("data"), "{refused}");
}

#[test]
fn a_database_held_by_someone_else_is_busy_and_then_usable_again() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    writer
        .connection()
        .busy_timeout(std::time::Duration::ZERO)
        .expect("sets");
    let other = Connection::open(dir.path().join(DATABASE_FILE)).expect("opens");
    other
        .execute_batch("BEGIN IMMEDIATE")
        .expect("takes the write lock");
    let busy = writer.commit(&minutes("a", 0, 1)).expect_err("held");
    assert!(busy.is_busy() && !busy.is_full(), "{busy}");
    other.execute_batch("ROLLBACK").expect("lets go");
    writer.commit(&minutes("a", 0, 1)).expect("commits");
}
