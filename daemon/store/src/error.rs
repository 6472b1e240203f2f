//! Everything that can go wrong in the store, each with a sentence that says what to do.

use std::path::PathBuf;
use std::sync::Arc;

use rusqlite::ErrorCode;
use rusqlite::ffi;
use uuid::Uuid;

/// Why the store could not do what was asked.
///
/// Sources are shared so that one failed group commit can be told to every member of the group.
#[derive(Debug, Clone, thiserror::Error)]
#[non_exhaustive]
pub enum StoreError {
    #[error("cannot {doing} {}", path.display())]
    File {
        doing: &'static str,
        path: PathBuf,
        #[source]
        source: Arc<std::io::Error>,
    },

    #[error(
        "another tarplightd already uses the data directory {}; stop it first, \
         or give this one a data directory of its own", dir.display()
    )]
    Locked { dir: PathBuf },

    #[error(
        "there is no database {}; check the data directory's name, \
         or start tarplightd once to make it", path.display()
    )]
    Missing { path: PathBuf },

    #[error(
        "{} is not a tarplight database; move it away, or name another data directory",
        path.display()
    )]
    NotOurs { path: PathBuf },

    #[error(
        "{} was written by a newer tarplight (schema {found}, this one knows up to {known}); \
         install that version, or restore a back-up made before the upgrade", path.display()
    )]
    NewerSchema {
        path: PathBuf,
        found: i64,
        known: i64,
    },

    #[error(
        "{} has the older schema {found} (this version needs {known}); \
         start tarplightd on it once, which brings it up to date", path.display()
    )]
    OlderSchema {
        path: PathBuf,
        found: i64,
        known: i64,
    },

    #[error(
        "the data directory {} was made on a simulated clock, so its times are not real; \
         name another data directory for a real plant, or start with the simulated clock options",
        dir.display()
    )]
    MadeOnSimulatedClock { dir: PathBuf },

    #[error(
        "the data directory {} holds records of a real plant; a simulated clock would mix invented \
         times into them; name another data directory for the simulation", dir.display()
    )]
    MadeOnWallClock { dir: PathBuf },

    #[error(
        "the database in {} cannot be made safe against power loss (journal mode `{journal_mode}`, \
         synchronous {synchronous}, wanted `wal` and 2); put the data directory on a local disk",
        dir.display()
    )]
    NotDurable {
        dir: PathBuf,
        journal_mode: String,
        synchronous: i64,
    },

    #[error("{row} cannot be stored: {reason}; nothing of its batch was written")]
    BadRow { row: String, reason: String },

    #[error(
        "the id {id} was already used for an act with another content; nothing was written; \
         make a new id for a new act"
    )]
    IdReused { id: Uuid },

    #[error("the stored {row} cannot be read: {reason}; run the integrity check")]
    Damaged { row: String, reason: String },

    #[error("{} already exists; name a new file for the back-up", path.display())]
    BackupExists { path: PathBuf },

    #[error("the copy {} did not pass its integrity check: {problem}", path.display())]
    BackupUnsound { path: PathBuf, problem: String },

    #[error("cannot write the export")]
    Export {
        #[source]
        source: Arc<csv::Error>,
    },

    #[error("the database failed while {doing}")]
    Database {
        doing: &'static str,
        #[source]
        source: Arc<rusqlite::Error>,
    },

    #[error("cannot start the writer's thread")]
    Thread {
        #[source]
        source: Arc<std::io::Error>,
    },

    #[error("the store's writer has stopped; nothing more is written until tarplightd restarts")]
    Stopped,
}

impl StoreError {
    /// True where the disk (or the database's size limit) is full: try again when space returns.
    pub fn is_full(&self) -> bool {
        match self {
            Self::Database { source, .. } => sqlite_error(source).is_some_and(|error| {
                // Growing the shared-memory index on a full disk has a code of its own.
                error.code == ErrorCode::DiskFull
                    || error.extended_code == ffi::SQLITE_IOERR_SHMSIZE
            }),
            Self::File { source, .. } => is_storage_full(source),
            Self::Export { source } => match source.kind() {
                csv::ErrorKind::Io(error) => is_storage_full(error),
                _ => false,
            },
            _ => false,
        }
    }

    /// True where another connection held the database for longer than we wait: try again.
    pub fn is_busy(&self) -> bool {
        let Self::Database { source, .. } = self else {
            return false;
        };
        sqlite_error(source).is_some_and(|error| {
            matches!(
                error.code,
                ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked
            )
        })
    }
}

fn sqlite_error(error: &rusqlite::Error) -> Option<&ffi::Error> {
    match error {
        rusqlite::Error::SqliteFailure(error, _) => Some(error),
        _ => None,
    }
}

fn is_storage_full(error: &std::io::Error) -> bool {
    matches!(
        error.kind(),
        std::io::ErrorKind::StorageFull | std::io::ErrorKind::QuotaExceeded
    )
}

/// Adds to a SQLite error what was being done.
pub(crate) trait Doing<T> {
    fn doing(self, doing: &'static str) -> Result<T, StoreError>;
}

impl<T> Doing<T> for rusqlite::Result<T> {
    fn doing(self, doing: &'static str) -> Result<T, StoreError> {
        self.map_err(|source| StoreError::Database {
            doing,
            source: Arc::new(source),
        })
    }
}
