//! The plant file: read as written, then checked and ready, with every error at its line and key.

mod check;
mod curves;
mod document;
mod notify;
mod watch;
mod written;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use chrono_tz::Tz;
use daemon_core::config::PlantConfig;
use daemon_sources::{MqttSource, SerialSource};

use crate::curve_watch::Watched;
use crate::notify::NotifySettings;

pub use curves::{CurveOnDisk, Curves, RECORDS_KIND, listed_curves, records_of};
pub use document::{ConfigError, ConfigErrors, nearest_hint};

/// A plant file that can be used.
#[derive(Debug, Clone)]
pub struct PlantFile {
    /// The IANA time zone in which the plant's people live.
    pub zone: Tz,
    /// Where the daemon answers; always loopback.
    pub listen: SocketAddr,
    /// Where the record is kept.
    pub data_dir: PathBuf,
    /// What the core must know.
    pub core: PlantConfig,
    pub serial: Vec<SerialSource>,
    pub mqtt: Vec<MqttSource>,
    /// Who is called about alarms.
    pub notify: NotifySettings,
    /// The curve files and the records beside them, to be read again …
    pub curves_watched: Watched,
    /// … this often, in wall time.
    pub curves_read_every: Duration,
    /// The plant file, the curve files and their records, byte for byte: they belong to the record.
    pub documents: Vec<ConfigDocument>,
    /// What is probably not meant, though it can be used.
    pub warnings: Vec<String>,
}

/// A file that the answers depend on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ConfigDocument {
    /// `plant`, `curve` or `curve-records`.
    pub kind: &'static str,
    /// The file's name as it was given.
    pub name: String,
    pub bytes: Vec<u8>,
}

impl PlantFile {
    /// Reads and checks a plant file and the curve files it names; `more_curves` are added to them.
    ///
    /// Paths in the plant file count from its own folder.
    ///
    /// # Errors
    /// Everything that is wrong, each with file, line, key, and what to write instead.
    pub fn load(path: &Path, more_curves: &[PathBuf]) -> Result<Self, ConfigErrors> {
        let document = document::Document::read(path)?;
        let written = document.parse()?;
        check::check(&document, written, more_curves)
    }
}
