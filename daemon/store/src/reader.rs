//! Reading the store on a connection of its own; the writer is never blocked.

use std::ops::{ControlFlow, Range};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rusqlite::types::FromSql;
use rusqlite::{Connection, OptionalExtension, Row, params};
use uuid::Uuid;

use crate::acts::{self, ChainCheck, Link};
use crate::directory::{self, DATABASE_FILE};
use crate::error::Doing;
use crate::rows::{Measured, Via};
use crate::stored::{
    DocumentInfo, RefusalCount, StoredAct, StoredDocument, StoredReading, StoredRefusal,
    StoredStatement, StoredSummary,
};
use crate::{StoreError, export};

/// A read-only view; each call sees what was committed when it began.
#[derive(Debug)]
pub struct Reader {
    connection: Connection,
    path: PathBuf,
}

const READING_COLUMNS: &str = "c.name, r.measured_ms, r.variant, r.received_ms, r.temperature_c,
                               r.fault, r.clockless, r.via";

impl Reader {
    /// Opens the database of a data directory; a running daemon is not disturbed.
    pub fn open(dir: &Path) -> Result<Self, StoreError> {
        Self::open_file(&dir.join(DATABASE_FILE))
    }

    /// Opens a database file by its own name, such as a back-up.
    pub fn open_file(path: &Path) -> Result<Self, StoreError> {
        let connection = directory::open_for_reading(path)?;
        Ok(Self {
            connection,
            path: path.to_owned(),
        })
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// True where the data directory was made on a simulated clock.
    pub fn is_simulated_clock(&self) -> Result<bool, StoreError> {
        self.connection
            .query_row(
                "SELECT value = 'simulated' FROM meta WHERE name = 'clock'",
                [],
                |row| row.get(0),
            )
            .doing("reading the mark of its clock")
    }

    /// Every channel that ever had a reading, by name.
    pub fn channels(&self) -> Result<Vec<String>, StoreError> {
        self.list(
            "SELECT name FROM channels ORDER BY name",
            [],
            "reading channels",
            |row| row.get(0),
        )
    }

    /// One channel's readings measured in `[from, to)`, in order of time, conflicts included.
    pub fn readings(
        &self,
        channel: &str,
        measured_ms: Range<i64>,
    ) -> Result<Vec<StoredReading>, StoreError> {
        let sql = format!(
            "SELECT {READING_COLUMNS} FROM readings r JOIN channels c ON c.id = r.channel_id
             WHERE c.name = ?1 AND r.measured_ms >= ?2 AND r.measured_ms < ?3
             ORDER BY r.measured_ms, r.variant"
        );
        let name: Arc<str> = channel.into();
        let mut readings = Vec::new();
        self.visit_readings(
            &sql,
            params![channel, measured_ms.start, measured_ms.end],
            &mut |_| name.clone(),
            &mut |reading| {
                readings.push(reading);
                ControlFlow::Continue(())
            },
        )?;
        Ok(readings)
    }

    /// All channels' readings received in `[from, to)`, in order of receipt; what came in the same
    /// millisecond goes by channel name, so that the same records always come in the same order.
    pub fn readings_received(
        &self,
        received_ms: Range<i64>,
        visit: &mut dyn FnMut(StoredReading) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        // CROSS JOIN fixes the order of the loops: along the receipt index, never channel by channel.
        let sql = format!(
            "SELECT {READING_COLUMNS} FROM readings r CROSS JOIN channels c ON c.id = r.channel_id
             WHERE r.received_ms >= ?1 AND r.received_ms < ?2
             ORDER BY r.received_ms, c.name, r.measured_ms, r.variant"
        );
        // A night has a few hundred channels and a million readings: keep each name once.
        let mut names = std::collections::HashSet::<Arc<str>>::new();
        let mut intern = |name: &str| match names.get(name) {
            Some(known) => known.clone(),
            None => {
                let name: Arc<str> = name.into();
                names.insert(name.clone());
                name
            }
        };
        self.visit_readings(
            &sql,
            params![received_ms.start, received_ms.end],
            &mut intern,
            visit,
        )
    }

    /// Every act, oldest first.
    pub fn acts_all(&self) -> Result<Vec<StoredAct>, StoreError> {
        self.acts_since(0)
    }

    /// The acts after `seq`, oldest first.
    pub fn acts_since(&self, seq: i64) -> Result<Vec<StoredAct>, StoreError> {
        let mut stored = Vec::new();
        acts::visit_links(&self.connection, seq, |link| {
            stored.push(stored_act(link)?);
            Ok(())
        })?;
        Ok(stored)
    }

    /// Walks the whole chain of acts.
    pub fn verify_chain(&self) -> Result<ChainCheck, StoreError> {
        acts::verify_chain(&self.connection)
    }

    /// A document by its digest.
    pub fn document(&self, digest: &str) -> Result<Option<StoredDocument>, StoreError> {
        self.connection
            .query_row(
                "SELECT digest, kind, name, first_recorded_ms, bytes FROM documents
                 WHERE digest = ?1",
                [digest],
                |row| {
                    Ok(StoredDocument {
                        info: document_info(row)?,
                        bytes: row.get(4)?,
                    })
                },
            )
            .optional()
            .doing("reading a document")
    }

    /// All documents in the order in which they were first recorded.
    pub fn documents(&self) -> Result<Vec<DocumentInfo>, StoreError> {
        self.list(
            "SELECT digest, kind, name, first_recorded_ms FROM documents
             ORDER BY first_recorded_ms, digest",
            [],
            "reading documents",
            document_info,
        )
    }

    /// How many payloads each source had refused, by reason.
    pub fn refusal_counts(&self) -> Result<Vec<RefusalCount>, StoreError> {
        self.list(
            "SELECT source, kind, refusal_count, last_received_ms FROM refusal_counts
             ORDER BY source, kind",
            [],
            "reading refusal counts",
            |row| {
                Ok(RefusalCount {
                    source: row.get(0)?,
                    kind: row.get(1)?,
                    refusal_count: row.get(2)?,
                    last_received_ms: row.get(3)?,
                })
            },
        )
    }

    /// The newest refusals, newest first.
    pub fn last_refusals(&self, count_max: u32) -> Result<Vec<StoredRefusal>, StoreError> {
        self.list(
            "SELECT seq, received_ms, source, kind, detail, sample FROM refusals
             ORDER BY seq DESC LIMIT ?1",
            [count_max],
            "reading refusals",
            |row| {
                Ok(StoredRefusal {
                    seq: row.get(0)?,
                    received_ms: row.get(1)?,
                    source: row.get(2)?,
                    kind: row.get(3)?,
                    detail: row.get(4)?,
                    sample: row.get(5)?,
                })
            },
        )
    }

    /// The statements after `seq`, oldest first.
    pub fn statements_since(&self, seq: i64) -> Result<Vec<StoredStatement>, StoreError> {
        self.list(
            "SELECT seq, said_ms, kind, subject, body FROM statements WHERE seq > ?1 ORDER BY seq",
            [seq],
            "reading statements",
            statement,
        )
    }

    /// The last statement of a kind about each subject, in the order in which they were said.
    pub fn last_statements(&self, kind: &str) -> Result<Vec<StoredStatement>, StoreError> {
        self.list(
            "SELECT seq, said_ms, kind, subject, body FROM statements WHERE seq IN
                 (SELECT max(seq) FROM statements WHERE kind = ?1 GROUP BY subject)
             ORDER BY seq",
            [kind],
            "reading statements",
            statement,
        )
    }

    /// The statements of a kind that were said in `[from, to)`, in the order in which they were said.
    pub fn statements_said(
        &self,
        kind: &str,
        said_ms: Range<i64>,
    ) -> Result<Vec<StoredStatement>, StoreError> {
        self.list(
            "SELECT seq, said_ms, kind, subject, body FROM statements
             WHERE kind = ?1 AND said_ms >= ?2 AND said_ms < ?3 ORDER BY said_ms, seq",
            rusqlite::params![kind, said_ms.start, said_ms.end],
            "reading statements",
            statement,
        )
    }

    /// Summaries that were known at `known_ms`, in the order in which they became known; a later
    /// one of the same key supersedes an earlier one.
    pub fn summaries_known_at(&self, known_ms: i64) -> Result<Vec<StoredSummary>, StoreError> {
        self.list(
            "SELECT seq, key, became_known_ms, body FROM summaries WHERE became_known_ms <= ?1
             ORDER BY became_known_ms, seq",
            [known_ms],
            "reading summaries",
            |row| {
                Ok(StoredSummary {
                    seq: row.get(0)?,
                    key: row.get(1)?,
                    became_known_ms: row.get(2)?,
                    body: row.get(3)?,
                })
            },
        )
    }

    /// Writes the readings received in `[from, to)` as CSV, in order of receipt, and counts them.
    ///
    /// The columns are `received_at,measured_at,channel,value`. A value is in °C and reads back to
    /// the very same number; a reading without one has its fault's word there, and `measured_at` is
    /// empty where the source had no clock.
    pub fn export_readings_csv(
        &self,
        to: &mut dyn std::io::Write,
        received_ms: Range<i64>,
    ) -> Result<u64, StoreError> {
        export::readings_csv(self, to, received_ms)
    }

    pub(crate) fn connection(&self) -> &Connection {
        &self.connection
    }

    /// All rows of a query; `doing` names the work for the error.
    fn list<T>(
        &self,
        sql: &str,
        parameters: impl rusqlite::Params,
        doing: &'static str,
        read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        self.connection
            .prepare_cached(sql)
            .and_then(|mut statement| statement.query_map(parameters, read)?.collect())
            .doing(doing)
    }

    fn visit_readings(
        &self,
        sql: &str,
        parameters: &[&dyn rusqlite::ToSql],
        name_of: &mut dyn FnMut(&str) -> Arc<str>,
        visit: &mut dyn FnMut(StoredReading) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        const DOING: &str = "reading readings";
        let mut statement = self.connection.prepare_cached(sql).doing(DOING)?;
        let mut rows = statement.query(parameters).doing(DOING)?;
        while let Some(row) = rows.next().doing(DOING)? {
            if visit(stored_reading(row, name_of)?).is_break() {
                break;
            }
        }
        Ok(())
    }
}

fn stored_reading(
    row: &Row<'_>,
    name_of: &mut dyn FnMut(&str) -> Arc<str>,
) -> Result<StoredReading, StoreError> {
    fn column<T: FromSql>(row: &Row<'_>, index: usize) -> Result<T, StoreError> {
        row.get(index).doing("reading a reading")
    }
    let name = row.get_ref(0).doing("reading a reading")?;
    let channel = name_of(name.as_str().map_err(|error| StoreError::Damaged {
        row: "channel name".to_owned(),
        reason: error.to_string(),
    })?);
    let measured_ms: i64 = column(row, 1)?;
    let is_clockless: bool = column(row, 6)?;
    let measured = match column::<Option<f64>>(row, 4)? {
        Some(value) => Measured::TemperatureC(value),
        None => Measured::Fault(column::<String>(row, 5)?.into()),
    };
    let via: String = column(row, 7)?;
    let via = Via::from_stored(&via).ok_or_else(|| StoreError::Damaged {
        row: format!("reading of channel {channel} at {measured_ms} ms"),
        reason: format!("it came in by `{via}`, which this version does not know"),
    })?;
    Ok(StoredReading {
        channel,
        measured_ms: (!is_clockless).then_some(measured_ms),
        received_ms: column(row, 3)?,
        measured,
        via,
        variant: column(row, 2)?,
    })
}

fn stored_act(link: Link) -> Result<StoredAct, StoreError> {
    let id = Uuid::parse_str(&link.id).map_err(|error| StoreError::Damaged {
        row: format!("act {}", link.seq),
        reason: format!("its id `{}` is not a UUID ({error})", link.id),
    })?;
    Ok(StoredAct {
        seq: link.seq,
        id,
        recorded_ms: link.recorded_ms,
        body: link.body,
        hash: link.hash,
    })
}

fn document_info(row: &Row<'_>) -> rusqlite::Result<DocumentInfo> {
    Ok(DocumentInfo {
        digest: row.get(0)?,
        kind: row.get(1)?,
        name: row.get(2)?,
        first_recorded_ms: row.get(3)?,
    })
}

fn statement(row: &rusqlite::Row<'_>) -> rusqlite::Result<StoredStatement> {
    Ok(StoredStatement {
        seq: row.get(0)?,
        said_ms: row.get(1)?,
        kind: row.get(2)?,
        subject: row.get(3)?,
        body: row.get(4)?,
    })
}
