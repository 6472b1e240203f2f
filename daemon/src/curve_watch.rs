//! Curve files, the records beside them and the list that names them, looked at again while the daemon
//! runs.
//!
//! A curve or a record that was read once counts on: withdrawing a withdrawal would be a new approval.
//! A file that cannot be read changes nothing but raises a trouble.

mod look;
mod trouble;

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

use calibration::CurveRecord;
use daemon_core::assessment::Trouble;
use daemon_core::config::KnownCurve;
use daemon_core::time::UtcMs;
use daemon_store::{Reader, StoreError};
use tokio::time::Instant;

use crate::config::{ConfigDocument, ConfigErrors, CurveOnDisk, RECORDS_KIND, records_of};
use look::ListSeen;
use trouble::{altered, changed, no_longer_listed, unlisted, unreadable, unusable, vanished};

pub use look::{Look, Watched, look};

/// Every curve file that the plant file names.
#[derive(Debug)]
pub struct CurveWatch {
    watched: Watched,
    every: Duration,
    read_at: Instant,
    is_reading: bool,
    troubles: Vec<Trouble>,
}

/// What a look at the files brought.
#[derive(Debug, Default)]
pub struct News {
    pub curves: Vec<KnownCurve>,
    pub records: Vec<CurveRecord>,
    /// Files whose content is new.
    pub documents: Vec<ConfigDocument>,
}

impl CurveWatch {
    /// Files that were read just now.
    #[must_use]
    pub fn new(watched: Watched, every: Duration) -> Self {
        Self {
            watched,
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
                    if let Some(on_disk) = self.watched.on_disk.iter_mut().find(of_file) {
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
        let is_due = !self.is_reading && self.read_at.elapsed() >= self.every;
        self.is_reading |= is_due;
        is_due
    }

    /// What to look at.
    #[must_use]
    pub fn watched(&self) -> Watched {
        self.watched.clone()
    }

    /// Takes in what a look at [`Self::watched`] saw.
    pub fn take(&mut self, look: Look, now: UtcMs) -> News {
        self.is_reading = false;
        self.read_at = Instant::now();
        let before = std::mem::take(&mut self.troubles);
        let mut news = News::default();
        let mut troubles = Vec::new();
        for (on_disk, seen) in self.watched.on_disk.iter_mut().zip(look.known) {
            match &seen.records {
                Ok(text) => troubles.extend(on_disk.take_text(text.as_deref(), &mut news)),
                Err(problem) => troubles.push(unreadable(
                    &on_disk.records_file,
                    &format!("{}: {problem}", on_disk.records_file.display()),
                )),
            }
            troubles.extend(altered(on_disk, &seen.curve));
        }
        troubles.extend(self.take_list(look.list, &mut news));
        self.stand(troubles, &before, now);
        news
    }

    /// Takes in the curves that are newly listed; says what is wrong with the list or with them.
    fn take_list(&mut self, list: Result<ListSeen, ConfigErrors>, news: &mut News) -> Vec<Trouble> {
        let ListSeen {
            document,
            files,
            wrong,
            added,
        } = match list {
            Ok(seen) => seen,
            Err(error) => return vec![unlisted(&self.watched.plant_file, &error.to_string())],
        };
        let is_listed = |one: &&CurveOnDisk| files.contains(&one.file);
        let known = self.watched.on_disk.iter();
        let gone = known.filter(|one| !is_listed(one));
        let mut troubles: Vec<Trouble> = gone.map(|one| no_longer_listed(&one.file)).collect();
        let text = String::from_utf8_lossy(&document.bytes);
        let plant_text = &self.watched.plant_text;
        troubles.extend(changed(
            &self.watched.plant_file,
            plant_text,
            &text,
            wrong.as_ref(),
        ));
        let mut is_new = false;
        for (file, read) in added {
            match read {
                Ok(curves) => {
                    is_new = true;
                    let on_disk = curves.on_disk.iter();
                    troubles
                        .extend(on_disk.filter_map(|one| altered(one, &Ok(one.digest.clone()))));
                    self.watched.on_disk.extend(curves.on_disk);
                    news.curves.extend(curves.curves);
                    news.records.extend(curves.records);
                    news.documents.extend(curves.documents);
                }
                Err(error) => troubles.push(unusable(&file, &error.to_string())),
            }
        }
        if is_new {
            news.documents.push(document);
        }
        troubles
    }

    /// What is wrong with the files.
    #[must_use]
    pub fn troubles(&self) -> Vec<Trouble> {
        self.troubles.clone()
    }

    fn judge_at_start(&mut self, now: UtcMs) {
        let mut troubles = Vec::new();
        for on_disk in &self.watched.on_disk {
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

fn add_new(known: &mut Vec<CurveRecord>, records: &[CurveRecord]) {
    for record in records {
        if !known.contains(record) {
            known.push(record.clone());
        }
    }
}
