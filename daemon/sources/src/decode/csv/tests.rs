//! Good and bad files: each bad row by its line and column, in both ways of reading.

use proptest::prelude::*;

use super::*;
use crate::delivery::FaultWord;

const HEADER: &str = "received_at,measured_at,channel,value\n";

#[test]
fn replay_rows_are_read_with_and_without_the_loggers_time() {
    let text = format!(
        "\u{feff}{HEADER}2026-11-25T01:00:01Z,2026-11-25T01:00:00Z,b3/1,21.5\r\n\
         2026-11-25T01:00:02Z,,b3/2,open\n"
    );
    let rows = read_replay_csv(text.as_bytes()).expect("good rows");
    assert_eq!(rows.len(), 2);
    assert_eq!(
        rows[0].measured_at.map(|at| at.timestamp()),
        Some(1_795_568_400)
    );
    assert_eq!(rows[0].content, Content::TemperatureC(21.5));
    assert_eq!(rows[1].measured_at, None);
    assert_eq!(rows[1].received_at.timestamp(), 1_795_568_402);
    assert_eq!(rows[1].content, Content::Fault(FaultWord::Open));
}

#[test]
fn a_bad_row_is_named_by_line_and_column() {
    let cases = [
        ("x,,b3/1,21", "received_at"),
        (",,b3/1,21", "received_at"),
        ("2026-11-25T01:00:01Z,noon,b3/1,21", "measured_at"),
        ("2026-11-25T01:00:01Z,,,21", "channel"),
        ("2026-11-25T01:00:01Z,,b3/1,warm", "value"),
        ("2026-11-25T01:00:01Z,,b3/1,NaN", "value"),
        ("2026-11-25T01:00:01Z,,b3/1", "4"),
        ("2026-11-25T01:00:01Z,,b3/1,21,5", "5"),
    ];
    for (row, column) in cases {
        let good = "2026-11-25T01:00:00Z,,b3/1,21\n";
        let error = read_replay_csv(format!("{HEADER}{good}{row}\n{good}").as_bytes());
        let error = error.expect_err(row);
        assert_eq!(
            (error.line, error.column.as_str()),
            (3, column),
            "{row}: {error}"
        );
    }
}

#[test]
fn a_missing_or_double_column_is_told_with_those_that_are_there() {
    let error = read_replay_csv(&b"received_at,measured_at,chan,value\n"[..]);
    let error = error.expect_err("no channel").to_string();
    assert!(
        error.contains("column channel") && error.contains("chan, value"),
        "{error}"
    );
    let error = read_replay_csv(&b"received_at,measured_at,channel,value,value\n"[..]);
    assert!(error.expect_err("two values").reason.contains("twice"));
    assert!(read_replay_csv(&b""[..]).is_err());
}

#[test]
fn a_logger_of_another_form_is_read_and_all_bad_rows_are_listed() {
    let options: CsvOptions = serde_json::from_value(serde_json::json!({
        "delimiter": ";", "value_column": "Temp", "measured_at_column": "Zeit",
        "channel_column": "Kanal", "channel": "b4/{name}", "time": "%d.%m.%Y %H:%M",
        "zone": "+01:00", "decimal_comma": true, "fault_words": {"---": "open"}
    }))
    .expect("good options");
    let format = options.check().expect("a good format");
    let text = b"Kanal;Zeit;Temp\n1;25.11.2026 02:00;21,5\n1;25.11.2026;21,5\n\
                 2;25.11.2026 02:01;---\n3;25.11.2026 02:01;\xff\n1;25.11.2026 02:02;22\n";
    let (good, bad) = format.read_leniently(&text[..]).expect("a readable file");
    let read: Vec<_> = good
        .iter()
        .map(|row| (row.line, row.channel.as_str()))
        .collect();
    assert_eq!(read, [(2, "b4/1"), (4, "b4/2"), (6, "b4/1")]);
    assert_eq!(
        good[0].measured_at.map(|at| at.timestamp()),
        Some(1_795_568_400)
    );
    let bad: Vec<_> = bad
        .iter()
        .map(|error| (error.line, error.column.as_str()))
        .collect();
    assert_eq!(bad, [(3, "Zeit"), (5, "3")]);
    assert_eq!(
        format.read_strictly(&text[..]).expect_err("a bad row").line,
        3
    );
}

#[test]
fn options_that_cannot_work_are_refused_with_their_key() {
    let cases = [
        (serde_json::json!({"delimiter": ";;"}), "delimiter"),
        (serde_json::json!({"decimal_comma": true}), "decimal_comma"),
        (serde_json::json!({"channel": "{2}"}), "channel"),
        (serde_json::json!({"time": "%H:%M"}), "zone"),
    ];
    for (options, key) in cases {
        let options: CsvOptions = serde_json::from_value(options).expect("known keys");
        assert_eq!(options.check().expect_err(key).key, key);
    }
}

#[test]
fn a_file_that_breaks_off_ends_with_its_error() {
    struct Broken(bool);
    impl Read for Broken {
        fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
            if std::mem::replace(&mut self.0, true) {
                return Err(std::io::Error::other("disk gone"));
            }
            let text = b"measured_at,channel,value\n,a,1\n";
            buffer[..text.len()].copy_from_slice(text);
            Ok(text.len())
        }
    }
    let format = CsvOptions::default().check().expect("defaults are good");
    let rows: Vec<_> = format.rows(Broken(false)).expect("a header").collect();
    assert_eq!(rows.len(), 2);
    assert!(rows[0].is_ok());
    assert!(
        rows[1]
            .as_ref()
            .expect_err("broken")
            .reason
            .contains("disk gone")
    );
}

proptest! {
    #[test]
    fn no_bytes_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        let mut text = HEADER.as_bytes().to_vec();
        text.extend(bytes);
        let _ = read_replay_csv(&text[..]);
        let format = CsvOptions::default().check().expect("defaults are good");
        let _ = format.read_leniently(&text[..]);
    }
}

#[test]
fn a_bad_row_has_the_number_that_a_spreadsheet_shows_whatever_ends_its_lines() {
    let good = "2026-11-25T01:00:01Z,2026-11-25T01:00:00Z,b3/1,21.5";
    let text = format!("{HEADER}{good}\n\n{}\n,,,\n", good.replace("21.5", "warm"));
    for end in ["\n", "\r\n", "\r"] {
        let text = text.replace('\n', end);
        let error = read_replay_csv(text.as_bytes()).expect_err("a bad row");
        assert_eq!(error.line, 4, "{end:?}");
        let good = text.replace("warm", "22");
        assert_eq!(
            read_replay_csv(good.as_bytes()).expect("good rows").len(),
            2
        );
    }
}
