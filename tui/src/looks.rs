//! When a person last looked at a daemon's dashboard, kept between two dashboards in the person's own files.

use std::collections::BTreeMap;
use std::path::PathBuf;

use chrono::{DateTime, Utc};

type Known = BTreeMap<String, DateTime<Utc>>;

/// The last looks at one daemon; without a place to keep them every dashboard begins anew.
#[derive(Debug)]
pub struct Looks {
    file: Option<PathBuf>,
    daemon: String,
}

impl Looks {
    /// In the folder that the XDG base directory specification names for state.
    pub fn of(daemon: &str) -> Self {
        let state = std::env::var_os("XDG_STATE_HOME").map(PathBuf::from);
        let home = || std::env::home_dir().map(|home| home.join(".local/state"));
        let folder = state.filter(|path| path.is_absolute()).or_else(home);
        Self {
            file: folder.map(|folder| folder.join("tarplight/looked.json")),
            daemon: daemon.to_owned(),
        }
    }

    fn known(&self) -> Known {
        let text = self.file.as_ref().map(std::fs::read_to_string);
        // A file that is missing or damaged only means that nobody knows when somebody last looked.
        let text = text.and_then(Result::ok).unwrap_or_default();
        serde_json::from_str(&text).unwrap_or_default()
    }

    /// When the last dashboard of this daemon was left.
    pub fn read(&self) -> Option<DateTime<Utc>> {
        self.known().get(&self.daemon).copied()
    }

    /// Keeps when this one was left.
    pub fn write(&self, looked_at: Option<DateTime<Utc>>) {
        let (Some(file), Some(looked_at)) = (&self.file, looked_at) else {
            return;
        };
        let mut known = self.known();
        known.insert(self.daemon.clone(), looked_at);
        let folder = file.parent().map_or(Ok(()), std::fs::create_dir_all);
        let text = serde_json::to_string(&known).unwrap_or_default();
        // The next dashboard then only says less of what changed meanwhile.
        let _ = folder.and_then(|()| std::fs::write(file, text));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_look_is_known_to_the_next_dashboard_of_the_same_daemon_and_a_damaged_file_is_no_fault() {
        let folder = std::env::temp_dir().join(format!("looks-{}", uuid::Uuid::now_v7()));
        let looks = |daemon: &str| Looks {
            file: Some(folder.join("tarplight/looked.json")),
            daemon: daemon.to_owned(),
        };
        assert_eq!(looks("one").read(), None);
        let at = DateTime::from_timestamp_millis(1_800_000_000_000);
        looks("one").write(at);
        looks("other").write(None);
        assert_eq!((looks("one").read(), looks("other").read()), (at, None));
        std::fs::write(folder.join("tarplight/looked.json"), "{").expect("it can be damaged");
        assert_eq!(looks("one").read(), None);
        std::fs::remove_dir_all(folder).expect("the folder goes");
    }
}
