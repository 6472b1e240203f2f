//! Readings from a logger's memory: every bad row is named by its line, its column and the reason.

use std::fmt;
use std::fs::File;
use std::io::Read;
use std::path::PathBuf;

use anyhow::{Context as _, bail};
use clap::Args;
use daemon_api::reading::{Backfill, BackfillReading};
use units::{PlainLines, line_of_row};

use super::send::{Desk, print, talk};

/// Bad rows that are printed one by one; of more, the count.
const BAD_ROWS_PRINTED_MAX: usize = 50;

#[derive(Debug, Args)]
#[command(
    after_help = "The first line names the columns: channel,measured_at,value. measured_at is an instant \
                  such as 2026-11-25T21:40:00Z, value is in °C. Sent twice, a row counts once.\n\
                  Example: tarplight backfill logger-n2.csv --by \"R. Field\""
)]
pub struct BackfillArgs {
    /// The CSV file
    file: PathBuf,
    /// Send the good rows although others are bad
    #[arg(long)]
    skip_bad_rows: bool,
}

/// One row that cannot be sent.
#[derive(Debug, PartialEq, Eq)]
struct BadRow {
    line: u64,
    column: &'static str,
    reason: String,
}

impl fmt::Display for BadRow {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "line {}, column {}: {}",
            self.line, self.column, self.reason
        )
    }
}

pub async fn run(desk: &Desk, args: &BackfillArgs) -> anyhow::Result<()> {
    let by = desk.by()?;
    let name = args.file.display().to_string();
    let file = File::open(&args.file).with_context(|| format!("{name} cannot be read"))?;
    let (readings, bad_rows) = read(file).with_context(|| name.clone())?;
    for bad in bad_rows.iter().take(BAD_ROWS_PRINTED_MAX) {
        talk(&format!("{name}: {bad}"));
    }
    if bad_rows.len() > BAD_ROWS_PRINTED_MAX {
        talk(&format!(
            "{name}: and {} more bad rows",
            bad_rows.len() - BAD_ROWS_PRINTED_MAX
        ));
    }
    if !bad_rows.is_empty() && !args.skip_bad_rows {
        bail!(
            "{name}: {} of {} rows are bad and nothing was sent: mend them, or send the others with \
             --skip-bad-rows",
            bad_rows.len(),
            bad_rows.len() + readings.len()
        );
    }
    if readings.is_empty() {
        bail!("{name}: there is no reading to send");
    }
    let origin = args
        .file
        .file_name()
        .map_or(name, |name| name.to_string_lossy().into_owned());
    let sent_count = readings.len();
    talk(&format!("sending {sent_count} readings"));
    let answer = desk
        .client
        .backfill(&Backfill {
            by,
            origin,
            readings,
        })
        .await?;
    print(&format!(
        "{} new, {} known already, {} in conflict, {} bad rows skipped\n",
        answer.new_count,
        answer.known_count,
        answer.conflict_count,
        bad_rows.len()
    ))?;
    for channel in &answer.unknown_channels {
        talk(&format!(
            "caution: no plant file or pour names channel {channel}; its readings are kept"
        ));
    }
    if let Some(future) = answer.from_the_future {
        talk(&format!(
            "caution: {} of these readings speak of a time still to come, the latest of {}: they are kept and \
             count for nothing, because nobody knows when they were measured; look at the logger's clock and the file's dates",
            future.count,
            future.latest_at.to_rfc3339()
        ));
    }
    Ok(())
}

/// The columns by their place in the file.
struct Columns {
    channel: usize,
    measured_at: usize,
    value: usize,
}

fn read(file: impl Read) -> anyhow::Result<(Vec<BackfillReading>, Vec<BadRow>)> {
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .flexible(true)
        .from_reader(PlainLines::new(file));
    let header = reader
        .headers()
        .context("line 1: the names of the columns cannot be read")?
        .clone();
    let place = |name: &str| {
        header
            .iter()
            .position(|column| column.trim_start_matches('\u{feff}') == name)
            .with_context(|| {
                format!("line 1: there is no column {name}: the first line must read channel,measured_at,value")
            })
    };
    let columns = Columns {
        channel: place("channel")?,
        measured_at: place("measured_at")?,
        value: place("value")?,
    };
    let mut readings = Vec::new();
    let mut bad_rows = Vec::new();
    let mut record = csv::StringRecord::new();
    loop {
        match reader.read_record(&mut record) {
            Ok(false) => break,
            // A spreadsheet writes the empty rows below a table as commas alone.
            Ok(true) if record.iter().all(str::is_empty) => {}
            Ok(true) => match reading(&record, &columns) {
                Ok(reading) => readings.push(reading),
                Err((column, reason)) => {
                    let line = line_of_row(reader.position().line(), record.iter());
                    bad_rows.push(BadRow {
                        line,
                        column,
                        reason,
                    });
                }
            },
            Err(error) if error.is_io_error() => return Err(error.into()),
            Err(error) => {
                let line = error.position().map_or(0, csv::Position::line);
                bad_rows.push(BadRow {
                    line,
                    column: "all",
                    reason: error.to_string(),
                });
            }
        }
    }
    Ok((readings, bad_rows))
}

fn reading(
    record: &csv::StringRecord,
    columns: &Columns,
) -> Result<BackfillReading, (&'static str, String)> {
    let field = |place: usize, name: &'static str| {
        record
            .get(place)
            .filter(|text| !text.is_empty())
            .ok_or_else(|| (name, "it is empty; every row needs it".to_owned()))
    };
    let channel = field(columns.channel, "channel")?.to_owned();
    let typed = field(columns.measured_at, "measured_at")?;
    let measured_at = chrono::DateTime::parse_from_rfc3339(typed).map_err(|error| {
        let reason = format!(
            "\"{typed}\" is no instant ({error}): write it with its offset, such as 2026-11-25T21:40:00Z"
        );
        ("measured_at", reason)
    })?;
    let typed = field(columns.value, "value")?;
    let temperature_c: f64 = typed
        .parse()
        .ok()
        .filter(|value: &f64| value.is_finite())
        .ok_or_else(|| {
            (
                "value",
                format!("\"{typed}\" is no number: give °C such as 58.4, without a unit"),
            )
        })?;
    Ok(BackfillReading {
        channel,
        measured_at: measured_at.to_utc(),
        temperature_c,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_bad_row_is_named_by_line_column_and_reason() {
        let text = "channel,measured_at,value\nN2-01,2026-11-25T21:40:00Z,58.4\nN2-01,21:41,58.5\n\
                    ,2026-11-25T21:42:00Z,58.5\nN2-01,2026-11-25T21:43:00Z,58 °C\nN2-01,2026-11-25T21:44:00Z\n\
                    N2-01,2026-11-25T21:45:00Z,nan\n";
        let (readings, bad_rows) = read(text.as_bytes()).expect("a readable file");
        assert_eq!(readings.len(), 1);
        let named: Vec<_> = bad_rows.iter().map(|bad| (bad.line, bad.column)).collect();
        assert_eq!(
            named,
            [
                (3, "measured_at"),
                (4, "channel"),
                (5, "value"),
                (6, "value"),
                (7, "value")
            ]
        );
        assert!(
            bad_rows[0].to_string().contains("with its offset"),
            "{}",
            bad_rows[0]
        );
    }

    #[test]
    fn the_header_of_replay_is_understood_too() {
        let text = "received_at,measured_at,channel,value\n\
                    2026-11-25T21:40:03Z,2026-11-25T21:40:00-06:00,N2-01,58.4\n";
        let (readings, bad_rows) = read(text.as_bytes()).expect("a readable file");
        assert!(bad_rows.is_empty());
        assert_eq!(readings[0].channel, "N2-01");
        assert_eq!(
            readings[0].measured_at.to_rfc3339(),
            "2026-11-26T03:40:00+00:00"
        );
    }

    #[test]
    fn a_missing_column_is_named() {
        let refused = read("channel,time,value\n".as_bytes()).expect_err("no measured_at");
        assert!(
            refused.to_string().contains("no column measured_at"),
            "{refused}"
        );
    }

    #[test]
    fn a_bad_row_has_the_number_that_a_spreadsheet_shows_whatever_ends_its_lines() {
        let good = "c1,2026-11-25T21:40:00Z,20";
        let text = format!(
            "channel,measured_at,value\n{good}\n\n{}\n,,\n",
            good.replace(",20", ",warm")
        );
        for end in ["\n", "\r\n", "\r"] {
            let text = text.replace('\n', end);
            let (readings, bad) = read(text.as_bytes()).expect("it is read");
            let lines: Vec<u64> = bad.iter().map(|row| row.line).collect();
            assert_eq!((readings.len(), lines), (1, vec![4]), "{end:?}");
        }
    }
}
