//! The one writer: batches in, durable commits out.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};

use crate::acts::{self, digest_hex};
use crate::directory::{self, DATABASE_FILE, DirectoryLock, OpenOptions};
use crate::error::Doing;
use crate::rows::{
    Batch, CommitReport, DocumentRow, Measured, ReadingOutcome, ReadingRow, RefusalRow,
    SAMPLE_CHARS_MAX, StatementRow, StoredAs, SummaryRow,
};
use crate::{Reader, StoreError};

/// Statements that a commit uses; SQLite need not parse them again.
const STATEMENT_CACHE_COUNT: usize = 32;

/// The only way to write. It holds the data directory's lock as long as it lives.
#[derive(Debug)]
pub struct Writer {
    connection: Connection,
    channels: ChannelIds,
    path: PathBuf,
    // Last, so that the database is closed before another daemon may take the directory.
    _lock: DirectoryLock,
}

/// How the writer's own connection is set, read back from SQLite.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pragmas {
    pub journal_mode: String,
    /// 2 is FULL.
    pub synchronous: i64,
    pub foreign_keys: bool,
}

/// The numbers of channel names, as far as they are committed or part of the open transaction.
#[derive(Debug, Default)]
struct ChannelIds(HashMap<Arc<str>, i64>);

impl Writer {
    /// Opens the data directory for writing, making it, its database and its schema as needed.
    pub fn open(dir: &Path, options: OpenOptions) -> Result<Self, StoreError> {
        let (lock, connection) = directory::open_for_writing(dir, options)?;
        connection.set_prepared_statement_cache_capacity(STATEMENT_CACHE_COUNT);
        Ok(Self {
            connection,
            channels: ChannelIds::default(),
            path: dir.join(DATABASE_FILE),
            _lock: lock,
        })
    }

    /// A reader of the same database, with a connection of its own.
    pub fn reader(&self) -> Result<Reader, StoreError> {
        Reader::open_file(&self.path)
    }

    /// Writes the batch in one transaction; it is on the disk when this returns `Ok`.
    ///
    /// After an error nothing of the batch was written, and the writer can be used again as soon as
    /// the cause is gone. After an error of the database itself the same batch may be committed
    /// again: what the disk did keep is then answered as known.
    pub fn commit(&mut self, batch: &Batch) -> Result<CommitReport, StoreError> {
        self.commit_group(&[batch])
            .pop()
            .expect("one batch has one result")
    }

    /// Writes several batches in one transaction, with one result for each, in order.
    ///
    /// A batch that is wrong in itself is left out and told so; the others are written. When the
    /// database fails, nothing was written and every batch is told.
    pub fn commit_group(&mut self, batches: &[&Batch]) -> Vec<Result<CommitReport, StoreError>> {
        self.try_commit_group(batches).unwrap_or_else(|error| {
            // The transaction took back the names it had added.
            self.channels = ChannelIds::default();
            vec![Err(error); batches.len()]
        })
    }

    pub fn pragmas(&self) -> Result<Pragmas, StoreError> {
        const DOING: &str = "reading how it is written";
        let number = |name: &str| {
            self.connection
                .pragma_query_value(None, name, |row| row.get::<_, i64>(0))
                .doing(DOING)
        };
        Ok(Pragmas {
            journal_mode: self
                .connection
                .pragma_query_value(None, "journal_mode", |row| row.get(0))
                .doing(DOING)?,
            synchronous: number("synchronous")?,
            foreign_keys: number("foreign_keys")? == 1,
        })
    }

    #[cfg(test)]
    pub(crate) fn connection(&self) -> &Connection {
        &self.connection
    }

    fn try_commit_group(
        &mut self,
        batches: &[&Batch],
    ) -> Result<Vec<Result<CommitReport, StoreError>>, StoreError> {
        // Dropped without a commit, the transaction rolls back, also where SQLite already has.
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .doing("beginning a commit")?;
        let mut results = Vec::with_capacity(batches.len());
        for batch in batches {
            // All that can be wrong with a batch is found before its first row is written, so that
            // leaving it out needs no partial rollback.
            let checked = batch
                .check()
                .and_then(|()| acts::check_ids(&transaction, &batch.acts));
            results.push(match checked {
                Ok(()) => Ok(write_batch(&transaction, &mut self.channels, batch)?),
                Err(error @ StoreError::Database { .. }) => return Err(error),
                Err(error) => Err(error),
            });
        }
        transaction.commit().doing("committing")?;
        Ok(results)
    }
}

fn write_batch(
    connection: &Connection,
    channels: &mut ChannelIds,
    batch: &Batch,
) -> Result<CommitReport, StoreError> {
    let mut report = CommitReport::default();
    report.readings.reserve_exact(batch.readings.len());
    for reading in &batch.readings {
        report
            .readings
            .push(add_reading(connection, channels, reading)?);
    }
    for refusal in &batch.refusals {
        add_refusal(connection, refusal)?;
    }
    for document in &batch.documents {
        report.documents.push(add_document(connection, document)?);
    }
    for act in &batch.acts {
        report.acts.push(acts::append(connection, act)?);
    }
    for statement in &batch.statements {
        report
            .statement_seqs
            .push(add_statement(connection, statement)?);
    }
    for summary in &batch.summaries {
        add_summary(connection, summary)?;
    }
    Ok(report)
}

impl ChannelIds {
    fn id_of(&mut self, connection: &Connection, name: &Arc<str>) -> Result<i64, StoreError> {
        const DOING: &str = "naming a channel";
        if let Some(id) = self.0.get(name) {
            return Ok(*id);
        }
        let stored = connection
            .prepare_cached("SELECT id FROM channels WHERE name = ?1")
            .and_then(|mut statement| statement.query_row([&**name], |row| row.get(0)).optional())
            .doing(DOING)?;
        let id = match stored {
            Some(id) => id,
            None => connection
                .prepare_cached("INSERT INTO channels (name) VALUES (?1)")
                .and_then(|mut statement| statement.insert([&**name]))
                .doing(DOING)?,
        };
        self.0.insert(name.clone(), id);
        Ok(id)
    }
}

fn add_reading(
    connection: &Connection,
    channels: &mut ChannelIds,
    reading: &ReadingRow,
) -> Result<ReadingOutcome, StoreError> {
    let channel_id = channels.id_of(connection, &reading.channel)?;
    // Nearly every reading is the first of its identity: one statement then does it all.
    if insert_variant(connection, channel_id, 0, reading)? {
        return Ok(ReadingOutcome::New);
    }
    let stored = stored_values(connection, channel_id, reading.identity_ms())?;
    if stored
        .iter()
        .any(|(_, measured)| is_same(measured, &reading.measured))
    {
        return Ok(ReadingOutcome::Known);
    }
    let last_variant = stored.last().map_or(0, |(variant, _)| *variant);
    insert_variant(connection, channel_id, last_variant + 1, reading)?;
    Ok(ReadingOutcome::Conflict)
}

/// False where this variant of the identity is taken.
fn insert_variant(
    connection: &Connection,
    channel_id: i64,
    variant: i64,
    reading: &ReadingRow,
) -> Result<bool, StoreError> {
    let (temperature_c, fault) = match &reading.measured {
        // SQLite keeps no negative zero; adding zero makes what is kept equal to what is compared.
        Measured::TemperatureC(value) => (Some(value + 0.0), None),
        Measured::Fault(fault) => (None, Some(&**fault)),
    };
    connection
        .prepare_cached(
            "INSERT INTO readings (channel_id, measured_ms, variant, received_ms,
                                   temperature_c, fault, clockless, via)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
             ON CONFLICT (channel_id, measured_ms, variant) DO NOTHING",
        )
        .and_then(|mut statement| {
            statement.execute(params![
                channel_id,
                reading.identity_ms(),
                variant,
                reading.received_ms,
                temperature_c,
                fault,
                reading.measured_ms.is_none(),
                reading.via.as_str(),
            ])
        })
        .map(|row_count| row_count == 1)
        .doing("adding a reading")
}

fn stored_values(
    connection: &Connection,
    channel_id: i64,
    measured_ms: i64,
) -> Result<Vec<(i64, Measured)>, StoreError> {
    connection
        .prepare_cached(
            "SELECT variant, temperature_c, fault FROM readings
             WHERE channel_id = ?1 AND measured_ms = ?2 ORDER BY variant",
        )
        .and_then(|mut statement| {
            statement
                .query_map([channel_id, measured_ms], |row| {
                    let measured = match row.get::<_, Option<f64>>(1)? {
                        Some(value) => Measured::TemperatureC(value),
                        None => Measured::Fault(row.get::<_, String>(2)?.into()),
                    };
                    Ok((row.get(0)?, measured))
                })?
                .collect()
        })
        .doing("comparing a reading")
}

#[expect(
    clippy::float_cmp,
    reason = "the identity rule asks for the equal value, not a near one"
)]
fn is_same(stored: &Measured, received: &Measured) -> bool {
    match (stored, received) {
        (Measured::TemperatureC(stored), Measured::TemperatureC(received)) => stored == received,
        (Measured::Fault(stored), Measured::Fault(received)) => stored == received,
        _ => false,
    }
}

fn add_refusal(connection: &Connection, refusal: &RefusalRow) -> Result<(), StoreError> {
    const DOING: &str = "adding a refusal";
    let sample: String = refusal.sample.chars().take(SAMPLE_CHARS_MAX).collect();
    connection
        .prepare_cached(
            "INSERT INTO refusals (received_ms, source, kind, detail, sample)
             VALUES (?1, ?2, ?3, ?4, ?5)",
        )
        .and_then(|mut statement| {
            statement.execute(params![
                refusal.received_ms,
                refusal.source,
                refusal.kind,
                refusal.detail,
                sample
            ])
        })
        .doing(DOING)?;
    connection
        .prepare_cached(
            "INSERT INTO refusal_counts (source, kind, refusal_count, last_received_ms)
             VALUES (?1, ?2, 1, ?3)
             ON CONFLICT (source, kind) DO UPDATE SET
                 refusal_count = refusal_count + 1,
                 last_received_ms = max(last_received_ms, excluded.last_received_ms)",
        )
        .and_then(|mut statement| {
            statement.execute(params![refusal.source, refusal.kind, refusal.received_ms])
        })
        .map(|_| ())
        .doing(DOING)
}

fn add_document(connection: &Connection, document: &DocumentRow) -> Result<StoredAs, StoreError> {
    let digest = digest_hex(&document.bytes);
    connection
        .prepare_cached(
            "INSERT INTO documents (digest, kind, name, bytes, first_recorded_ms)
             VALUES (?1, ?2, ?3, ?4, ?5) ON CONFLICT (digest) DO NOTHING",
        )
        .and_then(|mut statement| {
            statement.execute(params![
                digest,
                document.kind,
                document.name,
                document.bytes,
                document.recorded_ms
            ])
        })
        .map(|row_count| StoredAs {
            digest,
            is_new: row_count == 1,
        })
        .doing("adding a document")
}

fn add_statement(connection: &Connection, row: &StatementRow) -> Result<i64, StoreError> {
    connection
        .prepare_cached(
            "INSERT INTO statements (said_ms, kind, subject, body) VALUES (?1, ?2, ?3, ?4)",
        )
        .and_then(|mut statement| {
            statement.insert(params![row.said_ms, row.kind, row.subject, row.body])
        })
        .doing("adding a statement")
}

fn add_summary(connection: &Connection, summary: &SummaryRow) -> Result<(), StoreError> {
    connection
        .prepare_cached(
            "INSERT INTO summaries (key, became_known_ms, body, body_digest)
             VALUES (?1, ?2, ?3, ?4)
             ON CONFLICT (key, became_known_ms, body_digest) DO NOTHING",
        )
        .and_then(|mut statement| {
            statement.execute(params![
                summary.key,
                summary.became_known_ms,
                summary.body,
                digest_hex(summary.body.as_bytes())
            ])
        })
        .map(|_| ())
        .doing("adding a summary")
}
