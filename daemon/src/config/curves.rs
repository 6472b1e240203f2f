//! Curve files and the records beside them, read for a plant.

use std::path::{Path, PathBuf};

use calibration::{CurveFile, CurveFileError, CurveRecord, digest, parse_records};
use daemon_core::config::{KnownCurve, Mix};

use super::ConfigDocument;
use super::document::{ConfigError, Document, nearest_hint};

/// Everything read of a plant's curves.
#[derive(Debug, Default)]
pub struct Curves {
    pub curves: Vec<KnownCurve>,
    pub records: Vec<CurveRecord>,
    pub documents: Vec<ConfigDocument>,
    pub warnings: Vec<String>,
}

impl Curves {
    /// Reads each file once, and where they are there, the records beside it.
    pub fn read(files: &[PathBuf], mixes: &[Mix]) -> Result<Self, ConfigError> {
        let mut all = Self::default();
        for file in files {
            all.read_curve(file, mixes)?;
            all.read_records(&records_beside(file))?;
        }
        all.warn_of_strangers();
        Ok(all)
    }

    fn read_curve(&mut self, file: &Path, mixes: &[Mix]) -> Result<(), ConfigError> {
        let document = Document::read(file)?;
        let curve = CurveFile::parse(&document.text).map_err(|error| at(file, error))?;
        if !mixes.iter().any(|mix| mix.id == curve.mix) {
            let ids: Vec<&str> = mixes.iter().map(|mix| mix.id.as_str()).collect();
            let hint = nearest_hint(&curve.mix, &ids);
            let problem = format!(
                "the plant file has no [[mix]] with the id \"{}\"; {hint}",
                curve.mix
            );
            return Err(ConfigError {
                file: file.to_owned(),
                line: None,
                key: "mix".to_owned(),
                problem,
            });
        }
        let digest = digest(document.text.as_bytes());
        // The same bytes under two names are one curve.
        if self.curves.iter().all(|known| known.digest != digest) {
            self.curves.push(KnownCurve {
                digest,
                file: curve,
            });
            self.keep("curve", document);
        }
        Ok(())
    }

    fn read_records(&mut self, file: &Path) -> Result<(), ConfigError> {
        if !file.exists() {
            return Ok(());
        }
        let document = Document::read(file)?;
        for record in parse_records(&document.text).map_err(|error| at(file, error))? {
            if !self.records.contains(&record) {
                self.records.push(record);
            }
        }
        self.keep("curve-records", document);
        Ok(())
    }

    fn keep(&mut self, kind: &'static str, document: Document) {
        let name = document.file.display().to_string();
        self.documents.push(ConfigDocument {
            kind,
            name,
            bytes: document.text.into_bytes(),
        });
    }

    /// A curve file that was edited has another digest, and its approval names the old one.
    fn warn_of_strangers(&mut self) {
        let is_stranger = |record: &&CurveRecord| {
            self.curves
                .iter()
                .all(|curve| curve.digest != record.digest)
        };
        self.warnings = self
            .records
            .iter()
            .filter(is_stranger)
            .map(|record| {
                format!(
                    "a curve record by {} names {}, which is none of the curve files listed; \
                     an edited curve file needs a new approval",
                    record.by, record.digest
                )
            })
            .collect();
    }
}

/// `curves/m45.toml` has its records in `curves/m45.records.toml`.
fn records_beside(curve: &Path) -> PathBuf {
    curve.with_extension("records.toml")
}

fn at(file: &Path, error: CurveFileError) -> ConfigError {
    ConfigError {
        file: file.to_owned(),
        line: Some(error.line),
        key: error.key,
        problem: error.problem,
    }
}
