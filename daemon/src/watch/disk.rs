//! Room on the daemon's disk: a person must know before the record stops.

use std::path::Path;

use daemon_core::assessment::{Trouble, Urgency};
use daemon_core::time::UtcMs;

/// Below this much room a person should make some, bytes …
const ROOM_BYTES_MIN: u64 = 2 << 30;
/// … below this much it cannot wait, bytes.
const ROOM_BYTES_URGENT: u64 = 256 << 20;

/// Free bytes for the record; `None` where the system does not say.
#[must_use]
pub fn room_bytes(data_dir: &Path) -> Option<u64> {
    #[cfg(unix)]
    {
        let found = rustix::fs::statvfs(data_dir).ok()?;
        Some(found.f_bavail.saturating_mul(found.f_frsize))
    }
    #[cfg(not(unix))]
    {
        let _ = data_dir;
        None
    }
}

/// The trouble of a disk that is nearly full.
#[must_use]
pub fn trouble(room_bytes: u64, since: UtcMs) -> Option<Trouble> {
    if room_bytes >= ROOM_BYTES_MIN {
        return None;
    }
    Some(Trouble {
        kind: "disk-nearly-full".into(),
        urgency: if room_bytes < ROOM_BYTES_URGENT {
            Urgency::Now
        } else {
            Urgency::Soon
        },
        bed: None,
        pour: None,
        place: None,
        what: format!(
            "The disk of the record has {} MB left; when it is full nothing is recorded.",
            room_bytes >> 20
        ),
        since,
        first_act: "Free space on the daemon's disk.".into(),
        explained_by: None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_disk_is_called_before_it_is_full_and_the_more_urgently_the_fuller_it_is() {
        let urgency = |room| trouble(room, UtcMs(0)).map(|one| one.urgency);
        assert_eq!(urgency(ROOM_BYTES_MIN), None);
        assert_eq!(urgency(ROOM_BYTES_MIN - 1), Some(Urgency::Soon));
        assert_eq!(urgency(ROOM_BYTES_URGENT - 1), Some(Urgency::Now));
    }

    #[cfg(unix)]
    #[test]
    fn the_system_says_how_much_room_there_is() {
        let folder = tempfile::tempdir().expect("a folder");
        assert!(room_bytes(folder.path()).is_some());
        assert_eq!(room_bytes(&folder.path().join("missing")), None);
    }
}
