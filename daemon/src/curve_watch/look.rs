//! One look at the plant file's list of curves, at the curve files and at the records beside them.

use std::io;
use std::path::PathBuf;

use calibration::digest;
use daemon_core::config::Mix;

use crate::config::{
    ConfigDocument, ConfigError, ConfigErrors, CurveOnDisk, Curves, PlantFile, listed_curves,
};

/// What to look at.
#[derive(Debug, Clone)]
pub struct Watched {
    pub plant_file: PathBuf,
    /// What the running plant was made of.
    pub plant_text: String,
    /// The mixes of the running plant: a curve of another mix is not taken in.
    pub mixes: Vec<Mix>,
    /// The curve files that are known.
    pub on_disk: Vec<CurveOnDisk>,
}

/// What a look saw.
#[derive(Debug)]
pub struct Look {
    /// The list of curve files, or why it cannot be read.
    pub(super) list: Result<ListSeen, ConfigErrors>,
    /// Each known curve file, in the order of [`Watched::on_disk`].
    pub(super) known: Vec<CurveSeen>,
}

/// The plant file's list of curves as it is now.
#[derive(Debug)]
pub(super) struct ListSeen {
    pub(super) document: ConfigDocument,
    pub(super) files: Vec<PathBuf>,
    /// What is wrong with the plant file as it is now, where it was changed.
    pub(super) wrong: Option<ConfigErrors>,
    /// Listed files that were not known.
    pub(super) added: Vec<(PathBuf, Result<Curves, ConfigError>)>,
}

/// One curve file and the records beside it as they are on disk now.
#[derive(Debug)]
pub(super) struct CurveSeen {
    /// The digest of the curve file, or why it cannot be read.
    pub(super) curve: Result<String, String>,
    /// What the records file holds, `None` where there is none, or why it cannot be read.
    pub(super) records: Result<Option<String>, String>,
}

/// Reads the list, the curve files and their records. Blocking.
#[must_use]
pub fn look(watched: &Watched) -> Look {
    let list = listed_curves(&watched.plant_file).map(|(document, files)| {
        let is_known = |file: &&PathBuf| watched.on_disk.iter().any(|one| one.file == **file);
        let added = files.iter().filter(|file| !is_known(file)).map(|file| {
            let read = Curves::read(std::slice::from_ref(file), &watched.mixes);
            (file.clone(), read)
        });
        let is_changed = document.bytes != watched.plant_text.as_bytes();
        ListSeen {
            added: added.collect(),
            wrong: is_changed
                .then(|| PlantFile::load(&watched.plant_file, &[]).err())
                .flatten(),
            document,
            files,
        }
    });
    Look {
        list,
        known: watched.on_disk.iter().map(seen).collect(),
    }
}

fn seen(on_disk: &CurveOnDisk) -> CurveSeen {
    CurveSeen {
        curve: std::fs::read(&on_disk.file)
            .map(|bytes| digest(&bytes))
            .map_err(|error| error.to_string()),
        records: match std::fs::read_to_string(&on_disk.records_file) {
            Ok(text) => Ok(Some(text)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(format!("it cannot be read: {error}")),
        },
    }
}
