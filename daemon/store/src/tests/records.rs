//! Refusals, documents, statements, summaries; triggers; back-up and integrity check.

use rusqlite::Connection;

use super::*;
use crate::{
    DATABASE_FILE, DocumentRow, Reader, SAMPLE_CHARS_MAX, StatementRow, StoreError, SummaryRow,
};

fn document(bytes: &[u8]) -> DocumentRow {
    DocumentRow {
        kind: "curve".to_owned(),
        name: "mix-a.toml".to_owned(),
        bytes: bytes.to_vec(),
        recorded_ms: NIGHT_MS,
    }
}

fn one_of_each() -> Batch {
    Batch {
        refusals: vec![refusal("port-1", "garbled", "2x.1")],
        acts: vec![act(1, "{}")],
        documents: vec![document(b"form = 'hyperbolic'")],
        statements: vec![StatementRow {
            said_ms: NIGHT_MS,
            kind: "trouble-raised".to_owned(),
            subject: "bed-3".to_owned(),
            body: "{}".to_owned(),
        }],
        summaries: vec![SummaryRow {
            key: "pour-1".to_owned(),
            became_known_ms: NIGHT_MS,
            body: "{}".to_owned(),
        }],
        ..minutes("a", 0, 5)
    }
}

#[test]
fn refusals_are_counted_by_source_and_reason_and_the_last_are_shown() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    let long = "é".repeat(SAMPLE_CHARS_MAX + 50);
    let batch = Batch {
        refusals: vec![
            refusal("port-1", "garbled", "2x.1"),
            refusal("port-1", "garbled", &long),
            refusal("broker", "time unknown", "21.5"),
        ],
        ..minutes("a", 0, 1)
    };
    writer.commit(&batch).expect("commits");
    let reader = writer.reader().expect("reader");
    let counts: Vec<_> = reader
        .refusal_counts()
        .expect("reads")
        .into_iter()
        .map(|count| (count.source, count.kind, count.refusal_count))
        .collect();
    assert_eq!(
        counts,
        [
            ("broker".to_owned(), "time unknown".to_owned(), 1),
            ("port-1".to_owned(), "garbled".to_owned(), 2)
        ]
    );
    let last = reader.last_refusals(2).expect("reads");
    assert_eq!(last.iter().map(|row| row.seq).collect::<Vec<_>>(), [3, 2]);
    assert_eq!(last[1].sample, "é".repeat(SAMPLE_CHARS_MAX));
}

#[test]
fn a_document_is_kept_once_under_its_digest() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    let again = DocumentRow {
        name: "copy.toml".to_owned(),
        ..document(b"one")
    };
    let batch = Batch {
        documents: vec![document(b"one"), again],
        ..Batch::default()
    };
    let stored = writer.commit(&batch).expect("commits").documents;
    assert_eq!(stored[0].digest, crate::digest_hex(b"one"));
    assert_eq!((stored[0].is_new, stored[1].is_new), (true, false));
    let reader = writer.reader().expect("reader");
    let found = reader
        .document(&stored[0].digest)
        .expect("reads")
        .expect("is there");
    assert_eq!(found.bytes, b"one");
    assert_eq!(
        reader.documents().expect("reads"),
        std::slice::from_ref(&found.info)
    );
    assert_eq!(found.info.name, "mix-a.toml");
    assert_eq!(reader.document("no such digest").expect("reads"), None);
}

#[test]
fn statements_and_summaries_come_back_in_order() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    let statement = |said_ms, subject: &str| StatementRow {
        said_ms,
        kind: "forecast".to_owned(),
        subject: subject.to_owned(),
        body: "{}".to_owned(),
    };
    let summary = |became_known_ms, body: &str| SummaryRow {
        key: "pour-1".to_owned(),
        became_known_ms,
        body: body.to_owned(),
    };
    let batch = Batch {
        statements: vec![statement(9, "bed-2"), statement(3, "bed-1")],
        summaries: vec![summary(20, "[2]"), summary(10, "[1]"), summary(10, "[1]")],
        ..Batch::default()
    };
    assert_eq!(
        writer.commit(&batch).expect("commits").statement_seqs,
        [1, 2]
    );
    let reader = writer.reader().expect("reader");
    let said: Vec<_> = reader
        .statements_since(0)
        .expect("reads")
        .into_iter()
        .map(|row| row.subject)
        .collect();
    assert_eq!(said, ["bed-2", "bed-1"]);
    assert_eq!(reader.statements_since(1).expect("reads").len(), 1);
    let known_at = |known_ms| -> Vec<String> {
        let known = reader.summaries_known_at(known_ms).expect("reads");
        known.into_iter().map(|row| row.body).collect()
    };
    assert_eq!(known_at(9), Vec::<String>::new());
    assert_eq!(known_at(19), ["[1]"]);
    assert_eq!(known_at(20), ["[1]", "[2]"]);
}

#[test]
fn no_table_lets_a_row_be_changed_or_taken_out() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    writer.commit(&one_of_each()).expect("commits");
    let raw = writer.connection();
    let tables: Vec<String> = raw
        .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
        .and_then(|mut statement| statement.query_map([], |row| row.get(0))?.collect())
        .expect("tables list");
    assert_eq!(tables.len(), 9, "{tables:?}");
    for table in tables {
        let column: String = raw
            .query_row("SELECT name FROM pragma_table_info(?1)", [&table], |row| {
                row.get(0)
            })
            .expect("a column");
        let mut attempts = vec![
            format!("DELETE FROM {table}"),
            format!("INSERT OR REPLACE INTO {table} SELECT * FROM {table}"),
        ];
        if table != "refusal_counts" {
            attempts.push(format!("UPDATE {table} SET {column} = {column}"));
        }
        for attempt in attempts {
            let refused = raw.execute(&attempt, []).expect_err(&attempt).to_string();
            let is_trigger = refused.contains("append-only") || refused.contains("never deleted");
            assert!(is_trigger, "{attempt}: {refused}");
        }
    }
}

#[test]
fn a_backup_made_under_a_running_writer_is_whole_and_opens_as_a_data_directory() {
    let dir = new_dir();
    let elsewhere = new_dir();
    let mut writer = open(dir.path());
    writer.commit(&one_of_each()).expect("commits");
    writer.commit(&minutes("b", 0, 100_000)).expect("commits");
    let copy = elsewhere.path().join(DATABASE_FILE);
    let reader = writer.reader().expect("reader");
    let mut reports = Vec::new();
    let report = reader
        .backup(&copy, &mut |done, all| {
            if reports.is_empty() {
                // The copy is of the moment at which it began.
                writer
                    .commit(&minutes("c", 0, 10))
                    .expect("the writer is not blocked");
            }
            reports.push((done, all));
        })
        .expect("backs up");
    assert!(report.is_sound(), "{report:?}");
    assert!(
        reports.len() > 1,
        "progress is reported on the way: {reports:?}"
    );
    assert!(reports.is_sorted() && reports.last().is_some_and(|(done, all)| done == all));

    let again = reader
        .backup(&copy, &mut |_, _| {})
        .expect_err("never overwrites");
    assert!(matches!(again, StoreError::BackupExists { .. }), "{again}");
    let names: Vec<_> = std::fs::read_dir(elsewhere.path())
        .expect("lists")
        .map(|entry| entry.expect("an entry").file_name())
        .collect();
    assert_eq!(names, [DATABASE_FILE], "nothing else is left behind");

    let restored = open(elsewhere.path());
    assert_eq!(all_received(&restored).len(), 100_005);
    assert_eq!(all_received(&writer).len(), 100_015);
}

#[test]
fn a_failed_backup_leaves_nothing_behind() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    writer.commit(&one_of_each()).expect("commits");
    let raw = Connection::open(dir.path().join(DATABASE_FILE)).expect("opens");
    raw.execute_batch("DROP TRIGGER documents_keep_update; UPDATE documents SET bytes = x'00'")
        .expect("tampers");
    let elsewhere = new_dir();
    let reader = writer.reader().expect("reader");
    let failed = reader
        .backup(&elsewhere.path().join("copy.sqlite3"), &mut |_, _| {})
        .expect_err("an altered document must not become a good back-up");
    assert!(
        matches!(failed, StoreError::BackupUnsound { .. }),
        "{failed}"
    );
    assert_eq!(
        std::fs::read_dir(elsewhere.path()).expect("lists").count(),
        0
    );
}

#[test]
fn the_integrity_check_finds_altered_documents_counts_and_channels() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    writer.commit(&one_of_each()).expect("commits");
    let sound = writer
        .reader()
        .and_then(|reader| reader.integrity_check())
        .expect("checks");
    assert!(sound.is_sound(), "{sound:?}");
    drop(writer);
    let raw = Connection::open(dir.path().join(DATABASE_FILE)).expect("opens");
    raw.execute_batch(
        "PRAGMA foreign_keys = off;
         DROP TRIGGER documents_keep_update;
         DROP TRIGGER channels_keep_delete;
         UPDATE documents SET bytes = x'00';
         UPDATE refusal_counts SET refusal_count = 7;
         DELETE FROM channels;",
    )
    .expect("tampers");
    let report = Reader::open(dir.path())
        .and_then(|reader| reader.integrity_check())
        .expect("checks");
    assert_eq!(report.problems.len(), 3, "{report:?}");
    assert!(report.problems[0].contains("readings"), "{report:?}");
    assert!(report.problems[1].contains("mix-a.toml"), "{report:?}");
    assert!(report.problems[2].contains("`garbled`"), "{report:?}");
}
