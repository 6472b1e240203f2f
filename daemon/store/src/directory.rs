//! The data directory: its lock, its database file, and the clock it was made on.

use std::fs::{File, TryLockError};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use rusqlite::{Connection, OpenFlags, OptionalExtension};

use crate::error::Doing;
use crate::{StoreError, schema};

pub const DATABASE_FILE: &str = "tarplight.sqlite3";
pub const LOCK_FILE: &str = "tarplightd.lock";

/// How long a connection waits for another one before the call fails as busy.
const BUSY_TIMEOUT: Duration = Duration::from_secs(5);
/// After a checkpoint the log is cut back to this, so that one busy hour does not keep the disk.
const LOG_BYTES_MAX: i64 = 64 * 1024 * 1024;
/// SQLite's number for `synchronous = FULL`: each commit is on the disk before it returns.
pub(crate) const SYNCHRONOUS_FULL: i64 = 2;

/// How a data directory is opened.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct OpenOptions {
    /// The caller's clock is simulated; such a directory is marked and never mixes with real ones.
    pub simulated_clock: bool,
}

/// Held as long as the directory is in use; the operating system drops it with the process.
#[derive(Debug)]
pub(crate) struct DirectoryLock {
    _file: File,
}

/// Takes the directory (making it if need be), locks it, and opens its database for writing.
pub(crate) fn open_for_writing(
    dir: &Path,
    options: OpenOptions,
) -> Result<(DirectoryLock, Connection), StoreError> {
    std::fs::create_dir_all(dir)
        .map_err(|error| file_error("make the data directory", dir, error))?;
    let lock = lock(dir)?;
    let path = dir.join(DATABASE_FILE);
    let mut connection = Connection::open(&path).doing("opening it for writing")?;
    prepare_file(&mut connection, dir, &path, options)?;
    require_durable(&connection, dir)?;
    sync_directory(dir)?;
    Ok((lock, connection))
}

/// Opens the database of a directory for reading; the lock is not needed.
pub(crate) fn open_for_reading(path: &Path) -> Result<Connection, StoreError> {
    if !path.exists() {
        return Err(StoreError::Missing {
            path: path.to_owned(),
        });
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).doing("opening it for reading")?;
    connection
        .busy_timeout(BUSY_TIMEOUT)
        .doing("setting its waiting time")?;
    schema::require_current(&connection, path)?;
    Ok(connection)
}

pub(crate) fn file_error(doing: &'static str, path: &Path, error: std::io::Error) -> StoreError {
    StoreError::File {
        doing,
        path: path.to_owned(),
        source: Arc::new(error),
    }
}

fn lock(dir: &Path) -> Result<DirectoryLock, StoreError> {
    let path = dir.join(LOCK_FILE);
    let file = File::options()
        .create(true)
        .truncate(false)
        .read(true)
        .write(true)
        .open(&path)
        .map_err(|error| file_error("open the lock file", &path, error))?;
    match file.try_lock() {
        Ok(()) => Ok(DirectoryLock { _file: file }),
        Err(TryLockError::WouldBlock) => Err(StoreError::Locked {
            dir: dir.to_owned(),
        }),
        Err(TryLockError::Error(error)) => Err(file_error("lock", &path, error)),
    }
}

fn prepare_file(
    connection: &mut Connection,
    dir: &Path,
    path: &Path,
    options: OpenOptions,
) -> Result<(), StoreError> {
    connection
        .busy_timeout(BUSY_TIMEOUT)
        .doing("setting its waiting time")?;
    // Read before the first write, so that a stranger's or a newer file stays untouched.
    let transaction = connection.transaction().doing("reading its schema")?;
    schema::migrate(&transaction, path)?;
    check_clock_mark(&transaction, dir, options)?;
    transaction
        .commit()
        .doing("bringing its schema up to date")?;

    for (name, value) in [
        ("journal_mode", "wal"),
        ("synchronous", "full"),
        ("foreign_keys", "on"),
        // Makes INSERT OR REPLACE fire the delete triggers too.
        ("recursive_triggers", "on"),
    ] {
        connection
            .pragma_update_and_check(None, name, value, |_| Ok(()))
            .optional()
            .doing("setting how it is written")?;
    }
    connection
        .pragma_update_and_check(None, "journal_size_limit", LOG_BYTES_MAX, |_| Ok(()))
        .doing("setting how it is written")
}

fn check_clock_mark(
    connection: &Connection,
    dir: &Path,
    options: OpenOptions,
) -> Result<(), StoreError> {
    let marked: Option<String> = connection
        .query_row("SELECT value FROM meta WHERE name = 'clock'", [], |row| {
            row.get(0)
        })
        .optional()
        .doing("reading the mark of its clock")?;
    let clock = if options.simulated_clock {
        "simulated"
    } else {
        "wall"
    };
    match marked.as_deref() {
        Some(marked) if marked == clock => Ok(()),
        Some("simulated") => Err(StoreError::MadeOnSimulatedClock {
            dir: dir.to_owned(),
        }),
        Some("wall") => Err(StoreError::MadeOnWallClock {
            dir: dir.to_owned(),
        }),
        Some(other) => Err(StoreError::Damaged {
            row: "mark of the clock".to_owned(),
            reason: format!("`{other}` is neither `wall` nor `simulated`"),
        }),
        None => connection
            .execute(
                "INSERT INTO meta (name, value) VALUES ('clock', ?1)",
                [clock],
            )
            .map(|_| ())
            .doing("marking its clock"),
    }
}

/// SQLite answers a refused journal mode with the old one instead of an error.
fn require_durable(connection: &Connection, dir: &Path) -> Result<(), StoreError> {
    let journal_mode: String = connection
        .pragma_query_value(None, "journal_mode", |row| row.get(0))
        .doing("reading its journal mode")?;
    let synchronous: i64 = connection
        .pragma_query_value(None, "synchronous", |row| row.get(0))
        .doing("reading its synchronous mode")?;
    if journal_mode == "wal" && synchronous == SYNCHRONOUS_FULL {
        Ok(())
    } else {
        Err(StoreError::NotDurable {
            dir: dir.to_owned(),
            journal_mode,
            synchronous,
        })
    }
}

/// A new file survives a power loss only once the folder that lists it is on the disk too.
#[cfg(unix)]
pub(crate) fn sync_directory(dir: &Path) -> Result<(), StoreError> {
    let parent: PathBuf = match dir.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.to_owned(),
        _ => PathBuf::from("."),
    };
    for folder in [dir, &parent] {
        // A parent that we may not read was not made by us, so its entry is older than this start.
        match File::open(folder).and_then(|file| file.sync_all()) {
            Ok(()) => {}
            Err(error) if error.kind() == std::io::ErrorKind::PermissionDenied => {}
            Err(error) => return Err(file_error("make durable the folder", folder, error)),
        }
    }
    Ok(())
}

/// Elsewhere a folder cannot be opened as a file; the system makes its entries durable itself.
#[cfg(not(unix))]
pub(crate) fn sync_directory(_dir: &Path) -> Result<(), StoreError> {
    Ok(())
}
