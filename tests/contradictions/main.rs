//! Of one bed at one moment nothing contradicts anything else: every screen, answer and message of
//! simulated nights, whose people break sets too early, too weak and twice, is read for it.

mod claims;
mod night;
mod said;

use std::collections::{BTreeMap, BTreeSet};

use claims::contradictions;
use night::Night;

/// Seeds of the simulated nights, and of what their people do.
const SEEDS: [u64; 2] = [3, 8];
/// Between two looks, min.
const EVERY_MIN: i64 = 30;

#[test]
fn no_two_statements_about_one_bed_at_one_moment_contradict_each_other() {
    let mut outcomes = BTreeMap::<String, usize>::new();
    let mut found = BTreeSet::new();
    for seed in SEEDS {
        let mut night = Night::simulated(seed);
        while let Some(look) = night.look(EVERY_MIN) {
            for bed in &look.snapshot.beds {
                let Some(pour) = bed.pours.last() else {
                    continue;
                };
                *outcomes
                    .entry(pour.confirmation.outcome.clone())
                    .or_default() += 1;
                let texts = said::of_bed(&look, bed);
                for one in contradictions(pour, &texts) {
                    found.insert(format!("seed {seed}, {}: {one}", bed.bed));
                }
            }
        }
    }
    assert!(
        found.is_empty(),
        "{} contradictions: {found:#?}",
        found.len()
    );
    // The nights are worth reading: every outcome that people can bring about came about.
    for outcome in [
        "not-broken",
        "failed",
        "not-confirmed",
        "confirmed",
        "released",
        "failed-after-release",
    ] {
        assert!(outcomes.contains_key(outcome), "{outcome}: {outcomes:?}");
    }
}
