//! What quality control does next, from what the daemon says of the yard: break a set, or sign.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, TimeDelta, Utc};

use super::yard::{CylinderSet, Pour, Yard};

/// Passing cylinders are looked at for a while before anybody signs.
const SIGN_AFTER: TimeDelta = TimeDelta::minutes(20);

/// One thing to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Step {
    /// Pull and break a whole set.
    Break {
        bed: String,
        set: String,
        specimen_count: usize,
    },
    /// Sign the release of a line whose cylinders passed.
    Sign { bed: String, line: String },
    /// A break is due and no set is whole any more: said once.
    OutOfCylinders { bed: String },
}

/// Quality control's memory of the night.
#[derive(Debug, Default)]
pub struct Quality {
    confirmed_since: BTreeMap<String, DateTime<Utc>>,
    out_of_cylinders: BTreeSet<String>,
    /// Sets taken to the machine whose result the daemon has not shown yet.
    taken: BTreeSet<(String, String)>,
    sign_refused: BTreeSet<String>,
    /// The one line of the night that is signed in the demo.
    signed: bool,
}

impl Quality {
    /// What to do now; each step is given once.
    pub fn next_steps(&mut self, yard: &Yard) -> Vec<Step> {
        let now = yard.plant.now;
        let mut steps = Vec::new();
        for (bed, pour) in yard.pours() {
            match pour.status.as_str() {
                "break-due" => steps.extend(self.break_due(bed, pour, now)),
                "confirmed" => steps.extend(self.confirmed(bed, pour, now)),
                _ => {}
            }
        }
        steps
    }

    /// A signature was refused: another line may be signed instead.
    pub fn signature_refused(&mut self, bed: &str) {
        self.signed = false;
        self.sign_refused.insert(bed.to_owned());
    }

    fn break_due(&mut self, bed: &str, pour: &Pour, now: DateTime<Utc>) -> Option<Step> {
        // After a failed set the daemon names a better time for the next one, of which there are few.
        let must_wait = last_break_failed(pour)
            && pour
                .forecast
                .break_from_at
                .is_none_or(|from_at| now < from_at);
        if must_wait {
            return None;
        }
        let is_untouched = |set: &&CylinderSet| {
            set.purpose == "release"
                && set.left_count == set.specimens.len()
                && !self.taken.contains(&(pour.pour.clone(), set.set.clone()))
        };
        if self.is_at_the_machine(pour) {
            return None;
        }
        let Some(set) = pour.cylinder_sets.iter().find(is_untouched) else {
            let is_news = self.out_of_cylinders.insert(pour.pour.clone());
            return is_news.then(|| Step::OutOfCylinders {
                bed: bed.to_owned(),
            });
        };
        self.taken.insert((pour.pour.clone(), set.set.clone()));
        Some(Step::Break {
            bed: bed.to_owned(),
            set: set.set.clone(),
            specimen_count: set.specimens.len(),
        })
    }

    /// Whether a set was taken whose result the daemon has not shown.
    fn is_at_the_machine(&self, pour: &Pour) -> bool {
        pour.cylinder_sets.iter().any(|set| {
            set.breaks.is_empty() && self.taken.contains(&(pour.pour.clone(), set.set.clone()))
        })
    }

    fn confirmed(&mut self, bed: &str, pour: &Pour, now: DateTime<Utc>) -> Option<Step> {
        let since = *self.confirmed_since.entry(pour.pour.clone()).or_insert(now);
        if self.signed || self.sign_refused.contains(bed) || now < since + SIGN_AFTER {
            return None;
        }
        self.signed = true;
        Some(Step::Sign {
            bed: bed.to_owned(),
            line: pour.line.clone(),
        })
    }
}

fn last_break_failed(pour: &Pour) -> bool {
    let breaks = pour.cylinder_sets.iter().flat_map(|set| &set.breaks);
    breaks
        .max_by_key(|broken| broken.tested_at)
        .is_some_and(|broken| !broken.passes)
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    const NOON: &str = "2026-11-25T12:00:00Z";

    /// A yard of one bed; `sets` says of each set how many are left and whether its break passed.
    fn yard(
        now: &str,
        status: &str,
        from_at: Option<&str>,
        sets: &[(usize, Option<bool>)],
    ) -> Yard {
        let sets = sets.iter().zip('A'..).map(|((left_count, passes), name)| {
            let breaks: Vec<_> = passes
                .iter()
                .map(|passes| json!({ "tested_at": NOON, "passes": passes }))
                .collect();
            json!({
                "set": name, "purpose": "release", "specimens": ["1", "2", "3"],
                "left_count": left_count, "breaks": breaks,
            })
        });
        let pour = json!({
            "pour": "N1-a", "line": "N1", "status": status,
            "forecast": { "break_from_at": from_at },
            "cylinder_sets": sets.collect::<Vec<_>>(),
        });
        let yard = json!({
            "plant": { "now": now }, "troubles": [],
            "beds": [{ "bed": "N1", "pours": [pour] }],
        });
        serde_json::from_value(yard).expect("a yard")
    }

    fn breaks(set: &str) -> Vec<Step> {
        vec![Step::Break {
            bed: "N1".to_owned(),
            set: set.to_owned(),
            specimen_count: 3,
        }]
    }

    #[test]
    fn a_set_is_broken_only_when_the_daemon_says_a_break_is_due() {
        let mut quality = Quality::default();
        let whole = [(3, None), (3, None)];
        assert!(
            quality
                .next_steps(&yard(NOON, "curing", None, &whole))
                .is_empty()
        );
        let due = yard(NOON, "break-due", None, &whole);
        assert_eq!(quality.next_steps(&due), breaks("A"));
        // The result is on its way: no second set meanwhile.
        assert!(quality.next_steps(&due).is_empty());
    }

    #[test]
    fn after_a_failed_set_the_next_waits_for_the_daemons_time() {
        let mut quality = Quality::default();
        let sets = [(0, Some(false)), (3, None)];
        let early = yard(NOON, "break-due", Some("2026-11-25T12:40:00Z"), &sets);
        assert!(quality.next_steps(&early).is_empty());
        let unknown = yard(NOON, "break-due", None, &sets);
        assert!(quality.next_steps(&unknown).is_empty());
        let later = "2026-11-25T12:41:00Z";
        let due = yard(later, "break-due", Some("2026-11-25T12:40:00Z"), &sets);
        assert_eq!(quality.next_steps(&due), breaks("B"));
    }

    #[test]
    fn running_out_of_cylinders_is_said_once() {
        let mut quality = Quality::default();
        let due = yard(NOON, "break-due", Some(NOON), &[(0, Some(false))]);
        let out = vec![Step::OutOfCylinders {
            bed: "N1".to_owned(),
        }];
        assert_eq!(quality.next_steps(&due), out);
        assert!(quality.next_steps(&due).is_empty());
    }

    #[test]
    fn one_confirmed_line_is_signed_after_a_while_and_another_only_if_that_was_refused() {
        let mut quality = Quality::default();
        let sets = [(0, Some(true))];
        let steps = |quality: &mut Quality, now: &str| {
            quality
                .next_steps(&yard(now, "confirmed", None, &sets))
                .len()
        };
        assert_eq!(steps(&mut quality, NOON), 0);
        assert_eq!(steps(&mut quality, "2026-11-25T12:19:00Z"), 0);
        assert_eq!(steps(&mut quality, "2026-11-25T12:20:00Z"), 1);
        assert_eq!(steps(&mut quality, "2026-11-25T12:21:00Z"), 0);
        quality.signature_refused("N1");
        assert!(!quality.signed);
        assert_eq!(steps(&mut quality, "2026-11-25T12:22:00Z"), 0);
    }
}
