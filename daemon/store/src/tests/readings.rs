//! Identity, conflicts, order of receipt, exact values, and the CSV export.

use std::collections::BTreeMap;

use chrono::DateTime;
use proptest::prelude::*;

use super::*;
use crate::ReadingOutcome::{Conflict, Known, New};
use crate::{Reader, StoreError};

#[test]
fn an_equal_value_again_changes_nothing_and_the_first_receipt_is_kept() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    let first = reading("bed-3/p1", NIGHT_MS, 41.25);
    let mut again = first.clone();
    again.received_ms += 3_600_000;
    again.via = Via::Csv;
    let report = writer
        .commit(&readings([first.clone(), again.clone()]))
        .expect("commits");
    assert_eq!(report.readings, [New, Known]);
    let report = writer.commit(&readings([again])).expect("commits");
    assert_eq!(report.readings, [Known]);

    let stored = all_received(&writer);
    assert_eq!(stored.len(), 1);
    assert_eq!(stored[0].received_ms, first.received_ms);
    assert_eq!(stored[0].via, Via::Mqtt);
}

#[test]
fn another_value_for_the_same_channel_and_time_is_kept_beside_the_first() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    let first = reading("bed-3/p1", NIGHT_MS, 41.25);
    let other = reading("bed-3/p1", NIGHT_MS, 41.250_000_000_000_01);
    let fault = ReadingRow {
        measured: Measured::Fault("open".into()),
        ..first.clone()
    };
    let elsewhere = reading("bed-3/p2", NIGHT_MS, 41.25);
    let batch = readings([
        first.clone(),
        other.clone(),
        fault.clone(),
        other.clone(),
        fault.clone(),
        first.clone(),
        elsewhere,
    ]);
    let report = writer.commit(&batch).expect("commits");
    assert_eq!(
        report.readings,
        [New, Conflict, Conflict, Known, Known, Known, New]
    );

    let reader = writer.reader().expect("reader");
    let stored = reader
        .readings("bed-3/p1", NIGHT_MS..NIGHT_MS + 1)
        .expect("reads");
    let kept: Vec<_> = stored
        .iter()
        .map(|row| (row.variant, row.measured.clone()))
        .collect();
    assert_eq!(
        kept,
        [
            (0, first.measured),
            (1, other.measured),
            (2, fault.measured)
        ]
    );
}

#[test]
fn a_clockless_reading_counts_from_its_arrival_and_says_so() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    let clockless = ReadingRow {
        measured_ms: None,
        via: Via::Serial,
        ..reading("port-1/ch2", NIGHT_MS, -12.5)
    };
    writer
        .commit(&readings([clockless.clone()]))
        .expect("commits");
    let reader = writer.reader().expect("reader");
    let at = clockless.received_ms;
    let stored = reader.readings("port-1/ch2", at..at + 1).expect("reads");
    assert_eq!(stored.len(), 1);
    assert_eq!(stored[0].measured_ms, None);
    assert_eq!(stored[0].received_ms, at);
    assert_eq!(stored[0].via, Via::Serial);
}

#[test]
fn a_range_takes_its_start_and_leaves_out_its_end() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    writer.commit(&minutes("a", 0, 10)).expect("commits");
    let reader = writer.reader().expect("reader");
    let from = NIGHT_MS + 2 * 60_000;
    let stored = reader
        .readings("a", from..from + 3 * 60_000)
        .expect("reads");
    let times: Vec<_> = stored.iter().filter_map(|row| row.measured_ms).collect();
    assert_eq!(times, [from, from + 60_000, from + 120_000]);
    assert!(
        reader
            .readings("never seen", from..from + 1)
            .expect("reads")
            .is_empty()
    );
    assert_eq!(reader.channels().expect("reads"), ["a"]);
}

#[test]
fn receipt_order_follows_arrival_not_measurement_and_can_be_left_early() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    let arrival = |channel: &str, measured_ms, received_ms| ReadingRow {
        received_ms,
        ..reading(channel, measured_ms, 30.0)
    };
    // Committed out of order, with names made known in the reverse of their alphabetical order.
    writer
        .commit(&readings([
            arrival("z", 5_000, 9_000),
            arrival("b", 8_000, 8_500),
            arrival("a", 1_000, 9_000),
        ]))
        .expect("commits");
    let order: Vec<_> = all_received(&writer)
        .iter()
        .map(|row| (row.received_ms, row.channel.to_string()))
        .collect();
    assert_eq!(
        order,
        [
            (8_500, "b".into()),
            (9_000, "a".into()),
            (9_000, "z".into())
        ]
    );

    let mut visited = 0;
    let reader = writer.reader().expect("reader");
    reader
        .readings_received(0..10_000, &mut |_| {
            visited += 1;
            ControlFlow::Break(())
        })
        .expect("reads");
    assert_eq!(visited, 1);
}

#[test]
fn rows_that_could_not_be_read_back_are_refused_with_their_place_and_reason() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    let good = reading("a", NIGHT_MS, 20.0);
    let with = |measured| ReadingRow {
        measured,
        ..good.clone()
    };
    let cases = [
        (with(Measured::TemperatureC(f64::NAN)), "NaN"),
        (with(Measured::TemperatureC(f64::INFINITY)), "inf"),
        (with(Measured::Fault("nan".into())), "`nan`"),
        (with(Measured::Fault("Open wire".into())), "`Open wire`"),
        (with(Measured::Fault("".into())), "``"),
        (
            ReadingRow {
                channel: "".into(),
                ..good.clone()
            },
            "channel is empty",
        ),
        (
            ReadingRow {
                measured_ms: Some(TIME_MS_MAX + 1),
                ..good.clone()
            },
            "years 1 to 9999",
        ),
        (
            ReadingRow {
                received_ms: TIME_MS_MIN - 1,
                ..good.clone()
            },
            "years 1 to 9999",
        ),
    ];
    for (bad, reason) in cases {
        let refused = writer
            .commit(&readings([good.clone(), bad]))
            .expect_err(reason);
        let StoreError::BadRow { row, .. } = &refused else {
            panic!("{refused}")
        };
        assert_eq!(row, "reading 2 of the batch");
        assert!(refused.to_string().contains(reason), "{refused}");
    }
    assert!(
        all_received(&writer).is_empty(),
        "the good reading of a refused batch is not written"
    );
}

#[test]
fn negative_zero_equals_zero() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    let batch = readings([reading("a", NIGHT_MS, -0.0), reading("a", NIGHT_MS, 0.0)]);
    assert_eq!(
        writer.commit(&batch).expect("commits").readings,
        [New, Known]
    );
}

#[test]
fn the_export_has_fixed_columns_and_says_faults_and_missing_clocks() {
    let dir = new_dir();
    let mut writer = open(dir.path());
    let clockless = ReadingRow {
        measured_ms: None,
        ..reading("b", NIGHT_MS, 18.0)
    };
    let fault = ReadingRow {
        measured: Measured::Fault("open".into()),
        ..reading("yard, north", NIGHT_MS + 1_000, 0.0)
    };
    writer
        .commit(&readings([fault, reading("a", NIGHT_MS, 20.1), clockless]))
        .expect("commits");
    assert_eq!(
        export(&writer.reader().expect("reader")),
        "received_at,measured_at,channel,value\n\
         2026-11-25T02:00:00.700Z,2026-11-25T02:00:00.000Z,a,20.1\n\
         2026-11-25T02:00:00.700Z,,b,18\n\
         2026-11-25T02:00:01.700Z,2026-11-25T02:00:01.000Z,\"yard, north\",open\n"
    );
}

#[test]
fn an_export_that_cannot_be_written_says_so() {
    struct FullDisk;
    impl std::io::Write for FullDisk {
        fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
            Err(std::io::ErrorKind::StorageFull.into())
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }
    let dir = new_dir();
    let mut writer = open(dir.path());
    writer.commit(&minutes("a", 0, 2_000)).expect("commits");
    let failed = writer
        .reader()
        .and_then(|reader| reader.export_readings_csv(&mut FullDisk, TIME_MS_MIN..TIME_MS_MAX))
        .expect_err("the disk is full");
    assert!(failed.is_full(), "{failed}");
}

fn export(reader: &Reader) -> String {
    let mut bytes = Vec::new();
    let row_count = reader
        .export_readings_csv(&mut bytes, TIME_MS_MIN..TIME_MS_MAX + 1)
        .expect("exports");
    let text = String::from_utf8(bytes).expect("the export is UTF-8");
    assert_eq!(
        row_count,
        csv::Reader::from_reader(text.as_bytes())
            .into_records()
            .count() as u64
    );
    text
}

type Identity = (String, i64);
/// Receipt, measurement, channel, and the exact bits of the value or the fault's word.
type CsvRow = (i64, Option<i64>, String, Result<u64, String>);

fn any_reading() -> impl Strategy<Value = ReadingRow> {
    let finite = prop_oneof![
        -60.0..120.0_f64,
        proptest::num::f64::NORMAL | proptest::num::f64::SUBNORMAL | proptest::num::f64::ZERO,
    ];
    let measured = prop_oneof![
        4 => finite.prop_map(Measured::TemperatureC),
        1 => "(open|short|garbled|out-of-range)".prop_map(|word| Measured::Fault(word.into())),
    ];
    // Few channels and times meet often; the others reach the ends of what can be stored.
    let channel = prop_oneof![3 => "[ab]", 1 => "[a-z,;\"\n é°]{1,8}"];
    let time = || prop_oneof![3 => 0..4_i64, 1 => TIME_MS_MIN..=TIME_MS_MAX];
    (channel, proptest::option::of(time()), time(), measured).prop_map(
        |(channel, measured_ms, received_ms, measured)| ReadingRow {
            channel: channel.into(),
            measured_ms,
            received_ms,
            measured,
            via: Via::Csv,
        },
    )
}

/// What the export must hold: each different value of an identity once, as first received.
fn expected_rows(rows: &[ReadingRow]) -> Vec<CsvRow> {
    let mut kept: BTreeMap<Identity, Vec<&ReadingRow>> = BTreeMap::new();
    for row in rows {
        let same = kept
            .entry((row.channel.to_string(), row.identity_ms()))
            .or_default();
        if !same.iter().any(|known| known.measured == row.measured) {
            same.push(row);
        }
    }
    let mut expected: Vec<_> = kept
        .into_values()
        .flatten()
        .map(|row| {
            let value = match &row.measured {
                Measured::TemperatureC(value) => Ok((value + 0.0).to_bits()),
                Measured::Fault(fault) => Err(fault.to_string()),
            };
            (
                row.received_ms,
                row.measured_ms,
                row.channel.to_string(),
                value,
            )
        })
        .collect();
    expected.sort();
    expected
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 48,
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn what_was_committed_reads_back_from_the_export_exactly(
        rows in proptest::collection::vec(any_reading(), 1..40),
    ) {
        let dir = new_dir();
        let mut writer = open(dir.path());
        for part in rows.chunks(7) {
            writer.commit(&readings(part.iter().cloned())).expect("commits");
        }
        let text = export(&writer.reader().expect("reader"));
        let parse = |text: &str| DateTime::parse_from_rfc3339(text).expect("a time").timestamp_millis();
        let mut receipts = Vec::new();
        let mut found = Vec::new();
        for record in csv::Reader::from_reader(text.as_bytes()).records() {
            let record = record.expect("a record");
            let received_ms = parse(&record[0]);
            receipts.push(received_ms);
            found.push((
                received_ms,
                (!record[1].is_empty()).then(|| parse(&record[1])),
                record[2].to_owned(),
                record[3].parse::<f64>().map(f64::to_bits).map_err(|_| record[3].to_owned()),
            ));
        }
        prop_assert!(receipts.is_sorted(), "rows come in order of receipt");
        found.sort();
        prop_assert_eq!(found, expected_rows(&rows));
        prop_assert_eq!(export(&writer.reader().expect("reader")), text, "the same export twice");
    }
}
