//! The standing of a curve at every time, whatever the order of its records, and faulty records.

use super::*;

const DIGEST: &str = "sha256:00112233445566778899aabbccddeeff00112233445566778899aabbccddeeff";

fn hour(hour: i64) -> DateTime<Utc> {
    DateTime::from_timestamp(1_800_000_000 + 3600 * hour, 0).expect("an instant in range")
}

fn record(act: CurveAct, at_hour: i64) -> CurveRecord {
    CurveRecord {
        digest: DIGEST.to_owned(),
        act,
        by: "lab lead".to_owned(),
        recorded_at: hour(at_hour),
        happened_at: hour(at_hour),
        why: (act == CurveAct::Withdrawn).then(|| "cement changed".to_owned()),
        accepts: Vec::new(),
    }
}

/// A curve whose negative offset and lack of fit an approval must accept by name.
fn doubtful() -> CurveFile {
    let example = crate::document::documented_example(include_str!("../curve_file.rs")).replace(
        "mix = ",
        "warnings = [\"lack-of-fit\", \"standard-cured\"]\nmix = ",
    );
    CurveFile::parse(&example).expect("the example in the documentation")
}

fn curve() -> CurveFile {
    CurveFile {
        warnings: Vec::new(),
        ..doubtful()
    }
}

fn approved_at(at_hour: i64) -> CurveStanding {
    CurveStanding::Approved {
        by: "lab lead".to_owned(),
        at: hour(at_hour),
    }
}

#[test]
fn the_records_of_a_curve_tell_its_standing_at_every_time() {
    let records = [
        record(CurveAct::Approved, 1),
        record(
            CurveAct::Expires {
                effective_at: hour(5),
            },
            1,
        ),
        record(CurveAct::Approved, 7),
        record(CurveAct::Superseded, 9),
        record(CurveAct::Withdrawn, 11),
    ];
    let expected = [
        (0, CurveStanding::Unapproved),
        (1, approved_at(1)),
        (4, approved_at(1)),
        (5, CurveStanding::Expired { at: hour(5) }),
        (7, approved_at(7)),
        (9, CurveStanding::Superseded { at: hour(9) }),
        (
            11,
            CurveStanding::Withdrawn {
                at: hour(11),
                why: "cement changed".to_owned(),
            },
        ),
        (
            99,
            CurveStanding::Withdrawn {
                at: hour(11),
                why: "cement changed".to_owned(),
            },
        ),
    ];
    let reversed: Vec<_> = records.iter().cloned().rev().collect();
    for (at_hour, standing) in expected {
        assert_eq!(
            standing_at(&curve(), DIGEST, &records, hour(at_hour)),
            standing,
            "hour {at_hour}"
        );
        assert_eq!(
            standing_at(&curve(), DIGEST, &reversed, hour(at_hour)),
            standing,
            "hour {at_hour}"
        );
    }
}

#[test]
fn an_approval_after_a_withdrawal_changes_nothing() {
    let records = [
        record(CurveAct::Withdrawn, 2),
        record(CurveAct::Approved, 3),
    ];
    assert!(matches!(
        standing_at(&curve(), DIGEST, &records, hour(4)),
        CurveStanding::Withdrawn { at, .. } if at == hour(2)
    ));
}

#[test]
fn an_approval_that_accepts_too_little_is_none_and_says_which_warnings_it_left() {
    let accepting = |at_hour, names: &[&str]| CurveRecord {
        accepts: names.iter().map(|name| (*name).to_owned()).collect(),
        ..record(CurveAct::Approved, at_hour)
    };
    let ends = |at_hour, effective_h| {
        let effective_at = hour(effective_h);
        record(CurveAct::Expires { effective_at }, at_hour)
    };
    let refused_at = |at_hour| CurveStanding::NotAccepted {
        by: "lab lead".to_owned(),
        at: hour(at_hour),
        warnings: vec!["lack-of-fit".to_owned()],
    };
    let records = [
        accepting(1, &["standard-cured"]),
        accepting(3, &["lack-of-fit"]),
        accepting(5, &[]),
        ends(3, 7),
        accepting(9, &["lack-of-fit"]),
    ];
    let of =
        |records: &[CurveRecord], at_hour| standing_at(&doubtful(), DIGEST, records, hour(at_hour));
    assert_eq!(of(&records, 0), CurveStanding::Unapproved);
    assert_eq!(of(&records, 1), refused_at(1));
    assert_eq!(of(&records, 3), approved_at(3));
    assert_eq!(
        of(&records, 5),
        approved_at(3),
        "what was accepted stays so"
    );
    assert_eq!(of(&records, 8), refused_at(5), "it renews nothing");
    assert_eq!(of(&records, 9), approved_at(9));
    assert_eq!(
        standing_at(&curve(), DIGEST, &records[..1], hour(2)),
        approved_at(1)
    );
}

#[test]
fn a_record_made_later_about_an_earlier_time_is_not_known_before() {
    let mut approval = record(CurveAct::Approved, 8);
    approval.happened_at = hour(1);
    let records = [approval];
    assert_eq!(
        standing_at(&curve(), DIGEST, &records, hour(7)),
        CurveStanding::Unapproved
    );
    assert_eq!(
        standing_at(&curve(), DIGEST, &records, hour(8)),
        approved_at(1)
    );
    assert_eq!(
        standing_at(&curve(), "sha256:another", &records, hour(8)),
        CurveStanding::Unapproved
    );
}

#[test]
fn records_are_read_with_their_defaults() {
    let text = format!(
        "[[record]]\ndigest = \"{DIGEST}\"\nact = \"approved\"\nby = \"lab lead\"\n\
         recorded_at = 2027-01-15T09:00:00+01:00\n"
    );
    let records = parse_records(&text).expect("a good record");
    assert_eq!(records, vec![record(CurveAct::Approved, 0)]);
    assert_eq!(parse_records("").expect("no records"), vec![]);
}

#[test]
fn a_faulty_record_is_refused_with_its_line_and_key() {
    let good = format!(
        "[[record]]\ndigest = \"{DIGEST}\"\nact = \"withdrawn\"\nby = \"lab lead\"\n\
         recorded_at = 2027-01-15T08:00:00Z\nwhy = \"cement changed\"\n"
    );
    assert!(parse_records(&good).is_ok());
    let cases = [
        (
            "why = \"cement changed\"\n",
            "",
            "line 1, `record[1].why`: is missing: say why",
        ),
        (
            "why = \"cement changed\"",
            "reason = \"x\"",
            "line 6, `record[1].reason`: is not a known",
        ),
        (
            "act = \"withdrawn\"",
            "act = \"aproved\"",
            "line 3, `record[1].act`: must be \"approved\" or",
        ),
        (
            "00112233445566",
            "0011223344556",
            "line 2, `record[1].digest`: must be the curve file's name",
        ),
        (
            "recorded_at = 2027-01-15T08:00:00Z",
            "recorded_at = 2027-01-15T08:00:00",
            "line 5, `record[1].recorded_at`: must be an instant",
        ),
        (
            "why =",
            "happened_at = 2027-01-15T08:00:01Z\nwhy =",
            "line 6, `record[1].happened_at`: must not be later",
        ),
        (
            "why =",
            "effective_at = 2027-01-15T08:00:01Z\nwhy =",
            "line 6, `record[1].effective_at`: belongs to \"expires\" only",
        ),
        (
            "act = \"withdrawn\"",
            "act = \"expires\"",
            "line 1, `record[1].effective_at`: is missing",
        ),
    ];
    for (from, to, expected) in cases {
        let message = parse_records(&good.replacen(from, to, 1))
            .expect_err(expected)
            .to_string();
        assert!(
            message.starts_with(expected),
            "{message}\nexpected {expected}"
        );
    }
}

#[test]
fn the_documented_example_is_a_good_record() {
    let example = crate::document::documented_example(include_str!("../curve_record.rs"))
        .replace('…', &DIGEST["sha256:".len()..]);
    let records = parse_records(&example).expect("the example in the documentation");
    assert_eq!((records.len(), records[0].by.as_str()), (1, "lab lead"));
    assert!(records[0].happened_at < records[0].recorded_at);
}
