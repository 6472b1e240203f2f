//! Curve files and the records beside them, looked at again while the daemon runs.
//!
//! A record that was read once counts for ever: withdrawing a withdrawal would be a new approval. A
//! file that cannot be read changes nothing but raises a trouble.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;
use std::time::Duration;

use calibration::{CurveRecord, digest};
use daemon_core::assessment::{Trouble, Urgency};
use daemon_core::time::UtcMs;
use daemon_store::{Reader, StoreError};
use tokio::time::Instant;

use crate::config::{ConfigDocument, CurveOnDisk, RECORDS_KIND, records_of};

/// Hexadecimal digits of a digest that a person compares.
const DIGITS_SHOWN: usize = 8;

/// One curve file and the records beside it as they are on disk now.
#[derive(Debug)]
pub struct CurveSeen {
    /// The digest of the curve file, or why it cannot be read.
    curve: Result<String, String>,
    /// What the records file holds, `None` where there is none, or why it cannot be read.
    records: Result<Option<String>, String>,
}

/// Every curve file that the plant file names.
#[derive(Debug)]
pub struct CurveWatch {
    on_disk: Vec<CurveOnDisk>,
    every: Duration,
    read_at: Instant,
    is_reading: bool,
    troubles: Vec<Trouble>,
}

/// What a look at the files brought.
#[derive(Debug, Default)]
pub struct News {
    pub records: Vec<CurveRecord>,
    /// Records files whose content is new.
    pub documents: Vec<ConfigDocument>,
}

impl CurveWatch {
    /// Files that were read just now.
    #[must_use]
    pub fn new(on_disk: Vec<CurveOnDisk>, every: Duration) -> Self {
        Self {
            on_disk,
            every,
            read_at: Instant::now(),
            is_reading: false,
            troubles: Vec::new(),
        }
    }

    /// Records that an earlier run read beside these files; some may be gone from them since.
    ///
    /// # Errors
    /// That the store cannot be read.
    pub fn resume(&mut self, reader: &Reader, now: UtcMs) -> Result<Vec<CurveRecord>, StoreError> {
        let mut stored = Vec::new();
        for info in reader.documents()? {
            if info.kind != RECORDS_KIND {
                continue;
            }
            let Some(document) = reader.document(&info.digest)? else {
                continue;
            };
            let text = String::from_utf8_lossy(&document.bytes).into_owned();
            match records_of(Path::new(&info.name), &text) {
                Ok(records) => {
                    let of_file =
                        |one: &&mut CurveOnDisk| one.records_file == Path::new(&info.name);
                    if let Some(on_disk) = self.on_disk.iter_mut().find(of_file) {
                        add_new(&mut on_disk.records, &records);
                    }
                    add_new(&mut stored, &records);
                }
                Err(error) => tracing::warn!("curve records in the store are left out: {error}"),
            }
        }
        self.judge_at_start(now);
        Ok(stored)
    }

    /// True where it is time to read the files; the caller then reads them.
    pub fn is_due(&mut self) -> bool {
        let is_due = !self.is_reading && !self.on_disk.is_empty();
        let is_due = is_due && self.read_at.elapsed() >= self.every;
        self.is_reading |= is_due;
        is_due
    }

    /// What to read: curve files and the records files beside them.
    #[must_use]
    pub fn files(&self) -> Vec<CurveOnDisk> {
        self.on_disk.clone()
    }

    /// Takes in what was read, in the order of [`Self::files`].
    pub fn take(&mut self, seen: Vec<CurveSeen>, now: UtcMs) -> News {
        self.is_reading = false;
        self.read_at = Instant::now();
        let before = std::mem::take(&mut self.troubles);
        let mut news = News::default();
        let mut troubles = Vec::new();
        for (on_disk, seen) in self.on_disk.iter_mut().zip(seen) {
            match &seen.records {
                Ok(text) => troubles.extend(on_disk.take_text(text.as_deref(), &mut news)),
                Err(problem) => troubles.push(unreadable(
                    &on_disk.records_file,
                    &format!("{}: {problem}", on_disk.records_file.display()),
                )),
            }
            troubles.extend(altered(on_disk, &seen.curve));
        }
        self.stand(troubles, &before, now);
        news
    }

    /// What is wrong with the files.
    #[must_use]
    pub fn troubles(&self) -> Vec<Trouble> {
        self.troubles.clone()
    }

    fn judge_at_start(&mut self, now: UtcMs) {
        let mut troubles = Vec::new();
        for on_disk in &self.on_disk {
            let in_file = on_disk.records_text.as_deref().unwrap_or_default();
            let in_file = records_of(&on_disk.records_file, in_file).unwrap_or_default();
            troubles.extend(vanished(on_disk, &in_file));
            troubles.extend(altered(on_disk, &Ok(on_disk.digest.clone())));
        }
        let before = std::mem::take(&mut self.troubles);
        self.stand(troubles, &before, now);
    }

    /// A trouble that stood before keeps its beginning.
    fn stand(&mut self, troubles: Vec<Trouble>, before: &[Trouble], now: UtcMs) {
        let since: BTreeMap<String, UtcMs> =
            before.iter().map(|one| (one.id(), one.since)).collect();
        self.troubles = troubles
            .into_iter()
            .map(|one| Trouble {
                since: since.get(&one.id()).copied().unwrap_or(now),
                ..one
            })
            .collect();
    }
}

impl CurveOnDisk {
    /// Takes in the content of the records file; says what is wrong with it.
    fn take_text(&mut self, text: Option<&str>, news: &mut News) -> Option<Trouble> {
        let in_file = match records_of(&self.records_file, text.unwrap_or_default()) {
            Ok(records) => records,
            Err(error) => return Some(unreadable(&self.records_file, &error.to_string())),
        };
        if text != self.records_text.as_deref() {
            self.records_text = text.map(str::to_owned);
            add_new(&mut self.records, &in_file);
            news.records.extend(in_file.iter().cloned());
            news.documents.extend(text.map(|text| ConfigDocument {
                kind: RECORDS_KIND,
                name: self.records_file.display().to_string(),
                bytes: text.as_bytes().to_vec(),
            }));
        }
        vanished(self, &in_file)
    }
}

/// Reads curve files and their records. Blocking.
#[must_use]
pub fn read(files: &[CurveOnDisk]) -> Vec<CurveSeen> {
    let seen = files.iter().map(|on_disk| CurveSeen {
        curve: std::fs::read(&on_disk.file)
            .map(|bytes| digest(&bytes))
            .map_err(|error| error.to_string()),
        records: match std::fs::read_to_string(&on_disk.records_file) {
            Ok(text) => Ok(Some(text)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(format!("it cannot be read: {error}")),
        },
    });
    seen.collect()
}

fn add_new(known: &mut Vec<CurveRecord>, records: &[CurveRecord]) {
    for record in records {
        if !known.contains(record) {
            known.push(record.clone());
        }
    }
}

fn unreadable(file: &Path, problem: &str) -> Trouble {
    Trouble {
        what: format!("{problem}. The curve records read before still count, newer ones do not."),
        first_act: "Tell the lab: mend the records file at that line.".into(),
        ..about("curve-records-unreadable", file)
    }
}

/// Records that were read from a file and are no longer in it.
fn vanished(on_disk: &CurveOnDisk, in_file: &[CurveRecord]) -> Option<Trouble> {
    let gone = |record: &&CurveRecord| !in_file.contains(record);
    let first = on_disk.records.iter().find(gone)?;
    let count = on_disk.records.iter().filter(gone).count();
    Some(Trouble {
        what: format!(
            "{} no longer holds {count} record(s) that it held, the first by {} of {}. A record that \
             was read once still counts.",
            on_disk.records_file.display(),
            first.by,
            first.recorded_at.format("%Y-%m-%d %H:%M UTC")
        ),
        first_act: "Tell the lab: put the records back; a change of mind is a new record.".into(),
        ..about("curve-record-gone", &on_disk.records_file)
    })
}

/// A curve file that is not the one that was read, or not the one that the records beside it name.
fn altered(on_disk: &CurveOnDisk, now: &Result<String, String>) -> Option<Trouble> {
    let file = on_disk.file.display();
    let what = match now {
        Err(problem) => format!(
            "{file} cannot be read any more ({problem}). The daemon goes on with {}, as it read it.",
            short(&on_disk.digest)
        ),
        Ok(now) if *now != on_disk.digest => format!(
            "{file} was altered: it is now {}. The daemon goes on with {}, as it read it; no estimate \
             is made from the altered one.",
            short(now),
            short(&on_disk.digest)
        ),
        Ok(now) => {
            let named = on_disk.records.first()?;
            if on_disk.records.iter().any(|record| record.digest == *now) {
                return None;
            }
            format!(
                "{file} was altered after it was approved: it is {}, but the records beside it name \
                 {}. No estimate is made from it.",
                short(now),
                short(&named.digest)
            )
        }
    };
    Some(Trouble {
        what,
        first_act: "Tell the lab: put the approved file back. A changed curve is another curve, \
                    with a file and an approval of its own."
            .into(),
        ..about("curve-file-altered", &on_disk.file)
    })
}

fn short(digest: &str) -> &str {
    let shown = "sha256:".len() + DIGITS_SHOWN;
    digest.get(..shown).unwrap_or(digest)
}

fn about(kind: &'static str, file: &Path) -> Trouble {
    Trouble {
        kind: kind.into(),
        urgency: Urgency::Soon,
        bed: None,
        pour: None,
        place: Some(file.display().to_string()),
        what: String::new(),
        since: UtcMs(0),
        first_act: "".into(),
        explained_by: None,
    }
}
