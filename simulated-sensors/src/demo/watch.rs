//! What is new in the yard since the last look, and whether the demo has shown what it is for.

use std::collections::{BTreeMap, BTreeSet};

use super::yard::Yard;

/// A look-out over the night.
#[derive(Debug, Default)]
pub struct Watch {
    status: BTreeMap<String, String>,
    troubles: BTreeSet<String>,
    pub confirmed_seen: bool,
    pub trouble_seen: bool,
}

/// Something that happened, for a line of its own.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct News {
    pub bed: String,
    pub what: String,
}

impl Watch {
    /// What changed since the last look: pours that moved on, beds newly in trouble.
    pub fn look(&mut self, yard: &Yard) -> Vec<News> {
        let mut news = Vec::new();
        for (bed, pour) in yard.pours() {
            self.confirmed_seen |= matches!(pour.status.as_str(), "confirmed" | "released");
            let before = self.status.insert(pour.pour.clone(), pour.status.clone());
            if before.as_ref() != Some(&pour.status) {
                news.push(News {
                    bed: bed.to_owned(),
                    what: status_words(&pour.status).to_owned(),
                });
            }
        }
        let in_trouble = yard.troubles.iter().filter(|trouble| trouble.is_a_beds());
        let mut standing = BTreeSet::new();
        for trouble in in_trouble {
            self.trouble_seen = true;
            if !self.troubles.contains(&trouble.id) {
                news.push(News {
                    bed: trouble.bed.clone().unwrap_or_default(),
                    what: match &trouble.place {
                        Some(place) => format!("TROUBLE at {place}: {}", trouble.what),
                        None => format!("TROUBLE: {}", trouble.what),
                    },
                });
            }
            standing.insert(trouble.id.clone());
        }
        // A trouble that clears and returns is news again.
        self.troubles = standing;
        news
    }

    /// Whether one bed was confirmed and one was in trouble.
    pub fn has_seen_all(&self) -> bool {
        self.confirmed_seen && self.trouble_seen
    }

    /// What has not been seen yet, for the message of a demo that ran out of time.
    pub fn missing(&self) -> String {
        let wanted = [
            (self.confirmed_seen, "no bed was confirmed by its cylinders"),
            (self.trouble_seen, "no bed was in trouble"),
        ];
        let missing: Vec<&str> = wanted
            .iter()
            .filter(|(seen, _)| !seen)
            .map(|(_, words)| *words)
            .collect();
        missing.join(" and ")
    }
}

fn status_words(status: &str) -> &str {
    match status {
        "placing" => "placing concrete",
        "curing" => "curing",
        "break-due" => "a break is due; only the cylinders confirm",
        "confirmed" => "cylinders passed, not released",
        "released" => "released by signature on passing cylinders",
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn yard(status: &str, troubles: &[(&str, &str, &str)]) -> Yard {
        let troubles: Vec<_> = troubles
            .iter()
            .map(|(kind, urgency, bed)| {
                let id = format!("{kind}/{bed}");
                json!({ "id": id, "kind": kind, "urgency": urgency, "bed": bed, "what": kind })
            })
            .collect();
        let pour = json!({
            "pour": "N1-a", "line": "N1", "status": status,
            "forecast": { "break_from_at": null }, "cylinder_sets": [],
        });
        let yard = json!({
            "plant": { "now": "2026-11-25T12:00:00Z" }, "troubles": troubles,
            "beds": [{ "bed": "N1", "pours": [pour] }],
        });
        serde_json::from_value(yard).expect("a yard")
    }

    #[test]
    fn only_changes_are_news() {
        let mut watch = Watch::default();
        assert_eq!(watch.look(&yard("placing", &[])).len(), 1);
        assert!(watch.look(&yard("placing", &[])).is_empty());
        let silent = [("sensor-silent", "now", "N1")];
        assert_eq!(watch.look(&yard("curing", &silent)).len(), 2);
        assert!(watch.look(&yard("curing", &silent)).is_empty());
        assert!(watch.look(&yard("curing", &[])).is_empty());
        assert_eq!(watch.look(&yard("curing", &silent)).len(), 1);
    }

    #[test]
    fn a_trouble_is_told_with_its_place() {
        let mut silent = yard("curing", &[("sensor-silent", "now", "N1")]);
        silent.troubles[0].place = Some("P3".to_owned());
        let news = Watch::default().look(&silent);
        assert_eq!(news[1].what, "TROUBLE at P3: sensor-silent");
    }

    #[test]
    fn all_is_seen_once_one_bed_is_confirmed_and_one_in_trouble() {
        let mut watch = Watch::default();
        watch.look(&yard("curing", &[("break-due", "now", "N1")]));
        assert!(!watch.trouble_seen, "a due break is work");
        watch.look(&yard("curing", &[("losing-heat", "soon", "N1")]));
        assert!(watch.trouble_seen && !watch.has_seen_all());
        assert!(watch.missing().contains("no bed was confirmed"));
        watch.look(&yard("confirmed", &[]));
        assert!(watch.has_seen_all());
    }
}
