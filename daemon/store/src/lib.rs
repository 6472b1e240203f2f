//! The daemon's append-only store: one SQLite file, one writer, any number of readers.
//!
//! What is promised:
//! 1. When [`Writer::commit`] returns `Ok`, the whole batch survives a power loss; when it returns
//!    `Err`, nothing of the batch may be acknowledged.
//! 2. Nothing is updated or deleted; triggers in the database refuse it, and acts are hash-chained.
//! 3. One daemon per data directory, held by an operating-system lock.
//! 4. The store knows rows, not rules: it never reads a clock and decides nothing about concrete.
//!
//! Every call blocks; the daemon runs the writer on its own thread through [`StoreHandle`].

mod error;
mod rows;
mod stored;

mod directory;
mod schema;

mod acts;
mod writer;

mod export;
mod maintenance;
mod reader;

mod handle;

#[cfg(test)]
mod tests;

pub use acts::{ChainCheck, digest_hex};
pub use directory::{DATABASE_FILE, LOCK_FILE, OpenOptions};
pub use error::StoreError;
pub use export::format_utc_ms;
pub use handle::{Done, GROUP_READING_COUNT, StoreHandle};
pub use maintenance::IntegrityReport;
pub use reader::Reader;
pub use rows::{
    ActRow, Appended, Batch, CommitReport, DocumentRow, Measured, ReadingOutcome, ReadingRow,
    RefusalRow, SAMPLE_CHARS_MAX, StatementRow, StoredAs, SummaryRow, TIME_MS_MAX, TIME_MS_MIN,
    Via,
};
pub use stored::{
    DocumentInfo, RefusalCount, StoredAct, StoredDocument, StoredReading, StoredRefusal,
    StoredStatement, StoredSummary,
};
pub use writer::{Pragmas, Writer};
