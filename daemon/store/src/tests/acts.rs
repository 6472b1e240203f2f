//! Ids, the chain of acts, and what tampering looks like.

use rusqlite::Connection;

use super::*;
use crate::{Appended, ChainCheck, DATABASE_FILE, Reader, StoreError};

#[test]
fn the_same_act_again_is_answered_as_before() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    let sign = act(1, r#"{"act":"sign"}"#);
    let report = writer.commit(&acts([sign.clone()])).expect("commits");
    assert!(
        matches!(report.acts[..], [Appended::New { seq: 1, .. }]),
        "{report:?}"
    );

    let later = ActRow {
        recorded_ms: sign.recorded_ms + 5_000,
        ..sign.clone()
    };
    let report = writer
        .commit(&acts([later.clone(), later]))
        .expect("commits");
    let as_before = Appended::AlreadyKnown {
        seq: 1,
        recorded_ms: sign.recorded_ms,
    };
    assert_eq!(report.acts, [as_before.clone(), as_before]);
    assert_eq!(
        writer
            .reader()
            .and_then(|reader| reader.acts_all())
            .expect("reads")
            .len(),
        1
    );
}

#[test]
fn an_id_with_another_body_is_refused_and_nothing_of_its_batch_is_written() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    writer
        .commit(&acts([act(1, r#"{"mpa":31.0}"#)]))
        .expect("commits");
    let mut batch = minutes("a", 0, 3);
    batch.acts = vec![act(2, "{}"), act(1, r#"{"mpa":41.0}"#)];
    let refused = writer.commit(&batch).expect_err("the id is taken");
    assert!(
        matches!(refused, StoreError::IdReused { id } if id == act(1, "").id),
        "{refused}"
    );
    assert!(all_received(&writer).is_empty());

    let within_one = acts([act(3, "{}"), act(3, "[]")]);
    let refused = writer
        .commit(&within_one)
        .expect_err("two bodies for one id");
    assert!(matches!(refused, StoreError::IdReused { .. }), "{refused}");
    let stored = writer
        .reader()
        .and_then(|reader| reader.acts_all())
        .expect("reads");
    assert_eq!(stored.len(), 1);
    assert_eq!(stored[0].body, r#"{"mpa":31.0}"#);
}

#[test]
fn acts_come_back_byte_for_byte_in_order_and_from_a_number_on() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    let odd_spacing = "{ \"who\" :\t\"Ø. Example\",\n\"mpa\":31.00}";
    writer
        .commit(&acts([act(1, odd_spacing), act(2, "{}")]))
        .expect("commits");
    writer.commit(&acts([act(3, "[]")])).expect("commits");
    let reader = writer.reader().expect("reader");
    let all = reader.acts_all().expect("reads");
    assert_eq!(all.iter().map(|act| act.seq).collect::<Vec<_>>(), [1, 2, 3]);
    assert_eq!(all[0].body, odd_spacing);
    assert_eq!(all[0].id, act(1, "").id);
    assert_eq!(reader.acts_since(1).expect("reads"), all[1..]);
    assert_eq!(
        reader.verify_chain().expect("reads"),
        ChainCheck::Sound {
            act_count: 3,
            head: all[2].hash.clone()
        }
    );
}

#[test]
fn a_body_that_is_not_json_is_refused() {
    let dir = new_dir();
    let refused = open(dir.path())
        .commit(&acts([act(1, "{\"mpa\":")]))
        .expect_err("cut off");
    assert!(
        refused.to_string().contains("act 1 of the batch"),
        "{refused}"
    );
    assert!(refused.to_string().contains("not JSON"), "{refused}");
}

#[test]
fn the_hash_is_sha_256_over_the_documented_bytes() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    let first = act(1, "{}");
    let report = writer.commit(&acts([first.clone()])).expect("commits");
    let mut bytes = vec![b'0'; 64];
    bytes.extend(36_u64.to_be_bytes());
    bytes.extend(first.id.to_string().as_bytes());
    bytes.extend(first.recorded_ms.to_be_bytes());
    bytes.extend(b"{}");
    let hash = crate::digest_hex(&bytes);
    assert_eq!(report.acts, [Appended::New { seq: 1, hash }]);
    // Published example: FIPS 180-4's one-block message "abc" (from memory).
    assert_eq!(
        crate::digest_hex(b"abc"),
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    );
}

/// Makes four acts, lets `tamper` at the file with the triggers gone, and gives the check's result.
fn after_tampering(tamper: &str) -> (ChainCheck, Vec<String>) {
    let dir = new_dir();
    let mut writer = open(dir.path());
    writer
        .commit(&acts(
            (1..=4).map(|number| act(number, &format!(r#"{{"set":{number}}}"#))),
        ))
        .expect("commits");
    drop(writer);
    let raw = Connection::open(dir.path().join(DATABASE_FILE)).expect("opens");
    raw.execute_batch("DROP TRIGGER acts_keep_update; DROP TRIGGER acts_keep_delete;")
        .expect("triggers drop");
    raw.execute_batch(tamper).expect("tampers");
    let report = Reader::open(dir.path())
        .and_then(|reader| reader.integrity_check())
        .expect("checks");
    (report.chain, report.problems)
}

#[test]
fn an_untouched_chain_is_sound() {
    let (chain, problems) = after_tampering("");
    assert!(
        matches!(chain, ChainCheck::Sound { act_count: 4, .. }),
        "{chain:?}"
    );
    assert_eq!(problems, Vec::<String>::new());
}

#[test]
fn tampering_with_an_act_is_found_at_the_act() {
    let forged_digest = crate::digest_hex(br#"{"set":9}"#);
    let body_and_digest =
        format!(r#"UPDATE acts SET body = '{{"set":9}}', body_digest = '{forged_digest}'"#);
    let cases = [
        (
            r#"UPDATE acts SET body = '{"set":9}' WHERE seq = 2"#.to_owned(),
            2,
        ),
        (format!("{body_and_digest} WHERE seq = 2"), 2),
        (
            "UPDATE acts SET recorded_ms = recorded_ms + 1 WHERE seq = 4".to_owned(),
            4,
        ),
        (
            "UPDATE acts SET id = replace(id, '3', '9') WHERE seq = 3".to_owned(),
            3,
        ),
        ("DELETE FROM acts WHERE seq = 2".to_owned(), 3),
        ("DELETE FROM acts WHERE seq = 1".to_owned(), 2),
        // Closing the gap in the numbers does not close it in the chain.
        (
            "DELETE FROM acts WHERE seq = 3; UPDATE acts SET seq = 3 WHERE seq = 4".to_owned(),
            3,
        ),
        (
            "UPDATE acts SET hash = replace(hash, 'a', 'b') WHERE seq = 1".to_owned(),
            1,
        ),
    ];
    for (tamper, broken_seq) in cases {
        let (chain, problems) = after_tampering(&tamper);
        assert!(
            matches!(&chain, ChainCheck::Broken { seq, .. } if *seq == broken_seq),
            "{tamper}: {chain:?}"
        );
        assert_eq!(problems.len(), 1, "{tamper}: {problems:?}");
    }
}

#[test]
fn an_act_hashed_anew_by_a_forger_breaks_the_one_after_it() {
    let hashes = {
        let dir = new_dir();
        let report = open(dir.path())
            .commit(&acts([act(1, r#"{"set":1}"#), act(2, r#"{"set":9}"#)]))
            .expect("commits");
        report.acts
    };
    let Appended::New { hash, .. } = &hashes[1] else {
        panic!("{hashes:?}")
    };
    let digest = crate::digest_hex(br#"{"set":9}"#);
    let tamper = format!(
        r#"UPDATE acts SET body = '{{"set":9}}', body_digest = '{digest}', hash = '{hash}'
           WHERE seq = 2"#
    );
    let (chain, _) = after_tampering(&tamper);
    assert!(
        matches!(chain, ChainCheck::Broken { seq: 3, .. }),
        "{chain:?}"
    );
}
