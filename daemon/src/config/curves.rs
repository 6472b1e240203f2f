//! Curve files and the records beside them, read for a plant.

use std::path::{Path, PathBuf};

use calibration::{
    CurveAct, CurveFile, CurveFileError, CurveRecord, digest, is_approval, parse_records,
    unaccepted,
};
use daemon_core::config::{KnownCurve, Mix};

use super::ConfigDocument;
use super::document::{ConfigError, ConfigErrors, Document, nearest_hint};
use super::written::CurvesTable;

/// Records files are kept in the record as documents of this kind.
pub const RECORDS_KIND: &str = "curve-records";

/// A curve file as it was read, with the records beside it.
#[derive(Debug, Clone)]
pub struct CurveOnDisk {
    pub file: PathBuf,
    pub digest: String,
    pub records_file: PathBuf,
    /// What the records file held; `None` where there was none.
    pub records_text: Option<String>,
    pub records: Vec<CurveRecord>,
}

/// Everything read of a plant's curves.
#[derive(Debug, Default)]
pub struct Curves {
    pub curves: Vec<KnownCurve>,
    pub records: Vec<CurveRecord>,
    pub documents: Vec<ConfigDocument>,
    pub on_disk: Vec<CurveOnDisk>,
    pub warnings: Vec<String>,
}

impl Curves {
    /// Reads each file once, and where they are there, the records beside it.
    pub fn read(files: &[PathBuf], mixes: &[Mix]) -> Result<Self, ConfigError> {
        let mut all = Self::default();
        for file in files {
            let digest = all.read_curve(file, mixes)?;
            all.read_records(file, digest)?;
        }
        all.warn_of_strangers();
        Ok(all)
    }

    fn read_curve(&mut self, file: &Path, mixes: &[Mix]) -> Result<String, ConfigError> {
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
                digest: digest.clone(),
                file: curve,
            });
            self.keep("curve", document);
        }
        Ok(digest)
    }

    fn read_records(&mut self, curve: &Path, digest: String) -> Result<(), ConfigError> {
        let records_file = records_beside(curve);
        let mut on_disk = CurveOnDisk {
            file: curve.to_owned(),
            digest,
            records_file,
            records_text: None,
            records: Vec::new(),
        };
        if on_disk.records_file.exists() {
            let document = Document::read(&on_disk.records_file)?;
            on_disk.records = records_of(&on_disk.records_file, &document.text)?;
            on_disk.records_text = Some(document.text.clone());
            for record in &on_disk.records {
                if !self.records.contains(record) {
                    self.records.push(record.clone());
                }
            }
            self.keep(RECORDS_KIND, document);
        }
        self.on_disk.push(on_disk);
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
        for record in &self.records {
            let Some(curve) = self.curves.iter().find(|one| one.digest == record.digest) else {
                continue;
            };
            let missing = unaccepted(&curve.file, &record.accepts);
            if record.act == CurveAct::Approved && !is_approval(&curve.file, record) {
                self.warnings.push(format!(
                    "the approval of curve {} by {} does not accept {} and counts for nothing; \
                     `tarplight-lab approve` asks for what it must accept",
                    curve.file.name,
                    record.by,
                    missing.join(", ")
                ));
            }
        }
    }
}

/// The plant file with its list of curve files as it is now; nothing else of it counts before a start.
///
/// # Errors
/// What is wrong in the plant file, with line and key.
pub fn listed_curves(plant_file: &Path) -> Result<(ConfigDocument, Vec<PathBuf>), ConfigErrors> {
    #[derive(serde::Deserialize)]
    struct Listed {
        #[serde(default)]
        curves: CurvesTable,
    }
    let document = Document::read(plant_file)?;
    let listed: Listed = document.parse()?;
    let folder = plant_file.parent().unwrap_or(Path::new(""));
    let files = listed.curves.files.iter().map(|file| folder.join(file));
    let files = files.collect();
    Ok((plant_document(document), files))
}

/// The plant file as a part of the record.
pub fn plant_document(document: Document) -> ConfigDocument {
    ConfigDocument {
        kind: "plant",
        name: document.file.display().to_string(),
        bytes: document.text.into_bytes(),
    }
}

/// `curves/m45.toml` has its records in `curves/m45.records.toml`.
fn records_beside(curve: &Path) -> PathBuf {
    curve.with_extension("records.toml")
}

/// The records in the text of a records file.
pub fn records_of(file: &Path, text: &str) -> Result<Vec<CurveRecord>, ConfigError> {
    parse_records(text).map_err(|error| at(file, error))
}

fn at(file: &Path, error: CurveFileError) -> ConfigError {
    ConfigError {
        file: file.to_owned(),
        line: Some(error.line),
        key: error.key,
        problem: error.problem,
    }
}
