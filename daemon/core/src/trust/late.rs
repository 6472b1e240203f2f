//! Readings that came late: what they prove, where nobody can know that their stamps are right.
//!
//! A reading that comes when it was measured proves its own time. One that comes later rests on its
//! stamp alone. Many that fill a gap are a logger's memory or a queue after an outage; a few, or some
//! among readings that came in time, may as well be wrong stamps, and must not raise a lower bound.

use std::borrow::Cow;

use crate::channel::Sample;
use crate::time::UtcMs;

/// So many late readings must stand together to prove anything …
const TOGETHER_MIN: usize = 5;
/// … each within this of the next, ms.
const TOGETHER_MS: i64 = 30 * 60_000;

/// The samples that prove when they were measured: all that came in time, and late ones that stand
/// together where none came in time within `gap_min` both before and after.
#[must_use]
pub fn proven(samples: &[Sample], gap_min: f64) -> Cow<'_, [Sample]> {
    if !samples.iter().any(|one| one.is_late) {
        return Cow::Borrowed(samples);
    }
    let times = |late: bool| -> Vec<UtcMs> {
        let kept = samples.iter().filter(|one| one.is_late == late);
        kept.map(|one| one.at).collect()
    };
    let (late, in_time) = (times(true), times(false));
    let gap_ms = (gap_min * 60_000.0) as i64;
    let runs: Vec<&[UtcMs]> = late
        .chunk_by(|one, next| next.0 - one.0 <= TOGETHER_MS)
        .collect();
    let together = |at: UtcMs| {
        let run = runs.partition_point(|run| run.last().is_some_and(|last| *last < at));
        runs.get(run).is_some_and(|run| run.len() >= TOGETHER_MIN)
    };
    let in_gap = |at: UtcMs| {
        let next = in_time.partition_point(|one| *one < at);
        let is_near = |one: &UtcMs| (one.0 - at.0).abs() <= gap_ms;
        let before = next.checked_sub(1).and_then(|index| in_time.get(index));
        !(before.is_some_and(is_near) && in_time.get(next).is_some_and(is_near))
    };
    let proves = |one: &&Sample| !one.is_late || (together(one.at) && in_gap(one.at));
    Cow::Owned(samples.iter().filter(proves).cloned().collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(minute: i64, is_late: bool) -> Sample {
        Sample {
            at: UtcMs(minute * 60_000),
            low_c: Some(20.0),
            high_c: Some(20.0),
            fault: None,
            is_conflict: false,
            is_late,
        }
    }

    fn minutes(samples: &[Sample]) -> Vec<i64> {
        let proven = proven(samples, 20.0);
        proven.iter().map(|one| one.at.0 / 60_000).collect()
    }

    #[test]
    fn a_queue_that_fills_an_outage_counts_and_a_few_late_stamps_do_not() {
        let around = (0..10).chain(70..80).map(|minute| sample(minute, false));
        let mut queued: Vec<Sample> = around.clone().collect();
        queued.extend((10..70).map(|minute| sample(minute, true)));
        queued.sort_by_key(|one| one.at);
        // At its ends, readings that came in time stand on one side only.
        assert_eq!(minutes(&queued), (0..80).collect::<Vec<_>>());

        let mut few: Vec<Sample> = around.collect();
        few.extend([20, 40, 41, 42].map(|minute| sample(minute, true)));
        few.sort_by_key(|one| one.at);
        assert_eq!(minutes(&few), (0..10).chain(70..80).collect::<Vec<_>>());
    }

    #[test]
    fn late_stamps_among_readings_that_came_in_time_prove_nothing() {
        let mut both: Vec<Sample> = (0..60).map(|minute| sample(minute, false)).collect();
        both.extend((20..40).map(|minute| sample(minute, true)));
        both.sort_by_key(|one| one.at);
        assert_eq!(minutes(&both), (0..60).collect::<Vec<_>>());
    }
}
