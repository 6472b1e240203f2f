//! Back-up and integrity check, both beside a running writer.

use std::fs::File;
use std::path::{Path, PathBuf};

use rusqlite::Connection;
use rusqlite::backup::{Backup, StepResult};

use crate::acts::{self, ChainCheck, digest_hex};
use crate::directory::{self, file_error};
use crate::error::Doing;
use crate::{Reader, StoreError};

/// Pages copied between two reports of progress (4 MB).
const PAGES_PER_STEP: std::ffi::c_int = 1_000;

/// What an integrity check found; no problems means sound.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IntegrityReport {
    pub chain: ChainCheck,
    pub problems: Vec<String>,
}

impl IntegrityReport {
    pub fn is_sound(&self) -> bool {
        self.problems.is_empty()
    }
}

impl Reader {
    /// Checks the file's structure, the chain of acts, the documents' digests and the counts.
    pub fn integrity_check(&self) -> Result<IntegrityReport, StoreError> {
        // One transaction, so that all checks see the same moment.
        let transaction = self
            .connection()
            .unchecked_transaction()
            .doing("beginning the integrity check")?;
        let mut problems = structure_problems(&transaction)?;
        problems.extend(document_problems(&transaction)?);
        problems.extend(count_problems(&transaction)?);
        let chain = acts::verify_chain(&transaction)?;
        if let ChainCheck::Broken { seq, reason } = &chain {
            problems.push(format!(
                "the chain of acts is broken at act {seq}: {reason}"
            ));
        }
        Ok(IntegrityReport { chain, problems })
    }

    /// Copies the database as it is now to a new file, checks the copy, and only then names it.
    ///
    /// `progress` gets the pages done and the pages in all.
    pub fn backup(
        &self,
        to: &Path,
        progress: &mut dyn FnMut(u64, u64),
    ) -> Result<IntegrityReport, StoreError> {
        if to.exists() {
            return Err(StoreError::BackupExists {
                path: to.to_owned(),
            });
        }
        let partial = partial_name(to);
        let copied = self
            .copy_to(&partial, progress)
            .and_then(|()| check_copy(&partial, to));
        // The rename below takes the partial copy away; on failure it would only be in the way.
        let finished = copied.and_then(|report| {
            std::fs::rename(&partial, to)
                .map_err(|error| file_error("name the copy", to, error))?;
            let folder = to.parent().filter(|folder| !folder.as_os_str().is_empty());
            directory::sync_directory(folder.unwrap_or(Path::new(".")))?;
            Ok(report)
        });
        if finished.is_err() && partial.exists() {
            std::fs::remove_file(&partial)
                .map_err(|error| file_error("remove the unfinished copy", &partial, error))?;
        }
        finished
    }

    fn copy_to(
        &self,
        partial: &Path,
        progress: &mut dyn FnMut(u64, u64),
    ) -> Result<(), StoreError> {
        // What an interrupted back-up left behind would otherwise be taken for a database.
        File::create(partial)
            .map_err(|error| file_error("make the back-up file", partial, error))?;
        let mut copy = Connection::open(partial).doing("opening the back-up file")?;
        // Holding one read transaction keeps the copy at this moment: a commit of the writer's
        // would otherwise start the copy anew, for ever on a busy night.
        let transaction = self
            .connection()
            .unchecked_transaction()
            .doing("beginning a back-up")?;
        transaction
            .query_row("SELECT count(*) FROM meta", [], |row| row.get::<_, i64>(0))
            .doing("beginning a back-up")?;
        {
            let backup = Backup::new(&transaction, &mut copy).doing("beginning a back-up")?;
            while backup.step(PAGES_PER_STEP).doing("copying")? == StepResult::More {
                report_progress(&backup, progress);
            }
            report_progress(&backup, progress);
        }
        // The copy is one file without a log beside it, so that it can be carried away as it is.
        copy.pragma_update_and_check(None, "journal_mode", "delete", |_| Ok(()))
            .doing("closing the copy")?;
        copy.close()
            .map_err(|(_, error)| error)
            .doing("closing the copy")?;
        File::open(partial)
            .and_then(|file| file.sync_all())
            .map_err(|error| file_error("make durable the copy", partial, error))
    }
}

fn report_progress(backup: &Backup<'_, '_>, progress: &mut dyn FnMut(u64, u64)) {
    let pages = backup.progress();
    let page_count = u64::try_from(pages.pagecount).unwrap_or(0);
    let remaining = u64::try_from(pages.remaining).unwrap_or(0);
    progress(page_count.saturating_sub(remaining), page_count);
}

fn partial_name(to: &Path) -> PathBuf {
    let mut name = to.as_os_str().to_owned();
    name.push(".partial");
    PathBuf::from(name)
}

fn check_copy(partial: &Path, to: &Path) -> Result<IntegrityReport, StoreError> {
    let report = Reader::open_file(partial)?.integrity_check()?;
    match report.problems.first() {
        None => Ok(report),
        Some(problem) => Err(StoreError::BackupUnsound {
            path: to.to_owned(),
            problem: problem.clone(),
        }),
    }
}

fn structure_problems(connection: &Connection) -> Result<Vec<String>, StoreError> {
    const DOING: &str = "checking its structure";
    let mut problems: Vec<String> = connection
        .prepare("PRAGMA integrity_check")
        .and_then(|mut statement| statement.query_map([], |row| row.get(0))?.collect())
        .doing(DOING)?;
    problems.retain(|line| line != "ok");
    let strays: Vec<String> = connection
        .prepare("SELECT DISTINCT \"table\" FROM pragma_foreign_key_check")
        .and_then(|mut statement| statement.query_map([], |row| row.get(0))?.collect())
        .doing(DOING)?;
    problems.extend(
        strays
            .iter()
            .map(|table| format!("rows of {table} name no channel")),
    );
    Ok(problems)
}

fn document_problems(connection: &Connection) -> Result<Vec<String>, StoreError> {
    const DOING: &str = "checking documents";
    let mut problems = Vec::new();
    let mut statement = connection
        .prepare("SELECT digest, name, bytes FROM documents")
        .doing(DOING)?;
    let mut rows = statement.query([]).doing(DOING)?;
    while let Some(row) = rows.next().doing(DOING)? {
        let (digest, name): (String, String) = row
            .get(0)
            .and_then(|digest| Ok((digest, row.get(1)?)))
            .doing(DOING)?;
        let bytes: Vec<u8> = row.get(2).doing(DOING)?;
        if digest_hex(&bytes) != digest {
            problems.push(format!("the document {name} ({digest}) was altered"));
        }
    }
    Ok(problems)
}

fn count_problems(connection: &Connection) -> Result<Vec<String>, StoreError> {
    connection
        .prepare(
            "SELECT source, kind FROM (
                 SELECT source, kind, count(*) AS n FROM refusals GROUP BY source, kind
                 UNION ALL
                 SELECT source, kind, -refusal_count FROM refusal_counts
             ) GROUP BY source, kind HAVING sum(n) <> 0 ORDER BY source, kind",
        )
        .and_then(|mut statement| {
            statement
                .query_map([], |row| {
                    let (source, kind): (String, String) = (row.get(0)?, row.get(1)?);
                    Ok(format!(
                        "the count of `{kind}` refusals from {source} is wrong"
                    ))
                })?
                .collect()
        })
        .doing("checking refusal counts")
}
